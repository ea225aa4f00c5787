-- What others may read: the schema "reporting", and an index for lists that are read page by page.
--
-- The views are the only part of this database that is promised to other systems. Tables change shape between
-- versions; these columns keep their names, units and meaning. Auditors' tools log in with their own database role,
-- which is a member of chairtide_reporting and is tied to one group below.
--
-- No function here runs with more rights than its caller's. The views do the lifting: a view reads its tables with the
-- rights of its owner, whom row-level security does not bind, so each view filters by the login's group itself, and
-- as security barriers they let no caller's function see a row before that filter.

-- Which group a database login may read. The login leads the key, not the group: a login must not be tied to two.
create table reporting_login (
    login    name primary key,              -- session_user: unlike current_user, nobody can set it
    group_id uuid not null references dental_group
);
alter table reporting_login enable row level security;  -- and no policy: only its owner reads or writes it

-- Membership for a login. Its name is an identifier and cannot be a parameter, so it is quoted here, once.
-- Runs with the rights of its caller, who must be allowed to grant the role: the owner.
create function grant_reporting(login text) returns void
language plpgsql set search_path = public, pg_temp
as $$
begin
    execute format('grant chairtide_reporting to %I', login);
end $$;
revoke all on function grant_reporting(text) from public;

-- A list read page by page shows one instant; what was recorded since then must stay on it.
create index task_settled on task (group_id, outcome_at) where outcome is not null;

create schema reporting;
comment on schema reporting is
    'Read-only views for other systems. The only part of this database that is promised to keep its shape.';

create view reporting.clock with (security_barrier) as
select coalesce(nullif(current_setting('chairtide.as_of', true), '')::timestamptz, max(p.ticked_at)) as as_of
from public.service_pulse p;
comment on view reporting.clock is
    'One row: the instant that derived columns are computed for. SQL reads no clock of its own.';
comment on column reporting.clock.as_of is
    'Instant. The setting chairtide.as_of of the session, else the latest tick of the service''s own clock; null when the service never ran.';

create function reporting.as_of() returns timestamptz
language sql stable
as $$ select as_of from reporting.clock $$;
comment on function reporting.as_of() is
    'The instant that derived columns are computed for. To ask about another: set chairtide.as_of = ''2026-11-30T17:00:00Z''.';

create view reporting.clinics with (security_barrier) as
select c.clinic_id, c.name, c.zone, c.address, c.jurisdiction
from public.clinic c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.clinics is 'One row a clinic of the group.';
comment on column reporting.clinics.clinic_id is 'Identity of the clinic (UUID).';
comment on column reporting.clinics.name is 'What people call it.';
comment on column reporting.clinics.zone is 'IANA time-zone name; clinic days are dates in this zone.';
comment on column reporting.clinics.address is 'Postal address as entered; may be empty.';
comment on column reporting.clinics.jurisdiction is 'Whose code applies, as entered; may be empty.';

create view reporting.subjects with (security_barrier) as
select s.subject_id, s.clinic_id, s.kind, s.name, s.serial, s.water_source, s.circuits, s.suction_lines,
       s.service_state, s.service_reason, s.service_since
from public.subject s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.subjects is 'One row for anything a routine can be about, as it stands now.';
comment on column reporting.subjects.subject_id is 'Identity (UUID), kept when it moves; for kind clinic the clinic''s own.';
comment on column reporting.subjects.clinic_id is 'The clinic it stands in now; a task names the one it fell due in.';
comment on column reporting.subjects.kind is
    'clinic, operatory, steriliser, washer_disinfector, ultrasonic_bath, water_plant, compressor, amalgam_separator, eyewash, premises_outlet; more may come.';
comment on column reporting.subjects.name is 'What people call it.';
comment on column reporting.subjects.serial is 'Serial number as entered; may be empty.';
comment on column reporting.subjects.water_source is
    'mains_air_gap, own_reservoir or treated_plant; operatories only, else null.';
comment on column reporting.subjects.circuits is 'Names of the waterline circuits in working order.';
comment on column reporting.subjects.suction_lines is 'Names of the suction lines in working order.';
comment on column reporting.subjects.service_state is 'in_service or out_of_service.';
comment on column reporting.subjects.service_reason is 'Why it is out of service; else empty.';
comment on column reporting.subjects.service_since is 'Instant since which service_state holds.';

