-- Question: which training was written into the register more than a week after it was to begin, or changed since, in the
-- last 30 days?
-- Columns: day of the entry (date in UTC); person; what for (a routine's name or a family of work); first day; last day, null:
-- none; days from the first day to the entry; which state of the competence it is, 1 being the first; who found the person
-- competent; whether that person signed with their PIN. What stood before states were kept (number 0) is not among them, nor a
-- state that only tells another clinic of what stood already.
with today as (select (k.as_of at time zone 'UTC')::date as on_date from reporting.clock k)
select m.entered_on, p.name as person, coalesce(r.name, m.family) as for_what, m.valid_from, m.valid_until,
       m.entered_on - m.valid_from as days_after, m.number as state, m.signed_off_by,
       m.signed_by_staff_id is not null as signed
from (select c.*, (c.recorded_at at time zone 'UTC')::date as entered_on from reporting.competence_marks c) m
cross join today d
join reporting.staff p on p.staff_id = m.staff_id
left join lateral (select v.name from reporting.routines v where v.routine_id = m.routine_id
                   order by v.version desc limit 1) r on true
left join reporting.competence_marks b
       on b.staff_id = m.staff_id and b.competence_id = m.competence_id and b.number = m.number - 1
where m.number > 0 and m.entered_on between d.on_date - 30 and d.on_date
  and (b.number is not null or m.entered_on - m.valid_from > 7)
  and (m.routine_id, m.family, m.valid_from, m.valid_until, m.signed_off_by, m.signed_by_staff_id, m.note)
      is distinct from (b.routine_id, b.family, b.valid_from, b.valid_until, b.signed_off_by, b.signed_by_staff_id, b.note)
order by m.entered_on, p.name, for_what, m.number;
