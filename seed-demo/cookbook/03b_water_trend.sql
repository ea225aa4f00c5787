-- Question: how did the water of each unit come out, test by test, over the last 400 clinic days?
-- Counts of everything that grows; what is tested for by itself (Legionella and others) is another series and not among them.
-- Columns: clinic; unit; tests with a count; the highest count of each, the oldest first (CFU/mL; "<": nothing was found,
-- ">": more than that or too many to count); clinic day of the last; how many of the last tests in a row each lay above
-- the one before. Counts scatter by themselves: a rise of one or two says little. Information only.
with count_of as (
    select x.completion_id, x.clinic_day, x.qualifier, x.value
    from reporting.step_results x
    where x.unit = '[CFU]/mL' and x.value is not null
    union all
    select w.completion_id, w.clinic_day, w.qualifier, w.cfu_per_ml
    from reporting.water_results w
    where w.counted = 'heterotrophic'
), test as (
    select t.clinic_id, t.subject_id, t.clinic_day, p.completion_id, p.recorded_at,
           (array_agg(n.value order by n.value desc, n.qualifier desc))[1] as value,
           (array_agg(case n.qualifier when 'lt' then '<' when 'gt' then '>' else '' end || trim_scale(n.value)
                      order by n.value desc, n.qualifier desc))[1] as stated
    from reporting.tasks t
    join reporting.clinics c on c.clinic_id = t.clinic_id
    join reporting.completions p on p.task_id = t.task_id and p.clinic_day = t.clinic_day
    join count_of n on n.completion_id = p.completion_id and n.clinic_day = p.clinic_day
    where t.clinic_day > (t.as_of at time zone c.zone)::date - 400 and p.recorded_at <= t.as_of
      and not exists (select from reporting.completions k where k.clinic_day = p.clinic_day
                      and k.corrects = p.completion_id and k.recorded_at <= t.as_of)
    group by t.clinic_id, t.subject_id, t.clinic_day, p.completion_id, p.recorded_at
), placed as (
    select m.*, row_number() over newest_first as from_end,
           m.value > lead(m.value) over newest_first as rose
    from test m
    window newest_first as (partition by m.subject_id order by m.clinic_day desc, m.recorded_at desc)
)
select c.name as clinic, s.name as unit, count(*) as tests, array_agg(p.stated order by p.from_end desc) as counts,
       max(p.clinic_day) as last_on,
       -- Up to the newest test that did not rise.
       coalesce(min(p.from_end) filter (where p.rose is not true) - 1, 0) as rises_in_a_row
from placed p
join reporting.subjects s on s.subject_id = p.subject_id
join reporting.clinics c on c.clinic_id = s.clinic_id
group by c.clinic_id, c.name, s.subject_id, s.name
order by c.name, s.name, s.subject_id;
