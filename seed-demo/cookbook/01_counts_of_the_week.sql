-- Question: what became of the work of each clinic in the last seven clinic days, today's included?
-- Columns: clinic; counts of tasks that were done, of those done late, missed, not required, and not settled yet;
-- and among tasks that stand in the way of using a chair: how many are settled by work or missed, how many were done,
-- and their share (0 to 1). What is not required counts in no share.
select c.name as clinic,
       count(*) filter (where t.state = 'done') as done,
       count(*) filter (where t.state = 'done' and t.done_late) as done_late,
       count(*) filter (where t.state = 'missed') as missed,
       count(*) filter (where t.state = 'not_required') as not_required,
       count(*) filter (where t.state not in ('done', 'missed', 'not_required')) as not_settled,
       count(*) filter (where t.blocks_at is not null and t.state in ('done', 'missed')) as blocking,
       count(*) filter (where t.blocks_at is not null and t.state = 'done') as blocking_done,
       round(count(*) filter (where t.blocks_at is not null and t.state = 'done')::numeric
             / nullif(count(*) filter (where t.blocks_at is not null and t.state in ('done', 'missed')), 0), 4)
           as blocking_rate
from reporting.clinics c
join reporting.tasks t on t.clinic_id = c.clinic_id
where t.clinic_day > (reporting.as_of() at time zone c.zone)::date - 7
  and t.clinic_day <= (reporting.as_of() at time zone c.zone)::date
group by c.clinic_id, c.name
order by c.name, c.clinic_id;
