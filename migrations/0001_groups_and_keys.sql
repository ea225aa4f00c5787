-- Who owns the data and who may call.
--
-- Three kinds of database role stand around these tables:
--   the owner        runs the migrations and owns every table; the service never works as it;
--   chairtide_app    what every transaction of the service becomes (SET LOCAL ROLE); bound by row-level security;
--   chairtide_reporting  what auditors' logins are granted; sees the schema "reporting" and nothing else.
-- Roles belong to the whole cluster, so several databases (or tests) may create them at the same moment: hence the
-- exception blocks.
do $$
begin
    if not exists (select from pg_roles where rolname = 'chairtide_app') then
        create role chairtide_app nologin noinherit;
    end if;
exception when duplicate_object or unique_violation then null;
end $$;
do $$
begin
    if not exists (select from pg_roles where rolname = 'chairtide_reporting') then
        create role chairtide_reporting nologin;
    end if;
exception when duplicate_object or unique_violation then null;
end $$;

revoke all on schema public from public;
grant usage on schema public to chairtide_app;

-- The tenant of the running transaction; null when none was named, and then every policy below is false.
create function tenant_id() returns uuid
language sql stable parallel safe
as $$ select nullif(current_setting('chairtide.group_id', true), '')::uuid $$;
grant execute on function tenant_id() to chairtide_app;

-- Owner of several clinics; the tenant.
create table dental_group (
    group_id   uuid primary key,            -- leads the key of every other table, so that rows can be spread by it
    name       text not null check (name <> ''),
    created_at timestamptz not null         -- from the service's clock; SQL never reads a clock of its own
);

-- A bearer token's record. The token itself is shown once and never stored.
create table api_key (
    group_id     uuid not null references dental_group,
    key_id       uuid not null,
    label        text not null check (label <> ''),     -- what the administrator calls it, to know which to revoke
    role         text not null constraint api_key_role_known
                 check (role in ('front_desk', 'chairside', 'manager', 'reader', 'administrator')),
    reach        text not null constraint api_key_reach_known
                 check (reach in ('group', 'clinics', 'operatory')),
    clinic_ids   uuid[] not null default '{}',          -- the clinics it reaches, when reach = 'clinics'
    operatory_id uuid,                                  -- the one operatory it reaches, when reach = 'operatory'
    secret_hash  bytea not null check (octet_length(secret_hash) = 32), -- SHA-256 of a 256-bit random secret
    created_at   timestamptz not null,
    revoked_at   timestamptz,                           -- set once; a revoked key is kept, since evidence names it
    last_used_at timestamptz,                           -- to the minute, so that reading does not become writing
    primary key (group_id, key_id),
    constraint api_key_reach_whole check (
        (reach = 'clinics') = (cardinality(clinic_ids) > 0) and (reach = 'operatory') = (operatory_id is not null))
);
create unique index api_key_secret on api_key (group_id, secret_hash);

-- Answers already given, so that a repeated post with the same Idempotency-Key gets the same one.
create table idempotent_answer (
    group_id        uuid not null references dental_group,
    key_id          uuid not null,          -- two callers may choose the same key without meeting
    idempotency_key text not null,
    request_hash    bytea not null,         -- of method, path and body: the same key with another request is refused
    status          smallint not null,
    body            jsonb not null,
    answered_at     timestamptz not null,   -- rows are dropped after a documented time
    primary key (group_id, key_id, idempotency_key)
);
create index idempotent_answer_age on idempotent_answer (answered_at);

-- What each running instance last did, on the service's own clock. `reporting` reads "now" from here.
create table service_pulse (
    instance_id uuid primary key,
    ticked_at   timestamptz not null,
    zone_data   text not null               -- tz database version the instance resolves local times with
);

alter table dental_group enable row level security;
alter table api_key enable row level security;
alter table idempotent_answer enable row level security;
create policy tenant on dental_group using (group_id = tenant_id());
create policy tenant on api_key using (group_id = tenant_id());
create policy tenant on idempotent_answer using (group_id = tenant_id());

grant select, insert on dental_group to chairtide_app;
grant select, insert, update (revoked_at, last_used_at) on api_key to chairtide_app;
grant select, insert on idempotent_answer to chairtide_app;
grant select, insert, update, delete on service_pulse to chairtide_app;
