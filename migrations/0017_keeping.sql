-- What other systems read beside tasks and completions: seals, holds, the desk's marks, closures, and since when a
-- subject was in or out of service; and an interval for small numbers, so that clinics are compared by rate.

create view reporting.seals with (security_barrier) as
select s.clinic_id, s.number, s.clinic_day, s.recorded_from, s.recorded_until, s.sealed_at, s.record_count,
       encode(s.root, 'hex') as root, encode(s.previous, 'hex') as previous
from public.day_seal s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.seals is
    'One row a sealed clinic day; never changed. That a record is as it was sealed says nothing of whether it is so.';
comment on column reporting.seals.clinic_id is 'The clinic.';
comment on column reporting.seals.number is 'Place in the clinic''s chain, from 0.';
comment on column reporting.seals.clinic_day is 'The clinic day (local date) it is of.';
comment on column reporting.seals.recorded_from is 'Instant: it holds what was recorded from here on.';
comment on column reporting.seals.recorded_until is 'Instant: and before here.';
comment on column reporting.seals.sealed_at is 'Instant it was made at.';
comment on column reporting.seals.record_count is 'How many records it holds (count).';
comment on column reporting.seals.root is 'Root of the tree of its records, hexadecimal (32 bytes).';
comment on column reporting.seals.previous is 'Leaf hash of the seal before it, hexadecimal (32 bytes); null: the first.';

create view reporting.holds with (security_barrier) as
select h.hold_id, h.clinic_day, h.clinic_id, h.task_id, h.step_key, h.edge, h.marked_at, h.performed_by, h.key_id
from public.hold_mark h
where h.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.holds is
    'One row a start or end of a timed hold, by the service''s clock; never changed. Kept by month of clinic_day.';
comment on column reporting.holds.hold_id is 'Identity of the hold (UUID); its start and its end share it.';
comment on column reporting.holds.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.holds.clinic_id is 'The clinic.';
comment on column reporting.holds.task_id is 'The task it belongs to.';
comment on column reporting.holds.step_key is 'Step of the routine, as in reporting.step_results.';
comment on column reporting.holds.edge is 'start or end.';
comment on column reporting.holds.marked_at is 'Instant at which the service received it.';
comment on column reporting.holds.performed_by is 'The person, as entered.';
comment on column reporting.holds.key_id is 'The device or system that posted it.';

create view reporting.day_marks with (security_barrier) as
select d.clinic_id, d.clinic_day, d.edge, d.marked_at, d.recorded_at, d.key_id
from public.day_mark d
where d.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.day_marks is 'One row a start or end of a clinic day as the front desk posted it; never changed.';
comment on column reporting.day_marks.clinic_id is 'The clinic.';
comment on column reporting.day_marks.clinic_day is 'The clinic day (local date).';
comment on column reporting.day_marks.edge is 'start or end.';
comment on column reporting.day_marks.marked_at is 'Instant it happened, as posted.';
comment on column reporting.day_marks.recorded_at is 'Instant at which the service received it.';
comment on column reporting.day_marks.key_id is 'The device or system that posted it.';

create view reporting.seatings with (security_barrier) as
select s.mark_id, s.clinic_day, s.clinic_id, s.operatory_id, s.edge, s.marked_at, s.recorded_at, s.key_id, s.missing
from public.seating_mark s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.seatings is
    'One row a chair taken or left; never changed, and without a word on who sat in it. Kept by month of clinic_day.';
comment on column reporting.seatings.mark_id is 'Identity (UUID).';
comment on column reporting.seatings.clinic_day is 'Clinic day (local date).';
comment on column reporting.seatings.clinic_id is 'The clinic.';
comment on column reporting.seatings.operatory_id is 'The operatory, as in reporting.subjects.';
comment on column reporting.seatings.edge is 'seated or left.';
comment on column reporting.seatings.marked_at is 'Instant it happened, as posted.';
comment on column reporting.seatings.recorded_at is 'Instant at which the service received it.';
comment on column reporting.seatings.key_id is 'The device or system that posted it.';
comment on column reporting.seatings.missing is
    'JSON array: what the operatory''s record lacked when somebody was seated all the same; empty: nothing.';

create view reporting.closures with (security_barrier) as
select c.closure_id, c.clinic_id, c.from_local, c.until_local, c.reason
from public.closure c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.closures is 'One row a dated exception that closes a clinic, as it stands now.';
comment on column reporting.closures.closure_id is 'Identity (UUID).';
comment on column reporting.closures.clinic_id is 'The clinic.';
comment on column reporting.closures.from_local is 'First closed moment, in the clinic''s local time.';
comment on column reporting.closures.until_local is 'First moment after it, in the clinic''s local time.';
comment on column reporting.closures.reason is 'Reason as entered.';

create view reporting.service_changes with (security_barrier) as
select s.subject_id, s.changed_at, s.clinic_id, s.service_state, s.reason
from public.subject_change s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.service_changes is
    'One row whenever a subject came, moved, or went in or out of service; holds until the subject''s next row.';
comment on column reporting.service_changes.subject_id is 'The subject, as in reporting.subjects.';
comment on column reporting.service_changes.changed_at is 'Instant it holds from.';
comment on column reporting.service_changes.clinic_id is 'The clinic it stands in from then on.';
comment on column reporting.service_changes.service_state is 'in_service or out_of_service.';
comment on column reporting.service_changes.reason is 'Reason as entered; may be empty.';

-- A view can gain columns at its end. Water tests and spore tests are told by what their steps read.
create or replace view reporting.routines with (security_barrier) as
select v.routine_id, v.version, v.effective_on, v.definition ->> 'name' as name,
       v.definition ->> 'subject_kind' as subject_kind, v.definition -> 'anchor' as anchor,
       v.definition -> 'sources' as sources, coalesce((v.definition ->> 'in_use')::boolean, true) as in_use,
       array(select distinct s.step #>> '{evidence,unit}' from jsonb_array_elements(v.definition -> 'steps') s (step)
             where s.step #>> '{evidence,kind}' = 'reading' order by 1) as reading_units
from public.routine_version v
where v.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on column reporting.routines.reading_units is
    'Units (UCUM) of the readings that its steps ask for, without doubles; empty: it asks for none.';

-- The score interval of a proportion: E. B. Wilson, JASA 22 (1927) 209-212, from memory; 1.959964 is the 97.5 % point of
-- the normal distribution. Kept as a function so that no query writes it out again, and held to published figures.
create function reporting.wilson_95(part bigint, whole bigint, out lower numeric, out upper numeric)
language sql immutable parallel safe
as $$
    select round(greatest(0, m - d)::numeric, 4), round(least(1, m + d)::numeric, 4)
    from (select 1.959963984540054::float8 as z, part::float8 as k, nullif(whole, 0)::float8 as n) a,
         lateral (select (k + z * z / 2) / (n + z * z) as m,
                         z / (n + z * z) * sqrt(greatest(0, k * (n - k) / n) + z * z / 4) as d) i
    where whole > 0
$$;
comment on function reporting.wilson_95(bigint, bigint) is
    'Wilson''s 95 % interval of the share part of whole (0 to 1, four decimals); null when whole is 0.';
revoke all on function reporting.wilson_95(bigint, bigint) from public;
grant execute on function reporting.wilson_95(bigint, bigint) to chairtide_reporting;
grant select on reporting.seals, reporting.holds, reporting.day_marks, reporting.seatings, reporting.closures,
    reporting.service_changes to chairtide_reporting;
