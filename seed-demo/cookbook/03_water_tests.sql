-- Question: which water tests of the last 60 clinic days are due and not sampled, await a result, are missed, or have a
-- count that did not keep its limit?
-- Columns: clinic; unit; clinic day; state of the task; how many counts failed in its evidence (count; a bottle of a
-- sample is one). A count that failed says what was recorded, not what the water is now: a later test may have passed.
select c.name as clinic, s.name as unit, t.clinic_day, t.state, f.failed_counts
from reporting.tasks t
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.clinics c on c.clinic_id = t.clinic_id
join reporting.subjects s on s.subject_id = t.subject_id
cross join lateral (
    select coalesce(sum(x.readings + b.bottles), 0)::bigint as failed_counts
    from reporting.completions p
    cross join lateral (select count(*) as readings from reporting.step_results x
                        where x.completion_id = p.completion_id and x.clinic_day = p.clinic_day
                          and x.unit = '[CFU]/mL' and x.verdict = 'failed') x
    cross join lateral (select count(*) as bottles from reporting.water_results w
                        where w.completion_id = p.completion_id and w.clinic_day = p.clinic_day
                          and w.kept is not true) b
    where p.task_id = t.task_id and p.clinic_day = t.clinic_day and p.recorded_at <= t.as_of
      and not exists (select from reporting.completions n where n.clinic_day = p.clinic_day
                      and n.corrects = p.completion_id and n.recorded_at <= t.as_of)) f
where ('[CFU]/mL' = any(r.reading_units) or 'water_sample' = any(r.evidence_kinds))
  and t.clinic_day > (t.as_of at time zone c.zone)::date - 60
  and (t.state in ('due', 'grace', 'overdue', 'missed', 'result_pending') or f.failed_counts > 0)
order by c.name, s.name, t.clinic_day, t.task_id;
