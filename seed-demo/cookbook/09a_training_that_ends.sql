-- Question: whose training ends within 30, 60 or 90 days, with nothing on record that goes on after it?
-- Columns: person; initials; what for (a routine's name or a family of work); last day; days until then, today being the
-- date in UTC; the shortest of the three spans it falls into (days). Of people who are on the staff today.
with today as (select k.as_of, (k.as_of at time zone 'UTC')::date as on_date from reporting.clock k)
select p.name as person, p.initials, coalesce(r.name, k.family) as for_what, k.valid_until,
       k.valid_until - d.on_date as days_left,
       case when k.valid_until - d.on_date <= 30 then 30 when k.valid_until - d.on_date <= 60 then 60 else 90 end
           as within_days
from reporting.competences k
cross join today d
join reporting.staff p on p.staff_id = k.staff_id
left join lateral (select v.name from reporting.routines v where v.routine_id = k.routine_id
                   order by v.version desc limit 1) r on true
where k.valid_until between d.on_date and d.on_date + 90
  and p.active_from <= d.on_date and (p.active_until is null or p.active_until >= d.on_date)
  and not exists (select from reporting.competences n
                  where n.staff_id = k.staff_id and n.routine_id is not distinct from k.routine_id
                    and n.family is not distinct from k.family
                    and (n.valid_until is null or n.valid_until > k.valid_until)
                    and n.valid_from <= k.valid_until + 1)
order by k.valid_until, p.name, for_what;
