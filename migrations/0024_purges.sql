-- Purging what was kept long enough: never by itself, only by a lead's act, and so that the seals still verify.
--
-- The service's role can delete no evidence. It hands a list of records to purge_records below, which looks at each of
-- them again by the rules of 0023 and refuses the whole list for one that is not to go. What went is told for ever: the
-- leaves of its day's seal stay, and so do the names and leaf hashes of what was purged, by whom, when and why.

-- One act of purging. Evidence: only the function below writes it, and it is sealed with the day it was done on.
create table purge (
    group_id     uuid not null,             -- the tenant leads every key
    purge_id     uuid not null,             -- made by the client, so that a repeat is harmless
    clinic_id    uuid not null,             -- whose records went; it is sealed with that clinic's day
    record_class text,                      -- what was asked to go; null: every class
    from_on      date not null,             -- of seals from this clinic day …
    until_on     date not null,             -- … to this one
    purged_on    date not null,             -- the clinic day it was done on: ages count to here
    record_count integer not null check (record_count > 0),
    days         jsonb not null,            -- [{clinic_day, record_count, digest}]: digest of the day's part of the list
    classes      jsonb not null,            -- [{record_class, record_count, years, decided_by}]: by which rule they went
    reason       text not null constraint purge_reasoned check (char_length(reason) between 1 and 400),
    staff_id     uuid not null,             -- who purged, by a PIN of their own
    purged_by    text not null constraint purge_named check (char_length(purged_by) between 1 and 120),
                                            -- that person's name as it was then
    recorded_at  timestamptz not null,      -- by the service's clock
    key_id       uuid not null,             -- the device it was signed on
    primary key (group_id, purge_id),
    foreign key (group_id, clinic_id) references clinic
);
create index purge_recorded on purge (group_id, clinic_id, recorded_at, purge_id); -- the span of a seal, and the list

-- Each record that went. Its day's digest in the purge vouches for it, so it is no record of its own.
create table purge_entry (
    group_id     uuid not null,             -- the tenant leads every key
    clinic_id    uuid not null,
    clinic_day   date not null,             -- of the seal it was sealed with
    kind         text collate "C" not null, -- as in seal_leaf
    id           text collate "C" not null,
    leaf         bytea not null check (octet_length(leaf) = 32), -- as it was sealed
    purge_id     uuid not null,
    primary key (group_id, clinic_id, clinic_day, kind, id) -- a record goes once
);

do $$
declare t text;
begin
    foreach t in array array['purge', 'purge_entry'] loop
        execute format('alter table %I enable row level security', t);
        execute format('create policy tenant on %I using (group_id = tenant_id())', t);
    end loop;
end $$;
grant select on purge, purge_entry to chairtide_app;

create index completion_correcting on completion (group_id, corrects) where corrects is not null; -- who names one

-- The class of a routine's records, by what is recorded of what. What a law may ask for comes first; the family, where
-- it bears the name of a class, decides only over the rest.
create function routine_record_class(definition jsonb) returns text
language sql immutable parallel safe
as $$
    select case
        when jsonb_path_exists(definition, '$.steps[*].evidence ? (@.kind == "water_sample" || @.unit == "[CFU]/mL")')
            then 'waterline_tests'
        when definition ->> 'subject_kind' = 'amalgam_separator' then 'amalgam'
        when definition ->> 'subject_kind' in ('steriliser', 'washer_disinfector', 'ultrasonic_bath')
            or jsonb_path_exists(definition, '$.steps[*].evidence ? (@.kind == "spore_test")') then 'sterilisation'
        when definition ->> 'subject_kind' = 'premises_outlet' then 'premises_water'
        when definition ->> 'family' in ('training', 'amalgam', 'sterilisation', 'premises_water', 'waterline_tests')
            then definition ->> 'family'
        when definition ->> 'subject_kind' in ('compressor', 'water_plant', 'eyewash') then 'equipment'
        else 'routine_work'
    end
$$;
grant execute on function routine_record_class(jsonb) to chairtide_app;

