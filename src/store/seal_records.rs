//! Rows of evidence as the records that are sealed.
//!
//! The rule of this file: a row is read whole, whatever columns it has, so that none can be left out; and nothing that
//! somebody wrote into one makes reading fail, for a row that cannot be read is evidence of an edit. So Postgres makes
//! the JSON, and only instants and decimals are written anew, in the one way that records write them.
//!
//! Not among the kinds: `corrective_action_next` and `day_to_sign` (worklists, which follow from an action's rows and the hours), `completion_receipt` and `cycle_receipt` (they decide only what a repeat is told), `event`
//! (copies) and `task` (a plan, made anew from configuration; what became of it follows from its completions).

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use crate::domain::seal::record::{Record, instant_text};

/// A record, and when it was recorded: what decides which seal holds it.
pub type Recorded = (DateTime<Utc>, Record);

/// What is asked for: of a clinic, from an instant until before another.
#[derive(Clone, Copy)]
struct Span {
    group_id: Uuid,
    clinic_id: Uuid,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
}

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
    let span = Span { group_id, clinic_id, from: from.unwrap_or(DateTime::UNIX_EPOCH), until };
    let mut records = of_work(db, span).await?;
    records.extend(of_failures(db, span).await?);
    records.extend(of_keeping(db, span).await?);
    Ok(records)
}

/// What people decided about what is kept. What a purge lists is vouched for by its digests.
async fn of_keeping(db: &mut PgConnection, span: Span) -> Result<Vec<Recorded>> {
    let mut records = Vec::new();
    macro_rules! add {
        ($kind:literal, $query:literal) => {
            let rows =
                sqlx::query_as!(Row, $query, span.group_id, span.clinic_id, span.from, span.until).fetch_all(&mut *db);
            records.extend(rows.await?.into_iter().map(|row| row.record($kind)));
        };
    }
    add!(
        "legal_hold",
        r#"select h.legal_hold_id::text as "id!", h.recorded_at as "recorded_at!", to_jsonb(h)::text as "columns!"
           from legal_hold h
           where h.group_id = $1 and h.clinic_id = $2 and h.recorded_at >= $3 and h.recorded_at < $4"#
    );
    add!(
        "legal_hold_lift",
        r#"select l.lift_id::text as "id!", l.recorded_at as "recorded_at!", to_jsonb(l)::text as "columns!"
           from legal_hold_lift l
           where l.group_id = $1 and l.clinic_id = $2 and l.recorded_at >= $3 and l.recorded_at < $4"#
    );
    add!(
        "purge",
        r#"select p.purge_id::text as "id!", p.recorded_at as "recorded_at!", to_jsonb(p)::text as "columns!"
           from purge p where p.group_id = $1 and p.clinic_id = $2 and p.recorded_at >= $3 and p.recorded_at < $4"#
    );
    Ok(records)
}

/// A purge of a clinic as the record it is sealed as.
///
/// # Errors
/// When the database does not answer.
pub async fn find_purge(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    purge_id: Uuid,
) -> Result<Option<Recorded>> {
    let row = sqlx::query_as!(
        Row,
        r#"select p.purge_id::text as "id!", p.recorded_at as "recorded_at!", to_jsonb(p)::text as "columns!"
           from purge p where p.group_id = $1 and p.clinic_id = $2 and p.purge_id = $3"#,
        group_id,
        clinic_id,
        purge_id
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| row.record("purge")))
}

