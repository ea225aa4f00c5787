-- Question: which closures, clock changes and restarts after days without use lie in the next seven local days?
-- Columns: clinic; what (closure, clock_change or idle_restart); the local moment a closure begins at or a restart is due by, or
-- the date by whose noon UTC the clock has changed since the noon before; what a closure is for, how far the clock moves
-- (minutes, with sign), or what was not used and the work before it is used again.
-- The changes are those of the database's own zone data, which may be older than the service's.
with clinic as (
    select c.clinic_id, c.name, c.zone, (reporting.as_of() at time zone c.zone)::date as today
    from reporting.clinics c
), noon as (
    select c.clinic_id, c.name, d.on_date,
           (d.on_date - interval '12 hours') at time zone 'UTC' at time zone c.zone as before,
           (d.on_date + interval '12 hours') at time zone 'UTC' at time zone c.zone as after
    from clinic c
    cross join lateral (select (c.today + n)::timestamp as on_date from generate_series(0, 6) n) d
)
select c.name as clinic, 'closure' as what, x.from_local as local_moment, x.reason as detail
from clinic c
join reporting.closures x on x.clinic_id = c.clinic_id
where x.from_local < c.today + 7 and x.until_local > c.today
union all
select n.name, 'clock_change', n.on_date,
       to_char(extract(epoch from n.after - n.before - interval '24 hours') / 60, 'FMSG999') || ' min'
from noon n
where n.after - n.before <> interval '24 hours'
union all
select c.name, 'idle_restart', t.due_by at time zone c.zone, s.name || ': ' || r.name
from clinic c
join reporting.tasks t on t.clinic_id = c.clinic_id and t.clinic_day between c.today and c.today + 6
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.subjects s on s.subject_id = t.subject_id
where r.anchor ->> 'kind' = 'idle' and t.state in ('upcoming', 'due', 'grace', 'overdue')
order by clinic, local_moment, what;
