-- A clinic day is signed by a lead, who explains its gaps; and what is overdue beside tasks is found as cheaply as they are.

-- From which day on a clinic's open days ask to be signed, or ask no more. Configuration: the last row not after a day
-- counts. A clinic without a row gets one when it is next planned, from that day on: no old day asks afterwards.
create table day_signing (
    group_id    uuid not null,              -- the tenant leads every key
    clinic_id   uuid not null,
    from_on     date not null,              -- first clinic day it holds for, until the next row's
    is_asked    boolean not null,           -- whether open days ask to be signed
    set_at      timestamptz not null,       -- by the service's clock
    primary key (group_id, clinic_id, from_on),
    foreign key (group_id, clinic_id) references clinic
);

-- The open days that ask to be signed, with the instants at which the ladder's rungs are reached: as with tasks, turned
-- into instants once, so that a list asks for no hours. A worklist and no evidence: the planner writes it ahead.
create table day_to_sign (
    group_id      uuid not null,            -- the tenant leads every key
    clinic_id     uuid not null,
    clinic_day    date not null,            -- the day that asks
    day_id        uuid not null,            -- derived from clinic and day: its name in lists of several kinds of things
    due_by        timestamptz not null,     -- the day's close: the posted one, else the planned one
    overdue_at    timestamptz not null,     -- the next opening by the clinic's hours
    rung_at       timestamptz[] not null,   -- instants at which the ladder's rungs are reached, ascending
    rung_audience text[] not null,          -- and whom each rung tells
    planned_at    timestamptz not null,
    signed_at     timestamptz,              -- when it was first signed, so that a past instant can be asked about
    primary key (group_id, clinic_id, clinic_day),
    foreign key (group_id, clinic_id) references clinic,
    constraint day_to_sign_ordered check (due_by <= overdue_at),
    constraint day_to_sign_rungs_paired check (cardinality(rung_at) = cardinality(rung_audience))
);
create index day_to_sign_open on day_to_sign (group_id, overdue_at) where signed_at is null;
create index day_to_sign_settled on day_to_sign (group_id, signed_at) where signed_at is not null;

-- A lead's signature under a clinic day. What is signed again, because something came after, is a further row.
create table day_sign_off (
    group_id      uuid not null,            -- the tenant leads every key
    sign_off_id   uuid not null,            -- made by the client, so that a repeat is harmless
    clinic_id     uuid not null,
    clinic_day    date not null,            -- the day it is under
    number        integer not null check (number >= 1), -- 1: the first; further ones add to it and change nothing of it
    staff_id      uuid not null,            -- who signed, by a PIN of their own
    signed_by     text not null constraint day_sign_off_named check (char_length(signed_by) between 1 and 120),
                                            -- that person's name as it was then
    note          text not null default '' constraint day_sign_off_note_short check (char_length(note) <= 1000),
                                            -- in the lead's words; about the site, never about a patient
    review_digest bytea not null constraint day_sign_off_digest_whole check (octet_length(review_digest) = 32),
                                            -- SHA-256 of the review that was signed: src/domain/sign_off.rs
    task_counts   jsonb not null,           -- how many tasks of the day were in which state
    explanations  jsonb not null,           -- what was explained: array of gap, task_id, kind, words
    entry_ids     uuid[] not null,          -- the completions of the day that were there to be seen; others came after
    recorded_at   timestamptz not null,     -- by the service's clock, never back-dated
    key_id        uuid not null,            -- the device it was signed on
    primary key (group_id, sign_off_id),
    constraint day_sign_off_in_turn unique (group_id, clinic_id, clinic_day, number),
    foreign key (group_id, clinic_id) references clinic
);
create index day_sign_off_recorded on day_sign_off (group_id, clinic_id, recorded_at); -- the span of a seal

