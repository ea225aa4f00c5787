//! Lots of products, what became of them, and what was worked with them.
//!
//! The rule of this file: a lot and its marks are evidence. Rows are added and never changed; whoever adds a mark holds
//! the lot first, so that two marks never take one number.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::lot::{LotInUse, LotMark, LotMarkKind};
use crate::domain::product::{ProductVersion, version_on};
use crate::store::{Result, StoreError, products, seals};

/// A lot as it was entered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotRow {
    /// Made by the client.
    pub lot_id: Uuid,
    /// Its product.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// As the label prints it.
    pub lot_number: String,
    /// Its last day.
    pub expires_on: NaiveDate,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
}

/// Enters a lot; `false` when its id is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, lot: &LotRow, key_id: Uuid) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, lot.clinic_id, lot.recorded_at).await?;
    let done = sqlx::query!(
        "insert into lot (group_id, lot_id, product_id, clinic_id, lot_number, expires_on, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8) on conflict do nothing",
        group_id,
        lot.lot_id,
        lot.product_id,
        lot.clinic_id,
        lot.lot_number,
        lot.expires_on,
        lot.recorded_at,
        key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The lot with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid, lot_id: Uuid) -> Result<Option<LotRow>> {
    Ok(sqlx::query_as!(
        LotRow,
        "select lot_id, product_id, clinic_id, lot_number, expires_on, recorded_at
         from lot where group_id = $1 and lot_id = $2",
        group_id,
        lot_id
    )
    .fetch_optional(db)
    .await?)
}

/// How many lots stand, or stood, at a clinic.
///
/// # Errors
/// When the database does not answer.
pub async fn count(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    let counted = sqlx::query_scalar!(
        r#"select count(*) as "count!" from lot where group_id = $1 and clinic_id = $2"#,
        group_id,
        clinic_id
    );
    Ok(counted.fetch_one(db).await?)
}

/// Which lots are listed.
#[derive(Clone, Debug)]
pub struct Wanted<'a> {
    /// Those of these clinics; `None`: of all.
    pub clinic_ids: Option<&'a [Uuid]>,
    /// Those that expire on this day or before, and were neither emptied nor discarded.
    pub expiring_by: Option<NaiveDate>,
    /// From before a place in the list.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// At most so many.
    pub at_most: i64,
}

/// Lots, the newest entry first.
///
/// # Errors
/// When the database does not answer.
pub async fn list(db: &mut PgConnection, group_id: Uuid, wanted: &Wanted<'_>) -> Result<Vec<LotRow>> {
    let (before_at, before_id) = wanted.before.unzip();
    Ok(sqlx::query_as!(
        LotRow,
        "select lot_id, product_id, clinic_id, lot_number, expires_on, recorded_at from lot l
         where group_id = $1 and ($2::uuid[] is null or clinic_id = any($2))
           and ($3::timestamptz is null or (recorded_at, lot_id) < ($3, $4::uuid))
           and ($5::date is null or (expires_on <= $5 and not exists (
               select from lot_mark m where m.group_id = l.group_id and m.lot_id = l.lot_id
                 and m.kind in ('emptied', 'discarded'))))
         order by recorded_at desc, lot_id desc limit $6",
        group_id,
        wanted.clinic_ids,
        before_at,
        before_id,
        wanted.expiring_by,
        wanted.at_most
    )
    .fetch_all(db)
    .await?)
}

/// Holds a lot until the end of the transaction: whoever else would mark it waits.
///
/// # Errors
/// When the database does not answer.
pub async fn hold(db: &mut PgConnection, group_id: Uuid, lot_id: Uuid) -> Result<()> {
    sqlx::query!(
        r#"select pg_advisory_xact_lock(hashtextextended($1, 0)) as "held!: ()""#,
        format!("lot {group_id} {lot_id}")
    )
    .fetch_one(db)
    .await?;
    Ok(())
}

