-- Question: who recorded work in the last 30 days (of 24 hours) that takes a training, without one on record?
-- Columns: clinic; person as entered; routine; records (count); instant of the last such work; whether a training had
-- ended (else none was on record). It is about records as they were known when the work was entered; what follows is a
-- lead's decision.
select c.name as clinic, p.performed_by, r.name as routine, count(*) as records, max(p.performed_at) as last_performed_at,
       'competence_expired' = any(p.flags) as had_ended
from reporting.completions p
join reporting.tasks t on t.task_id = p.task_id and t.clinic_day = p.clinic_day
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.clinics c on c.clinic_id = p.clinic_id
where p.flags && array['no_competence', 'competence_expired']
  and p.recorded_at > reporting.as_of() - interval '30 days' and p.recorded_at <= reporting.as_of()
group by c.clinic_id, c.name, p.performed_by, r.name, had_ended
order by records desc, c.name, p.performed_by, r.name;
