-- Question: what was out of use in the last seven days (of 24 hours), for what, and for how long?
-- Columns: clinic it stands in; subject; its kind; days out of use within those seven (days, two decimals), each instant
-- counted once whatever stood then; what stood: service (out of service), quarantine (of the subject or one of its lines) or
-- advisory (on the water of an operatory that runs the mains); the latest reason; and whether any of it still stands.
-- Quarantines and advisories count from when they were recorded.
with spell as (
    select s.subject_id, s.service_state, s.reason, s.changed_at,
           coalesce(lead(s.changed_at) over (partition by s.subject_id order by s.changed_at), 'infinity') as ended_at
    from reporting.service_changes s
    where s.changed_at <= reporting.as_of()
), obstacle as (
    select p.subject_id, 'service' as what, p.reason, p.changed_at as began_at, p.ended_at
    from spell p where p.service_state = 'out_of_service'
    union all
    select q.subject_id, 'quarantine', q.reason, q.recorded_at,
           case when q.released_at <= reporting.as_of() then greatest(q.released_at, q.recorded_at) else 'infinity' end
    from reporting.quarantines q
    where q.load_reference is null and q.recorded_at <= reporting.as_of()
    union all
    select s.subject_id, 'advisory', 'water notice of ' || a.authority, a.recorded_at,
           case when a.lifting_recorded_at <= reporting.as_of()
                then greatest(a.lifting_recorded_at, a.recorded_at) else 'infinity' end
    from reporting.water_advisories a
    join reporting.subjects s on s.clinic_id = a.clinic_id and s.kind = 'operatory'
                             and s.water_source is distinct from 'own_reservoir'
    where a.recorded_at <= reporting.as_of()
), week as (
    select tstzrange(reporting.as_of() - interval '7 days', reporting.as_of()) as days
), out_of_use as (
    select o.subject_id, range_agg(tstzrange(o.began_at, o.ended_at) * w.days) as times,
           string_agg(distinct o.what, ', ' order by o.what) as what,
           (array_agg(o.reason order by o.began_at desc, o.what, o.reason))[1] as reason, bool_or(o.ended_at = 'infinity') as still_out
    from obstacle o cross join week w
    where o.ended_at > lower(w.days)
    group by o.subject_id
)
select c.name as clinic, s.name as subject, s.kind,
       (select round((sum(extract(epoch from upper(t.at) - lower(t.at))) / 86400)::numeric, 2) from unnest(u.times) as t (at))
           as days_out,
       u.what, u.reason, u.still_out
from out_of_use u
join reporting.subjects s on s.subject_id = u.subject_id
join reporting.clinics c on c.clinic_id = s.clinic_id
order by c.name, s.name, s.subject_id;
