//! Rows of evidence as the records that are sealed.
//!
//! The rule of this file: a row is read whole, whatever columns it has, so that none can be left out; and nothing that
//! somebody wrote into one makes reading fail, for a row that cannot be read is evidence of an edit. So Postgres makes
//! the JSON, and only instants and decimals are written anew, in the one way that records write them.
//!
//! Not among the kinds: `corrective_action_next` (a worklist, which follows from an action's rows), `completion_receipt` and `cycle_receipt` (they decide only what a repeat is told), `event`
//! (copies) and `task` (a plan, made anew from configuration; what became of it follows from its completions).

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use crate::domain::seal::record::{Record, instant_text};

/// A record, and when it was recorded: what decides which seal holds it.
pub type Recorded = (DateTime<Utc>, Record);

/// What was recorded at a clinic from an instant (`None`: from ever) until before another.
///
/// # Errors
/// When the database does not answer.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    from: Option<DateTime<Utc>>,
    until: DateTime<Utc>,
) -> Result<Vec<Recorded>> {
    // Earlier than any service, and within what Postgres and chrono can both tell: no `recorded_at` but an edited one.
    let from = from.unwrap_or(DateTime::UNIX_EPOCH);
    let mut records = Vec::new();
    let mut add = |kind: &str, rows: Vec<Row>| records.extend(rows.into_iter().map(|row| row.record(kind)));

    let rows = sqlx::query_as!(
        Row,
        r#"select c.completion_id::text as "id!", c.recorded_at as "recorded_at!", to_jsonb(c)::text as "columns!"
           from completion c where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("completion", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select s.completion_id || '/' || s.step_key as "id!", c.recorded_at as "recorded_at!",
                  (to_jsonb(s) || jsonb_build_object('value', s.value::text))::text as "columns!"
           from completion c
           join step_result s on s.group_id = c.group_id and s.clinic_day = c.clinic_day
                             and s.completion_id = c.completion_id
           where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("step_result", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select h.hold_id || '/' || h.edge as "id!", h.marked_at as "recorded_at!", to_jsonb(h)::text as "columns!"
           from hold_mark h where h.group_id = $1 and h.clinic_id = $2 and h.marked_at >= $3 and h.marked_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("hold_mark", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select d.clinic_day || '/' || d.edge as "id!", d.recorded_at as "recorded_at!", to_jsonb(d)::text as "columns!"
           from day_mark d where d.group_id = $1 and d.clinic_id = $2 and d.recorded_at >= $3 and d.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("day_mark", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select s.mark_id::text as "id!", s.recorded_at as "recorded_at!", to_jsonb(s)::text as "columns!"
           from seating_mark s
           where s.group_id = $1 and s.clinic_id = $2 and s.recorded_at >= $3 and s.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("seating_mark", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select m.cycle_id::text as "id!", m.recorded_at as "recorded_at!", to_jsonb(m)::text as "columns!"
           from cycle_mark m
           where m.group_id = $1 and m.clinic_id = $2 and m.recorded_at >= $3 and m.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("cycle_mark", rows.fetch_all(&mut *db).await?);
    // What was withdrawn is a record of its own, of the day it was withdrawn on: the entry stays as it was sealed.
    let rows = sqlx::query_as!(
        Row,
        r#"select e.event_id::text as "id!", e.recorded_at as "recorded_at!",
                  (to_jsonb(e) - 'withdrawn_at' - 'withdrawn_by_key')::text as "columns!"
           from site_event e where e.group_id = $1 and e.clinic_id = $2 and e.recorded_at >= $3 and e.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("site_event", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select e.event_id::text as "id!", e.withdrawn_at as "recorded_at!",
                  jsonb_build_object('group_id', e.group_id, 'event_id', e.event_id, 'withdrawn_at', e.withdrawn_at,
                                     'withdrawn_by_key', e.withdrawn_by_key)::text as "columns!"
           from site_event e
           where e.group_id = $1 and e.clinic_id = $2 and e.withdrawn_at >= $3 and e.withdrawn_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("site_event_withdrawal", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select q.quarantine_id::text as "id!", q.recorded_at as "recorded_at!", to_jsonb(q)::text as "columns!"
           from quarantine q
           where q.group_id = $1 and q.clinic_id = $2 and q.recorded_at >= $3 and q.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("quarantine", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.release_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from quarantine_release r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("quarantine_release", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.action_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("corrective_action", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.record_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_step r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("corrective_action_step", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.note_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_note r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("corrective_action_note", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.close_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_close r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("corrective_action_close", rows.fetch_all(&mut *db).await?);
    let rows = sqlx::query_as!(
        Row,
        r#"select r.task_id || '/' || r.number as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from miss_reason r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#,
        group_id,
        clinic_id,
        from,
        until
    );
    add("miss_reason", rows.fetch_all(db).await?);
    Ok(records)
}

struct Row {
    id: String,
    recorded_at: DateTime<Utc>,
    /// JSON as text: a number in it may be larger than any reader keeps.
    columns: String,
}

impl Row {
    fn record(self, kind: &str) -> Recorded {
        let read = serde_json::from_str::<Map<String, Value>>(&self.columns);
        let mut columns = read.unwrap_or_else(|_| Map::from_iter([("unreadable".to_owned(), self.columns.into())]));
        for (_, value) in columns.iter_mut().filter(|(name, _)| name.ends_with("_at")) {
            // Postgres writes the offset of the session and leaves zeros out. What it writes for a time that was never
            // ours (infinity, a year before ours) stays as it is, and is another text than any that was sealed.
            if let Some(at) = value.as_str().and_then(|text| DateTime::parse_from_rfc3339(text).ok()) {
                *value = Value::String(instant_text(at.to_utc()));
            }
        }
        (self.recorded_at, Record::new(kind, self.id, columns))
    }
}