create view reporting.routines with (security_barrier) as
select v.routine_id, v.version, v.effective_on, v.definition ->> 'name' as name,
       v.definition ->> 'subject_kind' as subject_kind, v.definition -> 'anchor' as anchor,
       v.definition -> 'sources' as sources, coalesce((v.definition ->> 'in_use')::boolean, true) as in_use
from public.routine_version v
where v.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.routines is 'One row a version of a routine; versions are never changed, only followed.';
comment on column reporting.routines.routine_id is 'Identity of the routine (UUID), the same over its versions.';
comment on column reporting.routines.version is '1, 2, 3 and so on.';
comment on column reporting.routines.effective_on is
    'First clinic day the version is in force for, until a higher version''s date.';
comment on column reporting.routines.name is 'Name of the routine in this version.';
comment on column reporting.routines.subject_kind is 'Kind of subject it is about, as in reporting.subjects.kind.';
comment on column reporting.routines.anchor is
    'JSON object: the moment it hangs on; its member kind is opening, closing, turnover or calendar; more may come.';
comment on column reporting.routines.sources is
    'JSON array of objects with title, edition, locator and seen: on whose authority the routine stands.';
comment on column reporting.routines.in_use is 'False: this version plans nothing.';

create view reporting.tasks with (security_barrier) as
select t.task_id, t.clinic_day, t.clinic_id, t.subject_id, t.subject_kind, t.routine_id, t.routine_version,
       t.due_from, t.due_by, t.overdue_at, t.missed_at, t.blocks_at,
       d.state, d.level, t.rung_audience[d.level] as audience,
       case when t.outcome_at <= k.as_of then t.outcome_at end as outcome_at,
       case when t.outcome_at <= k.as_of then t.outcome_reason end as outcome_reason,
       case when t.outcome_at <= k.as_of then t.completion_id end as completion_id,
       d.state = 'done' and t.done_late as done_late,
       case when t.failed_at <= k.as_of then t.failed_at end as failed_at,
       k.as_of
from public.task t
cross join reporting.clock k
-- Without an instant nothing can be derived: null, rather than the last branch of task_state.
cross join lateral (select
    case when k.as_of is not null then
        public.task_state(t.outcome, t.outcome_at, t.due_from, t.due_by, t.overdue_at, t.missed_at, k.as_of)
    end as state,
    case when k.as_of is not null then
        public.task_level(t.outcome, t.outcome_at, t.rung_at, k.as_of)
    end as level) d
where t.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.tasks is
    'One row a due occurrence of a routine on a subject, with what it is as of reporting.as_of(). Kept by month of clinic_day: a condition on clinic_day makes a query cheap.';
comment on column reporting.tasks.task_id is 'Identity of the task (UUID).';
comment on column reporting.tasks.clinic_day is 'Local date at the clinic that the task belongs to.';
comment on column reporting.tasks.clinic_id is 'The clinic it fell due in.';
comment on column reporting.tasks.subject_id is 'What it is about.';
comment on column reporting.tasks.subject_kind is 'Kind of subject, as in reporting.subjects.kind.';
comment on column reporting.tasks.routine_id is 'The routine it is an occurrence of.';
comment on column reporting.tasks.routine_version is 'The version in force on the clinic day.';
comment on column reporting.tasks.due_from is 'Instant from which the work may start.';
comment on column reporting.tasks.due_by is 'Instant by which the work is due.';
comment on column reporting.tasks.overdue_at is 'Instant at which grace is over.';
comment on column reporting.tasks.missed_at is 'Instant by which it is missed without a record.';
comment on column reporting.tasks.blocks_at is
    'Instant from which its subject is not ready by record while it lacks one; null: it never stands in the way.';
comment on column reporting.tasks.state is
    'As of as_of: upcoming, due, grace, overdue, missed, done, not_required, void or result_pending.';
comment on column reporting.tasks.level is
    'Rungs of the ladder reached as of as_of (count); 0: none reached, or an outcome is recorded.';
comment on column reporting.tasks.audience is
    'Whom the reached rung tells: chairside, clinic_lead or group_manager; null at level 0.';
comment on column reporting.tasks.outcome_at is 'Instant at which the outcome was recorded; null when none is.';
comment on column reporting.tasks.outcome_reason is 'Why it was not required or void, as recorded; else empty or null.';
comment on column reporting.tasks.completion_id is 'The completion behind the outcome; null when the plan itself said so.';
comment on column reporting.tasks.done_late is 'Done, and performed after due_by.';
comment on column reporting.tasks.failed_at is
    'Instant of the latest attempt or result that did not keep the rules; null when none, or when a later one did.';
