//! Who is on site on a clinic day, as the desk says. Lists are added and never changed; the last one counts.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, seals};

/// A list of those on site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PresenceMark {
    /// Place among the day's lists, from 1.
    pub number: i32,
    /// The people, in order of their ids.
    pub staff_ids: Vec<Uuid>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The device.
    pub key_id: Uuid,
}

/// Waits until nobody else adds a list for the day, and keeps others out until the transaction ends.
///
/// # Errors
/// When the database does not answer.
pub async fn hold(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, clinic_day: NaiveDate) -> Result<()> {
    let name = format!("presence {group_id} {clinic_id} {clinic_day}");
    sqlx::query!("select pg_advisory_xact_lock(hashtextextended($1, 0))", name).fetch_one(db).await?;
    Ok(())
}

/// The list that counts, if there is one.
///
/// # Errors
/// When the database does not answer.
pub async fn find(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
) -> Result<Option<PresenceMark>> {
    Ok(sqlx::query_as!(
        PresenceMark,
        "select number, staff_ids, recorded_at, key_id from presence_mark
         where group_id = $1 and clinic_id = $2 and clinic_day = $3 order by number desc limit 1",
        group_id,
        clinic_id,
        clinic_day
    )
    .fetch_optional(db)
    .await?)
}

/// Keeps a further list.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
    mark: &PresenceMark,
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, mark.recorded_at).await?;
    sqlx::query!(
        "insert into presence_mark (group_id, clinic_id, clinic_day, number, staff_ids, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7)",
        group_id,
        clinic_id,
        clinic_day,
        mark.number,
        &mark.staff_ids,
        mark.recorded_at,
        mark.key_id
    )
    .execute(db)
    .await?;
    Ok(())
}
