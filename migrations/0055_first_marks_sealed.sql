-- What stood before there were marks (number 0) was sealed nowhere, so an owner could edit such an entry together with its
-- mark. Each gets the clinics that it concerned, and an instant which the next seal of every one of them holds: the latest end
-- of what is sealed at any of them. From then on a mark counts at a clinic by nothing but its seals.
with place as (
    select m.group_id, m.staff_id, array_agg(s.clinic_id order by s.clinic_id) as of_clinics,
           max(s.sealed_until) as sealed_until
    from staff_mark m
    join clinic_seal s on s.group_id = m.group_id and (cardinality(m.clinic_ids) = 0 or s.clinic_id = any(m.clinic_ids))
    where m.number = 0
    group by m.group_id, m.staff_id
), person as (
    update staff_mark m set of_clinics = p.of_clinics, recorded_at = greatest(m.recorded_at, p.sealed_until)
    from place p
    where m.group_id = p.group_id and m.staff_id = p.staff_id and m.number = 0
)
update competence_mark m set of_clinics = p.of_clinics, recorded_at = greatest(m.recorded_at, p.sealed_until)
from place p
where m.group_id = p.group_id and m.staff_id = p.staff_id and m.number = 0;

update instrument_mark m set of_clinics = array[m.clinic_id], recorded_at = greatest(m.recorded_at, s.sealed_until)
from clinic_seal s
where s.group_id = m.group_id and s.clinic_id = m.clinic_id and m.number = 0;

comment on column reporting.staff_marks.number is
    'Place among the states of the person, from 1; 0: as they stood before states were kept, sealed with the day after that.';
comment on column reporting.competence_marks.number is
    'Place among the states of the competence, from 1; 0: as it stood before states were kept, sealed with the day after that.';
comment on column reporting.instrument_marks.number is
    'Place among the states of the instrument, from 1; 0: as it stood before states were kept, sealed with the day after that.';
comment on column reporting.staff_marks.recorded_at is
    'Instant at which the service received it; of number 0, when it was first to be sealed.';
comment on column reporting.competence_marks.recorded_at is
    'Instant at which the service received it; of number 0, when it was first to be sealed.';
comment on column reporting.instrument_marks.recorded_at is
    'Instant at which the service received it; of number 0, when it was first to be sealed.';
