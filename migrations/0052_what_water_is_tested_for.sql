-- Water may be tested for more than everything that grows: which of them a count is of, as its routine said. Kept with each
-- bottle, where it is another count than that of everything.
create or replace view reporting.water_results with (security_barrier) as
select s.completion_id, s.clinic_day, c.clinic_id, t.subject_id, s.step_key, (b.ordinality - 1)::integer as bottle,
       array(select jsonb_array_elements_text(b.line -> 'lines')) as lines,
       (b.line ->> 'pool_size')::integer as pool_size,
       (s.given #>> '{sample,drawn_on}')::date as drawn_on,
       s.given #>> '{sample,draw,kind}' as draw,
       s.given #>> '{sample,laboratory}' as laboratory,
       b.line #>> '{reading,qualifier}' as qualifier,
       (b.line #>> '{reading,value}')::numeric as cfu_per_ml,
       b.line #>> '{decided,deciding,limit,operator}' as limit_operator,
       (b.line #>> '{decided,deciding,limit,value}')::numeric as limit_cfu_per_ml,
       (b.line #>> '{decided,deciding,kept}')::boolean as kept,
       (b.line #>> '{beside,interval,lower}')::numeric as lower_cfu_per_ml,
       (b.line #>> '{beside,interval,upper}')::numeric as upper_cfu_per_ml,
       b.line #>> '{pool,finding}' as pool_finding,
       coalesce(b.line ->> 'counted', 'heterotrophic') as counted
from public.step_result s
join public.completion c on c.group_id = s.group_id and c.clinic_day = s.clinic_day
                        and c.completion_id = s.completion_id
join public.task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
cross join lateral jsonb_array_elements(s.lines) with ordinality as b(line, ordinality)
where s.group_id = (select reader.group_id from public.reporting_reader reader)
  and s.kind = 'water_sample' and jsonb_typeof(s.lines) = 'array';
comment on column reporting.water_results.counted is
    'What was counted: heterotrophic (everything that grows), legionella, pseudomonas_aeruginosa or nontuberculous_mycobacteria; more may come.';
