-- What is configured: sites, their hours, their subjects, and the routines that apply to them.

create table clinic (
    group_id     uuid not null references dental_group,
    clinic_id    uuid not null,
    name         text not null check (name <> ''),
    zone         text not null,             -- IANA name; the domain refuses one the tz database does not hold
    address      text not null default '',
    jurisdiction text not null default '',  -- whose code applies, e.g. 'US-WA'; chosen by the clinic, free text
    week         jsonb,                     -- opening sessions by weekday; null until somebody sets the hours
    created_at   timestamptz not null,
    updated_at   timestamptz not null,
    primary key (group_id, clinic_id)
);

-- How far a clinic is planned. A row of its own, since every tick writes it and no reader of clinics cares.
create table clinic_plan (
    group_id        uuid not null,
    clinic_id       uuid not null,
    plan_due_at     timestamptz not null,   -- when the planner must look next; an edit sets it to its own instant
    planned_through date,                   -- last clinic day that is planned
    zone_data       text not null default '', -- tz database version the plan was resolved with
    last_error      text,                   -- a clinic that cannot be planned is data, not a broken loop
    primary key (group_id, clinic_id),
    foreign key (group_id, clinic_id) references clinic
);
create index clinic_plan_due on clinic_plan (plan_due_at);

-- A dated exception that closes; local times, because a notice on the door says local times.
create table closure (
    group_id    uuid not null,
    clinic_id   uuid not null,
    closure_id  uuid not null,
    from_local  timestamp not null,
    until_local timestamp not null,         -- exclusive
    reason      text not null check (reason <> ''),
    created_at  timestamptz not null,
    primary key (group_id, clinic_id, closure_id),
    foreign key (group_id, clinic_id) references clinic,
    constraint closure_ordered check (from_local < until_local)
);

-- A dated exception that opens: replaces the weekly sessions of one date, and any whole-day closure of it.
create table special_opening (
    group_id   uuid not null,
    clinic_id  uuid not null,
    opens_on   date not null,
    sessions   jsonb not null,
    reason     text not null check (reason <> ''),
    created_at timestamptz not null,
    primary key (group_id, clinic_id, opens_on),
    foreign key (group_id, clinic_id) references clinic
);

-- Anything a routine can be about: the clinic itself, an operatory, a piece of equipment.
create table subject (
    group_id       uuid not null references dental_group,
    subject_id     uuid not null,           -- for kind 'clinic' it is the clinic's own id
    clinic_id      uuid not null,           -- where it stands now; `subject_change` holds where it stood
    kind           text not null constraint subject_kind_known check (kind in
                   ('clinic', 'operatory', 'steriliser', 'washer_disinfector', 'ultrasonic_bath', 'water_plant',
                    'compressor', 'amalgam_separator', 'eyewash', 'premises_outlet')),
    name           text not null check (name <> ''),
    serial         text not null default '',
    water_source   text constraint subject_water_source_known
                   check (water_source in ('mains_air_gap', 'own_reservoir', 'treated_plant')),
    circuits       text[] not null default '{}',    -- waterline circuits, in the order they are worked
    suction_lines  text[] not null default '{}',
    service_state  text not null constraint subject_service_state_known
                   check (service_state in ('in_service', 'out_of_service')),
    service_reason text not null default '',
    service_since  timestamptz not null,
    created_at     timestamptz not null,
    updated_at     timestamptz not null,
    primary key (group_id, subject_id),
    foreign key (group_id, clinic_id) references clinic,
    constraint subject_operatory_has_water check ((kind = 'operatory') = (water_source is not null))
);
create index subject_by_clinic on subject (group_id, clinic_id, kind);

-- Where a subject stood and whether it was in service, since when. Appended to, never changed: this is its history.
create table subject_change (
    group_id      uuid not null,
    subject_id    uuid not null,
    changed_at    timestamptz not null,
    clinic_id     uuid not null,
    service_state text not null,
    reason        text not null default '',
    primary key (group_id, subject_id, changed_at),
    foreign key (group_id, subject_id) references subject
);

create table routine (
    group_id   uuid not null references dental_group,
    routine_id uuid not null,
    created_at timestamptz not null,
    primary key (group_id, routine_id)
);

-- History is judged by the version in force then, so a version is never changed, only followed by another.
create table routine_version (
    group_id     uuid not null,
    routine_id   uuid not null,
    version      integer not null check (version >= 1),
    effective_on date not null,             -- in force for clinic days from this date on, until a higher version's date
    definition   jsonb not null,            -- the whole routine; shape and rules in src/domain/routine.rs
    created_at   timestamptz not null,
    primary key (group_id, routine_id, version),
    foreign key (group_id, routine_id) references routine
);

-- Whom lateness reaches, for the group; a routine's own ladder stands in its definition.
create table ladder_version (
    group_id   uuid not null references dental_group,
    version    integer not null check (version >= 1),
    rungs      jsonb not null,
    created_at timestamptz not null,
    primary key (group_id, version)
);

do $$
declare t text;
begin
    foreach t in array array['clinic', 'clinic_plan', 'closure', 'special_opening', 'subject', 'subject_change',
                             'routine', 'routine_version', 'ladder_version'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;

grant select, insert, update on clinic, clinic_plan, closure, special_opening, subject to chairtide_app;
grant delete on closure, special_opening to chairtide_app;
grant select, insert on subject_change, routine, routine_version, ladder_version to chairtide_app;

-- The planner works for every group, but may see no group's rows before it names the group: it learns here only
-- which groups have a clinic to plan.
create function groups_to_plan(as_of timestamptz, zone_data_in_use text, at_most integer) returns setof uuid
language sql stable security definer set search_path = public, pg_temp
as $$
    select group_id from clinic_plan where plan_due_at <= as_of or zone_data <> zone_data_in_use
    group by group_id order by min(plan_due_at) limit at_most
$$;
-- How many clinics that is, for whoever watches a large group being planned: a count, no tenant's data.
create function clinics_to_plan(as_of timestamptz, zone_data_in_use text) returns bigint
language sql stable security definer set search_path = public, pg_temp
as $$ select count(*) from clinic_plan where plan_due_at <= as_of or zone_data <> zone_data_in_use $$;
-- How far behind the planner is, for the health answer and the metrics: one instant, no tenant's data.
create function oldest_plan_due() returns timestamptz
language sql stable security definer set search_path = public, pg_temp
as $$ select min(plan_due_at) from clinic_plan $$;
-- Answers older than they are promised for, of every group: ids are nobody's business here, only the count.
create function forget_idempotent_answers(answered_before timestamptz) returns bigint
language sql security definer set search_path = public, pg_temp
as $$
    with gone as (delete from idempotent_answer where answered_at < answered_before returning 1)
    select count(*) from gone
$$;
revoke all on function groups_to_plan(timestamptz, text, integer), clinics_to_plan(timestamptz, text),
    oldest_plan_due(), forget_idempotent_answers(timestamptz) from public;
grant execute on function groups_to_plan(timestamptz, text, integer), clinics_to_plan(timestamptz, text),
    oldest_plan_due(), forget_idempotent_answers(timestamptz) to chairtide_app;
