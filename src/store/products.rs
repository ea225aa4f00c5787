//! Products and their versions.
//!
//! The rule of this file: a version is appended and never changed, since evidence names the version it was judged by.

pub mod lots;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::product::ProductVersion;

struct Row {
    product_id: Uuid,
    version: i32,
    effective_on: NaiveDate,
    definition: Value,
}

impl TryFrom<Row> for ProductVersion {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let product = serde_json::from_value(row.definition).map_err(|error| {
            let key = format!("{} version {}", row.product_id, row.version);
            StoreError::bad_row("product_version", key, "definition", error)
        })?;
        Ok(Self { product_id: row.product_id, version: row.version, effective_on: row.effective_on, product })
    }
}

/// How many products the group has.
///
/// # Errors
/// When the database does not answer.
pub async fn count(db: &mut PgConnection, group_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(r#"select count(*) as "count!" from product where group_id = $1"#, group_id)
        .fetch_one(db)
        .await?)
}

/// The newest version of every product of the group, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_newest(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<ProductVersion>> {
    sqlx::query_as!(
        Row,
        r#"select product_id as "product_id!", version as "version!", effective_on as "effective_on!",
                  definition as "definition!"
           from (select distinct on (product_id) product_id, version, effective_on, definition
                 from product_version where group_id = $1 order by product_id, version desc) as newest
           order by definition ->> 'name', product_id"#,
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(ProductVersion::try_from)
    .collect()
}

/// All versions of these products, by product and the oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_versions(db: &mut PgConnection, group_id: Uuid, product_ids: &[Uuid]) -> Result<Vec<ProductVersion>> {
    sqlx::query_as!(
        Row,
        "select product_id, version, effective_on, definition from product_version
         where group_id = $1 and product_id = any($2) order by product_id, version",
        group_id,
        product_ids
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(ProductVersion::try_from)
    .collect()
}

/// The newest version of a product.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_newest(db: &mut PgConnection, group_id: Uuid, product_id: Uuid) -> Result<Option<ProductVersion>> {
    sqlx::query_as!(
        Row,
        "select product_id, version, effective_on, definition from product_version
         where group_id = $1 and product_id = $2 order by version desc limit 1",
        group_id,
        product_id
    )
    .fetch_optional(db)
    .await?
    .map(ProductVersion::try_from)
    .transpose()
}

/// Those of `product_ids` that are no product of the group.
///
/// # Errors
/// When the database does not answer.
pub async fn list_missing(db: &mut PgConnection, group_id: Uuid, product_ids: &[Uuid]) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"select wanted.id as "id!" from unnest($2::uuid[]) as wanted(id)
           where not exists (select from product p where p.group_id = $1 and p.product_id = wanted.id)
           order by wanted.id"#,
        group_id,
        product_ids
    )
    .fetch_all(db)
    .await?)
}

/// Appends a version; the first one makes the product.
///
/// # Errors
/// When the database does not answer, or the version stands already.
pub async fn append_version(
    db: &mut PgConnection,
    group_id: Uuid,
    version: &ProductVersion,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into product (group_id, product_id, created_at) values ($1, $2, $3) on conflict do nothing",
        group_id,
        version.product_id,
        now
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "insert into product_version (group_id, product_id, version, effective_on, definition, created_at)
         values ($1, $2, $3, $4, $5, $6)",
        group_id,
        version.product_id,
        version.version,
        version.effective_on,
        json!(version.product),
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
