-- Question: where does a notice not to use mains water stand, and which chairs wait for a release after one was lifted?
-- Columns: clinic; who gave notice and its number; whether it stands or what follows it; the chair that waits, null while it
-- stands; since when (instant).
select c.name as clinic, a.authority, a.notice_number, 'stands' as what, null::text as chair, a.started_at as since
from reporting.water_advisories a
cross join reporting.clock k
join reporting.clinics c on c.clinic_id = a.clinic_id
where a.recorded_at <= k.as_of and (a.lifting_recorded_at is null or a.lifting_recorded_at > k.as_of)
union all
select c.name, null, null, 'waits for release', s.name, q.recorded_at
from reporting.corrective_actions r
cross join reporting.clock k
join reporting.clinics c on c.clinic_id = r.clinic_id
join reporting.subjects s on s.subject_id = r.subject_id
join reporting.quarantines q on q.cause = 'corrective_action' and q.cause_id = r.action_id
where r.kind = 'lines_after_advisory' and q.recorded_at <= k.as_of
  and (q.released_at is null or q.released_at > k.as_of)
order by clinic, since, chair;
