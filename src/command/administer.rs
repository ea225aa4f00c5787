//! What an operator does once: groups, their first keys, and logins for auditors.
//!
//! The rule of this file: a secret is printed once, after the transaction that keeps its hash was committed.

use anyhow::{anyhow, bail, ensure};
use chrono::{DateTime, Utc};
use serde_json::json;
use sqlx::{Postgres, Transaction};
use uuid::Uuid;

use super::connect::Database;
use crate::clock::Clock;
use crate::config::Config;
use crate::domain::access::{Reach, Role};
use crate::domain::event::EventKind;
use crate::http::caller::Token;
use crate::jobs::planner;
use crate::store;
use crate::store::groups::Group;
use crate::store::keys::Key;

/// Label of a group's first key.
const FIRST_LABEL: &str = "first administrator";

/// Makes a group and prints its id and its first administrator key.
pub(super) async fn create_group(database: &Database, name: &str, group_id: Option<Uuid>) -> anyhow::Result<()> {
    ensure!(!name.trim().is_empty(), "--name must not be empty");
    let clock = Clock::System;
    if database.is_private() {
        database.migrate().await?;
    }
    let pool = database.checked_pool(&clock).await?;
    let now = clock.now();
    let group_id = group_id.unwrap_or_else(Uuid::new_v4);
    let group = Group { group_id, name: name.trim().to_owned(), created_at: now };

    let mut tx = store::begin(&pool, group_id).await?;
    if !store::groups::insert(&mut tx, &group).await? {
        println!("group_id {group_id}");
        eprintln!("the group exists already; nothing was changed, and its first key is not shown again");
        return Ok(());
    }
    let token = insert_key(&mut tx, group_id, Role::Administrator, FIRST_LABEL, now).await?;
    tx.commit().await?;
    println!("group_id {group_id}");
    println!("key {}", token.reveal());
    Ok(())
}

/// Makes a key that reaches the whole group and prints it.
pub(super) async fn create_key(database: &Database, group_id: Uuid, role: Role, label: &str) -> anyhow::Result<()> {
    ensure!(!label.trim().is_empty(), "--label must not be empty");
    let clock = Clock::System;
    let pool = database.checked_pool(&clock).await?;
    let mut tx = store::begin(&pool, group_id).await?;
    if store::groups::find(&mut tx, group_id).await?.is_none() {
        bail!("there is no group {group_id}");
    }
    let token = insert_key(&mut tx, group_id, role, label.trim(), clock.now()).await?;
    tx.commit().await?;
    println!("key {}", token.reveal());
    Ok(())
}

/// Lets a database login read one group's reports.
pub(super) async fn grant_reporting(database: &Database, group_id: Uuid, login: &str) -> anyhow::Result<()> {
    // As the owner: the service's own role can neither grant a role nor tie a login to a group.
    let pool = database.owner_pool();
    let mut tx = pool.begin().await?;
    store::reporting::grant_login(&mut tx, group_id, login).await?;
    tx.commit().await?;
    eprintln!("{login} may read the reports of group {group_id}");
    Ok(())
}

/// Plans every clinic that is due.
pub(super) async fn plan(database: &Database, config: &Config) -> anyhow::Result<()> {
    let clock = Clock::System;
    let pool = database.checked_pool(&clock).await?;
    let report = planner::tick_shown(&pool, &clock, config.horizon_days).await?;
    println!("clinics {}, failed {}, tasks changed {}", report.clinics, report.failed, report.tasks);
    Ok(())
}

/// Reads a role's stable name.
pub(super) fn parse_role(text: &str) -> Result<Role, String> {
    Role::ALL.into_iter().find(|role| role.as_str() == text).ok_or_else(|| {
        let names = Role::ALL.map(Role::as_str).join(", ");
        format!("it is one of {names}")
    })
}

/// Keeps a fresh key that reaches the whole group, with the event that tells of it.
async fn insert_key(
    tx: &mut Transaction<'static, Postgres>,
    group_id: Uuid,
    role: Role,
    label: &str,
    now: DateTime<Utc>,
) -> anyhow::Result<Token> {
    let token = Token::make(group_id).map_err(|_| anyhow!("the operating system has no randomness to give"))?;
    let key = Key {
        key_id: Uuid::new_v4(),
        label: label.to_owned(),
        role,
        reach: Reach::Group {},
        shared: false,
        created_at: now,
        revoked_at: None,
        last_used_at: None,
    };
    store::keys::insert(tx, group_id, &key, &token.secret_hash()).await?;
    let body = json!({ "key_id": key.key_id, "label": key.label, "role": key.role, "reach": key.reach });
    store::events::append(tx, group_id, EventKind::KeyCreated, None, &body, now).await?;
    Ok(token)
}
