-- Question: which corrective actions are open, how old are they, and whose turn is it?
-- Columns: clinic; subject; kind of the chain; lot number where a recall opened it, else null; the step that comes next
-- and its owner, as they stand now; age (days, one decimal); whether that step's grace is over; whether something it put
-- out of use is not released.
select c.name as clinic, s.name as subject, a.kind, l.lot_number as recalled_lot, a.next_step, a.owner,
       round((extract(epoch from k.as_of - a.opened_at) / 86400)::numeric, 1) as age_days,
       coalesce(a.overdue_at <= k.as_of, false) as overdue,
       exists (select from reporting.quarantines q
               where q.cause = 'corrective_action' and q.cause_id = a.action_id and q.recorded_at <= k.as_of
                 and (q.released_at is null or q.released_at > k.as_of)) as out_of_use
from reporting.corrective_actions a
cross join reporting.clock k
join reporting.clinics c on c.clinic_id = a.clinic_id
left join reporting.subjects s on s.subject_id = a.subject_id
left join reporting.lots l on a.cause = 'lot' and l.lot_id = a.cause_id
where a.opened_at <= k.as_of and (a.closed_at is null or a.closed_at > k.as_of)
order by a.opened_at, c.name, s.name, a.action_id;
