-- The service itself answers with what `reporting` holds: exports for other systems, and packs of evidence. One set of
-- columns, documented once, for those who read with SQL and those who ask over HTTP.

-- Whose rows a reader of the views sees. A view looks through this one with the owner's rights, so nobody needs a right to
-- it. The service names its tenant in each transaction; an auditor's login is tied to one group and can set what it
-- likes. session_user, unlike current_user, is out of everybody's reach, so no setting makes a login one of the service's.
create view reporting_reader as
select case when pg_has_role(session_user, 'chairtide_app', 'member')
            then nullif(current_setting('chairtide.group_id', true), '')::uuid
            else (select l.group_id from reporting_login l where l.login = session_user)
       end as group_id;

-- Every view asked for the login's group by the same words; from here on each asks that view. Rewritten from what the
-- database itself says of them, because a copy of all of them here would be one more place to get a column wrong. Views
-- keep their columns, comments and grants.
do $$
declare v record;
begin
    for v in
        select c.oid, c.relname,
               regexp_replace(pg_get_viewdef(c.oid),
                              '\(\s*SELECT (\w+)\.group_id\s+FROM (public\.)?reporting_login \1\s+WHERE \(\1\.login = SESSION_USER\)\)',
                              '(SELECT reader.group_id FROM public.reporting_reader reader)', 'g') as definition
        from pg_class c
        where c.relnamespace = 'reporting'::regnamespace and c.relkind = 'v' and c.relname <> 'clock'
        order by c.oid
    loop
        execute format('create or replace view reporting.%I with (security_barrier) as %s', v.relname, v.definition);
        if pg_get_viewdef(v.oid) not like '%reporting_reader%' or pg_get_viewdef(v.oid) like '%reporting_login%' then
            raise exception 'reporting.% does not ask whose rows its reader sees', v.relname;
        end if;
    end loop;
end $$;

-- Evidence that had no view of its own, for which other systems had to guess from the rows it led to.
create view reporting.lot_marks with (security_barrier) as
select m.lot_id, m.number, m.clinic_id, m.kind, m.marked_at, m.marked_by, m.reason, m.authority, m.recorded_at, m.key_id
from public.lot_mark m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.lot_marks is
    'One row for what became of a lot; never changed. The highest number of a kind counts, the others stay.';
comment on column reporting.lot_marks.lot_id is 'The lot, as in reporting.lots.';
comment on column reporting.lot_marks.number is 'Place among the marks of the lot, from 1.';
comment on column reporting.lot_marks.clinic_id is 'The clinic the lot stands at.';
comment on column reporting.lot_marks.kind is 'opened, emptied, discarded, recalled or recall_withdrawn.';
comment on column reporting.lot_marks.marked_at is 'Instant it happened, as entered; of a recall: when it was recorded.';
comment on column reporting.lot_marks.marked_by is 'The person, as entered.';
comment on column reporting.lot_marks.reason is 'Of a recall, its withdrawal, and of what corrects an earlier mark; else empty.';
comment on column reporting.lot_marks.authority is 'Of a recall: whose notice it follows, with its reference; else empty.';
comment on column reporting.lot_marks.recorded_at is 'Instant at which the service received it.';
comment on column reporting.lot_marks.key_id is 'The device or system that posted it.';

create or replace view reporting.miss_reasons with (security_barrier) as
select m.task_id, m.number, m.clinic_id, m.code, m.reason, m.told_by, m.staff_id, m.recorded_at, m.key_id
from public.miss_reason m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.miss_reasons.key_id is 'The device or system that posted it.';

create view reporting.corrective_action_notes with (security_barrier) as
select n.note_id, n.action_id, n.clinic_id, n.kind, n.completion_id, n.recorded_at
from public.corrective_action_note n
where n.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.corrective_action_notes is
    'One row for what came to a corrective action beside its steps; never changed.';
