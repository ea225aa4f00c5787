-- People, what they were trained for, and instruments as evidence: each state they were in, sealed with the days of the
-- clinics it concerns. `staff`, `competence` and `instrument` stay what they are, rows of how things stand, which the
-- service changes; a mark is written with each change and never after it. A verify call holds the two against each other,
-- so that a change behind the service's back is named as well in the rows as in the marks.

-- One row a state, and not one for each clinic: the seal of every clinic in `of_clinics` holds it.
create table staff_mark (
    group_id     uuid not null,             -- the tenant leads every key
    staff_id     uuid not null,
    number       integer not null check (number >= 0), -- 1, 2, 3 … of the person; 0: as they stood before there were marks
    name         text not null,
    initials     text not null,
    role         text not null,
    clinic_ids   uuid[] not null,           -- where they work from then on; empty: every clinic of the group
    active_from  date not null,
    active_until date,
    of_clinics   uuid[] not null,           -- whose seals hold it: where they worked before and after; of number 0, none
    recorded_at  timestamptz not null,
    key_id       uuid,                      -- the device; null: of number 0
    primary key (group_id, staff_id, number),
    foreign key (group_id, staff_id) references staff
);
create index staff_mark_recorded on staff_mark (group_id, recorded_at); -- what is sealed with a day

-- Who found a person competent may sign for it. Null: told in words by whoever keeps the register.
alter table competence add column signed_by_staff_id uuid;

create table competence_mark (
    group_id           uuid not null,
    staff_id           uuid not null,
    competence_id      uuid not null,
    number             integer not null check (number >= 0), -- as in staff_mark, of the competence
    routine_id         uuid,
    family             text,
    valid_from         date not null,
    valid_until        date,
    signed_off_by      text not null,
    signed_by_staff_id uuid,                -- whose PIN came with it and was right; null: nobody's
    note               text not null,
    of_clinics         uuid[] not null,     -- whose seals hold it: where the person worked then
    recorded_at        timestamptz not null,
    key_id             uuid,
    primary key (group_id, staff_id, competence_id, number),
    foreign key (group_id, staff_id, competence_id) references competence
);
create index competence_mark_recorded on competence_mark (group_id, recorded_at);

create table instrument_mark (
    group_id            uuid not null,
    instrument_id       uuid not null,
    number              integer not null check (number >= 0), -- as in staff_mark, of the instrument
    clinic_id           uuid not null,      -- where it belongs from then on
    name                text not null,
    serial              text not null,
    calibrated_on       date,
    calibration_ends_on date,
    of_clinics          uuid[] not null,    -- whose seals hold it: where it belonged before and after
    recorded_at         timestamptz not null,
    key_id              uuid,
    primary key (group_id, instrument_id, number),
    foreign key (group_id, instrument_id) references instrument
);
create index instrument_mark_recorded on instrument_mark (group_id, recorded_at);

-- What stood before there were marks. Its days are sealed already, so no seal can hold it.
insert into staff_mark
select s.group_id, s.staff_id, 0, s.name, s.initials, s.role, s.clinic_ids, s.active_from, s.active_until, '{}', s.created_at, null
from staff s;
insert into competence_mark
select c.group_id, c.staff_id, c.competence_id, 0, c.routine_id, c.family, c.valid_from, c.valid_until, c.signed_off_by, null,
       c.note, '{}', c.created_at, null
from competence c;
insert into instrument_mark
select i.group_id, i.instrument_id, 0, i.clinic_id, i.name, i.serial, i.calibrated_on, i.calibration_ends_on, '{}', i.created_at,
       null
from instrument i;

