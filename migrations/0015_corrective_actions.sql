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
    key_id         uuid not null,           -- the device or system it was posted with
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
