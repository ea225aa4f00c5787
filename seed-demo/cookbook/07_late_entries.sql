-- Question: what was entered after its window had closed, or in a burst, in the last seven days (of 24 hours)?
-- Columns: clinic; routine; subject; person as entered; instants of the work and of its entry; hours between (one
-- decimal); whether it came late; whether it is one of many in less time than the work takes; the reason that came with it,
-- which may be empty. Either is a record to look at, not a fault by itself.
select c.name as clinic, r.name as routine, s.name as subject, p.performed_by, p.performed_at, p.recorded_at,
       round((extract(epoch from p.recorded_at - p.performed_at) / 3600)::numeric, 1) as hours_between,
       p.late_entry as late, f.burst, p.reason
from reporting.completions p
cross join lateral (
    select coalesce('burst' = any(p.flags), false)
           or exists (select from reporting.raised_flags g where g.completion_id = p.completion_id and g.flag = 'burst') as burst
) f
join reporting.tasks t on t.task_id = p.task_id and t.clinic_day = p.clinic_day
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.clinics c on c.clinic_id = p.clinic_id
join reporting.subjects s on s.subject_id = t.subject_id
where (p.late_entry or f.burst)
  and p.recorded_at > reporting.as_of() - interval '7 days' and p.recorded_at <= reporting.as_of()
order by p.recorded_at, p.completion_id;
