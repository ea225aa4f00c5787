-- The times of later good records are put together row by row in the view of readiness: range_agg sorts all of them anew at
-- each row, and a year of one chair took longer than all else in a pack of evidence. This one keeps what it has, which is one
-- range as long as no good record was corrected.
create aggregate public.times_covered(tstzmultirange) (
    sfunc = multirange_union,
    stype = tstzmultirange,
    initcond = '{}'
);
comment on aggregate public.times_covered(tstzmultirange) is
    'All instants of the sets of times so far, as one set. Nulls add nothing.';

create or replace view reporting.readiness_intervals with (security_barrier) as
with version as (
    -- When a version was in force: until one with a higher number took over.
    select v.group_id, v.routine_id, v.effective_on,
           (select min(w.effective_on) from public.routine_version w
            where w.group_id = v.group_id and w.routine_id = v.routine_id and w.version > v.version) as until_on
    from public.routine_version v
    where coalesce((v.definition ->> 'in_use')::boolean, true) and v.definition ->> 'blocks_from' is not null
), asked as (
    select group_id, routine_id,
           range_agg(tstzrange(effective_on::timestamp at time zone 'UTC', until_on::timestamp at time zone 'UTC')) as times
    from version where until_on is null or until_on > effective_on
    group by group_id, routine_id
), work as (
    select t.group_id, t.subject_id, t.routine_id, t.task_id, t.blocks_at,
           coalesce(k.good, '{}') * tstzmultirange(tstzrange(t.blocks_at, null)) as good,
           -- A record that is missing is asked for during 400 days, as the service does.
           tstzmultirange(tstzrange(t.blocks_at, greatest(t.blocks_at, (t.clinic_day + 401)::timestamp at time zone 'UTC')))
               - coalesce(k.at_rest,
                          case when t.outcome_by_plan then tstzmultirange(tstzrange(t.outcome_at, null)) end, '{}') as lacking
    from public.task t
    cross join lateral (
        select range_agg(tstzrange(s.settled_at, s.next_at))
                   filter (where s.outcome = 'done' and not s.failed) as good,
               range_agg(tstzrange(s.settled_at, s.next_at))
                   filter (where s.outcome = 'done' and not s.failed or s.outcome in ('void', 'not_required')) as at_rest
        from (select p.settled_at, p.outcome, p.failed,
                     -- Clocks of instances differ: a turn may be dated before the one it follows.
                     case when lead(p.settled_at) over turns is not null
                          then greatest(p.settled_at, lead(p.settled_at) over turns) end as next_at
              from public.task_settlement p where p.group_id = t.group_id and p.task_id = t.task_id
              window turns as (order by p.number)) s) k
    where t.blocks_at is not null
), lack as (
    -- A later occurrence with a good record ends the lack of those before it.
    select w.group_id, w.subject_id,
           (w.lacking - coalesce(times_covered(w.good) over (partition by w.group_id, w.subject_id, w.routine_id
                                                             order by w.blocks_at desc, w.task_id desc
                                                             rows between unbounded preceding and 1 preceding), '{}'))
               * a.times as times
    from work w join asked a on a.group_id = w.group_id and a.routine_id = w.routine_id
), place as (
    select c.group_id, c.subject_id, c.clinic_id, c.service_state, c.changed_at,
           coalesce(c.water_source, s.water_source) as water_source, s.kind,
           lead(c.changed_at) over (partition by c.group_id, c.subject_id order by c.changed_at) as until_at
    from public.subject_change c
    join public.subject s on s.group_id = c.group_id and s.subject_id = c.subject_id
), obstacle as (
    select l.group_id, l.subject_id, l.times from lack l
    union all
    select q.group_id, q.subject_id, tstzmultirange(tstzrange(q.recorded_at, case when r.recorded_at >= q.recorded_at then r.recorded_at
                                                 when r.recorded_at is not null then q.recorded_at end))
    from public.quarantine q
    left join public.quarantine_release r on r.group_id = q.group_id and r.quarantine_id = q.quarantine_id
    where q.load_reference is null
    union all
    select p.group_id, p.subject_id, tstzmultirange(tstzrange(p.changed_at, p.until_at))
    from place p where p.service_state = 'out_of_service'
    union all
    select p.group_id, p.subject_id,
           tstzmultirange(tstzrange(p.changed_at, p.until_at) * tstzrange(a.recorded_at, case when l.recorded_at >= a.recorded_at then l.recorded_at
                                                                            when l.recorded_at is not null then a.recorded_at end))
    from place p
    join public.water_advisory a on a.group_id = p.group_id and a.clinic_id = p.clinic_id
    left join public.water_advisory_lifting l
           on l.group_id = a.group_id and l.advisory_id = a.advisory_id and l.clinic_id = a.clinic_id
    where p.kind = 'operatory' and p.water_source is distinct from 'own_reservoir'
), together as (
    select o.group_id, o.subject_id, k.as_of, range_agg(o.times) * tstzmultirange(tstzrange(null, k.as_of)) as times
    from obstacle o cross join reporting.clock k
    where k.as_of is not null
    group by o.group_id, o.subject_id, k.as_of
)
select s.clinic_id, g.subject_id, (row_number() over (partition by g.subject_id order by lower(i.at)))::integer as number,
       lower(i.at) as not_ready_from, case when upper(i.at) < g.as_of then upper(i.at) end as not_ready_until, g.as_of
from together g
join public.subject s on s.group_id = g.group_id and s.subject_id = g.subject_id and s.kind <> 'clinic'
cross join lateral unnest(g.times) as i (at)
where g.group_id = (select reader.group_id from public.reporting_reader reader);
