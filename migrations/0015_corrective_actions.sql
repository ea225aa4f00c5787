-- What follows when something fails: what is put out of use, and by whom it is released.
--
-- All of it is evidence: added, never changed. That a quarantine stands is derived from there being no release of it.

-- An operatory, one of its lines, a steriliser or other equipment that is put out of use for a cause.
create table quarantine (
    group_id       uuid not null,           -- the tenant leads every key
    quarantine_id  uuid not null,           -- made by the client, or derived from its cause where the service begins it
    clinic_id      uuid not null,           -- where the subject stood: decides who is told and which day it is sealed with
    subject_id     uuid not null,           -- what is out of use
    line           text constraint quarantine_line_short check (char_length(line) between 1 and 80),
                                            -- one circuit or suction line of an operatory; null: the subject as a whole
    load_reference text constraint quarantine_load_short check (char_length(load_reference) between 1 and 80),
                                            -- what a load is called on its packs; null: no load is meant
    cycle_id       uuid,                    -- the recorded cycle that load came from; null: none was named
    cause          text not null constraint quarantine_cause_known check (cause in
                   ('completion', 'corrective_action', 'lot', 'person')), -- src/domain/quarantine.rs; a test holds the two equal
    cause_id       uuid,                    -- the completion, corrective action or lot; null: a person's own judgement
    reason         text not null constraint quarantine_reason_told check (char_length(reason) between 1 and 400),
                                            -- in words, for whoever stands before it
    begun_at       timestamptz not null,    -- from when it is out of use, as the person says
    recorded_at    timestamptz not null,    -- when it reached us: a past instant is answered by what was known then
    begun_by       text not null default '' constraint quarantine_begun_by_short check (char_length(begun_by) <= 40),
                                            -- the person; empty: the service, for its cause
    key_id         uuid,                    -- the device or system it was posted with; null: the service by itself
    primary key (group_id, quarantine_id),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, subject_id) references subject,
    constraint quarantine_cause_named check ((cause = 'person') = (cause_id is null))
);
create index quarantine_of_subject on quarantine (group_id, subject_id, begun_at);
create index quarantine_of_clinic on quarantine (group_id, clinic_id, begun_at, quarantine_id);
create index quarantine_of_cause on quarantine (group_id, cause_id) where cause_id is not null;
create index quarantine_recorded on quarantine (group_id, clinic_id, recorded_at); -- the span of a seal

-- The act of a named person that ends one quarantine. There is one at most: what fails again is put out of use anew.
create table quarantine_release (
    group_id      uuid not null,            -- the tenant leads every key
    release_id    uuid not null,            -- made by the client, so that a repeat is harmless
    quarantine_id uuid not null,            -- what it releases
    clinic_id     uuid not null,            -- repeated from the quarantine: it is sealed with that clinic's day
    staff_id      uuid not null,            -- who released it, by a PIN of their own
    released_by   text not null constraint quarantine_release_named check (char_length(released_by) between 1 and 120),
                                            -- that person's name as it was then: a record reads without another table
    reason        text not null constraint quarantine_release_reasoned check (char_length(reason) between 1 and 400),
                                            -- on what grounds; free text about the site
    recorded_at   timestamptz not null,     -- when it was released: by the service's clock, never back-dated
    key_id        uuid not null,            -- the device it was signed on
    primary key (group_id, release_id),
    constraint quarantine_release_once unique (group_id, quarantine_id),
    foreign key (group_id, quarantine_id) references quarantine,
    foreign key (group_id, clinic_id) references clinic
);
create index quarantine_release_recorded on quarantine_release (group_id, clinic_id, recorded_at); -- the span of a seal

