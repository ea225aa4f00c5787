-- Question: which sterilisers have no spore test on record that passed and was performed in the last seven days (of 24
-- hours)? None, or each explained.
-- Columns: clinic; steriliser; its service state; instant of the last spore test that passed within 100 clinic days
-- (null: none). The units are those in which the routines of the group count growth: edit them where yours differ.
select c.name as clinic, s.name as steriliser, s.service_state, l.last_passed_at
from reporting.subjects s
join reporting.clinics c on c.clinic_id = s.clinic_id
cross join lateral (
    select max(p.performed_at) as last_passed_at
    from reporting.tasks t
    join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
    join reporting.completions p on p.task_id = t.task_id and p.clinic_day = t.clinic_day
    where t.subject_id = s.subject_id
      and t.clinic_day > (reporting.as_of() at time zone c.zone)::date - 100
      and ('spore_test' = any(r.evidence_kinds) or r.reading_units && array['{spore_growth}', '{positive_tests}'])
      and p.kind = 'performed' and p.verdict = 'passed' and p.recorded_at <= reporting.as_of()
      and not exists (select from reporting.completions n where n.clinic_day = p.clinic_day
                      and n.corrects = p.completion_id and n.recorded_at <= reporting.as_of())) l
where s.kind = 'steriliser'
  and (l.last_passed_at is null or l.last_passed_at <= reporting.as_of() - interval '7 days')
order by c.name, s.name, s.subject_id;
