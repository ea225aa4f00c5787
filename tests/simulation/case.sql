-- One clinic as the database holds it, as a case for the model: $1 group, $2 clinic, $3 now, $4 the default ladder.
--
-- What is written is bounded, so that a case of the third year is no larger than one of the first month. Everything
-- that may move a window is there as it stands. Of what happened, the last 40 days are (the compared window begins 12
-- days back), and of what lies before them what the rules can still ask for: the number of marks, the last use and the
-- last done, each taken from the whole history.
with of_clinic as (select * from subject where group_id = $1 and clinic_id = $2),
cut as (select ($3::timestamptz at time zone 'UTC')::date - 40 as day,
               -- A year's levelling looks back to its first day, and a month further for dates that were moved.
               ($3::timestamptz at time zone 'UTC')::date - 420 as version_day),
-- Where a mark's chair or machine stands now decides whose mark it is; the clinic's first patient is one seated there.
seats as (select m.* from seating_mark m
          where m.group_id = $1 and (m.clinic_id = $2 or m.operatory_id in (select subject_id from of_clinic))),
runs as (select m.* from cycle_mark m
         where m.group_id = $1 and m.subject_id in (select subject_id from of_clinic)),
worked as (
    select c.completion_id, t.routine_id, t.subject_id, c.performed_at, c.verdict,
           case when t.completion_id = c.completion_id then t.outcome
                when c.verdict = 'result_pending' then c.verdict end as outcome,
           exists (select from completion s
                   where s.group_id = $1 and s.clinic_day = c.clinic_day and s.task_id = c.task_id
                     and s.verdict = 'result_pending' and s.recorded_at < c.recorded_at) as of_sample
    from completion c join task t using (group_id, clinic_day, task_id)
    where c.group_id = $1 and t.subject_id in (select subject_id from of_clinic)
      and c.kind = 'performed' and not is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id)
      and not exists (select from completion k
                      where k.group_id = $1 and k.clinic_day = c.clinic_day and k.task_id = c.task_id
                        and k.corrects = c.completion_id)),
last_worked as (select distinct on (routine_id, subject_id) * from worked
                where outcome = 'done' and performed_at < (select day from cut)
                order by routine_id, subject_id, performed_at desc),
last_seats as (select distinct on (operatory_id) * from seats
               where clinic_day < (select day from cut) order by operatory_id, clinic_day desc),
first_versions as (select routine_id, effective_on as first_on from routine_version v
                   where v.group_id = $1 and v.version = (select min(version) from routine_version w
                                                          where w.group_id = $1 and w.routine_id = v.routine_id))