do $$
declare t text;
begin
    foreach t in array array['quarantine', 'quarantine_release'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
        execute format('grant select, insert on %I to chairtide_app', t);
    end loop;
end $$;

-- What a group does when something of a kind fails. History is judged by what an action was opened with, so a version is
-- never changed, only followed by another. A kind without a row has the chain that the service ships with.
create table corrective_chain_version (
    group_id   uuid not null references dental_group, -- the tenant leads every key
    kind       text not null,               -- src/domain/chain.rs
    version    integer not null check (version >= 1), -- 1, 2, 3 …
    definition jsonb not null,              -- the whole chain; shape and rules in src/domain/chain.rs
    created_at timestamptz not null,        -- when it was set, by the service's clock
    primary key (group_id, kind, version)
);

-- What was opened because something failed. One for each cause.
create table corrective_action (
    group_id      uuid not null,            -- the tenant leads every key
    action_id     uuid not null,            -- derived from kind and cause, or made by the client where a person opens it
    clinic_id     uuid not null,            -- where the subject stood
    subject_id    uuid not null,            -- what failed; the clinic itself where no one thing did
    kind          text not null,            -- which chain: src/domain/chain.rs
    chain_version integer not null check (chain_version >= 0), -- of the group's chain; 0: the one that is shipped
    chain         jsonb not null,           -- the chain with the steps that apply to this action: a later edit moves nothing
    cause         text not null constraint corrective_action_cause_known check (cause in
                  ('completion', 'lot', 'missed_task', 'person')), -- src/domain/corrective_action.rs
    cause_id      uuid,                     -- the completion, lot or task; null: a person opened it
    routine_id    uuid,                     -- the routine whose tests its steps ask for; null: none is known
    line          text constraint corrective_action_line_short check (char_length(line) between 1 and 80),
                                            -- one circuit or suction line; null: the subject as a whole
    reason        text not null constraint corrective_action_reason_told check (char_length(reason) between 1 and 400),
                                            -- what failed, in words
    recorded_at   timestamptz not null,     -- when it was opened: its steps' windows count from here
    opened_by     text not null default '' constraint corrective_action_opened_by_short check (char_length(opened_by) <= 40),
                                            -- the person; empty: the service, for its cause
    key_id        uuid,                     -- the device or system; null: the service by itself
    primary key (group_id, action_id),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, subject_id) references subject,
    constraint corrective_action_cause_named check ((cause = 'person') = (cause_id is null))
);
create index corrective_action_of_clinic on corrective_action (group_id, clinic_id, recorded_at, action_id);
create index corrective_action_of_subject on corrective_action (group_id, subject_id, kind, recorded_at);
create index corrective_action_of_cause on corrective_action (group_id, cause_id) where cause_id is not null;
create index corrective_action_newest on corrective_action (group_id, recorded_at, action_id);

-- A step of an action that somebody did. Each step is recorded once.
create table corrective_action_step (
    group_id      uuid not null,            -- the tenant leads every key
    record_id     uuid not null,            -- made by the client, so that a repeat is harmless
    action_id     uuid not null,            -- of which action
    clinic_id     uuid not null,            -- repeated from the action: it is sealed with that clinic's day
    step_key      text not null,            -- which step of the action's chain
    performed_at  timestamptz not null,     -- when it was done, as the person says
    recorded_at   timestamptz not null,     -- when it reached us
    performed_by  text not null constraint corrective_action_step_named check (char_length(performed_by) between 1 and 40),
                                            -- the person: who did a step cannot close the action
    key_id        uuid not null,            -- the device
    note          text not null default '' constraint corrective_action_step_note_short check (char_length(note) <= 2000),
                                            -- what was found or decided; never about a patient
    reference     text not null default '' constraint corrective_action_step_reference_short
                  check (char_length(reference) <= 200), -- of a report, a loan, a job; may be empty
    result        text constraint corrective_action_step_result_known check (result in ('passed', 'failed')),
                                            -- where the step asks for one: it decides which steps follow
    completion_id uuid,                     -- the test it rests on; null: it rests on none
    early         boolean not null,         -- done before its window opened
    late          boolean not null,         -- done after it was due
    primary key (group_id, record_id),
    constraint corrective_action_step_once unique (group_id, action_id, step_key),
    foreign key (group_id, action_id) references corrective_action,
    foreign key (group_id, clinic_id) references clinic
);
create index corrective_action_step_recorded on corrective_action_step (group_id, clinic_id, recorded_at); -- of a seal

