-- Question: which closures and clock changes lie in the next seven local days?
-- Columns: clinic; what (closure or clock_change); the local moment a closure begins at, or the date by whose noon UTC
-- the clock has changed since the noon before; what a closure is for, or how far the clock moves (minutes, with sign).
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
order by clinic, local_moment, what;
