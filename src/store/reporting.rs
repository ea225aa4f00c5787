//! Who may read the schema `reporting`: database logins and the group each is tied to.
//!
//! The rule of this file: it runs as the owner, from the command line, and never for a request; the service's own role
//! has no right to anything here. A login must exist before it is let in: its password is no business of ours.

use sqlx::PgConnection;
use uuid::Uuid;

use super::StoreError;

/// Why a login was not let in.
#[derive(Debug, thiserror::Error)]
pub enum GrantLoginError {
    /// A name that is more trouble than it is worth.
    #[error("a login's name must be 1 to 63 of a-z, 0-9 and _, must begin with a letter, and must not begin with pg_")]
    BadName,
    /// There is no such role in the cluster, or it cannot log in.
    #[error("no role {0} that can log in: create it first, e.g. with `create role {0} login`")]
    UnknownLogin(String),
    /// A role that row-level security does not bind sees every group anyway.
    #[error("role {0} is a superuser or bypasses row-level security; a reader must be neither")]
    TooMighty(String),
    /// There is no such group.
    #[error("no group {0}")]
    UnknownGroup(Uuid),
    /// A login reads one group.
    #[error("login {0} is tied to another group")]
    OtherGroup(String),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl From<sqlx::Error> for GrantLoginError {
    fn from(error: sqlx::Error) -> Self {
        Self::Store(error.into())
    }
}

/// Lets a database login read the group's part of the schema `reporting`; a second time changes nothing.
///
/// # Errors
/// When the name is not fit, when there is no such login or group, when the login is tied to another group, or when
/// the database does not answer or refuses because the caller is not the owner.
pub async fn grant_login(db: &mut PgConnection, group_id: Uuid, login: &str) -> Result<(), GrantLoginError> {
    if !is_fit(login) {
        return Err(GrantLoginError::BadName);
    }
    let too_mighty = sqlx::query_scalar!(
        r#"select rolsuper or rolbypassrls as "too_mighty!" from pg_roles where rolname = $1::text and rolcanlogin"#,
        login
    )
    .fetch_optional(&mut *db)
    .await?
    .ok_or_else(|| GrantLoginError::UnknownLogin(login.to_owned()))?;
    if too_mighty {
        return Err(GrantLoginError::TooMighty(login.to_owned()));
    }
    let known = sqlx::query_scalar!("select group_id from dental_group where group_id = $1", group_id)
        .fetch_optional(&mut *db)
        .await?;
    if known.is_none() {
        return Err(GrantLoginError::UnknownGroup(group_id));
    }
    sqlx::query!(
        "insert into reporting_login (login, group_id) values ($1::text::name, $2) on conflict (login) do nothing",
        login,
        group_id
    )
    .execute(&mut *db)
    .await?;
    let tied_to =
        sqlx::query_scalar!("select group_id from reporting_login where login = $1::text::name for share", login)
            .fetch_one(&mut *db)
            .await?;
    if tied_to != group_id {
        return Err(GrantLoginError::OtherGroup(login.to_owned()));
    }
    sqlx::query!("select grant_reporting($1)", login).execute(db).await?;
    Ok(())
}

/// A name that means the same with and without quotes, wherever somebody will type it.
fn is_fit(login: &str) -> bool {
    login.len() <= 63
        && login.starts_with(|c: char| c.is_ascii_lowercase())
        && login.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
        && !login.starts_with("pg_")
}

#[cfg(test)]
mod tests {
    use super::is_fit;

    #[test]
    fn a_login_name_is_fit_only_when_it_needs_no_quotes() {
        for good in ["auditor", "auditor_2", "a", &"a".repeat(63)] {
            assert!(is_fit(good), "{good}");
        }
        // 63 bytes: PostgreSQL cuts longer identifiers (NAMEDATALEN - 1); pg_ is kept for the system's own roles
        // (PostgreSQL documentation, CREATE ROLE).
        for bad in ["", "Auditor", "2nd", "_x", "pg_monitor", "a b", "a\"; drop table task; --", "é", &"a".repeat(64)]
        {
            assert!(!is_fit(bad), "{bad}");
        }
    }
}
