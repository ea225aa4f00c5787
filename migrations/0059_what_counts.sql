-- Which of several completions of one task counts hangs on them and no more on which came first: one that failed, else the one
-- that was performed first (src/domain/evidence/counting.rs). So what a completion makes of its task if it counts is
-- kept and sealed with it, and whether another counts is found where it is asked.
alter table completion alter column duplicate drop not null; -- told in rows from before this; null since: see is_duplicate
alter table completion add column outcome text constraint completion_outcome_known
    check (outcome in ('done', 'not_required', 'void', 'result_pending')); -- if it counts; null: nothing, or from before this

-- Whether a completion that no other corrects would end its task, and another one counts. What was told as it came stays.
create function is_duplicate(told boolean, outcome text, completion_id uuid, counts uuid)
returns boolean
language sql immutable parallel safe
as $$
    select coalesce(told, outcome in ('done', 'not_required', 'void') and counts <> completion_id, false)
$$;

create or replace view reporting.completions with (security_barrier) as
select c.completion_id, c.task_id, c.clinic_day, c.clinic_id, c.kind, c.performed_at, c.recorded_at, c.performed_by,
       c.key_id, c.verdict, c.findings, c.early, c.late, c.late_entry,
       coalesce(c.duplicate,
                is_duplicate(c.duplicate, c.outcome, c.completion_id,
                             (select t.completion_id from public.task t
                              where t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id))
                and not exists (select from public.completion x
                                where x.group_id = c.group_id and x.clinic_day = c.clinic_day and x.task_id = c.task_id
                                  and x.corrects = c.completion_id)) as duplicate,
       c.corrects, c.reason, c.note,
       c.staff_id, c.signed, c.flags, c.device_at, c.entered_at, c.outcome
from public.completion c
where c.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.completions.duplicate is
    'Another completion of the task counts, which failed or was performed first; both are kept. May change as others come.';
comment on column reporting.completions.outcome is
    'What it makes of its task if it counts: done, not_required, void or result_pending; null: nothing, or recorded before this was kept.';

-- As before, but for how a duplicate is known.
create or replace function said_of_failures(in_group uuid, in_action uuid)
returns table (completion_id uuid, verdict text, performed_by text, staff_id uuid,
               is_failure boolean, -- it opened the action, or is a further failure
               is_last boolean)    -- nothing took its place
language sql stable
as $$
    with recursive failed as (
        select a.cause_id as completion_id from corrective_action a
        where a.group_id = in_group and a.action_id = in_action and a.cause = 'completion'
        union
        select n.completion_id from corrective_action_note n
        where n.group_id = in_group and n.action_id = in_action and n.kind = 'further_failure'
    ), said as (
        select c.clinic_day, c.task_id, c.completion_id, c.verdict, c.recorded_at, c.performed_by, c.staff_id,
               null::uuid as follows
        from failed f
        join completion_receipt r on r.group_id = in_group and r.completion_id = f.completion_id
        join completion c on c.group_id = in_group and c.clinic_day = r.clinic_day and c.completion_id = r.completion_id
        union
        select x.clinic_day, x.task_id, x.completion_id, x.verdict, x.recorded_at, x.performed_by, x.staff_id,
               s.completion_id
        from said s
        join completion x on x.group_id = in_group and x.clinic_day = s.clinic_day and x.task_id = s.task_id
         and (x.corrects = s.completion_id
              or s.verdict = 'result_pending' and x.corrects is null and x.recorded_at > s.recorded_at
                 and not is_duplicate(x.duplicate, x.outcome, x.completion_id,
                                      (select t.completion_id from task t
                                       where t.group_id = in_group and t.clinic_day = x.clinic_day and t.task_id = x.task_id)))
    )
    select distinct s.completion_id, s.verdict, s.performed_by, s.staff_id,
           s.completion_id in (select f.completion_id from failed f),
           not exists (select from said n where n.follows = s.completion_id)
    from said s
$$;
