-- Somebody may be seated in a chair that is out of use, or while a notice stands: what stood against it is kept with the
-- seating, as what its record lacked is.
alter table seating_mark add column standing jsonb; -- null: recorded before it was kept, or the chair was left

create or replace view reporting.seatings with (security_barrier) as
select s.mark_id, s.clinic_day, s.clinic_id, s.operatory_id, s.edge, s.marked_at, s.recorded_at, s.key_id, s.missing, s.standing
from public.seating_mark s
where s.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.seatings.missing is
    'JSON array: what the operatory''s record lacked by what was recorded when somebody was seated all the same; empty: nothing.';
comment on column reporting.seatings.standing is
    'JSON array: the quarantines, notices and spells out of service that stood against the operatory then; empty: none; null: it was left, or nobody kept it yet.';
