-- What is planned and what was recorded. Everything here grows, so everything here is partitioned by month.
--
-- The partition key is the clinic day, a local date: a key on an instant would move when zone data moves. It leads
-- straight from an id to its partition, because task ids carry their clinic day (src/domain/task.rs).

-- A fact of the plan: who must do what to which subject in which window.
create table task (
    group_id        uuid not null,
    clinic_day      date not null,
    task_id         uuid not null,          -- derived from (routine, subject, clinic day, slot)
    clinic_id       uuid not null,          -- where it fell due; a subject that moves leaves its history behind
    subject_id      uuid not null,
    subject_kind    text not null,          -- repeated from subject: the overdue list filters by it
    routine_id      uuid not null,
    routine_version integer not null,       -- the version in force on the clinic day
    slot            text not null,          -- which occurrence of that day: 'opening', 'rule:2026-11-30', a turnover id
    anchor_at       timestamptz not null,
    due_from        timestamptz not null,
    due_by          timestamptz not null,
    overdue_at      timestamptz not null,
    missed_at       timestamptz not null,
    blocks_at       timestamptz,            -- from when it stands in the way of using the subject; null: never
    rung_at         timestamptz[] not null, -- instants at which the ladder's rungs are reached, ascending
    rung_audience   text[] not null,        -- and whom each rung tells
    planned_at      timestamptz not null,
    started_at      timestamptz,            -- first hold or completion; from then on the planner leaves it alone
    outcome         text constraint task_outcome_known
                    check (outcome in ('done', 'not_required', 'void', 'result_pending')),
    outcome_at      timestamptz,            -- when it was recorded, so that a past instant can be asked about
    outcome_reason  text not null default '',
    outcome_by_plan boolean not null default false, -- the plan said so (closed, out of service), and may unsay it
    completion_id   uuid,                   -- the evidence behind the outcome
    done_late       boolean not null default false, -- performed after due_by
    failed_at       timestamptz,            -- latest attempt that did not pass; cleared by one that does
    primary key (group_id, clinic_day, task_id),
    constraint task_once unique (group_id, clinic_day, routine_id, subject_id, slot),
    constraint task_window_ordered check (due_from <= due_by and due_by <= overdue_at and overdue_at <= missed_at),
    constraint task_rungs_paired check (cardinality(rung_at) = cardinality(rung_audience)),
    constraint task_outcome_dated check ((outcome is null) = (outcome_at is null)),
    constraint task_evidence_named check (outcome_by_plan or outcome is null or completion_id is not null),
    -- Bounded, so that open work is found in a few partitions whatever the years behind it.
    constraint task_window_bounded check (missed_at < (clinic_day + 100)::timestamp at time zone 'UTC')
) partition by range (clinic_day);
-- What is still open lies at its end; overdue_at beside it spares the planned future a look at the row.
create index task_open on task (group_id, missed_at, overdue_at) where outcome is null;
create index task_of_clinic on task (group_id, clinic_id, clinic_day);
create index task_of_subject on task (group_id, subject_id, clinic_day);

-- The state of a task at an instant. src/domain/task.rs holds the same function; a test proves them equal.
create function task_state(outcome text, outcome_at timestamptz, due_from timestamptz, due_by timestamptz,
                           overdue_at timestamptz, missed_at timestamptz, as_of timestamptz) returns text
language sql immutable parallel safe
as $$
    select case
        when outcome is not null and outcome_at <= as_of then outcome
        when as_of < due_from then 'upcoming'
        when as_of < due_by then 'due'
        when as_of < overdue_at then 'grace'
        when as_of < missed_at then 'overdue'
        else 'missed'
    end
$$;
-- The ladder's level at an instant: the rungs already reached, none for a task with an outcome.
create function task_level(outcome text, outcome_at timestamptz, rung_at timestamptz[], as_of timestamptz)
returns integer
language sql immutable parallel safe
as $$
    select case
        when outcome is not null and outcome_at <= as_of then 0
        else (select count(*)::integer from unnest(rung_at) as reached(at) where reached.at <= as_of)
    end
$$;
grant execute on function task_state, task_level to chairtide_app;

-- Start and end of a timed hold, by the server's clock. Two rows, never an update.
create table hold_mark (
    group_id     uuid not null,
    clinic_day   date not null,             -- the task's
    hold_id      uuid not null,             -- made by the client, so that a repeat is harmless
    edge         text not null constraint hold_mark_edge_known check (edge in ('start', 'end')),
    task_id      uuid not null,
    step_key     text not null,
    marked_at    timestamptz not null,      -- hold_started_at or hold_ended_at
    performed_by text not null,
    key_id       uuid not null,             -- the device; the person is performed_by
    primary key (group_id, clinic_day, hold_id, edge)
) partition by range (clinic_day);

-- Evidence that a task was done, or why not. Append-only: a correction is a new row that points at the old one.
create table completion (
    group_id        uuid not null,
    clinic_day      date not null,          -- the task's
    completion_id   uuid not null,          -- made by the client
    task_id         uuid not null,
    clinic_id       uuid not null,
    kind            text not null constraint completion_kind_known
                    check (kind in ('performed', 'not_required', 'void')),
    performed_at    timestamptz not null,   -- when it was done, as the person says
    recorded_at     timestamptz not null,   -- when it reached us; the two are never mixed
    performed_by    text not null check (performed_by <> ''),
    key_id          uuid not null,          -- the device
    verdict         text not null constraint completion_verdict_known
                    check (verdict in ('passed', 'failed', 'result_pending', 'not_required', 'void')),
    findings        jsonb not null,         -- why, step by step: what a reader sees beside the verdict
    early           boolean not null,       -- performed before the window opened
    late            boolean not null,       -- performed after due_by
    late_entry      boolean not null,       -- recorded after the window had closed
    duplicate       boolean not null,       -- somebody had completed the task already; both are kept
    corrects        uuid,                   -- the completion this one replaces
    reason          text not null default '', -- of a correction, a not-required or a void
    note            text not null default '',
    primary key (group_id, clinic_day, completion_id)
) partition by range (clinic_day);
create index completion_of_task on completion (group_id, clinic_day, task_id);
create index completion_of_clinic on completion (group_id, clinic_id, performed_at);