do $$
declare t text;
begin
    foreach t in array array['day_signing', 'day_to_sign', 'day_sign_off'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select, insert, update on day_signing to chairtide_app;
grant select, insert, update, delete on day_to_sign to chairtide_app;
grant select, insert on day_sign_off to chairtide_app;

-- What is overdue of corrective actions, without a walk over all that are open.
create index corrective_action_next_overdue on corrective_action_next (group_id, overdue_at);

-- Why a task was missed, by a word that can be counted, and with a signature where one was given. Null in older rows.
alter table miss_reason
    add column code text constraint miss_reason_code_known check (code in
        ('next_patient_seated', 'too_few_people', 'equipment_failed', 'supplies_missing', 'not_noticed',
         'done_not_recorded', 'other')),    -- src/domain/miss.rs; null: told before there were such words, or in words only
    add column staff_id uuid;               -- who told it, by a PIN of their own; null: by initials only

create view reporting.day_sign_offs with (security_barrier) as
select d.clinic_id, d.clinic_day, d.due_by is not null as asked, d.due_by, d.overdue_at,
       f.recorded_at as signed_at, f.signed_by, f.staff_id as signed_by_staff_id,
       n.sign_offs, n.gaps_explained, f.task_counts,
       case when f.recorded_at is null and d.due_by <= k.as_of then d.due_by end as unsigned_since,
       l.level, d.rung_audience[l.level] as audience, k.as_of
from (select t.group_id, t.clinic_id, t.clinic_day, t.due_by, t.overdue_at, t.rung_at, t.rung_audience
      from public.day_to_sign t
      union all
      select s.group_id, s.clinic_id, s.clinic_day, null, null, null, null
      from public.day_sign_off s
      where s.number = 1
        and not exists (select from public.day_to_sign t where t.group_id = s.group_id and t.clinic_id = s.clinic_id
                                                           and t.clinic_day = s.clinic_day)) d
cross join reporting.clock k
left join public.day_sign_off f
       on f.group_id = d.group_id and f.clinic_id = d.clinic_id and f.clinic_day = d.clinic_day and f.number = 1
      and f.recorded_at <= k.as_of
cross join lateral (
    select count(*)::integer as sign_offs, coalesce(sum(jsonb_array_length(s.explanations)), 0)::integer as gaps_explained
    from public.day_sign_off s
    where s.group_id = d.group_id and s.clinic_id = d.clinic_id and s.clinic_day = d.clinic_day
      and s.recorded_at <= k.as_of) n
-- Without an instant nothing can be derived: null, as in reporting.tasks.
cross join lateral (
    select case when k.as_of is null then null when f.recorded_at is not null then 0
                else (select count(*)::integer from unnest(d.rung_at) as reached(at) where reached.at <= k.as_of)
           end as level) l
where d.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.day_sign_offs is
    'One row for each clinic day that asks to be signed by a lead, or was signed, with what it is as of reporting.as_of().';
comment on column reporting.day_sign_offs.clinic_id is 'The clinic.';
comment on column reporting.day_sign_offs.clinic_day is 'Local date at the clinic.';
comment on column reporting.day_sign_offs.asked is 'False: the day did not ask, and was signed all the same.';
comment on column reporting.day_sign_offs.due_by is 'Instant of the day''s close, at which it is due to be signed; null: not asked.';
comment on column reporting.day_sign_offs.overdue_at is
    'Instant of the next opening, from which an unsigned day is overdue; null: not asked.';
comment on column reporting.day_sign_offs.signed_at is 'Instant of the first signature known as of as_of; null: unsigned.';
comment on column reporting.day_sign_offs.signed_by is 'That person''s name as it was then; null: unsigned.';
comment on column reporting.day_sign_offs.signed_by_staff_id is 'That person (UUID), as in reporting.staff; null: unsigned.';
comment on column reporting.day_sign_offs.sign_offs is 'Signatures (count): 2 and more where something came after the first.';
comment on column reporting.day_sign_offs.gaps_explained is 'Gaps that leads explained as they signed (count), over all signatures.';
comment on column reporting.day_sign_offs.task_counts is
    'JSON object: how many tasks of the day were in which state (count) at the first signature; null: unsigned.';
comment on column reporting.day_sign_offs.unsigned_since is
    'Instant since which it waits for a signature; null: signed, not due yet, or not asked.';
comment on column reporting.day_sign_offs.level is
    'Rungs of the group''s ladder reached as of as_of (count); 0: none, or signed.';
comment on column reporting.day_sign_offs.audience is
    'Whom the reached rung tells: chairside, clinic_lead or group_manager; null at level 0.';
comment on column reporting.day_sign_offs.as_of is 'The instant unsigned_since and level are for.';

create view reporting.day_explanations with (security_barrier) as
select s.sign_off_id, s.clinic_id, s.clinic_day, s.number as sign_off_number, e ->> 'kind' as gap,
       (e ->> 'task_id')::uuid as task_id, e ->> 'words' as words, s.signed_by, s.recorded_at
from public.day_sign_off s
cross join lateral jsonb_array_elements(s.explanations) as e
where s.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.day_explanations is 'One row for each gap of a clinic day that a lead explained as the day was signed.';
comment on column reporting.day_explanations.sign_off_id is 'The signature it came with (UUID).';
comment on column reporting.day_explanations.clinic_id is 'The clinic.';
comment on column reporting.day_explanations.clinic_day is 'Local date at the clinic.';
comment on column reporting.day_explanations.sign_off_number is '1: the day''s first signature; 2, 3 …: further ones.';
comment on column reporting.day_explanations.gap is
    'missed, record_missing, failed, void, not_required or result_awaited; more may come.';
comment on column reporting.day_explanations.task_id is 'The task, as in reporting.tasks.';
comment on column reporting.day_explanations.words is 'In the lead''s words.';
comment on column reporting.day_explanations.signed_by is 'The lead''s name as it was then.';
comment on column reporting.day_explanations.recorded_at is 'Instant of the signature.';

create view reporting.miss_reasons with (security_barrier) as
select m.task_id, m.number, m.clinic_id, m.code, m.reason, m.told_by, m.staff_id, m.recorded_at
from public.miss_reason m
where m.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.miss_reasons is 'One row for each reason that was told of a missed task; the highest number counts.';
comment on column reporting.miss_reasons.task_id is 'The task, as in reporting.tasks.';
comment on column reporting.miss_reasons.number is '1, 2, 3 and so on: a second thought is a further row.';
comment on column reporting.miss_reasons.clinic_id is 'The clinic it fell due in.';
comment on column reporting.miss_reasons.code is
    'next_patient_seated, too_few_people, equipment_failed, supplies_missing, not_noticed, done_not_recorded or other; more may come; null: told in words only.';
comment on column reporting.miss_reasons.reason is 'In the person''s words.';
comment on column reporting.miss_reasons.told_by is 'The person, as entered.';
comment on column reporting.miss_reasons.staff_id is 'The person who signed it (UUID); null: not signed.';
comment on column reporting.miss_reasons.recorded_at is 'Instant at which the service received it.';
grant select on reporting.day_sign_offs, reporting.day_explanations, reporting.miss_reasons to chairtide_reporting;