/// Holds lots that work is recorded with until the end of the transaction: whoever would mark one of them waits, so that a
/// recall finds the use and the use finds the recall. In one order, so that nobody waits for each other.
///
/// # Errors
/// When the database does not answer.
pub async fn hold_for_use(db: &mut PgConnection, group_id: Uuid, lot_ids: &BTreeSet<Uuid>) -> Result<()> {
    if lot_ids.is_empty() {
        return Ok(());
    }
    let names: Vec<String> = lot_ids.iter().map(|lot_id| format!("lot {group_id} {lot_id}")).collect();
    sqlx::query!(
        r#"select pg_advisory_xact_lock_shared(hashtextextended(n.name, 0)) as "held!: ()"
           from unnest($1::text[]) with ordinality as n(name, place) order by n.place"#,
        &names
    )
    .fetch_all(db)
    .await?;
    Ok(())
}

/// Adds a mark to a lot that is held.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    lot: &LotRow,
    mark: &LotMark,
    key_id: Uuid,
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, lot.clinic_id, mark.recorded_at).await?;
    sqlx::query!(
        "insert into lot_mark (group_id, lot_id, number, clinic_id, kind, marked_at, marked_by, reason, authority,
                               recorded_at, key_id, staff_id)
         select $1, $2, coalesce(max(number), 0) + 1, $3, $4, $5, $6, $7, $8, $9, $10, $11
         from lot_mark where group_id = $1 and lot_id = $2",
        group_id,
        lot.lot_id,
        lot.clinic_id,
        mark.kind.as_str(),
        mark.marked_at,
        mark.marked_by,
        mark.reason,
        mark.authority,
        mark.recorded_at,
        key_id,
        mark.staff_id
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The marks of some lots, in the order they came.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_marks(
    db: &mut PgConnection,
    group_id: Uuid,
    lot_ids: &[Uuid],
) -> Result<BTreeMap<Uuid, Vec<LotMark>>> {
    let rows = sqlx::query!(
        "select lot_id, kind, marked_at, marked_by, staff_id, reason, authority, recorded_at from lot_mark
         where group_id = $1 and lot_id = any($2) order by lot_id, number",
        group_id,
        lot_ids
    )
    .fetch_all(db)
    .await?;
    let mut marks: BTreeMap<Uuid, Vec<LotMark>> = BTreeMap::new();
    for row in rows {
        let kind = LotMarkKind::from_name(&row.kind)
            .ok_or_else(|| StoreError::bad_row("lot_mark", row.lot_id, "kind", &row.kind))?;
        marks.entry(row.lot_id).or_default().push(LotMark {
            kind,
            marked_at: row.marked_at,
            marked_by: row.marked_by,
            staff_id: row.staff_id,
            reason: row.reason,
            authority: row.authority,
            recorded_at: row.recorded_at,
        });
    }
    Ok(marks)
}

/// These lots as evidence of a clinic day is judged by them; ids that name no lot of the group are left out.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_in_use(
    db: &mut PgConnection,
    group_id: Uuid,
    lot_ids: &[Uuid],
    clinic_day: NaiveDate,
) -> Result<BTreeMap<Uuid, LotInUse>> {
    let rows = sqlx::query!(
        "select l.lot_id, l.product_id, l.clinic_id, l.lot_number, l.expires_on, c.zone
         from lot l join clinic c on c.group_id = l.group_id and c.clinic_id = l.clinic_id
         where l.group_id = $1 and l.lot_id = any($2)",
        group_id,
        lot_ids
    )
    .fetch_all(&mut *db)
    .await?;
    let product_ids: Vec<Uuid> = rows.iter().map(|row| row.product_id).collect();
    let versions = products::list_versions(db, group_id, &product_ids).await?;
    let by_product: BTreeMap<Uuid, &[ProductVersion]> =
        versions.chunk_by(|a, b| a.product_id == b.product_id).map(|of_one| (of_one[0].product_id, of_one)).collect();
    let mut marks = list_marks(db, group_id, lot_ids).await?;
    let mut lots = BTreeMap::new();
    for row in rows {
        let zone = row.zone.parse().map_err(|error| StoreError::bad_row("clinic", row.clinic_id, "zone", error))?;
        let version = by_product.get(&row.product_id).and_then(|versions| version_on(versions, clinic_day));
        let version =
            version.ok_or_else(|| StoreError::bad_row("lot", row.lot_id, "product_id", "no version of it"))?.clone();
        let lot = LotInUse {
            lot_number: row.lot_number,
            clinic_id: row.clinic_id,
            expires_on: row.expires_on,
            zone,
            version,
            marks: marks.remove(&row.lot_id).unwrap_or_default(),
        };
        lots.insert(row.lot_id, lot);
    }
    Ok(lots)
}

