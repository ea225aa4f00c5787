//! API keys.
//!
//! The rule of this file: a key's secret leaves the service once, in the answer that made it, and is kept nowhere but
//! with its holder. Keys are revoked and never deleted, since evidence names them.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::{Caller, Token};
use super::configuration::{Change, EditQuery, Edited, check_found, must_configure, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::{Reach, Role};
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::subject::SubjectKind;
use crate::store;
use crate::store::keys::Key;

/// Most clinics a key can name; one that needs more reaches the group.
const MOST_CLINICS: usize = 200;

/// A key as it is asked for.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KeyInput {
    /// Its identity, made by the client, so that a repeat makes no second key.
    pub key_id: Uuid,
    /// What you call the device or system that holds it, to know later which to revoke.
    #[schema(min_length = 1, max_length = 120, example = "tablet, chair 2")]
    pub label: String,
    /// What it may do.
    pub role: Role,
    /// How far it reaches: at most 200 clinics, or one operatory, or the group.
    pub reach: Reach,
    /// Several people use the device, a tablet on the wall for one: whoever records with it is told apart by a PIN, and what
    /// comes without one is flagged. For the role `chairside`.
    #[serde(default)]
    pub shared: bool,
}

impl KeyInput {
    fn check(mut self, now: DateTime<Utc>) -> Result<Key, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/label", &self.label, 120);
        if let Reach::Clinics { clinic_ids } = &mut self.reach {
            // A set, whatever the order it was sent in: a repeat is then recognised.
            clinic_ids.sort_unstable();
            clinic_ids.dedup();
            if clinic_ids.is_empty() || clinic_ids.len() > MOST_CLINICS {
                faults.push(Fault::new("/reach/clinic_ids", format!("must name 1 to {MOST_CLINICS} clinics")));
            }
        }
        if self.shared && self.role != Role::Chairside {
            faults.push(Fault::new("/shared", "is for the role chairside: nobody else records work"));
        }
        let Self { key_id, label, role, reach, shared } = self;
        let key = Key { key_id, label, role, reach, shared, created_at: now, revoked_at: None, last_used_at: None };
        without_faults(key, faults)
    }
}

/// A key, without its secret.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct KeyDocument {
    /// Its identity.
    pub key_id: Uuid,
    /// What you call its holder.
    pub label: String,
    /// What it may do.
    pub role: Role,
    /// How far it reaches.
    pub reach: Reach,
    /// Several people use the device.
    pub shared: bool,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was revoked; null: it was not.
    #[schema(required)]
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was last used, to the minute; null: never.
    #[schema(required)]
    pub last_used_at: Option<DateTime<Utc>>,
}

impl From<Key> for KeyDocument {
    fn from(key: Key) -> Self {
        let Key { key_id, label, role, reach, shared, created_at, revoked_at, last_used_at } = key;
        Self { key_id, label, role, reach, shared, created_at, revoked_at, last_used_at }
    }
}

/// A key that was just made.
// Not `Debug`: the token must not find its way into a log.
#[derive(Serialize, ToSchema)]
pub struct IssuedKey {
    /// The key.
    #[serde(flatten)]
    pub key: KeyDocument,
    /// What its holder sends as `Authorization: Bearer …`. Shown this once.
    pub token: String,
}

/// The group's keys.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct KeyList {
    /// By label, revoked ones too.
    pub items: Vec<KeyDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_keys, create_key)).routes(routes!(get_key, revoke_key))
}

/// List the group's keys
///
/// For administrators. No secret is among what is shown.
#[utoipa::path(
    get,
    path = "/v1/keys",
    operation_id = "list_keys",
    tag = "Keys",
    responses((status = 200, description = "The keys by label, revoked ones too.", body = KeyList))
)]
async fn list_keys(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<KeyList>> {
    must_configure(&caller)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut keys = store::keys::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    keys.sort_by(|a, b| (&a.label, a.key_id).cmp(&(&b.label, b.key_id)));
    Ok(Json(KeyList { items: keys.into_iter().map(KeyDocument::from).collect() }))
}

/// Read one key
///
/// For administrators. Its secret is not among what is shown.
#[utoipa::path(
    get,
    path = "/v1/keys/{key_id}",
    operation_id = "get_key",
    tag = "Keys",
    params(("key_id" = Uuid, Path, description = "The key.")),
    responses((status = 200, description = "The key.", body = KeyDocument))
)]
async fn get_key(
    State(state): State<AppState>,
    caller: Caller,
    Path(key_id): Path<Uuid>,
) -> ApiResult<Json<KeyDocument>> {
    must_configure(&caller)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let key = store::keys::find(&mut tx, caller.group_id, key_id).await?;
    tx.commit().await?;
    key.map(|key| Json(key.into())).ok_or_else(|| ApiError::not_found("key"))
}

