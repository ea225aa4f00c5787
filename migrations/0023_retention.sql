-- How long what was recorded is kept: what no setting goes below, what a group or a clinic sets, and legal holds.

-- The years below which no setting goes, by place: the laws and codes of src/domain/retention/rules.json, once more, so
-- that the database itself refuses what is too early (0024). A test holds the two equal; a rule that changes there is
-- changed here by a further migration. No group's data, so it has no tenant; the service's role can only read it.
create table retention_floor (
    rule_key        text not null,          -- the rule's name in that file
    record_class    text not null,
    jurisdiction    text not null check (jurisdiction <> ''), -- ISO 3166: a country, or a part of one
    years           integer not null check (years > 0),
    effective_from  date,                   -- null: always was
    effective_until date,                   -- its last day; null: still is
    primary key (rule_key, record_class)
);
grant select on retention_floor to chairtide_app;
insert into retention_floor (rule_key, record_class, jurisdiction, years, effective_from) values
    ('us-amalgam', 'amalgam', 'US', 3, null),
    ('us-training', 'training', 'US', 3, null),
    ('us-wa-waterline-tests', 'waterline_tests', 'US-WA', 5, '2021-01-23'),
    ('us-wa-sterilisation', 'sterilisation', 'US-WA', 5, null),
    ('us-ca-clinic-autoclave', 'sterilisation', 'US-CA', 1, null),
    ('us-ca-dental-spore-tests', 'sterilisation', 'US-CA', 1, null),
    ('gb-premises-water', 'premises_water', 'GB', 5, null),
    ('gb-decontamination', 'sterilisation', 'GB', 2, null),
    ('gb-decontamination', 'routine_work', 'GB', 2, null),
    ('ca-on-sterilisation', 'sterilisation', 'CA-ON', 10, null);

-- What a group or one of its clinics set. A clinic's own comes before the group's; without either it is ten years.
create table retention_setting (
    group_id     uuid not null references dental_group, -- the tenant leads every key
    setting_id   uuid not null,             -- derived from where and what it is for: one of each
    clinic_id    uuid,                      -- the clinic; null: every clinic of the group without one of its own
    record_class text not null,             -- src/domain/retention.rs
    years        integer not null check (years between 1 and 100), -- calendar years after the clinic day of the seal
    reason       text not null check (reason <> ''), -- why somebody set it
    source       jsonb,                     -- what it rests on (src/domain/limit.rs); never null for less than ten years
    set_at       timestamptz not null,      -- by the service's clock
    primary key (group_id, setting_id),
    constraint retention_setting_once unique nulls not distinct (group_id, clinic_id, record_class),
    constraint retention_setting_founded check (years >= 10 or source is not null),
    foreign key (group_id, clinic_id) references clinic
);

-- What a named person said must not be purged, whatever its age. Evidence: it ends by a lift and is never changed.
create table legal_hold (
    group_id      uuid not null,            -- the tenant leads every key
    legal_hold_id uuid not null,            -- made by the client, so that a repeat is harmless
    clinic_id     uuid not null,            -- whose records it keeps; it is sealed with that clinic's day
    record_class  text,                     -- only these; null: of every class
    subject_id    uuid,                     -- only what is about this, or tells no subject; null: whatever it is about
    from_on       date,                     -- first clinic day of the seals it keeps; null: from the first
    until_on      date,                     -- last one; null: also what is still to come
    reason        text not null constraint legal_hold_reasoned check (char_length(reason) between 1 and 400),
    staff_id      uuid not null,            -- who began it, by a PIN of their own
    begun_by      text not null constraint legal_hold_named check (char_length(begun_by) between 1 and 120),
                                            -- that person's name as it was then
    recorded_at   timestamptz not null,     -- by the service's clock, never back-dated
    key_id        uuid not null,            -- the device it was signed on
    primary key (group_id, legal_hold_id),
    constraint legal_hold_span check (from_on is null or until_on is null or from_on <= until_on),
    foreign key (group_id, clinic_id) references clinic,
    foreign key (group_id, subject_id) references subject
);
create index legal_hold_recorded on legal_hold (group_id, clinic_id, recorded_at); -- the span of a seal, and the list

