-- Who signed, by id, in two views that told only names: a pack of one person must hold what that person signed, and
-- initials and names change hands.

create or replace view reporting.corrective_actions with (security_barrier) as
select a.action_id, a.clinic_id, a.subject_id, a.kind, a.chain_version, a.cause, a.cause_id, a.routine_id, a.line, a.reason,
       a.recorded_at as opened_at, a.opened_by, n.step_key as next_step, n.owner, n.due_by, n.overdue_at,
       c.recorded_at as closed_at, c.closed_by, c.grounds, c.reason as close_reason, c.staff_id as closed_by_staff_id
from public.corrective_action a
left join public.corrective_action_next n on n.group_id = a.group_id and n.action_id = a.action_id
left join public.corrective_action_close c on c.group_id = a.group_id and c.action_id = a.action_id
where a.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.corrective_actions.closed_by_staff_id is
    'The person who closed it (UUID), as in reporting.staff; null: it is open.';

create or replace view reporting.day_explanations with (security_barrier) as
select s.sign_off_id, s.clinic_id, s.clinic_day, s.number as sign_off_number, e ->> 'kind' as gap,
       (e ->> 'task_id')::uuid as task_id, e ->> 'words' as words, s.signed_by, s.recorded_at,
       s.staff_id as signed_by_staff_id
from public.day_sign_off s
cross join lateral jsonb_array_elements(s.explanations) as e
where s.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.day_explanations.signed_by_staff_id is 'The lead (UUID), as in reporting.staff.';
