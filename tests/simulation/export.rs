//! One clinic as the database holds it, as a case for the model.
//!
//! The rule of this file: it reads tables and not the service, so that a mistake in how the service loads its facts
//! shows as well.

use chrono::{DateTime, Utc};
use serde_json::Value;
use sqlx::PgPool;

use super::town::Site;
use crate::support::id;

const CASE: &str = r#"
with of_clinic as (select * from subject where group_id = $1 and clinic_id = $2)
select json_build_object(
  'now', $3,
  'planned_through', (select planned_through from clinic_plan where group_id = $1 and clinic_id = $2),
  'clinic', json_build_object(
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
    'routines', (select json_agg(versions) from (
        select json_agg(json_build_object('routine_id', routine_id, 'version', version, 'effective_on', effective_on,
                                          'routine', definition) order by version) as versions
        from routine_version where group_id = $1 group by routine_id) as r),
    'subjects', (select json_agg(json_build_object('subject_id', s.subject_id, 'clinic_id', s.clinic_id, 'kind', s.kind,
                     'water_source', s.water_source,
                     'commissioned_on', coalesce(s.commissioned_on, (s.created_at at time zone c.zone)::date),
                     'history', (select coalesce(json_agg(json_build_object('changed_at', h.changed_at, 'state',
                                     h.service_state, 'reason', h.reason) order by h.changed_at), '[]')
                                 from subject_change h where h.group_id = $1 and h.subject_id = s.subject_id)))
                 from of_clinic s join clinic c on c.group_id = $1 and c.clinic_id = s.clinic_id),
    'posted', (select coalesce(json_agg(json_build_object('clinic_day', clinic_day,
                     'started_at', started_at, 'ended_at', ended_at)), '[]') from (
                   select clinic_day, max(marked_at) filter (where edge = 'start') as started_at,
                          max(marked_at) filter (where edge = 'end') as ended_at
                   from day_mark where group_id = $1 and clinic_id = $2 group by clinic_day) as d),
    'seatings', (select coalesce(json_agg(json_build_object('mark_id', mark_id, 'operatory_id', operatory_id,
                     'clinic_day', clinic_day, 'edge', edge, 'marked_at', marked_at)), '[]')
                 from seating_mark where group_id = $1 and clinic_id = $2),
    'cycles', (select coalesce(json_agg(json_build_object('mark_id', cycle_id, 'subject_id', subject_id,
                     'clinic_day', clinic_day, 'marked_at', ended_at)), '[]')
               from cycle_mark where group_id = $1 and clinic_id = $2),
    'events', (select coalesce(json_agg(json_build_object('event_id', event_id, 'kind', kind, 'subject_id', subject_id,
                     'happened_at', happened_at)), '[]')
               from site_event where group_id = $1 and clinic_id = $2 and withdrawn_at is null),
    'completions', (select coalesce(json_agg(json_build_object('completion_id', c.completion_id,
                     'routine_id', t.routine_id, 'subject_id', t.subject_id, 'performed_at', c.performed_at,
                     'outcome', case when t.completion_id = c.completion_id then t.outcome
                                     when c.verdict = 'result_pending' then c.verdict end,
                     'verdict', c.verdict,
                     'of_sample', exists (select from completion s
                                          where s.group_id = $1 and s.clinic_day = c.clinic_day
                                            and s.task_id = c.task_id and s.verdict = 'result_pending'
                                            and s.recorded_at < c.recorded_at))), '[]')
                 from completion c join task t using (group_id, clinic_day, task_id)
                 where c.group_id = $1 and t.clinic_id = $2 and c.kind = 'performed' and not c.duplicate
                   and not exists (select from completion k
                                   where k.group_id = $1 and k.clinic_day = c.clinic_day
                                     and k.task_id = c.task_id and k.corrects = c.completion_id))),
  'tasks', (select coalesce(json_agg(json_build_object('routine_id', routine_id, 'routine_version', routine_version,
                'subject_id', subject_id, 'clinic_day', clinic_day, 'slot', slot, 'anchor_at', anchor_at,
                'due_from', due_from, 'due_by', due_by, 'overdue_at', overdue_at, 'missed_at', missed_at,
                'blocks_at', blocks_at, 'rung_at', rung_at, 'rung_audience', rung_audience, 'started_at', started_at,
                'outcome', outcome, 'outcome_at', outcome_at, 'outcome_by_plan', outcome_by_plan,
                'outcome_reason', outcome_reason,
                'state', task_state(outcome, outcome_at, due_from, due_by, overdue_at, missed_at, $3))), '[]')
            from task where group_id = $1 and clinic_id = $2))"#;

/// The practice's own ladder, which stands where a group has set none (common practice, no source).
const DEFAULT_LADDER: &str = r#"{"rungs": [
    {"after_minutes": 0, "counted_in": "elapsed_time", "audience": "chairside"},
    {"after_minutes": 60, "counted_in": "opening_time", "audience": "clinic_lead"},
    {"after_minutes": 480, "counted_in": "opening_time", "audience": "group_manager"}]}"#;

/// Everything about a clinic at an instant, on one line.
pub(super) async fn case(pool: &PgPool, site: &Site, now: DateTime<Utc>) -> Value {
    let ladder: Value = serde_json::from_str(DEFAULT_LADDER).expect("JSON");
    sqlx::query_scalar(CASE)
        .bind(id(1))
        .bind(site.clinic_id)
        .bind(now)
        .bind(ladder)
        .fetch_one(pool)
        .await
        .expect("the case")
}