select json_build_object(
  'now', $3,
  'planned_through', (select planned_through from clinic_plan where group_id = $1 and clinic_id = $2),
  'clinic', json_build_object(
    'clinic_id', $2,
    'zone', (select zone from clinic where group_id = $1 and clinic_id = $2),
    'week', (select week from clinic where group_id = $1 and clinic_id = $2),
    'weeks', (select coalesce(json_agg(json_build_object('effective_on', effective_on, 'week', week)), '[]')
              from dated_week where group_id = $1 and clinic_id = $2),
    'closures', (select coalesce(json_agg(json_build_object(
                     'from_local', to_char(from_local, 'YYYY-MM-DD"T"HH24:MI'),
                     'until_local', to_char(until_local, 'YYYY-MM-DD"T"HH24:MI'), 'reason', reason)), '[]')
                 from closure where group_id = $1 and clinic_id = $2),
    'special_openings', (select coalesce(json_agg(json_build_object('opens_on', opens_on, 'sessions', sessions)), '[]')
                         from special_opening where group_id = $1 and clinic_id = $2),
    'full_days', (select coalesce(json_agg(full_on), '[]') from full_day where group_id = $1 and clinic_id = $2),
    'ladder', coalesce((select json_build_object('rungs', rungs) from ladder_version where group_id = $1
                        order by version desc limit 1), $4::json),
    -- The first version, whose day counts begin with, and those in force since the cut.
    'routines', (select json_agg(versions) from (
        select json_agg(json_build_object(
                   'routine_id', routine_id, 'version', version, 'effective_on', effective_on,
                   'routine', definition - array['steps', 'sources', 'cautions']) order by version) as versions
        from routine_version v
        where group_id = $1
          and (effective_on = (select first_on from first_versions f where f.routine_id = v.routine_id)
               or version >= (select coalesce(max(version), 0) from routine_version w
                              where w.group_id = $1 and w.routine_id = v.routine_id
                                and w.effective_on <= (select version_day from cut)))
        group by routine_id) as r),
    'subjects', (select json_agg(json_build_object('subject_id', s.subject_id, 'clinic_id', s.clinic_id, 'kind', s.kind,
                     'water_source', s.water_source,
                     'commissioned_on', coalesce(s.commissioned_on, (s.created_at at time zone c.zone)::date),
                     'history', (select coalesce(json_agg(json_build_object('changed_at', h.changed_at, 'state',
                                     h.service_state, 'reason', h.reason) order by h.changed_at), '[]')
                                 from subject_change h where h.group_id = $1 and h.subject_id = s.subject_id)))
                 from of_clinic s join clinic c on c.group_id = $1 and c.clinic_id = s.clinic_id),
    'water_pauses', (select coalesce(json_agg(json_build_object('from', a.started_at, 'until', l.lifted_at)), '[]')
                     from water_advisory a
                     left join water_advisory_lifting l using (group_id, advisory_id, clinic_id)
                     where a.group_id = $1 and a.clinic_id = $2),
    'posted', (select coalesce(json_agg(json_build_object('clinic_day', clinic_day,
                     'started_at', started_at, 'ended_at', ended_at)), '[]') from (
                   select clinic_day, max(marked_at) filter (where edge = 'start') as started_at,
                          max(marked_at) filter (where edge = 'end') as ended_at
                   from day_mark where group_id = $1 and clinic_id = $2 and clinic_day >= (select day from cut)
                   group by clinic_day) as d),
    'seatings', (select coalesce(json_agg(json_build_object('mark_id', mark_id, 'operatory_id', operatory_id,
                     'clinic_id', clinic_id, 'clinic_day', clinic_day, 'edge', edge, 'marked_at', marked_at)), '[]')
                 from seats where clinic_day >= (select day from cut)),
    'cycles', (select coalesce(json_agg(json_build_object('mark_id', cycle_id, 'subject_id', subject_id,
                     'clinic_day', clinic_day, 'marked_at', ended_at)), '[]')
               from runs where clinic_day >= (select day from cut)),
    'before', json_build_object(
        'last_use', (select coalesce(json_agg(json_build_object('subject_id', operatory_id, 'on', clinic_day)), '[]')
                     from last_seats),
        'marks', (select coalesce(json_agg(json_build_object(
                      'routine_id', f.routine_id, 'subject_id', s.subject_id,
                      'turnovers', (select count(*) from seats m
                                    where m.operatory_id = s.subject_id and m.edge = 'left'
                                      and m.clinic_day >= f.first_on and m.clinic_day < (select day from cut)),
                      'cycles', (select count(*) from runs m
                                 where m.subject_id = s.subject_id
                                   and m.clinic_day >= f.first_on and m.clinic_day < (select day from cut)))), '[]')
                  from of_clinic s cross join first_versions f
                  where exists (select from routine_version v
                                where v.group_id = $1 and v.routine_id = f.routine_id
                                  and v.definition -> 'anchor' ->> 'kind' = 'count'))),
    'events', (select coalesce(json_agg(json_build_object('event_id', event_id, 'kind', kind, 'subject_id', subject_id,
                     'happened_at', happened_at)), '[]')
               from site_event
               where group_id = $1 and withdrawn_at is null and happened_at >= (select day from cut)
                 and case when subject_id is null then clinic_id = $2
                          else subject_id in (select subject_id from of_clinic) end),
    'completions', (select coalesce(json_agg(json_build_object('completion_id', completion_id,
                     'routine_id', routine_id, 'subject_id', subject_id, 'performed_at', performed_at,
                     'outcome', outcome, 'verdict', verdict, 'of_sample', of_sample)), '[]')
                 from (select * from worked where performed_at >= (select day from cut)
                       union all select * from last_worked) as w)),
  'tasks', (select coalesce(json_agg(json_build_object('routine_id', routine_id, 'routine_version', routine_version,
                'clinic_id', clinic_id, 'subject_id', subject_id, 'clinic_day', clinic_day, 'slot', slot,
                'anchor_at', anchor_at, 'due_from', due_from, 'due_by', due_by, 'overdue_at', overdue_at,
                'missed_at', missed_at, 'blocks_at', blocks_at, 'rung_at', rung_at, 'rung_audience', rung_audience,
                'started_at', started_at, 'outcome', outcome, 'outcome_at', outcome_at,
                'outcome_by_plan', outcome_by_plan, 'outcome_reason', outcome_reason,
                'state', task_state(outcome, outcome_at, due_from, due_by, overdue_at, missed_at, $3))), '[]')
            from task
            where group_id = $1 and (clinic_id = $2 or subject_id in (select subject_id from of_clinic))
              and clinic_day >= (select day from cut) + 20))
