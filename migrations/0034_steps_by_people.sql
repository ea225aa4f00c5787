-- A step of a corrective action names the person by id, as a completion does, and says what a lead should look at.
-- All stay null in rows of before: what was sealed stays as it was.
alter table corrective_action_step
    add column staff_id uuid,               -- the person, where the device named one; initials stay in performed_by
    add column signed   boolean,            -- whether the person's PIN came with it and was right
    add column flags    text[];             -- what a lead should look at: src/domain/flags.rs. Never changes the step
-- The flagged ones, newest first, without a walk over all the others.
create index corrective_action_step_flagged on corrective_action_step (group_id, recorded_at desc, record_id desc)
    where cardinality(flags) > 0;

-- A view can gain columns at its end.
create or replace view reporting.corrective_action_steps with (security_barrier) as
select s.record_id, s.action_id, s.clinic_id, s.step_key, s.performed_at, s.recorded_at, s.performed_by, s.note, s.reference,
       s.result, s.completion_id, s.early, s.late, s.staff_id, s.signed, s.flags
from public.corrective_action_step s
where s.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.corrective_action_steps.staff_id is
    'The person, where the device named one by id, as in reporting.staff; else null.';
comment on column reporting.corrective_action_steps.signed is
    'Whether the person''s PIN came with it and was right; null in rows from before steps were signed.';
comment on column reporting.corrective_action_steps.flags is
    'What a lead should look at, as stable names; empty: nothing; null in rows from before steps had flags.';
