//! Rows of evidence as the records that are sealed.
//!
//! The rule of this file: a row is read whole, whatever columns it has, so that none can be left out; and nothing that
//! somebody wrote into one makes reading fail, for a row that cannot be read is evidence of an edit. So Postgres makes
//! the JSON, and only instants and decimals are written anew, in the one way that records write them.
//!
//! Not among the kinds: `corrective_action_next` and `day_to_sign` (worklists, which follow from an action's rows and the
//! hours), `raised_flag` (it follows from the completions), `completion_receipt` and `cycle_receipt` (they decide only what a
//! repeat is told), `event` (copies) and `task` (a plan, made anew from configuration; what became of it follows from its
//! completions).

use chrono::{DateTime, Utc};
use serde_json::{Map, Value};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::seal::record::{Record, instant_text};
use crate::store::Result;

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
    records.extend(of_people(db, span).await?);
    Ok(records)
}

/// Adds the rows of a kind within a span to the records. A kind that is called as its table, and whose rows stay as they
/// were recorded, says only what tells its rows apart, and `of each clinic` where a row is sealed at several; another says its whole query.
macro_rules! add {
    ($records:ident, $db:ident, $span:ident, $kind:literal, query $query:literal) => {
        let rows = sqlx::query_as!(Row, $query, $span.group_id, $span.clinic_id, $span.from, $span.until);
        $records.extend(rows.fetch_all(&mut *$db).await?.into_iter().map(|row| row.record($kind)));
    };
    ($records:ident, $db:ident, $span:ident, $kind:literal, of each clinic $id:literal) => {
        let rows = sqlx::query_as!(
            Row,
            "select "
                + $id
                + r#" as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!" from "#
                + $kind
                + " r where r.group_id = $1 and $2 = any(r.of_clinics) and r.recorded_at >= $3 and r.recorded_at < $4",
            $span.group_id,
            $span.clinic_id,
            $span.from,
            $span.until
        );
        $records.extend(rows.fetch_all(&mut *$db).await?.into_iter().map(|row| row.record($kind)));
    };
    ($records:ident, $db:ident, $span:ident, $kind:literal, $id:literal) => {
        let rows = sqlx::query_as!(
            Row,
            "select "
                + $id
                + r#" as "id!", r.recorded_at as "recorded_at!", to_jsonb(r)::text as "columns!" from "#
                + $kind
                + " r where r.group_id = $1 and r.clinic_id = $2 and r.recorded_at >= $3 and r.recorded_at < $4",
            $span.group_id,
            $span.clinic_id,
            $span.from,
            $span.until
        );
        $records.extend(rows.fetch_all(&mut *$db).await?.into_iter().map(|row| row.record($kind)));
    };
}

/// What people decided about what is kept. What a purge lists is vouched for by its digests.
async fn of_keeping(db: &mut PgConnection, span: Span) -> Result<Vec<Recorded>> {
    let mut records = Vec::new();
    add!(records, db, span, "legal_hold", "r.legal_hold_id::text");
    add!(records, db, span, "legal_hold_lift", "r.lift_id::text");
    add!(records, db, span, "purge", "r.purge_id::text");
    Ok(records)
}

/// Who worked where, what they were trained for, and with what readings are taken: a mark is sealed at each clinic it
/// concerns.
async fn of_people(db: &mut PgConnection, span: Span) -> Result<Vec<Recorded>> {
    let mut records = Vec::new();
    add!(records, db, span, "staff_mark", of each clinic "r.staff_id || '/' || r.number");
    add!(records, db, span, "competence_mark", of each clinic "r.staff_id || '/' || r.competence_id || '/' || r.number");
    add!(records, db, span, "instrument_mark", of each clinic "r.instrument_id || '/' || r.number");
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
    add!(records, db, span, "completion", "r.completion_id::text");
    add!(
        records, db, span, "step_result",
        query r#"select s.completion_id || '/' || s.step_key as "id!", c.recorded_at as "recorded_at!",
                  (to_jsonb(s) || jsonb_build_object('value', s.value::text))::text as "columns!"
           from completion c
           join step_result s on s.group_id = c.group_id and s.clinic_day = c.clinic_day
                             and s.completion_id = c.completion_id
           where c.group_id = $1 and c.clinic_id = $2 and c.recorded_at >= $3 and c.recorded_at < $4"#
    );
    add!(
        records, db, span, "hold_mark",
        query r#"select h.hold_id || '/' || h.edge as "id!", h.marked_at as "recorded_at!", to_jsonb(h)::text as "columns!"
           from hold_mark h where h.group_id = $1 and h.clinic_id = $2 and h.marked_at >= $3 and h.marked_at < $4"#
    );
    add!(records, db, span, "day_mark", "r.clinic_day || '/' || r.edge");
    add!(records, db, span, "seating_mark", "r.mark_id::text");
    add!(records, db, span, "cycle_mark", "r.cycle_id::text");
    add!(records, db, span, "cycle_record", "r.cycle_id || '/' || r.number");
    add!(records, db, span, "lot", "r.lot_id::text");
    add!(records, db, span, "lot_mark", "r.lot_id || '/' || r.number");
    add!(records, db, span, "presence_mark", "r.clinic_day || '/' || r.number");
    // What was withdrawn is a record of its own, of the day it was withdrawn on: the entry stays as it was sealed.
    add!(
        records, db, span, "site_event",
        query r#"select e.event_id::text as "id!", e.recorded_at as "recorded_at!",
                  (to_jsonb(e) - 'withdrawn_at' - 'withdrawn_by_key')::text as "columns!"
           from site_event e where e.group_id = $1 and e.clinic_id = $2 and e.recorded_at >= $3 and e.recorded_at < $4"#
    );
    add!(
        records, db, span, "site_event_withdrawal",
        query r#"select e.event_id::text as "id!", e.withdrawn_at as "recorded_at!",
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
    add!(records, db, span, "quarantine", "r.quarantine_id::text");
    add!(records, db, span, "quarantine_release", "r.release_id::text");
    add!(records, db, span, "water_advisory", "r.advisory_id::text");
    add!(records, db, span, "water_advisory_lifting", "r.advisory_id::text");
    add!(records, db, span, "corrective_action", "r.action_id::text");
    add!(records, db, span, "corrective_action_step", "r.record_id::text");
    add!(records, db, span, "corrective_action_note", "r.note_id::text");
    add!(records, db, span, "corrective_action_close", "r.close_id::text");
    add!(records, db, span, "miss_reason", "r.task_id || '/' || r.number");
    add!(records, db, span, "day_sign_off", "r.sign_off_id::text");
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