comment on column reporting.tasks.as_of is 'Instant that state, level and the columns after them are computed for.';

create view reporting.completions with (security_barrier) as
select c.completion_id, c.task_id, c.clinic_day, c.clinic_id, c.kind, c.performed_at, c.recorded_at, c.performed_by,
       c.key_id, c.verdict, c.findings, c.early, c.late, c.late_entry, c.duplicate, c.corrects, c.reason, c.note
from public.completion c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.completions is
    'One row a completion, in full: never changed; a correction is a further row. Kept by month of clinic_day.';
comment on column reporting.completions.completion_id is 'Identity (UUID), made by the device that posted it.';
comment on column reporting.completions.task_id is 'The task it is evidence for.';
comment on column reporting.completions.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.completions.clinic_id is 'The clinic.';
comment on column reporting.completions.kind is 'performed, not_required or void.';
comment on column reporting.completions.performed_at is 'Instant of the work, as the person said.';
comment on column reporting.completions.recorded_at is 'Instant at which the service received it.';
comment on column reporting.completions.performed_by is 'The person who did the work, as entered.';
comment on column reporting.completions.key_id is 'The device or system that posted it.';
comment on column reporting.completions.verdict is
    'By the rules of the routine''s version: passed, failed, result_pending, not_required or void.';
comment on column reporting.completions.findings is 'JSON array of objects with step and finding: why the verdict.';
comment on column reporting.completions.early is 'Performed before the window opened.';
comment on column reporting.completions.late is 'Performed after due_by.';
comment on column reporting.completions.late_entry is 'Recorded after the window had closed.';
comment on column reporting.completions.duplicate is 'The task had been completed already; both are kept.';
comment on column reporting.completions.corrects is 'The completion that this one replaces; else null.';
comment on column reporting.completions.reason is 'Reason of a correction, a not-required or a void; else empty.';
comment on column reporting.completions.note is 'Free text; may be empty.';

create view reporting.step_results with (security_barrier) as
select r.completion_id, r.clinic_day, r.step_key, r.ordinal, r.kind, r.status, r.verdict, r.finding, r.hold_id,
       r.elapsed_seconds, r.measured_by, r.minimum_seconds, r.qualifier, r.value, r.unit, r.limits, r.reason
from public.step_result r
where r.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.step_results is
    'One row a step of a completion, with the rule it was judged by. Kept by month of clinic_day.';
comment on column reporting.step_results.completion_id is 'The completion it belongs to.';
comment on column reporting.step_results.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.step_results.step_key is
    'Step of the routine; with a colon and the line''s name where a step is worked once for each line.';
comment on column reporting.step_results.ordinal is 'Place among the steps of the completion.';
comment on column reporting.step_results.kind is 'confirmation, hold or reading.';
comment on column reporting.step_results.status is 'As answered: done, skipped, not_applicable or result_pending.';
comment on column reporting.step_results.verdict is 'By its rule: passed, failed, result_pending or not_applicable.';
comment on column reporting.step_results.finding is 'Why it failed; else empty.';
comment on column reporting.step_results.hold_id is 'The timed hold behind it; else null.';
comment on column reporting.step_results.elapsed_seconds is 'Length of the hold in seconds; else null.';
comment on column reporting.step_results.measured_by is 'Whose clock measured the hold: server or device; else null.';
comment on column reporting.step_results.minimum_seconds is 'Shortest hold the step asked for, in seconds; else null.';
comment on column reporting.step_results.qualifier is
    'lt, eq or gt: the true value lies below, at or above the stated one; null when there is no reading.';
comment on column reporting.step_results.value is 'Stated value of the reading, in the unit of the column unit.';
comment on column reporting.step_results.unit is 'Unit of the value as a UCUM code; else null.';
comment on column reporting.step_results.limits is
    'JSON array of the limits in force: operator (lt, le, ge, gt), value (decimal text), unit (UCUM), source, effective_from, effective_until; else null.';
comment on column reporting.step_results.reason is 'Reason given with the answer; may be empty.';

revoke all on all functions in schema reporting from public;
grant usage on schema reporting to chairtide_reporting;
grant select on all tables in schema reporting to chairtide_reporting;
grant execute on function reporting.as_of() to chairtide_reporting;
-- A view reads tables with its owner's rights, but calls functions with its reader's.
grant execute on function task_state, task_level to chairtide_reporting;