/// One completion that was worked with a lot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotUse {
    /// The completion.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// What it was about.
    pub subject_id: Uuid,
    /// Its clinic day.
    pub clinic_day: NaiveDate,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// Its verdict.
    pub verdict: String,
    /// The steps that name the lot.
    pub step_keys: Vec<String>,
}

/// Every completion that names a lot, in these clinics or (`None`) in all, the newest work first: at most so many, from
/// before a place in that list.
///
/// # Errors
/// When the database does not answer.
pub async fn list_uses(
    db: &mut PgConnection,
    group_id: Uuid,
    lot_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<LotUse>> {
    let (before_at, before_id) = before.unzip();
    Ok(sqlx::query_as!(
        LotUse,
        r#"select c.completion_id, c.task_id, c.clinic_id, t.subject_id, c.clinic_day, c.performed_at, c.recorded_at,
                  c.performed_by, c.verdict, used.step_keys as "step_keys!"
           from (select s.clinic_day, s.completion_id, array_agg(s.step_key order by s.ordinal) as step_keys
                 from step_result s where s.group_id = $1 and s.lot_id = $2
                 group by s.clinic_day, s.completion_id) as used
           join completion c on c.group_id = $1 and c.clinic_day = used.clinic_day
                            and c.completion_id = used.completion_id
           join task t on t.group_id = $1 and t.clinic_day = c.clinic_day and t.task_id = c.task_id
           where ($3::uuid[] is null or c.clinic_id = any($3))
             and ($4::timestamptz is null or (c.performed_at, c.completion_id) < ($4, $5::uuid))
           order by c.performed_at desc, c.completion_id desc limit $6"#,
        group_id,
        lot_id,
        clinic_ids,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?)
}

/// How many completions name a lot, in these clinics or (`None`) in all.
///
/// # Errors
/// When the database does not answer.
pub async fn count_uses(
    db: &mut PgConnection,
    group_id: Uuid,
    lot_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!"
           from (select distinct s.clinic_day, s.completion_id from step_result s
                 where s.group_id = $1 and s.lot_id = $2) as used
           join completion c on c.group_id = $1 and c.clinic_day = used.clinic_day
                            and c.completion_id = used.completion_id
           where ($3::uuid[] is null or c.clinic_id = any($3))"#,
        group_id,
        lot_id,
        clinic_ids
    )
    .fetch_one(db)
    .await?)
}

/// What a lot was used on, each with the clinic it stood in then, in one order whoever asks.
///
/// # Errors
/// When the database does not answer.
pub async fn list_used_on(db: &mut PgConnection, group_id: Uuid, lot_id: Uuid) -> Result<Vec<(Uuid, Uuid)>> {
    let rows = sqlx::query!(
        r#"select distinct t.subject_id, c.clinic_id
           from step_result s
           join completion c on c.group_id = $1 and c.clinic_day = s.clinic_day and c.completion_id = s.completion_id
           join task t on t.group_id = $1 and t.clinic_day = c.clinic_day and t.task_id = c.task_id
           where s.group_id = $1 and s.lot_id = $2
           order by t.subject_id, c.clinic_id"#,
        group_id,
        lot_id
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.clinic_id, row.subject_id)).collect())
}
