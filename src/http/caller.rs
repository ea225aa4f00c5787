//! Who is calling: from a bearer token to a group, a role and a reach.
//!
//! The rule of this file: the token names its group, so the look-up of its secret runs under row-level security like
//! any other query. Handlers ask the caller what it may do before they touch the store; what is out of reach is
//! answered as if it did not exist.

use axum::extract::FromRequestParts;
use axum::http::header;
use axum::http::request::Parts;
use chrono::{DateTime, Utc};
use data_encoding::BASE32_NOPAD;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::AppState;
use super::problem::{ApiError, ApiResult};
use crate::domain::access::{Reach, Role};
use crate::store;
use crate::store::seals::marks::Marking;

/// A caller whose key was found and is not revoked.
#[derive(Clone, Debug)]
pub struct Caller {
    /// The tenant.
    pub group_id: Uuid,
    /// The key, i.e. the device or system; never the person.
    pub key_id: Uuid,
    /// What it may do.
    pub role: Role,
    /// How far it reaches.
    pub reach: Reach,
    /// Several people use the device.
    pub shared: bool,
    /// The instant of the request: the only time its handler uses.
    pub now: DateTime<Utc>,
}

impl Caller {
    /// What it changes is marked with this.
    #[must_use]
    pub fn marking(&self) -> Marking {
        Marking { recorded_at: self.now, key_id: self.key_id }
    }

    /// Lets only these roles pass.
    ///
    /// # Errors
    /// 403 naming the roles that may.
    pub fn must_be(&self, roles: &[Role]) -> ApiResult<()> {
        if roles.contains(&self.role) {
            return Ok(());
        }
        let names: Vec<_> = roles.iter().map(|r| r.as_str()).collect();
        Err(ApiError::forbidden(format!("this takes a key with the role {}", names.join(" or "))))
    }

    /// Lets pass only a key that reaches the whole group.
    ///
    /// # Errors
    /// 403.
    pub fn must_reach_group(&self) -> ApiResult<()> {
        if self.reach.covers_group() {
            return Ok(());
        }
        Err(ApiError::forbidden("this takes a key that reaches the whole group"))
    }

    /// Lets pass only a key that reaches the clinic.
    ///
    /// # Errors
    /// 404: a clinic out of reach does not exist for the key.
    pub fn must_reach_clinic(&self, clinic_id: Uuid) -> ApiResult<()> {
        if self.reach.covers_clinic(clinic_id) { Ok(()) } else { Err(ApiError::not_found("clinic")) }
    }

    /// Lets pass only a key that reaches the subject.
    ///
    /// # Errors
    /// 404 naming `what`.
    pub fn must_reach_subject(&self, clinic_id: Uuid, subject_id: Uuid, what: &str) -> ApiResult<()> {
        if self.reach.covers_subject(clinic_id, subject_id) { Ok(()) } else { Err(ApiError::not_found(what)) }
    }
}

impl FromRequestParts<AppState> for Caller {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &AppState) -> ApiResult<Self> {
        let token = parts
            .headers
            .get(header::AUTHORIZATION)
            .and_then(|v| v.to_str().ok())
            .and_then(|v| v.split_once(' '))
            .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
            .and_then(|(_, token)| Token::parse(token.trim(), TokenUse::Key))
            .ok_or_else(ApiError::unauthenticated)?;
        let now = state.clock.now();
        let mut tx = store::begin(&state.pool, token.group_id).await?;
        let key = store::keys::find_by_secret(&mut tx, token.group_id, &token.secret_hash())
            .await?
            .filter(|key| key.revoked_at.is_none())
            .ok_or_else(ApiError::unauthenticated)?;
        store::keys::touch(&mut tx, token.group_id, key.key_id, now).await?;
        tx.commit().await?;
        let store::keys::Key { key_id, role, reach, shared, .. } = key;
        Ok(Self { group_id: token.group_id, key_id, role, reach, shared, now })
    }
}

/// What a token opens. Each use has tokens of its own, so that one can never be taken for another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TokenUse {
    /// The API, as a bearer token.
    Key,
    /// One calendar feed, as its address.
    Feed,
}

impl TokenUse {
    fn prefix(self) -> &'static str {
        match self {
            Self::Key => "ct.",
            Self::Feed => "cf.",
        }
    }
}

/// A token: `ct.<group id in hex>.<256-bit secret in base32>`, or `cf.…` for a feed.
pub struct Token {
    group_id: Uuid,
    secret: [u8; 32],
}

impl Token {
    /// A token with a fresh secret from the operating system.
    ///
    /// # Errors
    /// 503 when the operating system has no randomness to give.
    pub fn make(group_id: Uuid) -> ApiResult<Self> {
        let mut secret = [0; 32];
        getrandom::fill(&mut secret).map_err(|_| ApiError::unavailable("no randomness for a secret"))?;
        Ok(Self { group_id, secret })
    }

    /// Reads a token for a use; `None` when it cannot be one of ours.
    pub(super) fn parse(text: &str, used_as: TokenUse) -> Option<Self> {
        let (group, secret) = text.strip_prefix(used_as.prefix())?.split_once('.')?;
        let secret = BASE32_NOPAD.decode(secret.to_ascii_uppercase().as_bytes()).ok()?.try_into().ok()?;
        Some(Self { group_id: Uuid::try_parse(group).ok()?, secret })
    }

    /// The group it names.
    pub(super) fn group_id(&self) -> Uuid {
        self.group_id
    }

    /// What is stored of it.
    #[must_use]
    pub fn secret_hash(&self) -> [u8; 32] {
        Sha256::digest(self.secret).into()
    }

    /// The text that is shown once, as a bearer token.
    #[must_use]
    pub fn reveal(&self) -> String {
        self.reveal_as(TokenUse::Key)
    }

    /// The text that is shown once, for a use.
    pub(super) fn reveal_as(&self, used_as: TokenUse) -> String {
        let prefix = used_as.prefix();
        format!("{prefix}{}.{}", self.group_id.simple(), BASE32_NOPAD.encode(&self.secret).to_ascii_lowercase())
    }
}