comment on column reporting.corrective_action_notes.note_id is 'Identity (UUID).';
comment on column reporting.corrective_action_notes.action_id is 'The action, as in reporting.corrective_actions.';
comment on column reporting.corrective_action_notes.clinic_id is 'The clinic of the action.';
comment on column reporting.corrective_action_notes.kind is
    'further_failure, cause_corrected, recorded_late or duplicate; more may come.';
comment on column reporting.corrective_action_notes.completion_id is 'The evidence that brought it.';
comment on column reporting.corrective_action_notes.recorded_at is 'Instant at which the service received that.';

create view reporting.readings with (security_barrier) as
select s.completion_id, s.step_key, s.clinic_day, c.clinic_id, c.task_id, t.subject_id, t.routine_id, c.performed_at,
       c.recorded_at, c.performed_by, s.qualifier, s.value, s.unit, coalesce(s.too_many_to_count, false) as too_many_to_count,
       s.limits, s.verdict, s.finding, s.instrument_id, c.corrects
from public.step_result s
join public.completion c on c.group_id = s.group_id and c.clinic_day = s.clinic_day
                        and c.completion_id = s.completion_id
left join public.task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
where s.group_id = (select reader.group_id from public.reporting_reader reader)
  and (s.qualifier is not null or s.too_many_to_count);
comment on view reporting.readings is
    'One row a reading: a step that was answered with a value, with the limits it was judged by. Bottles of water samples stand in reporting.water_results. Kept by month of clinic_day.';
comment on column reporting.readings.completion_id is 'The completion it belongs to, as in reporting.completions.';
comment on column reporting.readings.step_key is 'Step of the routine, as in reporting.step_results.';
comment on column reporting.readings.clinic_day is 'Clinic day of the task (local date).';
comment on column reporting.readings.clinic_id is 'The clinic.';
comment on column reporting.readings.task_id is 'The task it is evidence for.';
comment on column reporting.readings.subject_id is 'What was read, as in reporting.subjects; null: its task is not kept any more.';
comment on column reporting.readings.routine_id is 'The routine, as in reporting.routines; null: as above.';
comment on column reporting.readings.performed_at is 'Instant of the reading, as the person said.';
comment on column reporting.readings.recorded_at is 'Instant at which the service received it.';
comment on column reporting.readings.performed_by is 'The person, as entered.';
comment on column reporting.readings.qualifier is
    'lt, eq or gt: the true value lies below, at or above the stated one; null: too many to count.';
comment on column reporting.readings.value is 'Stated value in the unit of the column unit; with lt nothing was found.';
comment on column reporting.readings.unit is 'Unit of the value as a UCUM code.';
comment on column reporting.readings.too_many_to_count is 'No number can be told; it is above every limit from above.';
comment on column reporting.readings.limits is
    'JSON array of the limits that decided, as in reporting.step_results.limits; null: none was in force.';
comment on column reporting.readings.verdict is 'By its limits: passed, failed, result_pending, not_applicable or void.';
comment on column reporting.readings.finding is 'Why it failed, and what is to be seen beside the verdict; else empty.';
comment on column reporting.readings.instrument_id is 'What it was taken with, as in reporting.instruments; null: not named.';
comment on column reporting.readings.corrects is 'The completion that this one replaces; else null.';

grant select on reporting.lot_marks, reporting.miss_reasons, reporting.corrective_action_notes, reporting.readings
    to chairtide_reporting;

-- The service reads all of it, also what later migrations add.
grant usage on schema reporting to chairtide_app;
grant select on all tables in schema reporting to chairtide_app;
grant execute on function reporting.as_of() to chairtide_app;
alter default privileges in schema reporting grant select on tables to chairtide_app;

-- An export of a whole group goes by the instant of recording. Where rows are many that needs an index; elsewhere it sorts.
create index completion_by_recording on completion (group_id, recorded_at, completion_id);
create index hold_mark_by_recording on hold_mark (group_id, marked_at, hold_id, edge);
create index seating_mark_by_recording on seating_mark (group_id, recorded_at, mark_id);
create index cycle_mark_by_recording on cycle_mark (group_id, recorded_at, cycle_id);
