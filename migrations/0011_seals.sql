-- Seals: what was recorded at a clinic, day by day, as the root of a Merkle tree. src/domain/seal.rs says what is hashed.
-- They are added and never changed: the service's role has no UPDATE and no DELETE on them.
create table day_seal (
    group_id       uuid not null,           -- the tenant leads every key
    clinic_id      uuid not null,
    number         integer not null check (number >= 0), -- place in the clinic's chain, from 0
    clinic_day     date not null,           -- the day it is of
    recorded_from  timestamptz not null,    -- it holds what was recorded from here on …
    recorded_until timestamptz not null,    -- … and before here; kept, because hours may be edited later
    sealed_at      timestamptz not null,    -- by the service's clock
    record_count   integer not null check (record_count >= 0),
    root           bytea not null check (octet_length(root) = 32),
    previous       bytea check (octet_length(previous) = 32), -- leaf hash of the seal before it; null: the first
    primary key (group_id, clinic_id, number),
    constraint day_seal_once unique (group_id, clinic_id, clinic_day),
    constraint day_seal_joined unique (group_id, clinic_id, recorded_from), -- two cannot both go on from one end
    constraint day_seal_span check (recorded_from < recorded_until and recorded_until <= sealed_at),
    foreign key (group_id, clinic_id) references clinic
);

-- The leaves of a seal. Kept apart from the rows they are of, so that a changed row can be named.
create table seal_leaf (
    group_id   uuid not null,
    clinic_day date not null,               -- of the seal: the partition key
    clinic_id  uuid not null,
    kind       text collate "C" not null,   -- which table: src/store/seal_records.rs
    id         text collate "C" not null,   -- the row's key as text
    leaf       bytea not null check (octet_length(leaf) = 32),
    primary key (group_id, clinic_day, clinic_id, kind, id)
) partition by range (clinic_day);
create index seal_leaf_of_record on seal_leaf (group_id, kind, id); -- which day a record was sealed with

-- How far a clinic is sealed and checked. A row of its own, so that no edit of the clinic waits for it.
create table clinic_seal (
    group_id     uuid not null,
    clinic_id    uuid not null,
    sealed_until timestamptz not null,      -- end of the last seal: evidence may not be recorded before it any more. At
                                            -- first a little before the clinic was made: clocks of instances differ
    seal_due_at  timestamptz not null,      -- when the loop must look for an ended day
    check_due_at timestamptz not null,      -- when it must look whether all is as it was sealed
    check_number integer not null default 0, -- the seal the next check goes on with: a check looks at a bounded number
    last_error   text,                      -- why a day cannot be sealed; null: nothing stands in the way
    primary key (group_id, clinic_id),
    foreign key (group_id, clinic_id) references clinic
);
create index clinic_seal_due on clinic_seal (least(seal_due_at, check_due_at));
insert into clinic_seal (group_id, clinic_id, sealed_until, seal_due_at, check_due_at)
select group_id, clinic_id, created_at - interval '10 minutes', created_at, created_at from clinic;

-- What a check found, once for each finding, when it was first seen. Append-only: an alarm is not taken back.
create table seal_finding (
    group_id   uuid not null,
    finding_id uuid not null,               -- derived from the clinic and the finding, so that it is kept once
    clinic_id  uuid not null,
    found_at   timestamptz not null,
    finding    jsonb not null,              -- src/domain/seal/tamper.rs
    primary key (group_id, finding_id),
    foreign key (group_id, clinic_id) references clinic
);
create index seal_finding_newest on seal_finding (group_id, found_at desc, finding_id);

do $$
declare t text;
begin
    foreach t in array array['day_seal', 'seal_leaf', 'clinic_seal', 'seal_finding'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert on day_seal, seal_leaf, seal_finding to chairtide_app;
grant select, insert, update on clinic_seal to chairtide_app;

-- A hold told its clinic through its task alone, which is a plan and no evidence.
alter table hold_mark add column clinic_id uuid;
update hold_mark h set clinic_id = t.clinic_id from task t
where t.group_id = h.group_id and t.clinic_day = h.clinic_day and t.task_id = h.task_id;
alter table hold_mark alter column clinic_id set not null;

-- What was recorded at a clinic in a span of time, to seal it and to read it back.
create index completion_recorded on completion (group_id, clinic_id, recorded_at);
create index hold_mark_recorded on hold_mark (group_id, clinic_id, marked_at);
create index day_mark_recorded on day_mark (group_id, clinic_id, recorded_at);
create index seating_mark_recorded on seating_mark (group_id, clinic_id, recorded_at);
create index cycle_mark_recorded on cycle_mark (group_id, clinic_id, recorded_at);
-- The heads of chains that were told of: few events, which no check should look for among all.
create index event_of_seal on event (group_id, clinic_id) where kind = 'day_sealed';

-- Whoever records evidence keeps the sealer of the clinic out until the end of the transaction, and learns how far it
-- came. One call, because each write makes it; two statements, because the second must see what was committed while the
-- first waited: a volatile function takes a new snapshot for each.
create function keep_sealer_out(in_group uuid, in_clinic uuid) returns timestamptz
language plpgsql volatile
as $$
begin
    perform pg_advisory_xact_lock_shared(hashtextextended('seal ' || in_group || ' ' || in_clinic, 0));
    return (select sealed_until from clinic_seal where group_id = in_group and clinic_id = in_clinic);
end $$;
-- And the sealer keeps those out who record.
create function keep_recorders_out(in_group uuid, in_clinic uuid) returns void
language sql volatile
as $$ select pg_advisory_xact_lock(hashtextextended('seal ' || in_group || ' ' || in_clinic, 0)) $$;

-- The loop works for every group and sees no group's rows before it names the group: here it learns only which.
create function groups_to_seal(as_of timestamptz, at_most integer) returns setof uuid
language sql stable security definer set search_path = public, pg_temp
as $$
    select group_id from clinic_seal where least(seal_due_at, check_due_at) <= as_of
    group by group_id order by min(least(seal_due_at, check_due_at)) limit at_most
$$;
revoke all on function keep_sealer_out(uuid, uuid), keep_recorders_out(uuid, uuid), groups_to_seal(timestamptz, integer)
    from public;
grant execute on function keep_sealer_out(uuid, uuid), keep_recorders_out(uuid, uuid),
    groups_to_seal(timestamptz, integer) to chairtide_app;

-- As in 0006, with one table more.
create or replace function ensure_partitions(first_on date, last_on date) returns integer
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
        foreach parent in array array['task', 'hold_mark', 'completion', 'step_result', 'seating_mark', 'cycle_mark',
                                      'seal_leaf', 'event'] loop
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
