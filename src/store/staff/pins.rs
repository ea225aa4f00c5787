//! PINs: their hashes, and the count of tries.
//!
//! The rule of this file: a try is counted in the database before the PIN is looked at, and forgotten only when it was
//! right. So neither many requests at once, nor another instance, nor a restart gives a guesser one more.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::pin::{self, Cost, PinHash};
use crate::store::{Result, StoreError};

/// What may be done with a try.
#[derive(Debug)]
pub enum Try {
    /// The person has no PIN.
    NoPin,
    /// It is counted; compare it with this.
    Counted(PinHash),
    /// Nothing is looked at before then.
    LockedUntil(DateTime<Utc>),
}

/// Counts a try at a person's PIN at `now`. Commit before the PIN is looked at.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn count_try(db: &mut PgConnection, group_id: Uuid, staff_id: Uuid, now: DateTime<Utc>) -> Result<Try> {
    let row = sqlx::query!(
        "select salt, hash, memory_kib, passes, lanes, tries, locked_until
         from staff_pin where group_id = $1 and staff_id = $2 for update",
        group_id,
        staff_id
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(row) = row else { return Ok(Try::NoPin) };
    if let Some(until) = row.locked_until.filter(|until| *until > now) {
        return Ok(Try::LockedUntil(until));
    }
    let tries = row.tries.saturating_add(1);
    sqlx::query!(
        "update staff_pin set tries = $3, locked_until = $4 where group_id = $1 and staff_id = $2",
        group_id,
        staff_id,
        tries,
        pin::lock_after(tries).map(|lock| now + lock)
    )
    .execute(db)
    .await?;
    let number = |column, value: i32| {
        u32::try_from(value).map_err(|error| StoreError::bad_row("staff_pin", staff_id, column, error))
    };
    let cost = Cost {
        memory_kib: number("memory_kib", row.memory_kib)?,
        passes: number("passes", row.passes)?,
        lanes: number("lanes", row.lanes)?,
    };
    Ok(Try::Counted(PinHash { salt: row.salt, hash: row.hash, cost }))
}

/// Forgets the tries at a PIN that was right, unless it was replaced meanwhile.
///
/// # Errors
/// When the database does not answer.
pub async fn forget_tries(db: &mut PgConnection, group_id: Uuid, staff_id: Uuid, right: &PinHash) -> Result<()> {
    sqlx::query!(
        "update staff_pin set tries = 0, locked_until = null where group_id = $1 and staff_id = $2 and hash = $3",
        group_id,
        staff_id,
        right.hash
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Gives a person a PIN, in place of any other; what was tried at that counts no more.
///
/// # Errors
/// When the database does not answer.
pub async fn save(
    db: &mut PgConnection,
    group_id: Uuid,
    staff_id: Uuid,
    pin: &PinHash,
    now: DateTime<Utc>,
) -> Result<()> {
    let number = |value: u32| i32::try_from(value).unwrap_or(i32::MAX);
    sqlx::query!(
        "insert into staff_pin (group_id, staff_id, salt, hash, memory_kib, passes, lanes, set_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8)
         on conflict (group_id, staff_id) do update
         set salt = excluded.salt, hash = excluded.hash, memory_kib = excluded.memory_kib, passes = excluded.passes,
             lanes = excluded.lanes, set_at = excluded.set_at, tries = 0, locked_until = null",
        group_id,
        staff_id,
        pin.salt,
        pin.hash,
        number(pin.cost.memory_kib),
        number(pin.cost.passes),
        number(pin.cost.lanes),
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
