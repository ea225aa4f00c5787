-- Facts that plans are made from beside the desk's posts: weeks that change on a date, days without levelled work,
-- cycles of equipment, what happened at a site, and since when a subject is there.

-- The ordinary week from a date on. `clinic.week` is what holds before the first of them.
create table dated_week (
    group_id     uuid not null,             -- the tenant leads every key
    clinic_id    uuid not null,
    effective_on date not null,             -- first clinic day it is in force for, until the next one's; the natural key
    week         jsonb not null,            -- opening sessions by weekday, whole: shape and rules in src/domain/hours.rs
    created_at   timestamptz not null,      -- when it was first set, by the service's clock
    primary key (group_id, clinic_id, effective_on),
    foreign key (group_id, clinic_id) references clinic
);

-- A day that people have filled already: levelling puts nothing on it while another day is left.
create table full_day (
    group_id   uuid not null,               -- the tenant leads every key
    clinic_id  uuid not null,
    full_on    date not null,               -- a clinic day; the natural key
    created_at timestamptz not null,        -- when it was marked, by the service's clock
    primary key (group_id, clinic_id, full_on),
    foreign key (group_id, clinic_id) references clinic
);

-- A cycle that a piece of equipment ran. Nothing is known of what was in it, and nothing is judged by it.
create table cycle_mark (
    group_id    uuid not null,              -- the tenant leads every key
    clinic_day  date not null,              -- of ended_at by the hours of then; the partition key
    cycle_id    uuid not null,              -- made by the client, so that a repeat is harmless
    clinic_id   uuid not null,              -- where the equipment stood
    subject_id  uuid not null,              -- which equipment
    ended_at    timestamptz not null,       -- when the cycle ended, as the device says
    program     text not null default '' constraint cycle_mark_program_short check (char_length(program) <= 60),
                                            -- what the machine calls its program; may be empty
    recorded_at timestamptz not null,       -- when it reached us
    key_id      uuid not null,              -- the device or system that posted it
    primary key (group_id, clinic_day, cycle_id)
) partition by range (clinic_day);
-- Counted and read by equipment, in the order of the instants.
create index cycle_mark_of_subject on cycle_mark (group_id, subject_id, ended_at, cycle_id);

-- One row a cycle, unpartitioned and narrow: a client's UUID means one thing for ever, and leads to its month.
create table cycle_receipt (
    group_id   uuid not null,               -- the tenant leads every key
    cycle_id   uuid not null,
    clinic_day date not null,               -- the partition its cycle lies in
    primary key (group_id, cycle_id)
);

-- What happened at a clinic and makes work. Kept for ever; one that was entered by mistake is withdrawn, not removed.
create table site_event (
    group_id         uuid not null,         -- the tenant leads every key
    event_id         uuid not null,         -- made by the client, or derived where the service itself records one
    clinic_id        uuid not null,         -- where it happened
    kind             text not null constraint site_event_kind_known check (kind in
                     ('water_advisory_started', 'water_advisory_lifted', 'repair', 'plumbing_change', 'commissioning',
                      'return_to_service', 'product_recall')), -- src/domain/site_event.rs; a test holds the two equal
    subject_id       uuid,                  -- what it happened to; null: the clinic
    happened_at      timestamptz not null,  -- when, as the person says
    note             text not null default '' constraint site_event_note_short check (char_length(note) <= 400),
                                            -- free text about the site; no data about patients or health
    recorded_at      timestamptz not null,  -- when it reached us
    key_id           uuid not null,         -- the key it was recorded with
    withdrawn_at     timestamptz,           -- set once: from then on it counts for nothing, and is still shown
    withdrawn_by_key uuid,                  -- the key it was withdrawn with
    primary key (group_id, event_id),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, subject_id) references subject,
    constraint site_event_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_by_key is null))
);
create index site_event_of_clinic on site_event (group_id, clinic_id, happened_at, event_id);
create index site_event_of_subject on site_event (group_id, subject_id, happened_at) where subject_id is not null;

-- The first clinic day a subject has tasks for. Null in rows that an earlier release wrote: it is then the clinic's
-- local date at created_at, which src/store/subjects.rs resolves, because no SQL resolves local time.
alter table subject add column commissioned_on date;

do $$
declare t text;
begin
    foreach t in array array['dated_week', 'full_day', 'cycle_mark', 'cycle_receipt', 'site_event'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;

grant select, insert, update, delete on dated_week to chairtide_app;
grant select, insert, delete on full_day to chairtide_app;
grant select, insert on cycle_mark, cycle_receipt to chairtide_app;
-- Of what happened, nothing can be changed but that it was withdrawn.
grant select, insert, update (withdrawn_at, withdrawn_by_key) on site_event to chairtide_app;

-- As in 0003, with one table more.
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
                                      'event'] loop
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

-- A view can gain columns at its end; the others keep their names, units and meaning.
create or replace view reporting.subjects with (security_barrier) as
select s.subject_id, s.clinic_id, s.kind, s.name, s.serial, s.water_source, s.circuits, s.suction_lines,
       s.service_state, s.service_reason, s.service_since, s.commissioned_on
from public.subject s
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on column reporting.subjects.commissioned_on is
    'First clinic day (local date) it has tasks for; null when it was entered before this was kept: then the date of that.';

create view reporting.cycles with (security_barrier) as
select c.cycle_id, c.clinic_day, c.clinic_id, c.subject_id, c.ended_at, c.program, c.recorded_at, c.key_id
from public.cycle_mark c
where c.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.cycles is
    'One row a cycle that a piece of equipment ran; never changed. Kept by month of clinic_day: a condition on clinic_day makes a query cheap.';
comment on column reporting.cycles.cycle_id is 'Identity (UUID), made by the device or system that posted it.';
comment on column reporting.cycles.clinic_day is 'Clinic day (local date) the cycle ended on.';
comment on column reporting.cycles.clinic_id is 'The clinic the equipment stood in.';
comment on column reporting.cycles.subject_id is 'The piece of equipment, as in reporting.subjects.';
comment on column reporting.cycles.ended_at is 'Instant the cycle ended, as posted.';
comment on column reporting.cycles.program is 'Name of the machine''s program as posted; may be empty.';
comment on column reporting.cycles.recorded_at is 'Instant at which the service received it.';
comment on column reporting.cycles.key_id is 'The device or system that posted it.';

create view reporting.site_events with (security_barrier) as
select e.event_id, e.clinic_id, e.kind, e.subject_id, e.happened_at, e.note, e.recorded_at, e.key_id, e.withdrawn_at
from public.site_event e
where e.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.site_events is
    'One row for anything that happened at a clinic and makes work; kept for ever, withdrawn ones too.';
comment on column reporting.site_events.event_id is 'Identity (UUID).';
comment on column reporting.site_events.clinic_id is 'The clinic it happened at.';
comment on column reporting.site_events.kind is
    'water_advisory_started, water_advisory_lifted, repair, plumbing_change, commissioning, return_to_service or product_recall; more may come.';
comment on column reporting.site_events.subject_id is 'What it happened to, as in reporting.subjects; null: the clinic.';
comment on column reporting.site_events.happened_at is 'Instant it happened, as entered.';
comment on column reporting.site_events.note is 'Free text about the site; may be empty.';
comment on column reporting.site_events.recorded_at is 'Instant at which the service received it.';
comment on column reporting.site_events.key_id is 'The key it was recorded with.';
comment on column reporting.site_events.withdrawn_at is
    'Instant at which it was withdrawn as entered by mistake; null: it counts.';

grant select on reporting.cycles, reporting.site_events to chairtide_reporting;
