-- Question: which yearly or rarer service and validation is due within 60 days or not done yet, which calibration ends,
-- and which amalgam separators does the deadline of 2027-06-14 concern?
-- Columns: clinic; what (service, calibration or separator_deadline); subject or instrument; the work; local date it is
-- due by; days until then (negative: since); and state of the task, else null.
-- Service is what has a rhythm of three months or more. It is looked for as far as the service plans: set
-- CHAIRTIDE_HORIZON_DAYS=60 for the whole span, or ask the API's forecast.
-- Separators that do not meet the rule must be replaced by 2027-06-14: 40 CFR 441.30(a)(1)(iii), read. Which
-- of them do is not on record here: each one under United States law is named in the year before.
with clinic as (
    select c.clinic_id, c.name, c.zone, c.jurisdiction, k.as_of, (k.as_of at time zone c.zone)::date as today
    from reporting.clinics c
    cross join reporting.clock k
)
select c.name as clinic, 'service' as what, s.name as subject, r.name as work,
       (t.due_by at time zone c.zone)::date as due_on, (t.due_by at time zone c.zone)::date - c.today as days_left, t.state
from clinic c
join reporting.tasks t on t.clinic_id = c.clinic_id
join reporting.routines r on r.routine_id = t.routine_id and r.version = t.routine_version
join reporting.subjects s on s.subject_id = t.subject_id
where t.clinic_day between c.today - 100 and c.today + 60
  and t.state in ('upcoming', 'due', 'grace', 'overdue', 'missed', 'result_pending')
  and (r.anchor ->> 'kind' = 'period' and r.anchor ->> 'each' in ('quarter', 'year')
       or r.anchor #>> '{dates,rule}' like '%FREQ=YEARLY%'
       or (r.anchor #>> '{every,days}')::integer >= 90)
union all
select c.name, 'calibration', i.name, i.serial, i.calibration_ends_on, i.calibration_ends_on - c.today, null
from clinic c
join reporting.instruments i on i.clinic_id = c.clinic_id
where i.calibration_ends_on <= c.today + 60
union all
select c.name, 'separator_deadline', s.name, '40 CFR 441.30(a)(1)(iii)', date '2027-06-14', date '2027-06-14' - c.today, null
from clinic c
join reporting.subjects s on s.clinic_id = c.clinic_id
where s.kind = 'amalgam_separator' and c.jurisdiction ~ '^US(-|$)' and c.today between date '2026-06-14' and date '2027-06-14'
order by due_on, clinic, subject, work;