/// Create a key
///
/// The token is in this answer and in no other: a repeat with the same content is answered without it. Where the first
/// answer was lost, revoke the key and make another.
#[utoipa::path(
    post,
    path = "/v1/keys",
    operation_id = "create_key",
    tag = "Keys",
    params(EditQuery),
    request_body = KeyInput,
    responses(
        (status = 200, description = "It was made before; the token is not shown again.", body = KeyDocument),
        (status = 201, description = "It was made; the token is shown this once.", body = IssuedKey)
    )
)]
async fn create_key(
    State(state): State<AppState>,
    caller: Caller,
    Query(edit): Query<EditQuery>,
    Body(input): Body<KeyInput>,
) -> Edited<Response> {
    let (mut change, key) = Change::begin(&state, &caller, edit, input.check(caller.now)).await?;
    if let Some(before) = store::keys::find(change.db(), caller.group_id, key.key_id).await? {
        let is_same = (&before.label, before.role, &before.reach) == (&key.label, key.role, &key.reach);
        if is_same && before.shared == key.shared {
            change.commit().await?;
            return Ok(Json(KeyDocument::from(before)).into_response());
        }
        return Err(ApiError::conflict(
            "key-id-taken",
            "The key id is taken",
            "a key with this id and another label, role, reach or sharing stands; keys do not change: make a new id",
        )
        .into());
    }
    check_reach(&mut change, caller.group_id, &key.reach).await?;
    let token = Token::make(caller.group_id)?;
    store::keys::insert(change.db(), caller.group_id, &key, &token.secret_hash()).await?;
    let document = KeyDocument::from(key);
    change.tell(EventKind::KeyCreated, None, &json!({ "key": document })).await?;
    change.commit().await?;
    let headers: [(HeaderName, String); 2] =
        [(header::LOCATION, format!("/v1/keys/{}", document.key_id)), (header::CACHE_CONTROL, "no-store".to_owned())];
    Ok((StatusCode::CREATED, headers, Json(IssuedKey { key: document, token: token.reveal() })).into_response())
}

/// Revoke a key
///
/// From then on it opens nothing; what was recorded with it stays. A repeat is harmless. A key cannot revoke itself,
/// so that a group never locks itself out.
#[utoipa::path(
    delete,
    path = "/v1/keys/{key_id}",
    operation_id = "revoke_key",
    tag = "Keys",
    params(("key_id" = Uuid, Path, description = "The key."), EditQuery),
    responses((status = 204, description = "It is revoked."))
)]
async fn revoke_key(
    State(state): State<AppState>,
    caller: Caller,
    Path(key_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
) -> Edited<StatusCode> {
    let (mut change, ()) = Change::begin(&state, &caller, edit, Ok(())).await?;
    if key_id == caller.key_id {
        return Err(ApiError::conflict(
            "own-key",
            "A key cannot revoke itself",
            "revoke it with another administrator's key",
        )
        .into());
    }
    if store::keys::find(change.db(), caller.group_id, key_id).await?.is_none() {
        return Err(ApiError::not_found("key").into());
    }
    if store::keys::revoke(change.db(), caller.group_id, key_id, caller.now).await? {
        change.tell(EventKind::KeyRevoked, None, &json!({ "revoked_key_id": key_id })).await?;
    }
    change.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// What a key reaches must exist, or it would open nothing and nobody would know why.
async fn check_reach(change: &mut Change<'_>, group_id: Uuid, reach: &Reach) -> ApiResult<()> {
    let mut faults = Vec::new();
    match reach {
        Reach::Group {} => {}
        Reach::Clinics { clinic_ids } => {
            let missing = store::clinics::list_missing(change.db(), group_id, clinic_ids).await?;
            check_found(&mut faults, "/reach/clinic_ids", &missing, "clinic");
        }
        Reach::Operatory { operatory_id } => {
            let kind = SubjectKind::Operatory;
            let missing = store::clinics::subjects::list_missing(change.db(), group_id, kind, &[*operatory_id]).await?;
            check_found(&mut faults, "/reach/operatory_id", &missing, kind.as_str());
        }
    }
    without_faults((), faults).map_err(ApiError::rules_broken)
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let reach = Reach::Operatory { operatory_id: samples::OPERATORY };
    let label = "tablet, chair 2".to_owned();
    let input = KeyInput { key_id: samples::KEY, label, role: Role::Chairside, reach, shared: true };
    let document = KeyDocument {
        key_id: input.key_id,
        label: input.label.clone(),
        role: input.role,
        reach: input.reach.clone(),
        shared: input.shared,
        created_at: samples::morning(8, 0),
        revoked_at: None,
        last_used_at: None,
    };
    let list = KeyList { items: vec![document.clone()] };
    // No secret of any key, and too short to be one.
    let issued =
        IssuedKey { key: document.clone(), token: "ct.0b6f2c3e5d0a4c579a537f1e2a90c000.shown-once".to_owned() };
    vec![
        Example { operation_id: "list_keys", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_key", part: Part::Response, value: json!(document) },
        Example { operation_id: "create_key", part: Part::Request, value: json!(input) },
        Example { operation_id: "create_key", part: Part::Response, value: json!(document) },
        Example { operation_id: "create_key", part: Part::Created, value: json!(issued) },
    ]
}
