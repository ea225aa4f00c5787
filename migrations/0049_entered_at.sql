-- A tablet that was offline keeps what was entered, and what comes late may have been entered in time, or typed in one go in
-- the evening: only the device knows.
alter table completion add column entered_at timestamptz; -- when it was entered, by the device's clock; null where it did not say

create or replace view reporting.completions with (security_barrier) as
select c.completion_id, c.task_id, c.clinic_day, c.clinic_id, c.kind, c.performed_at, c.recorded_at, c.performed_by,
       c.key_id, c.verdict, c.findings, c.early, c.late, c.late_entry, c.duplicate, c.corrects, c.reason, c.note,
       c.staff_id, c.signed, c.flags, c.device_at, c.entered_at
from public.completion c
where c.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.completions.entered_at is
    'Instant at which it was entered on the device, by the device''s clock; null where it did not say. Compare with performed_at.';
