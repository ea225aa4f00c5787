-- People: who works in the group, what they were trained for, the PIN by which they sign for an action, and who was on
-- site. A device is an API key and a person is a row here: the two are never mixed. No more is kept of a person than
-- the work needs.
create table staff (
    group_id     uuid not null,             -- the tenant leads every key
    staff_id     uuid not null,             -- made by the client
    name         text not null check (name <> ''),
    initials     text not null check (initials <> ''), -- what completions name people by
    role         text not null constraint staff_role_known
                 check (role in ('assistant', 'clinician', 'clinic_lead', 'group_lead', 'engineer')),
    clinic_ids   uuid[] not null,           -- where they work; empty: every clinic of the group
    active_from  date not null,             -- first day
    active_until date,                      -- last day; null: none is set. Rows are never deleted: evidence names them
    created_at   timestamptz not null,
    primary key (group_id, staff_id),
    constraint staff_span check (active_until >= active_from),
    foreign key (group_id) references dental_group
);

create index staff_initials on staff (group_id, lower(initials)); -- whom a completion's initials mean

-- A person's PIN, apart from the person: no list of people ever reads it. Only its hash is kept.
create table staff_pin (
    group_id       uuid not null,
    staff_id       uuid not null,
    salt           bytea not null check (octet_length(salt) = 16), -- random, so that equal PINs have other hashes
    hash           bytea not null check (octet_length(hash) = 32), -- argon2id: src/domain/pin.rs
    memory_kib     integer not null,        -- what this hash cost, so that the cost may be raised for later ones
    passes         integer not null,
    lanes          integer not null,
    set_at         timestamptz not null,
    -- Tries since the last right one. A try is counted before it is looked at and forgotten when it was right, so that
    -- many at once cannot slip past the limit, and a crash is no free guess.
    tries          integer not null default 0 check (tries >= 0),
    locked_until   timestamptz,             -- no PIN is looked at before; here, so that every instance and restart knows
    primary key (group_id, staff_id),
    foreign key (group_id, staff_id) references staff
);

-- What a person was trained and signed for. Withdrawn by its last day, never deleted: evidence was judged by it.
create table competence (
    group_id      uuid not null,
    staff_id      uuid not null,
    competence_id uuid not null,            -- made by the client
    routine_id    uuid,                     -- for this routine …
    family        text,                     -- … or for every routine of this family
    valid_from    date not null,            -- first day
    valid_until   date,                     -- last day; null: it does not expire
    signed_off_by text not null check (signed_off_by <> ''), -- who found the person competent
    note          text not null default '',
    created_at    timestamptz not null,
    primary key (group_id, staff_id, competence_id),
    constraint competence_for_one check (num_nonnulls(routine_id, family) = 1),
    constraint competence_span check (valid_until >= valid_from),
    foreign key (group_id, staff_id) references staff
);
create index competence_ending on competence (group_id, valid_until) where valid_until is not null;

-- Who is on site on a clinic day, as the desk says. Append-only: a list that differs is a further row, the last counts.
create table presence_mark (
    group_id    uuid not null,
    clinic_id   uuid not null,
    clinic_day  date not null,
    number      integer not null check (number >= 1), -- 1, 2, 3 … within the day
    staff_ids   uuid[] not null,            -- in order of the ids, so that equal lists are recognised
    recorded_at timestamptz not null,
    key_id      uuid not null,              -- the device
    primary key (group_id, clinic_id, clinic_day, number),
    foreign key (group_id, clinic_id) references clinic
);
create index presence_mark_recorded on presence_mark (group_id, clinic_id, recorded_at); -- what is sealed with a day

-- A completion may name the person by id, with or without their PIN. All stay null in rows of before.
alter table completion
    add column staff_id  uuid,              -- the person, where the device named one; initials stay in performed_by
    add column signed    boolean,           -- whether the person's PIN came with it and was right
    add column flags     text[],            -- what a lead should look at: src/domain/flags.rs. Never changes the verdict
    add column device_at timestamptz;       -- what the device's clock said when it sent, where it said so