-- One row a completion, unpartitioned and narrow: a client's UUID means one thing for ever, and leads to its month.
create table completion_receipt (
    group_id      uuid not null,
    completion_id uuid not null,
    clinic_day    date not null,
    content_hash  bytea not null,           -- a repeat is harmless; other content under the same UUID is refused
    primary key (group_id, completion_id)
);

create table step_result (
    group_id        uuid not null,
    clinic_day      date not null,
    completion_id   uuid not null,
    step_key        text not null,          -- 'flush:handpiece-1' where a step is worked once for each circuit
    ordinal         smallint not null,
    kind            text not null constraint step_result_kind_known
                    check (kind in ('confirmation', 'hold', 'reading')),
    status          text not null constraint step_result_status_known
                    check (status in ('done', 'skipped', 'not_applicable', 'result_pending')),
    verdict         text not null constraint step_result_verdict_known
                    check (verdict in ('passed', 'failed', 'result_pending', 'not_applicable')),
    finding         text not null default '',
    hold_id         uuid,                   -- when the server timed it
    elapsed_seconds integer check (elapsed_seconds >= 0),
    measured_by     text constraint step_result_measured_by_known check (measured_by in ('server', 'device')),
    minimum_seconds integer,                -- the rule it was judged by
    qualifier       text constraint step_result_qualifier_known check (qualifier in ('lt', 'eq', 'gt')),
    value           numeric,
    unit            text,                   -- UCUM
    limits          jsonb,                  -- the limits it was judged by, with their sources
    reason          text not null default '',
    primary key (group_id, clinic_day, completion_id, step_key)
) partition by range (clinic_day);

-- What the front desk posts about a clinic's day. One start and one end a clinic day: the natural key.
create table day_mark (
    group_id    uuid not null,
    clinic_id   uuid not null,
    clinic_day  date not null,
    edge        text not null constraint day_mark_edge_known check (edge in ('start', 'end')),
    marked_at   timestamptz not null,
    recorded_at timestamptz not null,
    key_id      uuid not null,
    primary key (group_id, clinic_id, clinic_day, edge)
);

-- A chair taken or left. There is no column for who sat in it.
create table seating_mark (
    group_id     uuid not null,
    clinic_day   date not null,
    mark_id      uuid not null,             -- derived from (operatory, edge, marked_at)
    clinic_id    uuid not null,
    operatory_id uuid not null,
    edge         text not null constraint seating_mark_edge_known check (edge in ('seated', 'left')),
    marked_at    timestamptz not null,
    recorded_at  timestamptz not null,
    key_id       uuid not null,
    missing      jsonb not null default '[]', -- what stood in the way when the desk seated somebody all the same
    primary key (group_id, clinic_day, mark_id)
) partition by range (clinic_day);
create index seating_mark_of_operatory on seating_mark (group_id, operatory_id, clinic_day);

-- What other systems are told. Committed with the change that caused it.
create table event (
    group_id    uuid not null,
    recorded_on date not null,              -- UTC date of recorded_at: the partition key
    event_id    uuid not null,
    recorded_at timestamptz not null,
    kind        text not null,              -- stable names, listed in src/domain/event.rs
    clinic_id   uuid,
    body        jsonb not null,
    primary key (group_id, recorded_on, event_id)
) partition by range (recorded_on);

do $$
declare t text;
begin
    foreach t in array array['task', 'hold_mark', 'completion', 'completion_receipt', 'step_result', 'day_mark',
                             'seating_mark', 'event'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;

-- The service can plan and re-plan; it can add evidence but neither change nor remove it.
grant select, insert, update, delete on task to chairtide_app;
grant select, insert on hold_mark, completion, completion_receipt, step_result, day_mark, seating_mark, event
    to chairtide_app;

-- Makes the month partitions from one date to another. The service calls it ahead of need; it may not create tables
-- itself. The advisory lock lets any number of instances call it at once.
create function ensure_partitions(first_on date, last_on date) returns integer
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
    parent text;
    month  date := date_trunc('month', first_on::timestamp)::date;
    made   integer := 0;
    child  text;
begin
    if last_on - first_on > 1500 then
        raise exception 'ensure_partitions: more than 1500 days asked for';
    end if;
    perform pg_advisory_xact_lock(hashtext('chairtide.ensure_partitions'));
    while month <= last_on loop
        foreach parent in array array['task', 'hold_mark', 'completion', 'step_result', 'seating_mark', 'event'] loop
            child := parent || to_char(month, '_YYYY_MM');
            if to_regclass('public.' || child) is null then
                execute format('create table %I partition of %I for values from (%L) to (%L)',
                               child, parent, month, (month + interval '1 month')::date);
                made := made + 1;
            end if;
        end loop;
        month := (month + interval '1 month')::date;
    end loop;
    return made;
end $$;
revoke all on function ensure_partitions(date, date) from public;
grant execute on function ensure_partitions(date, date) to chairtide_app;
