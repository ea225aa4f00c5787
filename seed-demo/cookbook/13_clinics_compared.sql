-- Question: how do the clinics compare over the last 28 clinic days, by the share of blocking tasks that were done?
-- Columns: clinic; tasks that stand in the way of using a chair and were done or missed (count); done (count); their
-- share, and Wilson's 95 % interval of it (0 to 1). Where two intervals overlap widely, the numbers are too small to tell
-- the clinics apart. Information only.
select b.clinic, b.blocking, b.done, round(b.done::numeric / nullif(b.blocking, 0), 4) as rate, w.lower, w.upper
from (
    select c.clinic_id, c.name as clinic, count(*) as blocking, count(*) filter (where t.state = 'done') as done
    from reporting.clinics c
    join reporting.tasks t on t.clinic_id = c.clinic_id
    where t.blocks_at is not null and t.state in ('done', 'missed')
      and t.clinic_day > (reporting.as_of() at time zone c.zone)::date - 28
      and t.clinic_day <= (reporting.as_of() at time zone c.zone)::date
    group by c.clinic_id, c.name
) b
cross join lateral reporting.wilson_95(b.done, b.blocking) w
order by rate, b.clinic, b.clinic_id;
