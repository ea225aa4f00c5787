-- Question: which results are still awaited although the task's grace is over?
-- Columns: clinic; subject; routine; clinic day; days since grace was over (days, one decimal). Looks 100 clinic days back.
select c.name as clinic, s.name as subject, r.name as routine, t.clinic_day,
       round((extract(epoch from t.as_of - t.overdue_at) / 86400)::numeric, 1) as days_past_due
from reporting.tasks t
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.clinics c on c.clinic_id = t.clinic_id
join reporting.subjects s on s.subject_id = t.subject_id
where t.state = 'result_pending' and t.overdue_at < t.as_of
  and t.clinic_day > (t.as_of at time zone c.zone)::date - 100
order by days_past_due desc, c.name, s.name, t.task_id;