do $$
declare t text;
begin
    foreach t in array array['staff_mark', 'competence_mark', 'instrument_mark'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert on staff_mark, competence_mark, instrument_mark to chairtide_app;

create or replace view reporting.competences with (security_barrier) as
select c.competence_id, c.staff_id, c.routine_id, c.family, c.valid_from, c.valid_until, c.signed_off_by, c.note,
       c.signed_by_staff_id
from public.competence c
where c.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.competences.signed_by_staff_id is
    'Who signed for it with their PIN; null: signed_off_by is what somebody told.';

create view reporting.staff_marks with (security_barrier) as
select m.staff_id, m.number, m.name, m.initials, m.role, m.clinic_ids, m.active_from, m.active_until, m.of_clinics,
       m.recorded_at, m.key_id
from public.staff_mark m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.staff_marks is
    'One row a state that a person''s entry was in; never changed. The highest number is how it stands.';
comment on column reporting.staff_marks.staff_id is 'The person, as in reporting.staff.';
comment on column reporting.staff_marks.number is
    'Place among the states of the person, from 1; 0: as they stood before states were kept, sealed nowhere.';
comment on column reporting.staff_marks.name is 'Name as entered.';
comment on column reporting.staff_marks.initials is 'What completions named the person by from then on.';
comment on column reporting.staff_marks.role is 'assistant, clinician, clinic_lead, group_lead or engineer; more may come.';
comment on column reporting.staff_marks.clinic_ids is 'Clinics they worked at from then on (UUID); empty: every clinic of the group.';
comment on column reporting.staff_marks.active_from is 'First day (local date).';
comment on column reporting.staff_marks.active_until is 'Last day (local date); null: none was set.';
comment on column reporting.staff_marks.of_clinics is 'Clinics whose seals hold the row (UUID): where they worked before and after.';
comment on column reporting.staff_marks.recorded_at is 'Instant at which the service received it.';
comment on column reporting.staff_marks.key_id is 'The system that sent it; null: of number 0.';

create view reporting.competence_marks with (security_barrier) as
select m.staff_id, m.competence_id, m.number, m.routine_id, m.family, m.valid_from, m.valid_until, m.signed_off_by,
       m.signed_by_staff_id, m.note, m.of_clinics, m.recorded_at, m.key_id
from public.competence_mark m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.competence_marks is
    'One row a state that a competence was in; never changed. The highest number is how it stands.';
comment on column reporting.competence_marks.staff_id is 'The person.';
comment on column reporting.competence_marks.competence_id is 'The competence, as in reporting.competences.';
comment on column reporting.competence_marks.number is
    'Place among the states of the competence, from 1; 0: as it stood before states were kept, sealed nowhere.';
comment on column reporting.competence_marks.routine_id is 'The routine it was for; null: it was for a family.';
comment on column reporting.competence_marks.family is 'The family of routines it was for; null: it was for one routine.';
comment on column reporting.competence_marks.valid_from is 'First day (local date).';
comment on column reporting.competence_marks.valid_until is 'Last day (local date); null: it did not expire.';
comment on column reporting.competence_marks.signed_off_by is 'Who found the person competent: as entered, or the name of who signed.';
comment on column reporting.competence_marks.signed_by_staff_id is
    'Who signed for it with their PIN; null: signed_off_by is what somebody told.';
comment on column reporting.competence_marks.note is 'Free text; may be empty.';
comment on column reporting.competence_marks.of_clinics is 'Clinics whose seals hold the row (UUID): where the person worked then.';
comment on column reporting.competence_marks.recorded_at is 'Instant at which the service received it.';
comment on column reporting.competence_marks.key_id is 'The system that sent it; null: of number 0.';

create view reporting.instrument_marks with (security_barrier) as
select m.instrument_id, m.number, m.clinic_id, m.name, m.serial, m.calibrated_on, m.calibration_ends_on, m.of_clinics,
       m.recorded_at, m.key_id
from public.instrument_mark m
where m.group_id = (select reader.group_id from public.reporting_reader reader);
comment on view reporting.instrument_marks is
    'One row a state that an instrument''s entry was in; never changed. The highest number is how it stands.';
comment on column reporting.instrument_marks.instrument_id is 'The instrument, as in reporting.instruments.';
comment on column reporting.instrument_marks.number is
    'Place among the states of the instrument, from 1; 0: as it stood before states were kept, sealed nowhere.';
comment on column reporting.instrument_marks.clinic_id is 'The clinic it belonged to from then on.';
comment on column reporting.instrument_marks.name is 'What people called it.';
comment on column reporting.instrument_marks.serial is 'Serial number as entered; may be empty.';
comment on column reporting.instrument_marks.calibrated_on is 'Local date of the last calibration; null: none was known.';
comment on column reporting.instrument_marks.calibration_ends_on is 'Last local date that counted; null: it did not end.';
comment on column reporting.instrument_marks.of_clinics is 'Clinics whose seals hold the row (UUID): where it belonged before and after.';
comment on column reporting.instrument_marks.recorded_at is 'Instant at which the service received it.';
comment on column reporting.instrument_marks.key_id is 'The system that sent it; null: of number 0.';
grant select on reporting.staff_marks, reporting.competence_marks, reporting.instrument_marks to chairtide_reporting;
