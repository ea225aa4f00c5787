//! Who is on site on a clinic day, as the desk says. Lists are added and never changed; the last one counts.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::store::{Result, seals};

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

/// A clinic day on which people worked, and nobody said who was on site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayWithout {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// How many completions of work it has.
    pub entries: i64,
}

/// Clinic days from `last` back to `first` with work and without a list, the newest first, from after a place on.
///
/// # Errors
/// When the database does not answer.
pub async fn list_days_without(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    (first, last): (NaiveDate, NaiveDate),
    after: Option<(NaiveDate, Uuid)>,
    at_most: i64,
) -> Result<Vec<DayWithout>> {
    Ok(sqlx::query_as!(
        DayWithout,
        r#"select d.clinic_id, d.clinic_day as "clinic_day!",
                  (select count(*) from completion c
                   where c.group_id = $1 and c.clinic_id = d.clinic_id and c.clinic_day = d.clinic_day
                     and c.kind <> 'not_required') as "entries!"
           from (select k.clinic_id, $4::date - n as clinic_day
                 from clinic k cross join generate_series(0, $4::date - $3::date) n
                 where k.group_id = $1 and ($2::uuid[] is null or k.clinic_id = any($2))
                   and ($5::date is null or ($4::date - n, k.clinic_id) < ($5, $6::uuid))
                   and not exists (select from presence_mark p
                                   where p.group_id = $1 and p.clinic_id = k.clinic_id and p.clinic_day = $4::date - n)
                   and exists (select from completion c
                               where c.group_id = $1 and c.clinic_id = k.clinic_id and c.clinic_day = $4::date - n
                                 and c.kind <> 'not_required')
                 order by n, k.clinic_id desc limit $7) d
           order by d.clinic_day desc, d.clinic_id desc"#,
        group_id,
        clinic_ids,
        first,
        last,
        after.map(|(day, _)| day),
        after.map(|(_, clinic_id)| clinic_id),
        at_most
    )
    .fetch_all(db)
    .await?)
}