-- The flagged ones, newest first, without a walk over all the others.
create index completion_flagged on completion (group_id, recorded_at desc, completion_id desc)
    where cardinality(flags) > 0;

do $$
declare t text;
begin
    foreach t in array array['staff', 'staff_pin', 'competence', 'presence_mark'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert, update on staff, staff_pin, competence to chairtide_app;
grant select, insert on presence_mark to chairtide_app;

create view reporting.staff with (security_barrier) as
select s.staff_id, s.name, s.initials, s.role, s.clinic_ids, s.active_from, s.active_until
from public.staff s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.staff is 'One row a person who works or worked in the group, as it stands now.';
comment on column reporting.staff.staff_id is 'Identity (UUID).';
comment on column reporting.staff.name is 'Name as entered.';
comment on column reporting.staff.initials is 'What completions name the person by; unique among those active at a time.';
comment on column reporting.staff.role is 'assistant, clinician, clinic_lead, group_lead or engineer; more may come.';
comment on column reporting.staff.clinic_ids is 'Clinics they work at (UUID); empty: every clinic of the group.';
comment on column reporting.staff.active_from is 'First day (local date).';
comment on column reporting.staff.active_until is 'Last day (local date); null: none is set.';

create view reporting.competences with (security_barrier) as
select c.competence_id, c.staff_id, c.routine_id, c.family, c.valid_from, c.valid_until, c.signed_off_by, c.note
from public.competence c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.competences is
    'One row for what a person was trained and signed for; one that has ended stays.';
comment on column reporting.competences.competence_id is 'Identity (UUID) among those of the person.';
comment on column reporting.competences.staff_id is 'The person.';
comment on column reporting.competences.routine_id is 'The routine it is for; null: it is for a family.';
comment on column reporting.competences.family is 'The family of routines it is for; null: it is for one routine.';
comment on column reporting.competences.valid_from is 'First day (local date).';
comment on column reporting.competences.valid_until is 'Last day (local date); null: it does not expire.';
comment on column reporting.competences.signed_off_by is 'Who found the person competent, as entered.';
comment on column reporting.competences.note is 'Free text; may be empty.';

create view reporting.presence with (security_barrier) as
select p.clinic_id, p.clinic_day, p.number, p.staff_ids, p.recorded_at, p.key_id
from public.presence_mark p
where p.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.presence is
    'One row a list of who is on site at a clinic on a clinic day. The highest number of a day counts; the others stay.';
comment on column reporting.presence.clinic_id is 'The clinic.';
comment on column reporting.presence.clinic_day is 'Clinic day (local date).';
comment on column reporting.presence.number is 'Place among the day''s lists, from 1.';
comment on column reporting.presence.staff_ids is 'The people (UUID), in order of their ids.';
comment on column reporting.presence.recorded_at is 'Instant at which the service received the list.';
comment on column reporting.presence.key_id is 'The device or system that posted it.';

-- A view can gain columns at its end.
create or replace view reporting.completions with (security_barrier) as
select c.completion_id, c.task_id, c.clinic_day, c.clinic_id, c.kind, c.performed_at, c.recorded_at, c.performed_by,
       c.key_id, c.verdict, c.findings, c.early, c.late, c.late_entry, c.duplicate, c.corrects, c.reason, c.note,
       c.staff_id, c.signed, c.flags, c.device_at
from public.completion c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on column reporting.completions.staff_id is 'The person, where the device named one by id; else null.';
comment on column reporting.completions.signed is
    'Whether the person''s PIN came with it and was right; null in rows from before there were PINs.';
comment on column reporting.completions.flags is
    'What a lead should look at, as stable names; empty: nothing; null in rows from before there were flags.';
comment on column reporting.completions.device_at is
    'Instant that the device''s clock showed when it sent; null where it did not say. Compare with recorded_at.';
grant select on reporting.staff, reporting.competences, reporting.presence to chairtide_reporting;