-- What came to an action beside its steps: a further failure, a correction of what opened it.
create table corrective_action_note (
    group_id      uuid not null,            -- the tenant leads every key
    note_id       uuid not null,            -- derived from the action, the kind and the completion: noted once
    action_id     uuid not null,            -- of which action
    clinic_id     uuid not null,            -- repeated from the action: it is sealed with that clinic's day
    kind          text not null constraint corrective_action_note_kind_known check (kind in
                  ('further_failure', 'cause_corrected', 'recorded_late', 'duplicate')), -- src/domain/corrective_action.rs
    completion_id uuid not null,            -- the evidence that brought it
    recorded_at   timestamptz not null,     -- when that reached us
    primary key (group_id, note_id),
    foreign key (group_id, action_id) references corrective_action,
    foreign key (group_id, clinic_id) references clinic
);
create index corrective_action_note_of_action on corrective_action_note (group_id, action_id, recorded_at);
create index corrective_action_note_recorded on corrective_action_note (group_id, clinic_id, recorded_at); -- of a seal

-- The act of a second person that ends an action.
create table corrective_action_close (
    group_id    uuid not null,              -- the tenant leads every key
    close_id    uuid not null,              -- made by the client, so that a repeat is harmless
    action_id   uuid not null,              -- what it closes
    clinic_id   uuid not null,              -- repeated from the action: it is sealed with that clinic's day
    grounds     text not null constraint corrective_action_close_grounds_known check (grounds in
                ('steps_recorded', 'cause_corrected')), -- src/domain/corrective_action.rs
    staff_id    uuid not null,              -- who closed it, by a PIN of their own
    closed_by   text not null constraint corrective_action_close_named check (char_length(closed_by) between 1 and 120),
                                            -- that person's name as it was then
    reason      text not null constraint corrective_action_close_reasoned check (char_length(reason) between 1 and 400),
                                            -- in that person's words
    recorded_at timestamptz not null,       -- by the service's clock, never back-dated
    key_id      uuid not null,              -- the device it was signed on
    primary key (group_id, close_id),
    constraint corrective_action_close_once unique (group_id, action_id),
    foreign key (group_id, action_id) references corrective_action,
    foreign key (group_id, clinic_id) references clinic
);
create index corrective_action_close_recorded on corrective_action_close (group_id, clinic_id, recorded_at); -- of a seal

-- What each open action waits for, with the instants at which the ladder's rungs are reached: as with tasks, turned into
-- instants once, so that a list asks for no hours. A worklist and no evidence: it follows from the rows above.
create table corrective_action_next (
    group_id      uuid not null,            -- the tenant leads every key
    action_id     uuid not null,            -- one row an open action; a closed one has none
    clinic_id     uuid not null,            -- repeated, as the list filters by it
    opened_at     timestamptz not null,     -- repeated, as the list goes by age
    step_key      text,                     -- the step that comes next; null: all are recorded, a second person closes
    owner         text not null,            -- whose turn it is: src/domain/chain.rs
    may_start_at  timestamptz not null,     -- its window opens
    due_by        timestamptz not null,     -- it is due
    overdue_at    timestamptz not null,     -- grace is over
    rung_at       timestamptz[] not null,   -- instants at which the ladder's rungs are reached, ascending
    rung_audience text[] not null,          -- and whom each rung tells
    primary key (group_id, action_id),
    foreign key (group_id, action_id) references corrective_action
);
create index corrective_action_next_by_age on corrective_action_next (group_id, opened_at, action_id);

-- Why a task was missed, in a person's words. A second thought is a further row; both stay.
create table miss_reason (
    group_id    uuid not null,              -- the tenant leads every key
    task_id     uuid not null,              -- the missed task
    number      integer not null check (number >= 1), -- 1, 2, 3 …: the last one counts
    clinic_id   uuid not null,              -- repeated from the task: it is sealed with that clinic's day
    reason      text not null constraint miss_reason_told check (char_length(reason) between 1 and 400),
                                            -- why nothing was recorded in its window; never about a patient
    told_by     text not null constraint miss_reason_named check (char_length(told_by) between 1 and 40), -- the person
    recorded_at timestamptz not null,       -- when it reached us
    key_id      uuid not null,              -- the device
    primary key (group_id, task_id, number),
    foreign key (group_id, clinic_id) references clinic
);
create index miss_reason_recorded on miss_reason (group_id, clinic_id, recorded_at); -- the span of a seal

