-- Question: what was out of service in the last seven days (of 24 hours), and for how long?
-- Columns: clinic it stood in; subject; its kind; days out of service within those seven (days, two decimals); the
-- latest reason; and whether it still is out of service.
with spell as (
    select s.subject_id, s.clinic_id, s.service_state, s.reason, s.changed_at,
           coalesce(lead(s.changed_at) over (partition by s.subject_id order by s.changed_at), 'infinity') as ended_at
    from reporting.service_changes s
    where s.changed_at <= reporting.as_of()
)
select c.name as clinic, s.name as subject, s.kind,
       round((sum(extract(epoch from least(p.ended_at, reporting.as_of())
                                     - greatest(p.changed_at, reporting.as_of() - interval '7 days'))) / 86400)::numeric, 2)
           as days_out,
       (array_agg(p.reason order by p.changed_at desc))[1] as reason,
       bool_or(p.ended_at = 'infinity') as still_out
from spell p
join reporting.subjects s on s.subject_id = p.subject_id
join reporting.clinics c on c.clinic_id = p.clinic_id
where p.service_state = 'out_of_service' and p.ended_at > reporting.as_of() - interval '7 days'
group by c.clinic_id, c.name, s.subject_id, s.name, s.kind
order by c.name, s.name, s.subject_id;