/// What was recorded of the work, of what it was done with and of who was there.
async fn of_work(db: &mut PgConnection, span: Span) -> Result<Vec<Recorded>> {
    let mut records = Vec::new();
    macro_rules! add {
        ($kind:literal, $query:literal) => {
            let rows =
                sqlx::query_as!(Row, $query, span.group_id, span.clinic_id, span.from, span.until).fetch_all(&mut *db);
            records.extend(rows.await?.into_iter().map(|row| row.record($kind)));
        };
    }
    add!(
        "completion",
        r#"select c.completion_id::text as "id!", c.recorded_at as "recorded_at!", to_jsonb(c)::text as "columns!"
           from completion c where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4"#
    );
    add!(
        "step_result",
        r#"select s.completion_id || '/' || s.step_key as "id!", c.recorded_at as "recorded_at!",
                  (to_jsonb(s) || jsonb_build_object('value', s.value::text))::text as "columns!"
           from completion c
           join step_result s on s.group_id = c.group_id and s.clinic_day = c.clinic_day
                             and s.completion_id = c.completion_id
           where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4"#
    );
    add!(
        "hold_mark",
        r#"select h.hold_id || '/' || h.edge as "id!", h.marked_at as "recorded_at!", to_jsonb(h)::text as "columns!"
           from hold_mark h where h.group_id = $1 and h.clinic_id = $2 and h.marked_at >= $3 and h.marked_at < $4"#
    );
    add!(
        "day_mark",
        r#"select d.clinic_day || '/' || d.edge as "id!", d.recorded_at as "recorded_at!", to_jsonb(d)::text as "columns!"
           from day_mark d where d.group_id = $1 and d.clinic_id = $2 and d.recorded_at >= $3 and d.recorded_at < $4"#
    );
    add!(
        "seating_mark",
        r#"select s.mark_id::text as "id!", s.recorded_at as "recorded_at!", to_jsonb(s)::text as "columns!"
           from seating_mark s
           where s.group_id = $1 and s.clinic_id = $2 and s.recorded_at >= $3 and s.recorded_at < $4"#
    );
    add!(
        "cycle_mark",
        r#"select m.cycle_id::text as "id!", m.recorded_at as "recorded_at!", to_jsonb(m)::text as "columns!"
           from cycle_mark m
           where m.group_id = $1 and m.clinic_id = $2 and m.recorded_at >= $3 and m.recorded_at < $4"#
    );
    add!(
        "cycle_record",
        r#"select r.cycle_id || '/' || r.number as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from cycle_record r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "lot",
        r#"select l.lot_id::text as "id!", l.recorded_at as "recorded_at!", to_jsonb(l)::text as "columns!"
           from lot l where l.group_id = $1 and l.clinic_id = $2 and l.recorded_at >= $3 and l.recorded_at < $4"#
    );
    add!(
        "lot_mark",
        r#"select m.lot_id || '/' || m.number as "id!", m.recorded_at as "recorded_at!", to_jsonb(m)::text as "columns!"
           from lot_mark m
           where m.group_id = $1 and m.clinic_id = $2 and m.recorded_at >= $3 and m.recorded_at < $4"#
    );
    add!(
        "presence_mark",
        r#"select p.clinic_day || '/' || p.number as "id!", p.recorded_at as "recorded_at!", to_jsonb(p)::text as "columns!"
           from presence_mark p
           where p.group_id = $1 and p.clinic_id = $2 and p.recorded_at >= $3 and p.recorded_at < $4"#
    );
    // What was withdrawn is a record of its own, of the day it was withdrawn on: the entry stays as it was sealed.
    add!(
        "site_event",
        r#"select e.event_id::text as "id!", e.recorded_at as "recorded_at!",
                  (to_jsonb(e) - 'withdrawn_at' - 'withdrawn_by_key')::text as "columns!"
           from site_event e where e.group_id = $1 and e.clinic_id = $2 and e.recorded_at >= $3 and e.recorded_at < $4"#
    );
    add!(
        "site_event_withdrawal",
        r#"select e.event_id::text as "id!", e.withdrawn_at as "recorded_at!",
                  jsonb_build_object('group_id', e.group_id, 'event_id', e.event_id, 'withdrawn_at', e.withdrawn_at,
                                     'withdrawn_by_key', e.withdrawn_by_key)::text as "columns!"
           from site_event e
           where e.group_id = $1 and e.clinic_id = $2 and e.withdrawn_at >= $3 and e.withdrawn_at < $4"#
    );
    Ok(records)
}

/// What followed when something failed or was missed.
async fn of_failures(db: &mut PgConnection, span: Span) -> Result<Vec<Recorded>> {
    let mut records = Vec::new();
    macro_rules! add {
        ($kind:literal, $query:literal) => {
            let rows =
                sqlx::query_as!(Row, $query, span.group_id, span.clinic_id, span.from, span.until).fetch_all(&mut *db);
            records.extend(rows.await?.into_iter().map(|row| row.record($kind)));
        };
    }
    add!(
        "quarantine",
        r#"select q.quarantine_id::text as "id!", q.recorded_at as "recorded_at!", to_jsonb(q)::text as "columns!"
           from quarantine q
           where q.group_id = $1 and q.clinic_id = $2 and q.recorded_at >= $3 and q.recorded_at < $4"#
    );
    add!(
        "quarantine_release",
        r#"select r.release_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from quarantine_release r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "water_advisory",
        r#"select a.advisory_id::text as "id!", a.recorded_at as "recorded_at!", to_jsonb(a)::text as "columns!"
           from water_advisory a
           where a.group_id = $1 and a.clinic_id = $2 and a.recorded_at >= $3 and a.recorded_at < $4"#
    );
    add!(
        "water_advisory_lifting",
        r#"select l.advisory_id::text as "id!", l.recorded_at as "recorded_at!", to_jsonb(l)::text as "columns!"
           from water_advisory_lifting l
           where l.group_id = $1 and l.clinic_id = $2 and l.recorded_at >= $3 and l.recorded_at < $4"#
    );
    add!(
        "corrective_action",
        r#"select r.action_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "corrective_action_step",
        r#"select r.record_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_step r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "corrective_action_note",
        r#"select r.note_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_note r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "corrective_action_close",
        r#"select r.close_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from corrective_action_close r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "miss_reason",
        r#"select r.task_id || '/' || r.number as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from miss_reason r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
    add!(
        "day_sign_off",
        r#"select r.sign_off_id::text as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!"
           from day_sign_off r
           where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4"#
    );
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
