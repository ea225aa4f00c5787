//! What new zone data moved: tasks whose instant is another although nobody changed anything.
//!
//! The rule of this file: it is appended to in the transaction that plans a clinic with the new data, so that the list
//! and the plan never disagree.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::store::Result;

/// One task that new zone data moved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneMove {
    /// Where.
    pub clinic_id: Uuid,
    /// When the clinic was planned with the new data.
    pub moved_at: DateTime<Utc>,
    /// Which task.
    pub task_id: Uuid,
    /// The zone data before.
    pub from_release: String,
    /// The zone data now.
    pub to_release: String,
    /// Its anchor before.
    pub anchor_before: DateTime<Utc>,
    /// Its anchor now.
    pub anchor_after: DateTime<Utc>,
}

/// Keeps what was moved.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, moves: &[ZoneMove]) -> Result<()> {
    if moves.is_empty() {
        return Ok(());
    }
    let rows: Vec<Value> = moves
        .iter()
        .map(|moved| {
            json!({
                "clinic_id": moved.clinic_id, "moved_at": moved.moved_at, "task_id": moved.task_id,
                "from_release": moved.from_release, "to_release": moved.to_release,
                "anchor_before": moved.anchor_before, "anchor_after": moved.anchor_after,
            })
        })
        .collect();
    sqlx::query!(
        "insert into zone_move (group_id, clinic_id, moved_at, task_id, from_release, to_release, anchor_before,
                                anchor_after)
         select $1, r.clinic_id, r.moved_at, r.task_id, r.from_release, r.to_release, r.anchor_before, r.anchor_after
         from jsonb_to_recordset($2) as r(
             clinic_id uuid, moved_at timestamptz, task_id uuid, from_release text, to_release text,
             anchor_before timestamptz, anchor_after timestamptz)
         on conflict do nothing",
        group_id,
        Value::Array(rows)
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What was moved, newest first, from a place on; in these clinics, or (`None`) in all of the group's.
///
/// # Errors
/// When the database does not answer.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    after: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<ZoneMove>> {
    let (after_at, after_id) = after.unzip();
    Ok(sqlx::query_as!(
        ZoneMove,
        "select clinic_id, moved_at, task_id, from_release, to_release, anchor_before, anchor_after from zone_move
         where group_id = $1 and ($2::uuid[] is null or clinic_id = any($2))
           and ($3::timestamptz is null or (moved_at, task_id) < ($3, $4::uuid))
         order by moved_at desc, task_id desc limit $5",
        group_id,
        clinic_ids,
        after_at,
        after_id,
        at_most
    )
    .fetch_all(db)
    .await?)
}
