-- What judged a value, where nothing did; and how a device timed a hold, where it says so.

-- Old rows keep nulls here, so what was sealed of them stays as it was.
alter table step_result
    add column no_limit_in_force boolean,   -- it has limits, and none was in force that day there; null: one was, or it has none
    add column hold_record       jsonb;     -- what a device's counter and clock showed: src/domain/evidence/hold_record.rs

-- A view can gain columns at its end.
create or replace view reporting.step_results with (security_barrier) as
select r.completion_id, r.clinic_day, r.step_key, r.ordinal, r.kind, r.status, r.verdict, r.finding, r.hold_id,
       r.elapsed_seconds, r.measured_by, r.minimum_seconds, r.qualifier, r.value, r.unit, r.limits, r.reason,
       r.lot_id, r.product_version, r.mixed_at, r.maximum_seconds, coalesce(r.too_many_to_count, false) as too_many_to_count,
       r.instrument_id, r.given, coalesce(r.no_limit_in_force, false) as no_limit_in_force, r.hold_record
from public.step_result r
where r.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.step_results.finding is
    'Every reason it failed, and what is to be seen beside the verdict, with semicolons between; else empty.';
comment on column reporting.step_results.minimum_seconds is
    'Shortest hold that counted, in seconds: the step''s, or the contact time of the product where that is longer; else null.';
comment on column reporting.step_results.maximum_seconds is
    'Longest hold that counted, in seconds: the step''s, or that of the product where it is shorter; else null.';
comment on column reporting.step_results.limits is
    'JSON array of the limits that decided: of a reading each with the stricter ones of the law behind it; of a hold its shortest and longest time (s), in rows from before that was kept null; of a product how long it keeps after opening and mixing (h or d) and the pH an amalgam rule allows ([pH]). Members: operator (lt, le, ge, gt), value (decimal text), unit (UCUM), source, effective_from, effective_until, set_by, jurisdiction, legal; else null.';
comment on column reporting.step_results.no_limit_in_force is
    'It has limits, and none of them was in force on that clinic day at that place: the value was judged by none, whatever its verdict says. False in rows from before that was kept.';
comment on column reporting.step_results.hold_record is
    'JSON object of a hold that a device timed: started and ended, each with counter_ms (monotonic counter, milliseconds), boot_id (which run of the device) and clock_at (instant its clock showed); null: not told.';

create or replace view reporting.readings with (security_barrier) as
select s.completion_id, s.step_key, s.clinic_day, c.clinic_id, c.task_id, t.subject_id, t.routine_id, c.performed_at,
       c.recorded_at, c.performed_by, s.qualifier, s.value, s.unit, coalesce(s.too_many_to_count, false) as too_many_to_count,
       s.limits, s.verdict, s.finding, s.instrument_id, c.corrects,
       coalesce(s.no_limit_in_force, false) as no_limit_in_force
from public.step_result s
join public.completion c on c.group_id = s.group_id and c.clinic_day = s.clinic_day
                        and c.completion_id = s.completion_id
left join public.task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
where s.group_id = (select reader.group_id from public.reporting_reader reader)
  and (s.qualifier is not null or s.too_many_to_count);
comment on column reporting.readings.too_many_to_count is
    'No number can be given; it is above every maximum, and says nothing against a minimum.';
comment on column reporting.readings.limits is
    'JSON array of the limits that decided, as in reporting.step_results.limits; null: none was in force, or it has none.';
comment on column reporting.readings.no_limit_in_force is
    'It has limits, and none of them was in force on that clinic day at that place: judged by none. False in rows from before that was kept.';
