-- Whoever puts something out of use, opens an action, marks a lot, hands in a cycle's record or starts an advisory may sign
-- for it with a PIN of their own, as for everything else that is done on a tablet which several people share.
alter table quarantine        add column staff_id uuid; -- who signed; null: by initials only, or the service
alter table corrective_action add column staff_id uuid; -- the same
alter table lot_mark          add column staff_id uuid; -- the same
alter table cycle_record      add column staff_id uuid; -- the same
alter table water_advisory    add column staff_id uuid; -- the same

create or replace view reporting.quarantines with (security_barrier) as
select q.quarantine_id, q.clinic_id, q.subject_id, q.line, q.load_reference, q.cycle_id, q.cause, q.cause_id, q.reason,
       q.begun_at, q.recorded_at, q.begun_by, r.recorded_at as released_at, r.released_by,
       r.staff_id as released_by_staff_id, r.reason as release_reason, r.disposition as load_disposition,
       q.staff_id as begun_by_staff_id
from public.quarantine q
left join public.quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id
where q.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.quarantines.begun_by_staff_id is
    'Who signed for it with their PIN (UUID), as in reporting.staff; null: begun_by is what somebody entered.';

create or replace view reporting.corrective_actions with (security_barrier) as
select a.action_id, a.clinic_id, a.subject_id, a.kind, a.chain_version, a.cause, a.cause_id, a.routine_id, a.line, a.reason,
       a.recorded_at as opened_at, a.opened_by, n.step_key as next_step, n.owner, n.due_by, n.overdue_at,
       c.recorded_at as closed_at, c.closed_by, c.grounds, c.reason as close_reason, c.staff_id as closed_by_staff_id,
       a.staff_id as opened_by_staff_id
from public.corrective_action a
left join public.corrective_action_next n on n.group_id = a.group_id and n.action_id = a.action_id
left join public.corrective_action_close c on c.group_id = a.group_id and c.action_id = a.action_id
where a.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.corrective_actions.opened_by_staff_id is
    'Who signed for it with their PIN (UUID), as in reporting.staff; null: opened_by is what somebody entered.';

create or replace view reporting.lot_marks with (security_barrier) as
select m.lot_id, m.number, m.clinic_id, m.kind, m.marked_at, m.marked_by, m.reason, m.authority, m.recorded_at, m.key_id,
       m.staff_id as marked_by_staff_id
from public.lot_mark m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.lot_marks.marked_by_staff_id is
    'Who signed for it with their PIN (UUID), as in reporting.staff; null: marked_by is what somebody entered.';

create or replace view reporting.cycle_records with (security_barrier) as
select r.cycle_id, r.number, r.clinic_id, r.subject_id, r.performed_by, r.reason, r.recorded_at, r.key_id,
       jsonb_array_length(r.readings) as reading_count, r.readings, r.band, r.load_reference, r.holds_implants, r.chamber,
       r.outcome_as_printed, r.printed_words, r.verdict, r.finding, r.limits, r.staff_id
from public.cycle_record r
where r.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.cycle_records.staff_id is
    'Who signed for it with their PIN (UUID), as in reporting.staff; null: performed_by is what somebody entered.';

create or replace view reporting.water_advisories with (security_barrier) as
select a.advisory_id, a.clinic_id, a.authority, a.notice_number, a.area, a.started_at, a.recorded_at, a.opened_by,
       l.lifted_at, l.recorded_at as lifting_recorded_at, l.lifted_by, l.staff_id as lifted_by_staff_id,
       l.notice_number as lifting_notice_number, l.reason as lifting_reason, a.staff_id as opened_by_staff_id
from public.water_advisory a
left join public.water_advisory_lifting l
       on l.group_id = a.group_id and l.advisory_id = a.advisory_id and l.clinic_id = a.clinic_id
where a.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.water_advisories.opened_by_staff_id is
    'Who signed for it with their PIN (UUID), as in reporting.staff; null: opened_by is what somebody entered.';
