-- What a second look at keeping and purging asked for: places that a clinic had, waters in their class, what belongs
-- together, and who may be named as the person of a purge.

-- Whose law applied at a clinic, and until when. A law that bound its records is not shaken off by moving the clinic, or by
-- saying that it moved: a time of keeping counts that held at any place of the clinic from the record's day on. Written by
-- the database itself as `clinic` changes, so that the service's role can add to it and take nothing away.
create table clinic_place (
    group_id     uuid not null,             -- the tenant leads every key
    clinic_id    uuid not null,
    number       integer not null check (number >= 1), -- 1: from the first
    jurisdiction text not null,             -- as the clinic said; may be empty
    until_on     date,                      -- its last day, a day added for zones ahead of UTC; null: still is
    primary key (group_id, clinic_id, number),
    foreign key (group_id, clinic_id) references clinic
);
alter table clinic_place enable row level security;
create policy tenant on clinic_place using (group_id = tenant_id());
grant select on clinic_place to chairtide_app;
insert into clinic_place (group_id, clinic_id, number, jurisdiction)
select c.group_id, c.clinic_id, 1, c.jurisdiction from clinic c;

-- The later of the service's clock and the database's: a place did not end earlier than it did, whatever the service says.
create function note_clinic_place() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
    if tg_op = 'UPDATE' then
        if new.jurisdiction = old.jurisdiction then
            return null;
        end if;
        update clinic_place p
        set until_on = (greatest(new.updated_at, clock_timestamp()) at time zone 'UTC')::date + 1
        where p.group_id = new.group_id and p.clinic_id = new.clinic_id and p.until_on is null;
    end if;
    insert into clinic_place (group_id, clinic_id, number, jurisdiction)
    select new.group_id, new.clinic_id, coalesce(max(p.number), 0) + 1, new.jurisdiction
    from clinic_place p where p.group_id = new.group_id and p.clinic_id = new.clinic_id;
    return null;
end $$;
revoke all on function note_clinic_place() from public;
create trigger clinic_place_noted after insert or update of jurisdiction on clinic
    for each row execute function note_clinic_place();

-- As in 0023; of every place that the clinic had on any day from the record's to today.
create or replace function kept_years(in_group uuid, in_clinic uuid, in_class text, in_day date, in_today date,
                           out years integer, out decided_by text)
language sql stable set search_path = public, pg_temp
as $$
    with place as (
        select distinct upper(p.jurisdiction) as place from clinic_place p
        where p.group_id = in_group and p.clinic_id = in_clinic and (p.until_on is null or p.until_on >= in_day)),
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

-- As in 0024; an outlet of the premises is one whatever is counted there, and colonies are counted in other volumes too.
create or replace function routine_record_class(definition jsonb) returns text
language sql immutable parallel safe
as $$
    select case
        when definition ->> 'subject_kind' = 'premises_outlet' then 'premises_water'
        when jsonb_path_exists(definition,
                 '$.steps[*].evidence ? (@.kind == "water_sample" || @.unit starts with "[CFU]/")')
            then 'waterline_tests'
        when definition ->> 'subject_kind' = 'amalgam_separator' then 'amalgam'
        when definition ->> 'subject_kind' in ('steriliser', 'washer_disinfector', 'ultrasonic_bath')
            or jsonb_path_exists(definition, '$.steps[*].evidence ? (@.kind == "spore_test")') then 'sterilisation'
        when definition ->> 'family' in ('training', 'amalgam', 'sterilisation', 'premises_water', 'waterline_tests')
            then definition ->> 'family'
        when definition ->> 'subject_kind' in ('compressor', 'water_plant', 'eyewash') then 'equipment'
        else 'routine_work'
    end
$$;

-- As in 0024; and what was recorded of one task goes together: a sample and its result, work and its repeat.
create or replace function records_naming(in_group uuid, kinds text[], ids text[], task_days date[])
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
    select 'completion', n.id, 'completion', o.completion_id::text
    from a_completion n
    join completion c on c.group_id = in_group and c.clinic_day = n.task_day and c.completion_id = n.key
    join completion o on o.group_id = in_group and o.clinic_day = n.task_day and o.task_id = c.task_id
                     and o.completion_id <> n.key
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

-- As in 0024; and it looks up who is said to have purged, and on which device, and a hold follows its subject.
create or replace function purge_records(
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
    -- Nobody is named who could not have signed: a lead of the clinic or the group, at work on that day, on a key that stands.
    if not exists (select from staff s
                   where s.group_id = in_group and s.staff_id = in_staff and s.name = in_by
                     and s.role in ('clinic_lead', 'group_lead')
                     and (cardinality(s.clinic_ids) = 0 or in_clinic = any(s.clinic_ids))
                     and s.active_from <= in_today and coalesce(s.active_until, in_today) >= in_today)
       or not exists (select from api_key k where k.group_id = in_group and k.key_id = in_key and k.revoked_at is null) then
        raise exception 'purge: the person or the key may not purge here' using errcode = 'CT001';
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
                         where h.group_id = in_group
                           -- On a subject it keeps what is recorded about that at every clinic.
                           and (h.clinic_id = in_clinic and (h.subject_id is null or u.subject_id is null)
                                or h.subject_id = u.subject_id)
                           and (h.record_class is null or h.record_class = u.record_class or u.record_class = 'incidents')
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

-- Which purge took a record, asked by its name alone.
create index purge_entry_record on purge_entry (group_id, kind, id);

-- When the row of what an action waits for was written: a list that was begun before shows the action no more, instead of
-- at two places. Null in rows of before, which were.
alter table corrective_action_next add column saved_at timestamptz;
