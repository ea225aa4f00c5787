-- Notices not to use mains water: where they are in force, by whom they were lifted, and what follows at each chair.

alter table clinic add column supply_area text not null default ''
    constraint clinic_supply_area_short check (char_length(supply_area) <= 120);
-- Whose water it is, as the supplier's notices name the area: a notice for an area finds its clinics by it.

-- A notice as it applies to one clinic. One that concerns several clinics is a row for each: each is sealed with its own day.
create table water_advisory (
    group_id      uuid not null,            -- the tenant leads every key
    advisory_id   uuid not null,            -- made by the client; the same in each clinic that the notice concerns
    clinic_id     uuid not null,            -- where it applies
    authority     text not null constraint water_advisory_authority_told check (char_length(authority) between 1 and 120),
                                            -- who gave notice
    notice_number text not null constraint water_advisory_number_short check (char_length(notice_number) <= 80),
                                            -- its number; may be empty
    area          text not null constraint water_advisory_area_short check (char_length(area) <= 120),
                                            -- the area it names; may be empty
    note          text not null constraint water_advisory_note_short check (char_length(note) <= 400), -- about the site
    started_at    timestamptz not null,     -- from when it applies, as the notice says
    recorded_at   timestamptz not null,     -- when it reached us: a past instant is answered by what was known then
    opened_by     text not null constraint water_advisory_opened_by_short check (char_length(opened_by) between 1 and 40),
                                            -- the person
    key_id        uuid not null,            -- the device or system
    primary key (group_id, advisory_id, clinic_id),
    foreign key (group_id, clinic_id) references clinic
);
create index water_advisory_of_clinic on water_advisory (group_id, clinic_id, started_at, advisory_id);
create index water_advisory_recorded on water_advisory (group_id, clinic_id, recorded_at); -- the span of a seal
create index water_advisory_newest on water_advisory (group_id, started_at, advisory_id, clinic_id);

-- The act of a named person that says a notice was lifted at a clinic. One at most: a new notice is a new advisory.
create table water_advisory_lifting (
    group_id      uuid not null,            -- the tenant leads every key
    advisory_id   uuid not null,            -- what is lifted
    clinic_id     uuid not null,            -- where
    lifting_id    uuid not null,            -- made by the client; the same in each clinic that is lifted at once
    notice_number text not null constraint water_advisory_lifting_number_short check (char_length(notice_number) <= 80),
                                            -- of the notice that lifts it; may be empty
    reason        text not null constraint water_advisory_lifting_reasoned check (char_length(reason) between 1 and 400),
                                            -- on what grounds
    lifted_at     timestamptz not null,     -- from when it applies no more, as that notice says
    recorded_at   timestamptz not null,     -- when it reached us
    staff_id      uuid not null,            -- who signed, by a PIN of their own
    lifted_by     text not null constraint water_advisory_lifting_named check (char_length(lifted_by) between 1 and 120),
                                            -- that person's name as it was then
    key_id        uuid not null,            -- the device it was signed on
    primary key (group_id, advisory_id, clinic_id),
    foreign key (group_id, advisory_id, clinic_id) references water_advisory
);
create index water_advisory_lifting_recorded on water_advisory_lifting (group_id, clinic_id, recorded_at); -- of a seal

do $$
declare t text;
begin
    foreach t in array array['water_advisory', 'water_advisory_lifting'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
        execute format('grant select, insert on %I to chairtide_app', t);
    end loop;
end $$;

-- src/domain/corrective_action.rs
alter table corrective_action drop constraint corrective_action_cause_known;
alter table corrective_action add constraint corrective_action_cause_known check (cause in
    ('completion', 'lot', 'missed_task', 'person', 'water_advisory'));

create view reporting.water_advisories with (security_barrier) as
select a.advisory_id, a.clinic_id, a.authority, a.notice_number, a.area, a.started_at, a.recorded_at, a.opened_by,
       l.lifted_at, l.recorded_at as lifting_recorded_at, l.lifted_by, l.staff_id as lifted_by_staff_id,
       l.notice_number as lifting_notice_number, l.reason as lifting_reason
from public.water_advisory a
left join public.water_advisory_lifting l
       on l.group_id = a.group_id and l.advisory_id = a.advisory_id and l.clinic_id = a.clinic_id
where a.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.water_advisories is
    'One row for each notice not to use mains water and each clinic it concerns; kept for ever. In force while lifted_at is null.';
comment on column reporting.water_advisories.advisory_id is 'Identity (UUID); the same in each clinic of one notice.';
comment on column reporting.water_advisories.clinic_id is 'The clinic.';
comment on column reporting.water_advisories.authority is 'Who gave notice.';
comment on column reporting.water_advisories.notice_number is 'Number of the notice; may be empty.';
comment on column reporting.water_advisories.area is 'The area it names; may be empty.';
comment on column reporting.water_advisories.started_at is 'Instant from which it applies, as entered.';
comment on column reporting.water_advisories.recorded_at is 'Instant at which the service received it.';
comment on column reporting.water_advisories.opened_by is 'The person, as entered.';
comment on column reporting.water_advisories.lifted_at is 'Instant from which it applies no more, as entered; null: in force.';
comment on column reporting.water_advisories.lifting_recorded_at is 'Instant at which the service received that; null: in force.';
comment on column reporting.water_advisories.lifted_by is 'Name of the person who signed that it was lifted; null: in force.';
comment on column reporting.water_advisories.lifted_by_staff_id is 'That person (UUID); null: in force.';
comment on column reporting.water_advisories.lifting_notice_number is 'Number of the notice that lifts it; null: in force.';
comment on column reporting.water_advisories.lifting_reason is 'On what grounds; null: in force.';
comment on column reporting.corrective_actions.cause is
    'completion, lot, missed_task, person or water_advisory; more may come.';
comment on column reporting.corrective_actions.cause_id is
    'The completion, lot, task, or water advisory or the lifting of one; null: a person opened it.';
grant select on reporting.water_advisories to chairtide_reporting;