-- How far a group was looked through for missed tasks that open an action.
create table miss_watch (
    group_id     uuid primary key references dental_group, -- the tenant
    looked_until timestamptz,               -- null: never: then it begins now, so that old misses open nothing
    look_due_at  timestamptz not null       -- when the loop must look again
);
create index miss_watch_due on miss_watch (look_due_at);
insert into miss_watch (group_id, look_due_at) select group_id, created_at from dental_group;

do $$
declare t text;
begin
    foreach t in array array['corrective_chain_version', 'corrective_action', 'corrective_action_step',
                             'corrective_action_note', 'corrective_action_close', 'miss_reason'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
        execute format('grant select, insert on %I to chairtide_app', t);
    end loop;
    foreach t in array array['corrective_action_next', 'miss_watch'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert, update, delete on corrective_action_next to chairtide_app;
grant select, insert, update on miss_watch to chairtide_app;

-- The loop works for every group and sees no group's rows before it names the group: here it learns only which.
create function groups_with_misses_to_look_for(as_of timestamptz, at_most integer) returns setof uuid
language sql stable security definer set search_path = public, pg_temp
as $$ select group_id from miss_watch where look_due_at <= as_of order by look_due_at limit at_most $$;
revoke all on function groups_with_misses_to_look_for(timestamptz, integer) from public;
grant execute on function groups_with_misses_to_look_for(timestamptz, integer) to chairtide_app;

create view reporting.quarantines with (security_barrier) as
select q.quarantine_id, q.clinic_id, q.subject_id, q.line, q.load_reference, q.cycle_id, q.cause, q.cause_id, q.reason,
       q.begun_at, q.recorded_at, q.begun_by, r.recorded_at as released_at, r.released_by, r.staff_id as released_by_staff_id,
       r.reason as release_reason
from public.quarantine q
left join public.quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id
where q.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.quarantines is
    'One row for each time something was put out of use; kept for ever. It stands while released_at is null.';
comment on column reporting.quarantines.quarantine_id is 'Identity (UUID).';
comment on column reporting.quarantines.clinic_id is 'The clinic the subject stood in.';
comment on column reporting.quarantines.subject_id is 'What is out of use, as in reporting.subjects.';
comment on column reporting.quarantines.line is 'One circuit or suction line of an operatory; null: the subject as a whole.';
comment on column reporting.quarantines.load_reference is
    'What a load is called on its packs; not null: the load is out of use, and not the machine it came from.';
comment on column reporting.quarantines.cycle_id is 'The cycle that load came from, as in reporting.cycles; null: none was named.';
comment on column reporting.quarantines.cause is 'completion, corrective_action, lot or person; more may come.';
comment on column reporting.quarantines.cause_id is 'The completion, corrective action or lot; null: a person''s judgement.';
comment on column reporting.quarantines.reason is 'Why, in words.';
comment on column reporting.quarantines.begun_at is 'Instant from which it is out of use, as entered.';
comment on column reporting.quarantines.recorded_at is 'Instant at which the service received it.';
comment on column reporting.quarantines.begun_by is 'The person, as entered; empty: the service, for its cause.';
comment on column reporting.quarantines.released_at is 'Instant at which a named person released it; null: it stands.';
comment on column reporting.quarantines.released_by is 'That person''s name as it was then; null: it stands.';
comment on column reporting.quarantines.released_by_staff_id is 'That person (UUID); null: it stands.';
comment on column reporting.quarantines.release_reason is 'On what grounds it was released; null: it stands.';

create view reporting.corrective_actions with (security_barrier) as
select a.action_id, a.clinic_id, a.subject_id, a.kind, a.chain_version, a.cause, a.cause_id, a.routine_id, a.line, a.reason,
       a.recorded_at as opened_at, a.opened_by, n.step_key as next_step, n.owner, n.due_by, n.overdue_at,
       c.recorded_at as closed_at, c.closed_by, c.grounds, c.reason as close_reason
from public.corrective_action a
left join public.corrective_action_next n on n.group_id = a.group_id and n.action_id = a.action_id
left join public.corrective_action_close c on c.group_id = a.group_id and c.action_id = a.action_id
where a.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.corrective_actions is
    'One row for each corrective action; kept for ever. It is open while closed_at is null.';
comment on column reporting.corrective_actions.action_id is 'Identity (UUID).';
comment on column reporting.corrective_actions.clinic_id is 'The clinic the subject stood in.';
comment on column reporting.corrective_actions.subject_id is 'What failed, as in reporting.subjects.';
comment on column reporting.corrective_actions.kind is 'Which chain of steps, e.g. positive_spore_test; more may come.';
comment on column reporting.corrective_actions.chain_version is 'Version of the group''s chain; 0: the one that is shipped.';
comment on column reporting.corrective_actions.cause is 'completion, lot, missed_task or person; more may come.';
comment on column reporting.corrective_actions.cause_id is 'The completion, lot or task; null: a person opened it.';
comment on column reporting.corrective_actions.routine_id is 'The routine whose tests its steps ask for; null: none.';
comment on column reporting.corrective_actions.line is 'One circuit or suction line; null: the subject as a whole.';
comment on column reporting.corrective_actions.reason is 'What failed, in words.';
comment on column reporting.corrective_actions.opened_at is 'Instant at which it was opened.';
comment on column reporting.corrective_actions.opened_by is 'The person, as entered; empty: the service, for its cause.';
comment on column reporting.corrective_actions.next_step is
    'Key of the step that comes next; null: it is closed, or waits for a second person to close it.';
comment on column reporting.corrective_actions.owner is 'Whose turn it is; null: it is closed.';
comment on column reporting.corrective_actions.due_by is 'Instant at which that is due; null: it is closed.';
comment on column reporting.corrective_actions.overdue_at is 'Instant at which the grace of that is over; null: it is closed.';
comment on column reporting.corrective_actions.closed_at is 'Instant at which a second person closed it; null: it is open.';
comment on column reporting.corrective_actions.closed_by is 'That person''s name as it was then; null: it is open.';
comment on column reporting.corrective_actions.grounds is 'steps_recorded or cause_corrected; null: it is open.';
comment on column reporting.corrective_actions.close_reason is 'In that person''s words; null: it is open.';

create view reporting.corrective_action_steps with (security_barrier) as
select s.record_id, s.action_id, s.clinic_id, s.step_key, s.performed_at, s.recorded_at, s.performed_by, s.note, s.reference,
       s.result, s.completion_id, s.early, s.late
from public.corrective_action_step s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.corrective_action_steps is 'One row for each step of a corrective action that was recorded.';
comment on column reporting.corrective_action_steps.record_id is 'Identity (UUID), made by the client.';
comment on column reporting.corrective_action_steps.action_id is 'The action, as in reporting.corrective_actions.';
comment on column reporting.corrective_action_steps.clinic_id is 'The clinic of the action.';
comment on column reporting.corrective_action_steps.step_key is 'Which step of the action''s chain.';
comment on column reporting.corrective_action_steps.performed_at is 'Instant it was done, as entered.';
comment on column reporting.corrective_action_steps.recorded_at is 'Instant at which the service received it.';
comment on column reporting.corrective_action_steps.performed_by is 'The person, as entered.';
comment on column reporting.corrective_action_steps.note is 'What was found or decided; may be empty.';
comment on column reporting.corrective_action_steps.reference is 'Of a report or a job; may be empty.';
comment on column reporting.corrective_action_steps.result is 'passed or failed; null: the step asks for none.';
comment on column reporting.corrective_action_steps.completion_id is
    'The test it rests on, as in reporting.completions; null: none.';
comment on column reporting.corrective_action_steps.early is 'Done before its window opened.';
comment on column reporting.corrective_action_steps.late is 'Done after it was due.';

grant select on reporting.quarantines, reporting.corrective_actions, reporting.corrective_action_steps
    to chairtide_reporting;
