-- What an action asks for, recorded or not: whoever reads with SQL saw only the steps that were recorded, and the one that
-- comes next.
create view reporting.corrective_action_steps_asked with (security_barrier) as
select a.action_id, s.ordinality::integer as number, a.clinic_id, s.step ->> 'key' as step_key,
       s.step ->> 'instruction' as instruction, s.step ->> 'owner' as owner, s.step #>> '{evidence,kind}' as evidence,
       coalesce((s.step ->> 'gates_release')::boolean, false) as gates_release,
       (select string_agg((b.branch ->> 'step') || ' ' || (b.branch ->> 'ended'), ' or ' order by b.ordinality)
        from jsonb_array_elements(s.step -> 'only_if') with ordinality as b (branch, ordinality)) as only_if,
       (s.step #>> '{window,due_by_minutes}')::integer as due_by_minutes,
       s.step #>> '{window,counted_from}' as counted_from, a.recorded_at as opened_at
from public.corrective_action a
cross join lateral jsonb_array_elements(a.chain -> 'steps') with ordinality as s (step, ordinality)
where a.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.corrective_action_steps_asked is
    'One row a step of the chain that an action was opened with; never changed. What was recorded of it stands in reporting.corrective_action_steps.';
comment on column reporting.corrective_action_steps_asked.action_id is 'The action.';
comment on column reporting.corrective_action_steps_asked.number is 'Place in the chain, from 1.';
comment on column reporting.corrective_action_steps_asked.clinic_id is 'The clinic.';
comment on column reporting.corrective_action_steps_asked.step_key is 'Name of the step within its chain.';
comment on column reporting.corrective_action_steps_asked.instruction is 'What to do.';
comment on column reporting.corrective_action_steps_asked.owner is 'Whose step it is: assistant, clinician, clinic_lead, group_lead or engineer.';
comment on column reporting.corrective_action_steps_asked.evidence is
    'What it wants: confirmation, note, reference, result, test_result, tests_passed or work; more may come.';
comment on column reporting.corrective_action_steps_asked.gates_release is 'Whether nothing is released before it is recorded, and passed where it has a result.';
comment on column reporting.corrective_action_steps_asked.only_if is
    'Ends of earlier steps of which one is enough that it is asked for; null: it always is.';
comment on column reporting.corrective_action_steps_asked.due_by_minutes is 'Minutes (min) from counted_from until it is due.';
comment on column reporting.corrective_action_steps_asked.counted_from is 'opening: when the action was opened; step_before: when the step before it was done.';
comment on column reporting.corrective_action_steps_asked.opened_at is 'Instant at which the action was opened.';
grant select on reporting.corrective_action_steps_asked to chairtide_reporting;
