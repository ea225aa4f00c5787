-- What a routine's steps ask for, and its family: a water sample and a spore test read no unit, so they could not be found
-- by reporting.routines.reading_units alone. A view can gain columns at its end.
create or replace view reporting.routines with (security_barrier) as
select v.routine_id, v.version, v.effective_on, v.definition ->> 'name' as name,
       v.definition ->> 'subject_kind' as subject_kind, v.definition -> 'anchor' as anchor,
       v.definition -> 'sources' as sources, coalesce((v.definition ->> 'in_use')::boolean, true) as in_use,
       array(select distinct s.step #>> '{evidence,unit}' from jsonb_array_elements(v.definition -> 'steps') s (step)
             where s.step #>> '{evidence,kind}' = 'reading' order by 1) as reading_units,
       array(select distinct s.step #>> '{evidence,kind}' from jsonb_array_elements(v.definition -> 'steps') s (step)
             order by 1) as evidence_kinds,
       v.definition ->> 'family' as family
from public.routine_version v
where v.group_id = (select reader.group_id from public.reporting_reader reader);
comment on column reporting.routines.evidence_kinds is
    'Kinds of evidence that its steps ask for, without doubles, e.g. confirmation, hold, water_sample, spore_test; more may come.';
comment on column reporting.routines.family is
    'Family of work it belongs to, as in reporting.competences.family; null: none.';