-- The act of a named person that ends one hold.
create table legal_hold_lift (
    group_id      uuid not null,            -- the tenant leads every key
    lift_id       uuid not null,            -- made by the client, so that a repeat is harmless
    legal_hold_id uuid not null,            -- what it ends
    clinic_id     uuid not null,            -- repeated from the hold: it is sealed with that clinic's day
    reason        text not null constraint legal_hold_lift_reasoned check (char_length(reason) between 1 and 400),
    staff_id      uuid not null,            -- who lifted it, by a PIN of their own
    lifted_by     text not null constraint legal_hold_lift_named check (char_length(lifted_by) between 1 and 120),
    recorded_at   timestamptz not null,
    key_id        uuid not null,
    primary key (group_id, lift_id),
    constraint legal_hold_lift_once unique (group_id, legal_hold_id),
    foreign key (group_id, legal_hold_id) references legal_hold,
    foreign key (group_id, clinic_id) references clinic
);
create index legal_hold_lift_recorded on legal_hold_lift (group_id, clinic_id, recorded_at); -- the span of a seal

do $$
declare t text;
begin
    foreach t in array array['retention_setting', 'legal_hold', 'legal_hold_lift'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert, update on retention_setting to chairtide_app;
grant select, insert on legal_hold, legal_hold_lift to chairtide_app;

-- How long a class is kept at a clinic, and what decides: a rule's key, or 'clinic', 'group' or 'default'. A rule counts
-- that was in force on any day from the record's to today. src/domain/retention.rs says the same; a test holds both
-- equal. What happened and what followed is kept as long as any other class at its place must be.
create function kept_years(in_group uuid, in_clinic uuid, in_class text, in_day date, in_today date,
                           out years integer, out decided_by text)
language sql stable set search_path = public, pg_temp
as $$
    with place as (select upper(c.jurisdiction) as place from clinic c where c.group_id = in_group and c.clinic_id = in_clinic),
    known as (
        (select s.years, case when s.clinic_id is null then 'group' else 'clinic' end as decided_by, 1 as rank
         from retention_setting s
         where s.group_id = in_group and (s.clinic_id = in_clinic or s.clinic_id is null) and s.record_class = in_class
         order by s.clinic_id nulls last limit 1)
        union all
        select f.years, f.rule_key, 2
        from retention_floor f, place p
        where (f.record_class = in_class or in_class = 'incidents')
          and (p.place = f.jurisdiction or starts_with(p.place, f.jurisdiction || '-'))
          and (f.effective_from is null or f.effective_from <= in_today)
          and (f.effective_until is null or f.effective_until >= in_day)
    ), told as (
        select * from known
        union all select 10, 'default', 0 where not exists (select from known where rank = 1)
    )
    -- At equal years a rule is named before a choice, and of two rules the first by name.
    select t.years, t.decided_by from told t order by t.years desc, t.rank desc, t.decided_by limit 1
$$;
revoke all on function kept_years(uuid, uuid, text, date, date) from public;
grant execute on function kept_years(uuid, uuid, text, date, date) to chairtide_app;

create view reporting.legal_holds with (security_barrier) as
select h.legal_hold_id, h.clinic_id, h.record_class, h.subject_id, h.from_on, h.until_on, h.reason, h.begun_by,
       h.staff_id as begun_by_staff_id, h.recorded_at as begun_at, l.recorded_at as lifted_at, l.lifted_by,
       l.staff_id as lifted_by_staff_id, l.reason as lift_reason
from public.legal_hold h
left join public.legal_hold_lift l on l.group_id = h.group_id and l.legal_hold_id = h.legal_hold_id
where h.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.legal_holds is
    'One row for each legal hold; kept for ever. It stands against purges while lifted_at is null.';
comment on column reporting.legal_holds.legal_hold_id is 'Identity (UUID), made by the client.';
comment on column reporting.legal_holds.clinic_id is 'The clinic whose records it keeps.';
comment on column reporting.legal_holds.record_class is 'Only records of this class; null: of every class.';
comment on column reporting.legal_holds.subject_id is
    'Only records about this subject, as in reporting.subjects, and those that tell none; null: about anything.';
comment on column reporting.legal_holds.from_on is 'First sealed clinic day it keeps (local date); null: from the first.';
comment on column reporting.legal_holds.until_on is 'Last sealed clinic day it keeps (local date); null: without end.';
comment on column reporting.legal_holds.reason is 'Why, in words.';
comment on column reporting.legal_holds.begun_by is 'Name of the person who began it, as it was then.';
comment on column reporting.legal_holds.begun_by_staff_id is 'That person (UUID).';
comment on column reporting.legal_holds.begun_at is 'Instant at which it was begun.';
comment on column reporting.legal_holds.lifted_at is 'Instant at which it was lifted; null: it stands.';
comment on column reporting.legal_holds.lifted_by is 'Name of the person who lifted it; null: it stands.';
comment on column reporting.legal_holds.lifted_by_staff_id is 'That person (UUID); null: it stands.';
comment on column reporting.legal_holds.lift_reason is 'Why it was lifted; null: it stands.';
grant select on reporting.legal_holds to chairtide_reporting;
