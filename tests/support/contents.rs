//! What the database holds of a group, so that a test can say that nothing changed.

use std::collections::BTreeMap;

use sqlx::{AssertSqlSafe, PgPool};
use uuid::Uuid;

/// Rows of each table of a group: how many, and a digest of all they hold.
pub(crate) type Contents = BTreeMap<String, (i64, String)>;

/// Every table that holds rows of groups; its partitions are part of it.
pub(crate) async fn tables(pool: &PgPool) -> Vec<String> {
    sqlx::query_scalar(
        "select c.relname::text from pg_class c join pg_attribute a on a.attrelid = c.oid
         where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition
           and a.attname = 'group_id' and not a.attisdropped
         order by 1",
    )
    .fetch_all(pool)
    .await
    .expect("the catalogue can be read")
}

/// What the database holds of a group. The transaction that last wrote a row counts too, so a write that changed
/// nothing is seen; but for keys, whose rows note their use.
pub(crate) async fn contents(pool: &PgPool, group_id: Uuid) -> Contents {
    let mut contents = Contents::new();
    for table in tables(pool).await {
        let row = match table.as_str() {
            "api_key" => "(to_jsonb(t) - 'last_used_at')::text",
            _ => "t.xmin::text || to_jsonb(t)::text",
        };
        let sql = format!(
            "select count(*), coalesce(md5(string_agg(md5({row}), '' order by md5({row}))), '')
             from {table} t where group_id = $1"
        );
        let found = sqlx::query_as(AssertSqlSafe(sql)).bind(group_id).fetch_one(pool).await;
        contents.insert(table, found.expect("the owner reads everything"));
    }
    contents
}

/// One number that a query gives, read as the owner.
pub(crate) async fn count(pool: &PgPool, sql: &'static str, group_id: Uuid) -> i64 {
    sqlx::query_scalar(sql).bind(group_id).fetch_one(pool).await.expect("the owner reads everything")
}
