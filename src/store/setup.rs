//! What must stand before the first request: the database, its schema, and a role that is held by row-level security.
//!
//! The rule of this file: it looks and says what it found; only [`create_database`] and the migrations change
//! anything, and both take a login the running service does not need.

use std::collections::{HashMap, HashSet};

use sqlx::PgConnection;
use sqlx::migrate::Migrator;

use super::Result;

/// The migrations this program was built with.
pub static MIGRATIONS: Migrator = sqlx::migrate!();

/// Makes the database `chairtide` in a cluster of our own; `false` when it is there.
///
/// # Errors
/// When the database does not answer.
pub async fn create_database(db: &mut PgConnection) -> Result<bool> {
    let exists = sqlx::query_scalar!(r#"select exists (select from pg_database where datname = 'chairtide') as "it!""#)
        .fetch_one(&mut *db)
        .await?;
    if !exists {
        sqlx::query!("create database chairtide").execute(db).await?;
    }
    Ok(!exists)
}

/// Versions of the migrations that were applied; none for a database that was never migrated.
///
/// # Errors
/// When the database does not answer, or the login may not know.
pub async fn applied_versions(db: &mut PgConnection) -> Result<HashSet<i64>> {
    if !was_migrated(&mut *db).await? {
        return Ok(HashSet::new());
    }
    let versions = sqlx::query_scalar!("select version from _sqlx_migrations where success").fetch_all(db).await?;
    Ok(versions.into_iter().collect())
}

/// How the schema differs from the one this program was built for; `None` when it does not. A schema that is newer
/// is not a difference: during an upgrade the old program runs on for a while.
///
/// # Errors
/// When the database does not answer.
pub async fn schema_difference(db: &mut PgConnection) -> Result<Option<String>> {
    if !was_migrated(&mut *db).await? {
        return Ok(Some("it was never migrated".to_owned()));
    }
    let applied: HashMap<i64, Vec<u8>> =
        sqlx::query!("select version, checksum from _sqlx_migrations where success order by version")
            .fetch_all(db)
            .await?
            .into_iter()
            .map(|row| (row.version, row.checksum))
            .collect();
    Ok(MIGRATIONS.iter().find_map(|migration| match applied.get(&migration.version) {
        None => Some(format!("migration {} was not applied", migration.version)),
        Some(checksum) if checksum[..] != migration.checksum[..] => {
            Some(format!("migration {} was applied with other content", migration.version))
        }
        Some(_) => None,
    }))
}

/// Why the role of this transaction is not held by row-level security; empty when it is.
///
/// # Errors
/// When the database does not answer.
pub async fn ways_past_row_security(db: &mut PgConnection) -> Result<Vec<String>> {
    let role = sqlx::query!(
        r#"select rolname as "name!", rolsuper as "is_superuser!", rolbypassrls as "bypasses!"
           from pg_roles where rolname = current_user"#
    )
    .fetch_one(&mut *db)
    .await?;
    let tables = sqlx::query!(
        r#"select c.relname::text as "name!", pg_has_role(current_user, c.relowner, 'member') as "owned!",
                  c.relrowsecurity or not exists (
                      select from pg_attribute a
                      where a.attrelid = c.oid and a.attname = 'group_id' and not a.attisdropped) as "secured!"
           from pg_class c
           where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition
           order by c.relname"#
    )
    .fetch_all(db)
    .await?;

    let mut ways = Vec::new();
    if role.is_superuser {
        ways.push(format!("{} is a superuser", role.name));
    }
    if role.bypasses {
        ways.push(format!("{} has BYPASSRLS", role.name));
    }
    for table in tables {
        if table.owned {
            ways.push(format!("{} owns the table {}", role.name, table.name));
        }
        if !table.secured {
            ways.push(format!("the table {} holds a group's rows and has no row-level security", table.name));
        }
    }
    Ok(ways)
}

/// Whether the table of applied migrations is there.
async fn was_migrated(db: &mut PgConnection) -> Result<bool> {
    Ok(sqlx::query_scalar!(r#"select to_regclass('_sqlx_migrations') is not null as "it!""#).fetch_one(db).await?)
}