-- Records of a clinic that were recorded in a span and may ever be purged: of a kind that is not listed here, none is.
-- `stays` says why one stays however old it is. Also the partition its row lies in, which spares looking for it.
create function purge_candidates(in_group uuid, in_clinic uuid, in_from timestamptz, in_until timestamptz, in_today date)
returns table (kind text, id text, record_class text, subject_id uuid, recorded_at timestamptz, task_day date, stays text)
language sql stable set search_path = public, pg_temp
as $$
    with newest as (
        select distinct on (v.routine_id) v.routine_id, v.definition
        from routine_version v where v.group_id = in_group order by v.routine_id, v.version desc
    ), counted as (
        select n.definition #>> '{anchor,of}' as what from newest n where n.definition #>> '{anchor,kind}' = 'count'
    ), done as materialized (
        select c.completion_id, c.clinic_day, c.recorded_at, t.subject_id, routine_record_class(v.definition) as record_class,
               -- From the last that was done the next date of its routine is counted.
               case when t.outcome = 'done' and t.completion_id = c.completion_id
                     and (n.definition #>> '{anchor,kind}' = 'interval' or coalesce((n.definition ->> 'counts_as_use')::boolean, false))
                     and not exists (select from task later
                                     where later.group_id = in_group and later.subject_id = t.subject_id
                                       and later.routine_id = t.routine_id and later.clinic_day > t.clinic_day
                                       and later.outcome = 'done')
                    then 'last_of_its_routine' end as stays
        from completion c
        join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
        join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id and v.version = t.routine_version
        join newest n on n.routine_id = t.routine_id
        where c.group_id = in_group and c.clinic_id = in_clinic and c.recorded_at >= in_from and c.recorded_at < in_until
    )
    select 'completion', d.completion_id::text, d.record_class, d.subject_id, d.recorded_at, d.clinic_day, d.stays from done d
    union all
    select 'step_result', d.completion_id || '/' || s.step_key, d.record_class, d.subject_id, d.recorded_at, d.clinic_day, d.stays
    from done d
    join step_result s on s.group_id = in_group and s.clinic_day = d.clinic_day and s.completion_id = d.completion_id
    union all
    select 'hold_mark', h.hold_id || '/' || h.edge, routine_record_class(v.definition), t.subject_id, h.marked_at, h.clinic_day, null
    from hold_mark h
    join task t on t.group_id = h.group_id and t.clinic_day = h.clinic_day and t.task_id = h.task_id
    join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id and v.version = t.routine_version
    where h.group_id = in_group and h.clinic_id = in_clinic and h.marked_at >= in_from and h.marked_at < in_until
    union all
    select 'day_mark', d.clinic_day || '/' || d.edge, 'routine_work', null, d.recorded_at, d.clinic_day, null
    from day_mark d
    where d.group_id = in_group and d.clinic_id = in_clinic and d.recorded_at >= in_from and d.recorded_at < in_until
    union all
    select 'seating_mark', s.mark_id::text, 'routine_work', s.operatory_id, s.recorded_at, s.clinic_day,
           case when exists (select from counted where what = 'turnovers') then 'still_counted' end
    from seating_mark s
    where s.group_id = in_group and s.clinic_id = in_clinic and s.recorded_at >= in_from and s.recorded_at < in_until
    union all
    select 'cycle_mark', m.cycle_id::text, 'sterilisation', m.subject_id, m.recorded_at, m.clinic_day,
           case when exists (select from counted where what = 'cycles') then 'still_counted' end
    from cycle_mark m
    where m.group_id = in_group and m.clinic_id = in_clinic and m.recorded_at >= in_from and m.recorded_at < in_until
    union all
    select 'cycle_record', r.cycle_id || '/' || r.number, 'sterilisation', r.subject_id, r.recorded_at, null, null
    from cycle_record r
    where r.group_id = in_group and r.clinic_id = in_clinic and r.recorded_at >= in_from and r.recorded_at < in_until
    union all
    select m.kind, m.id, 'routine_work', null, m.recorded_at, null,
           case when l.expires_on >= in_today
                 and not exists (select from lot_mark e where e.group_id = in_group and e.lot_id = l.lot_id
                                                          and e.kind in ('emptied', 'discarded'))
                then 'still_stands' end
    from (select 'lot' as kind, l.lot_id::text as id, l.lot_id, l.recorded_at from lot l
          where l.group_id = in_group and l.clinic_id = in_clinic and l.recorded_at >= in_from and l.recorded_at < in_until
          union all
          select 'lot_mark', m.lot_id || '/' || m.number, m.lot_id, m.recorded_at from lot_mark m
          where m.group_id = in_group and m.clinic_id = in_clinic and m.recorded_at >= in_from and m.recorded_at < in_until) m
    join lot l on l.group_id = in_group and l.lot_id = m.lot_id
    union all
    select 'presence_mark', p.clinic_day || '/' || p.number, 'routine_work', null, p.recorded_at, p.clinic_day, null
    from presence_mark p
    where p.group_id = in_group and p.clinic_id = in_clinic and p.recorded_at >= in_from and p.recorded_at < in_until
    union all
    select e.kind, e.event_id::text, 'incidents', e.subject_id, e.recorded_at, null, e.stays
    from (select 'site_event' as kind, e.event_id, e.subject_id, e.recorded_at,
                 case when e.kind = 'water_advisory_started' and e.withdrawn_at is null
                       and not exists (select from site_event l
                                       where l.group_id = in_group and l.clinic_id = in_clinic
                                         and l.kind = 'water_advisory_lifted' and l.withdrawn_at is null
                                         and l.happened_at >= e.happened_at)
                      then 'still_stands' end as stays
          from site_event e
          where e.group_id = in_group and e.clinic_id = in_clinic and e.recorded_at >= in_from and e.recorded_at < in_until
          union all
          select 'site_event_withdrawal', e.event_id, e.subject_id, e.withdrawn_at, null
          from site_event e
          where e.group_id = in_group and e.clinic_id = in_clinic and e.withdrawn_at >= in_from and e.withdrawn_at < in_until) e
    union all
    select q.kind, q.id, 'incidents', q.subject_id, q.recorded_at, null,
           case when not exists (select from quarantine_release r
                                 where r.group_id = in_group and r.quarantine_id = q.quarantine_id)
                then 'still_stands' end
    from (select 'quarantine' as kind, q.quarantine_id::text as id, q.quarantine_id, q.subject_id, q.recorded_at
          from quarantine q
          where q.group_id = in_group and q.clinic_id = in_clinic and q.recorded_at >= in_from and q.recorded_at < in_until
          union all
          select 'quarantine_release', r.release_id::text, r.quarantine_id, q.subject_id, r.recorded_at
          from quarantine_release r join quarantine q on q.group_id = r.group_id and q.quarantine_id = r.quarantine_id
          where r.group_id = in_group and r.clinic_id = in_clinic and r.recorded_at >= in_from and r.recorded_at < in_until) q
    union all
    select p.kind, p.id, 'incidents', a.subject_id, p.recorded_at, null,
           case when not exists (select from corrective_action_close c
                                 where c.group_id = in_group and c.action_id = a.action_id)
                then 'still_stands' end
    from (select 'corrective_action' as kind, a.action_id::text as id, a.action_id, a.recorded_at from corrective_action a
          where a.group_id = in_group and a.clinic_id = in_clinic and a.recorded_at >= in_from and a.recorded_at < in_until
          union all
          select 'corrective_action_step', s.record_id::text, s.action_id, s.recorded_at from corrective_action_step s
          where s.group_id = in_group and s.clinic_id = in_clinic and s.recorded_at >= in_from and s.recorded_at < in_until
          union all
          select 'corrective_action_note', n.note_id::text, n.action_id, n.recorded_at from corrective_action_note n
          where n.group_id = in_group and n.clinic_id = in_clinic and n.recorded_at >= in_from and n.recorded_at < in_until
          union all
          select 'corrective_action_close', c.close_id::text, c.action_id, c.recorded_at from corrective_action_close c
          where c.group_id = in_group and c.clinic_id = in_clinic and c.recorded_at >= in_from and c.recorded_at < in_until) p
    join corrective_action a on a.group_id = in_group and a.action_id = p.action_id
    union all
    select 'miss_reason', r.task_id || '/' || r.number, 'incidents', null, r.recorded_at, null, null
    from miss_reason r
    where r.group_id = in_group and r.clinic_id = in_clinic and r.recorded_at >= in_from and r.recorded_at < in_until
$$;
revoke all on function purge_candidates(uuid, uuid, timestamptz, timestamptz, date) from public;
grant execute on function purge_candidates(uuid, uuid, timestamptz, timestamptz, date) to chairtide_app;

-- Which records name one of these, so that none of these may go without them: what a record rests on is not taken from
-- under it, and what belongs together (a completion and its steps, a quarantine and its release) goes together.
create function records_naming(in_group uuid, kinds text[], ids text[], task_days date[])
returns table (kind text, id text, by_kind text, by_id text)
language sql stable set search_path = public, pg_temp
as $$
    with named as materialized (
        select n.kind, n.id, n.task_day from unnest(kinds, ids, task_days) as n (kind, id, task_day)
    ), a_completion as materialized (select n.id, n.id::uuid as key, n.task_day from named n where n.kind = 'completion'),
    a_step as materialized (select n.id, left(n.id, 36)::uuid as key, n.task_day from named n where n.kind = 'step_result'),
    a_hold as materialized (select n.id, left(n.id, 36)::uuid as key, n.task_day from named n where n.kind = 'hold_mark'),
    a_cycle as materialized (select n.id, n.id::uuid as key from named n where n.kind = 'cycle_mark'),
    a_cycle_record as materialized (
        select n.id, left(n.id, 36)::uuid as key, split_part(n.id, '/', 2)::integer as number from named n where n.kind = 'cycle_record'),
    a_lot as materialized (select n.id, n.id::uuid as key from named n where n.kind = 'lot'),
    a_lot_mark as materialized (select n.id, left(n.id, 36)::uuid as key from named n where n.kind = 'lot_mark'),
    an_event as materialized (select n.id, n.id::uuid as key, n.kind from named n where n.kind in ('site_event', 'site_event_withdrawal')),
    a_quarantine as materialized (select n.id, n.id::uuid as key from named n where n.kind = 'quarantine'),
    a_release as materialized (select n.id, n.id::uuid as key from named n where n.kind = 'quarantine_release'),
    an_action as materialized (select n.id, n.id::uuid as key from named n where n.kind = 'corrective_action'),
    a_part as materialized (
        select n.kind, n.id, n.id::uuid as key from named n
        where n.kind in ('corrective_action_step', 'corrective_action_note', 'corrective_action_close')),
    a_cause as materialized (
        select 'completion' as kind, n.id, n.key from a_completion n
        union all select 'lot', n.id, n.key from a_lot n
        union all select 'corrective_action', n.id, n.key from an_action n)
    select 'completion', n.id, 'step_result', s.completion_id || '/' || s.step_key
    from a_completion n join step_result s on s.group_id = in_group and s.clinic_day = n.task_day and s.completion_id = n.key
    union all
    select 'completion', n.id, 'completion', c.completion_id::text
    from a_completion n join completion c on c.group_id = in_group and c.corrects = n.key
    union all
    select 'completion', n.id, 'corrective_action_note', o.note_id::text
    from a_completion n join corrective_action_note o on o.group_id = in_group and o.completion_id = n.key
    union all
    select 'completion', n.id, 'corrective_action_step', s.record_id::text
    from a_completion n join corrective_action_step s on s.group_id = in_group and s.completion_id = n.key
    union all
    select 'step_result', n.id, 'completion', c.completion_id::text
    from a_step n join completion c on c.group_id = in_group and c.clinic_day = n.task_day and c.completion_id = n.key
    union all
    select 'hold_mark', n.id, 'hold_mark', h.hold_id || '/' || h.edge
    from a_hold n join hold_mark h on h.group_id = in_group and h.clinic_day = n.task_day and h.hold_id = n.key
    union all
    select 'hold_mark', n.id, 'step_result', s.completion_id || '/' || s.step_key
    from a_hold n join step_result s on s.group_id = in_group and s.clinic_day = n.task_day and s.hold_id = n.key
    union all
    select 'cycle_mark', n.id, 'cycle_record', r.cycle_id || '/' || r.number
    from a_cycle n join cycle_record r on r.group_id = in_group and r.cycle_id = n.key
    union all
    select 'cycle_mark', n.id, 'quarantine', q.quarantine_id::text
    from a_cycle n join quarantine q on q.group_id = in_group and q.cycle_id = n.key
    union all
    select 'cycle_record', n.id, 'cycle_record', r.cycle_id || '/' || r.number
    from a_cycle_record n join cycle_record r on r.group_id = in_group and r.cycle_id = n.key and r.number > n.number
    union all
    select 'lot', n.id, 'lot_mark', m.lot_id || '/' || m.number
    from a_lot n join lot_mark m on m.group_id = in_group and m.lot_id = n.key
    union all
    select 'lot', n.id, 'step_result', s.completion_id || '/' || s.step_key
    from a_lot n join step_result s on s.group_id = in_group and s.lot_id = n.key
    union all
    select 'lot_mark', n.id, 'lot', l.lot_id::text
    from a_lot_mark n join lot l on l.group_id = in_group and l.lot_id = n.key
    union all
    select n.kind, n.id, o.kind, n.id
    from an_event n
    join site_event e on e.group_id = in_group and e.event_id = n.key
    cross join (values ('site_event'), ('site_event_withdrawal')) o (kind)
    where o.kind <> n.kind and (o.kind = 'site_event' or e.withdrawn_at is not null)
    union all
    select 'quarantine', n.id, 'quarantine_release', r.release_id::text
    from a_quarantine n join quarantine_release r on r.group_id = in_group and r.quarantine_id = n.key
    union all
    select 'quarantine_release', n.id, 'quarantine', r.quarantine_id::text
    from a_release n join quarantine_release r on r.group_id = in_group and r.release_id = n.key
    union all
    select n.kind, n.id, 'quarantine', q.quarantine_id::text
    from a_cause n join quarantine q on q.group_id = in_group and q.cause_id = n.key and q.cause = n.kind
    union all
    select n.kind, n.id, 'corrective_action', a.action_id::text
    from a_cause n join corrective_action a on a.group_id = in_group and a.cause_id = n.key and a.cause = n.kind
    union all
    select 'corrective_action', n.id, p.kind, p.id
    from an_action n
    join (select 'corrective_action_step' as kind, s.record_id::text as id, s.action_id from corrective_action_step s where s.group_id = in_group
          union all
          select 'corrective_action_note', o.note_id::text, o.action_id from corrective_action_note o where o.group_id = in_group
          union all
          select 'corrective_action_close', c.close_id::text, c.action_id from corrective_action_close c where c.group_id = in_group) p
      on p.action_id = n.key
    union all
    select n.kind, n.id, 'corrective_action', p.action_id::text
    from a_part n
    join (select 'corrective_action_step' as kind, s.record_id as key, s.action_id from corrective_action_step s where s.group_id = in_group
          union all
          select 'corrective_action_note', o.note_id, o.action_id from corrective_action_note o where o.group_id = in_group
          union all
          select 'corrective_action_close', c.close_id, c.action_id from corrective_action_close c where c.group_id = in_group) p
      on p.kind = n.kind and p.key = n.key
$$;
revoke all on function records_naming(uuid, text[], text[], date[]) from public;
grant execute on function records_naming(uuid, text[], text[], date[]) to chairtide_app;

-- Purges these records of sealed days, or nothing of them. It runs with the owner's rights, since nobody else may
-- delete evidence; so it believes its caller in nothing that it can look up, and the reason for a refusal (SQLSTATE
-- CT001) names the first record that is not to go.
create function purge_records(
    in_group uuid, in_clinic uuid, in_purge uuid, in_class text, in_from date, in_until date, in_today date,
    in_recorded_at timestamptz, in_reason text, in_staff uuid, in_by text, in_key uuid,
    in_kinds text[], in_ids text[], in_days date[]
) returns void
language plpgsql volatile security definer set search_path = public, pg_temp
as $$
declare
    wanted    integer := cardinality(in_kinds);
    listed    integer;
    span_from timestamptz;
    span_to   timestamptz;
    refused   text;
    w_kinds   text[];
    w_ids     text[];
    w_days    date[];
    w_classes text[];
    w_sealed  date[];
    gone      integer;
    deleted   integer := 0;
begin
    if in_group is null or in_group is distinct from tenant_id() then
        raise exception 'purge: the transaction is of another tenant' using errcode = 'CT001';
    end if;
    -- Nobody records at the clinic meanwhile: what names a record, or holds it, cannot come in between.
    perform keep_recorders_out(in_group, in_clinic);
    if in_recorded_at < coalesce((select sealed_until from clinic_seal where group_id = in_group and clinic_id = in_clinic),
                                 'infinity') then
        raise exception 'purge: the instant is sealed already, or the clinic is unknown' using errcode = 'CT001';
    end if;
    -- The one place where SQL reads a clock: one that runs years ahead must not be enough to destroy what is to be kept,
    -- so the service's and the database's have to agree within a day. And a clinic day is at most 14 hours ahead of UTC.
    if in_recorded_at > clock_timestamp() + interval '1 day'
       or in_today > ((in_recorded_at at time zone 'UTC') + interval '14 hours')::date then
        raise exception 'purge: the service''s clock is ahead of the database''s' using errcode = 'CT001';
    end if;
    if wanted = 0 or cardinality(in_ids) is distinct from wanted or cardinality(in_days) is distinct from wanted then
        raise exception 'purge: no records, or lists of different lengths' using errcode = 'CT001';
    end if;
    select min(s.recorded_from), max(s.recorded_until) into span_from, span_to
    from day_seal s where s.group_id = in_group and s.clinic_id = in_clinic and s.clinic_day between in_from and in_until;

    -- Each with what is known of it: its leaf, its class, and why it is not to go.
    with asked as (
        select a.kind, a.id, a.clinic_day from unnest(in_kinds, in_ids, in_days) as a (kind, id, clinic_day)
    ), looked_up as materialized (
        select a.kind, a.id, a.clinic_day, l.leaf, c.record_class, c.subject_id, c.task_day, c.stays,
               coalesce(c.recorded_at >= s.recorded_from and c.recorded_at < s.recorded_until, false) as is_of_day
        from asked a
        left join seal_leaf l on l.group_id = in_group and l.clinic_id = in_clinic and l.clinic_day = a.clinic_day
             and l.clinic_day between in_from and in_until and l.kind = a.kind collate "C" and l.id = a.id collate "C"
        left join day_seal s on s.group_id = in_group and s.clinic_id = in_clinic and s.clinic_day = a.clinic_day
             and a.clinic_day between in_from and in_until
        left join purge_candidates(in_group, in_clinic, span_from, span_to, in_today) c on c.kind = a.kind and c.id = a.id
    ), kept as materialized (
        select k.record_class, k.clinic_day,
               (k.clinic_day + make_interval(years => (kept_years(in_group, in_clinic, k.record_class, k.clinic_day, in_today)).years))::date as last_on
        from (select distinct u.record_class, u.clinic_day from looked_up u where u.record_class is not null) k
    ), judged as materialized (
        select u.*, case
            when u.leaf is null then 'is not sealed with that day'
            when u.record_class is null or not u.is_of_day then 'is no record of that day that may be purged'
            when u.stays is not null then 'stays: ' || u.stays
            when u.record_class is distinct from coalesce(in_class, u.record_class) then 'is of another class'
            when k.last_on is null or k.last_on >= in_today then 'is to be kept until ' || k.last_on
            when exists (select from legal_hold h
                         where h.group_id = in_group and h.clinic_id = in_clinic
                           and (h.record_class is null or h.record_class = u.record_class or u.record_class = 'incidents')
                           and (h.subject_id is null or u.subject_id is null or h.subject_id = u.subject_id)
                           and (h.from_on is null or h.from_on <= u.clinic_day)
                           and (h.until_on is null or u.clinic_day <= h.until_on)
                           and not exists (select from legal_hold_lift l
                                           where l.group_id = in_group and l.legal_hold_id = h.legal_hold_id))
                then 'is under a legal hold'
            end as why
        from looked_up u left join kept k on k.record_class = u.record_class and k.clinic_day = u.clinic_day
    ), entered as (
        insert into purge_entry (group_id, clinic_id, clinic_day, kind, id, leaf, purge_id)
        select in_group, in_clinic, j.clinic_day, j.kind, j.id, j.leaf, in_purge from judged j where j.why is null
        returning 1
    )
    select (select min(format('%s %s %s', j.kind, j.id, j.why)) from judged j where j.why is not null),
           (select count(*) from entered),
           array_agg(j.kind), array_agg(j.id), array_agg(j.task_day), array_agg(j.record_class), array_agg(j.clinic_day)
    into refused, listed, w_kinds, w_ids, w_days, w_classes, w_sealed
    from judged j;
    if refused is not null or listed <> wanted then
        raise exception 'purge: %', coalesce(refused, 'a record stands twice in the list') using errcode = 'CT001';
    end if;
    select format('%s %s is named by %s %s, which stays', n.kind, n.id, n.by_kind, n.by_id) into refused
    from records_naming(in_group, w_kinds, w_ids, w_days) n
    where not exists (select from unnest(w_kinds, w_ids) as g (kind, id) where g.kind = n.by_kind and g.id = n.by_id)
    limit 1;
    if refused is not null then
        raise exception 'purge: %', refused using errcode = 'CT001';
    end if;

    -- What others refer to goes last.
    delete from step_result t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'step_result' and t.group_id = in_group and t.clinic_day = g.task_day and t.completion_id = left(g.id, 36)::uuid
      and t.step_key = substr(g.id, 38);
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from completion t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'completion' and t.group_id = in_group and t.clinic_day = g.task_day and t.completion_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from hold_mark t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'hold_mark' and t.group_id = in_group and t.clinic_day = g.task_day and t.hold_id = left(g.id, 36)::uuid
      and t.edge = substr(g.id, 38);
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from day_mark t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'day_mark' and t.group_id = in_group and t.clinic_id = in_clinic and t.clinic_day = g.task_day
      and t.clinic_day || '/' || t.edge = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from presence_mark t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'presence_mark' and t.group_id = in_group and t.clinic_id = in_clinic and t.clinic_day = g.task_day
      and t.clinic_day || '/' || t.number = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from seating_mark t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'seating_mark' and t.group_id = in_group and t.clinic_day = g.task_day and t.mark_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from cycle_mark t using unnest(w_kinds, w_ids, w_days) as g (kind, id, task_day)
    where g.kind = 'cycle_mark' and t.group_id = in_group and t.clinic_day = g.task_day and t.cycle_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from cycle_record t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'cycle_record' and t.group_id = in_group and t.cycle_id = left(g.id, 36)::uuid and t.cycle_id || '/' || t.number = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from lot_mark t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'lot_mark' and t.group_id = in_group and t.lot_id = left(g.id, 36)::uuid and t.lot_id || '/' || t.number = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from lot t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'lot' and t.group_id = in_group and t.lot_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    -- An event and its withdrawal are one row and two records.
    deleted := deleted + (select count(*)::integer from unnest(w_kinds) as g (kind) where g.kind = 'site_event_withdrawal');
    delete from site_event t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'site_event' and t.group_id = in_group and t.event_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from quarantine_release t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'quarantine_release' and t.group_id = in_group and t.release_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from quarantine t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'quarantine' and t.group_id = in_group and t.quarantine_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from corrective_action_step t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'corrective_action_step' and t.group_id = in_group and t.record_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from corrective_action_note t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'corrective_action_note' and t.group_id = in_group and t.note_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from corrective_action_close t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'corrective_action_close' and t.group_id = in_group and t.close_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from corrective_action t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'corrective_action' and t.group_id = in_group and t.action_id::text = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    delete from miss_reason t using unnest(w_kinds, w_ids) as g (kind, id)
    where g.kind = 'miss_reason' and t.group_id = in_group and t.task_id = left(g.id, 36)::uuid and t.task_id || '/' || t.number = g.id;
    get diagnostics gone = row_count; deleted := deleted + gone;
    if deleted <> wanted then
        raise exception 'purge: % records were listed and % went', wanted, deleted using errcode = 'CT001';
    end if;

    insert into purge (group_id, purge_id, clinic_id, record_class, from_on, until_on, purged_on, record_count, days, classes,
                       reason, staff_id, purged_by, recorded_at, key_id)
    select in_group, in_purge, in_clinic, in_class, in_from, in_until, in_today, wanted,
           (select jsonb_agg(jsonb_build_object('clinic_day', d.clinic_day, 'record_count', d.n, 'digest', d.digest) order by d.clinic_day)
            from (select e.clinic_day, count(*) as n, purge_digest(array_agg(e.kind || ' ' || e.id || ' ' || encode(e.leaf, 'hex')
                                                                             order by e.kind, e.id)) as digest
                  from purge_entry e
                  where e.group_id = in_group and e.clinic_id = in_clinic and e.purge_id = in_purge
                    and e.clinic_day between in_from and in_until
                  group by e.clinic_day) d),
           (select jsonb_agg(jsonb_build_object('record_class', c.record_class, 'record_count', c.n, 'years', c.years, 'decided_by', c.decided_by)
                             order by c.record_class, c.years, c.decided_by)
            from (select e.record_class, y.years, y.decided_by, sum(e.n) as n
                  from (select u.record_class, u.clinic_day, count(*) as n
                        from unnest(w_classes, w_sealed) as u (record_class, clinic_day)
                        group by u.record_class, u.clinic_day) e
                  cross join lateral kept_years(in_group, in_clinic, e.record_class, e.clinic_day, in_today) y
                  group by e.record_class, y.years, y.decided_by) c),
           in_reason, in_staff, in_by, in_recorded_at, in_key;
end $$;

-- The digest of a day's part of a list: SHA-256 of its lines, each "kind id leaf-in-hex" and a line feed, by kind and id
-- in the order of their bytes.
create function purge_digest(lines text[]) returns text
language sql immutable parallel safe
as $$ select encode(sha256(convert_to(array_to_string(lines, E'\n') || E'\n', 'UTF8')), 'hex') $$;

revoke all on function purge_records(uuid, uuid, uuid, text, date, date, date, timestamptz, text, uuid, text, uuid,
                                     text[], text[], date[]) from public;
grant execute on function purge_records(uuid, uuid, uuid, text, date, date, date, timestamptz, text, uuid, text, uuid,
                                        text[], text[], date[]) to chairtide_app;

create view reporting.purges with (security_barrier) as
select p.purge_id, p.clinic_id, p.record_class, p.from_on, p.until_on, p.purged_on, p.record_count, p.classes, p.reason,
       p.purged_by, p.staff_id as purged_by_staff_id, p.recorded_at as purged_at
from public.purge p
where p.group_id = (select l.group_id from public.reporting_login l where l.login = session_user);
comment on view reporting.purges is
    'One row for each act of purging; kept for ever, with the names and hashes of what went (GET /v1/clinics/{clinic_id}/purges).';
comment on column reporting.purges.purge_id is 'Identity (UUID), made by the client.';
comment on column reporting.purges.clinic_id is 'The clinic whose records went.';
comment on column reporting.purges.record_class is 'The class that was asked to go; null: every class.';
comment on column reporting.purges.from_on is 'First sealed clinic day that was looked at (local date).';
comment on column reporting.purges.until_on is 'Last one (local date).';
comment on column reporting.purges.purged_on is 'Clinic day it was done on (local date).';
comment on column reporting.purges.record_count is 'How many records went (count).';
comment on column reporting.purges.classes is
    'JSON array of objects with record_class, record_count (count), years (calendar years they had to be kept) and decided_by: the rule, or clinic, group or default.';
comment on column reporting.purges.reason is 'Why, in that person''s words.';
comment on column reporting.purges.purged_by is 'Name of the person, as it was then.';
comment on column reporting.purges.purged_by_staff_id is 'That person (UUID).';
comment on column reporting.purges.purged_at is 'Instant at which it was done.';
grant select on reporting.purges to chairtide_reporting;
