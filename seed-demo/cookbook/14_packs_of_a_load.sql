-- Question: which packs came from load 118: what is recorded of its cycle, which spore test covers it, is it out of use, who
-- released it, and which work names it? Write the number on the packs into the first line of the query.
-- Columns: clinic; machine; what the row is (cycle, spore test, out of use, released, work); instant; person, by name or
-- initials as entered; what is recorded. Machines may number alike, and a number may come again: rows name the machine and go
-- by the instant its cycle ended. Labels are compared as they were entered.
with asked as (select '118' as load_reference, reporting.as_of() as as_of),
loads as (
    select c.name as clinic, s.name as machine, m.cycle_id, m.clinic_id, m.subject_id, m.clinic_day, m.ended_at, r.performed_by,
           concat_ws('; ', nullif(m.program, ''), r.outcome_as_printed, r.printed_words, r.verdict, r.finding,
                     case when r.holds_implants then 'with implantable devices' end) as recorded, q.load_reference, q.as_of
    from asked q
    join reporting.cycle_records r on r.load_reference = q.load_reference and r.recorded_at <= q.as_of
    join reporting.cycles m on m.cycle_id = r.cycle_id
    join reporting.clinics c on c.clinic_id = m.clinic_id
    join reporting.subjects s on s.subject_id = m.subject_id
    where not exists (select from reporting.cycle_records n
                      where n.cycle_id = r.cycle_id and n.number > r.number and n.recorded_at <= q.as_of)
),
held as (
    select l.clinic, l.machine, l.ended_at, l.as_of, h.*
    from loads l
    join reporting.quarantines h on h.recorded_at <= l.as_of and h.subject_id = l.subject_id
     and (h.cycle_id = l.cycle_id or h.cycle_id is null and h.load_reference = l.load_reference and h.begun_at >= l.ended_at)
)
select l.clinic, l.machine, 'cycle' as what, l.ended_at as happened_at, l.performed_by as person, l.recorded, l.ended_at
from loads l
union all
select l.clinic, l.machine, 'spore test', t.performed_at, t.performed_by,
       t.verdict || case when t.in_this_cycle then ', run in this cycle' else ', the first after it' end, l.ended_at
from loads l
cross join lateral (
    select p.performed_at, p.performed_by, p.verdict,
           coalesce(x.given #>> '{strips,cycle_id}' = l.cycle_id::text, false) as in_this_cycle
    from reporting.tasks k
    join reporting.completions p on p.task_id = k.task_id and p.clinic_day = k.clinic_day
    join reporting.step_results x on x.completion_id = p.completion_id and x.clinic_day = p.clinic_day
    where k.subject_id = l.subject_id and k.clinic_day between l.clinic_day - 100 and l.clinic_day + 366
      and x.kind = 'spore_test' and x.status = 'done' and p.verdict in ('passed', 'failed') and p.recorded_at <= l.as_of
      and (p.performed_at >= l.ended_at or x.given #>> '{strips,cycle_id}' = l.cycle_id::text)
      and not exists (select from reporting.completions n where n.clinic_day = p.clinic_day
                      and n.corrects = p.completion_id and n.recorded_at <= l.as_of)
    order by in_this_cycle desc, p.performed_at, p.completion_id limit 1) t
union all
select h.clinic, h.machine, 'out of use', h.begun_at, h.begun_by, h.reason, h.ended_at from held h
union all
select h.clinic, h.machine, 'released', h.released_at, h.released_by,
       concat_ws(': ', replace(h.load_disposition, '_', ' '), h.release_reason), h.ended_at
from held h where h.released_at <= h.as_of
union all
select l.clinic, l.machine, 'work', p.performed_at, p.performed_by, u.name || ', ' || x.step_key, l.ended_at
from loads l
join reporting.completions p on p.clinic_id = l.clinic_id and p.clinic_day >= l.clinic_day and p.recorded_at <= l.as_of
join reporting.step_results x on x.completion_id = p.completion_id and x.clinic_day = p.clinic_day
 and x.kind = 'reference' and x.given -> 'labels' ? l.load_reference
join reporting.tasks k on k.task_id = p.task_id and k.clinic_day = p.clinic_day
join reporting.subjects u on u.subject_id = k.subject_id
order by clinic, machine, ended_at, happened_at, what;
