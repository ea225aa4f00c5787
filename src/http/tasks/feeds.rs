//! Calendar feeds: a clinic's tasks in a calendar program that can send no key.
//!
//! The rule of this file: the address is the secret. It leaves the service once, is kept as a hash, and what cannot be
//! opened by it (any more) is answered as if it had never been.

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Days, NaiveTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::calendar_feed::{self, Component, Entry};
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::ladder::Audience;
use crate::domain::plan::because::Because;
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::{Caller, Token, TokenUse};
use crate::http::clinics::find_reached;
use crate::http::conditional;
use crate::http::configuration::{must_have_room, without_faults};
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::tasks::feeds::{self, Feed};
use crate::store::{self, StoreError, clinics, events, routines};

/// How long a task stays in a feed after its clinic day.
const DAYS_BEHIND: u64 = 7;
/// Most feeds a clinic has at a time; more than a practice has screens.
const MOST_FEEDS: i64 = 100;

/// A feed as it is asked for.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FeedInput {
    /// Its identity, made by the client, so that a repeat makes no second feed.
    pub feed_id: Uuid,
    /// What you call the screen or program that shows it, to know later which to revoke.
    #[schema(min_length = 1, max_length = 120, example = "screen in the sterilisation room")]
    pub label: String,
    /// Whom its tasks concern: the chair all of them; others those that block, or that their ladder tells them of.
    pub audience: Audience,
    /// What each task is shown as; calendar programs differ in which of the two they show.
    pub component: Component,
}

impl FeedInput {
    fn check(self, clinic_id: Uuid, now: DateTime<Utc>) -> Result<Feed, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/label", &self.label, 120);
        let Self { feed_id, label, audience, component } = self;
        let (created_at, revoked_at, last_used_at) = (now, None, None);
        let feed = Feed { feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at };
        without_faults(feed, faults)
    }
}

/// A feed, without its address.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct FeedDocument {
    /// Its identity.
    pub feed_id: Uuid,
    /// Whose tasks it shows.
    pub clinic_id: Uuid,
    /// What you call the program that shows it.
    pub label: String,
    /// Whom its tasks concern.
    pub audience: Audience,
    /// What each task is shown as.
    pub component: Component,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was revoked; null: it was not.
    #[schema(required)]
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was last fetched, to the minute; null: never.
    #[schema(required)]
    pub last_used_at: Option<DateTime<Utc>>,
}

impl From<Feed> for FeedDocument {
    fn from(feed: Feed) -> Self {
        let Feed { feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at } = feed;
        Self { feed_id, clinic_id, label, audience, component, created_at, revoked_at, last_used_at }
    }
}

/// A feed that was just made.
// Not `Debug`: the address must not find its way into a log.
#[derive(Serialize, ToSchema)]
pub struct IssuedFeed {
    /// The feed.
    #[serde(flatten)]
    pub feed: FeedDocument,
    /// The path to subscribe to, below the address of this service. Shown this once; whoever has it has the feed.
    pub path: String,
}

/// A clinic's feeds.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct FeedList {
    /// By label, revoked ones too.
    pub items: Vec<FeedDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_feeds, create_feed))
        .routes(routes!(revoke_feed))
        .routes(routes!(get_feed_calendar))
}

fn must_manage_feeds(caller: &Caller, clinic_id: Uuid) -> ApiResult<()> {
    caller.must_be(&[Role::Administrator, Role::Manager])?;
    caller.must_reach_clinic(clinic_id)
}

/// List a clinic's calendar feeds
///
/// For administrators and managers. No address is among what is shown.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/feeds",
    operation_id = "list_feeds",
    tag = "Calendars",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The feeds by label, revoked ones too.", body = FeedList))
)]
async fn list_feeds(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<FeedList>> {
    must_manage_feeds(&caller, clinic_id)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let found = feeds::list(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(FeedList { items: found.into_iter().map(FeedDocument::from).collect() }))
}

/// Create a calendar feed
///
/// The path to subscribe to is in this answer and in no other: a repeat with the same content is answered without it.
/// Where the first answer was lost, revoke the feed and make another. The feed holds names of routines, rooms and
/// equipment, and no person.
#[utoipa::path(
    post,
    path = "/v1/clinics/{clinic_id}/feeds",
    operation_id = "create_feed",
    tag = "Calendars",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    request_body = FeedInput,
    responses(
        (status = 200, description = "It was made before; the path is not shown again.", body = FeedDocument),
        (status = 201, description = "It was made; the path is shown this once.", body = IssuedFeed)
    )
)]
async fn create_feed(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Body(input): Body<FeedInput>,
) -> ApiResult<Response> {
    must_manage_feeds(&caller, clinic_id)?;
    let feed = input.check(clinic_id, caller.now).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    // Feeds are made one after the other, so that a repeat is recognised and the bound holds.
    store::configuration::hold(&mut tx, caller.group_id).await?;
    if let Some(before) = feeds::find(&mut tx, caller.group_id, feed.feed_id).await? {
        tx.commit().await?;
        let same = |feed: &Feed| (feed.clinic_id, feed.label.clone(), feed.audience, feed.component);
        if same(&before) == same(&feed) {
            return Ok(Json(FeedDocument::from(before)).into_response());
        }
        return Err(ApiError::conflict(
            "feed-id-taken",
            "The feed id is taken",
            "a feed with this id and another content stands; feeds do not change: make a new id",
        ));
    }
    must_have_room(feeds::count_open(&mut tx, caller.group_id, clinic_id).await?, MOST_FEEDS, "feeds of a clinic")?;
    let token = Token::make(caller.group_id)?;
    feeds::insert(&mut tx, caller.group_id, &feed, &token.secret_hash(), caller.key_id).await?;
    let document = FeedDocument::from(feed);
    tell(&mut tx, &caller, EventKind::FeedCreated, clinic_id, &json!({ "feed": document })).await?;
    tx.commit().await?;
    let path = format!("/feeds/{}.ics", token.reveal_as(TokenUse::Feed));
    let no_store: [(HeaderName, &str); 1] = [(header::CACHE_CONTROL, "no-store")];
    Ok((StatusCode::CREATED, no_store, Json(IssuedFeed { feed: document, path })).into_response())
}

/// Revoke a calendar feed
///
/// From then on its address opens nothing. A repeat is harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/feeds/{feed_id}",
    operation_id = "revoke_feed",
    tag = "Calendars",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), ("feed_id" = Uuid, Path, description = "The feed.")),
    responses((status = 204, description = "It is revoked."))
)]
async fn revoke_feed(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, feed_id)): Path<(Uuid, Uuid)>,
) -> ApiResult<StatusCode> {
    must_manage_feeds(&caller, clinic_id)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let feed = feeds::find(&mut tx, caller.group_id, feed_id).await?;
    if feed.is_none_or(|feed| feed.clinic_id != clinic_id) {
        return Err(ApiError::not_found("feed"));
    }
    if feeds::revoke(&mut tx, caller.group_id, feed_id, caller.now).await? {
        tell(&mut tx, &caller, EventKind::FeedRevoked, clinic_id, &json!({ "revoked_feed_id": feed_id })).await?;
    }
    tx.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn tell(db: &mut PgConnection, caller: &Caller, kind: EventKind, clinic_id: Uuid, what: &Value) -> ApiResult<()> {
    let body = json!({ "by_key_id": caller.key_id, "changed": what });
    events::append(db, caller.group_id, kind, Some(clinic_id), &body, caller.now).await?;
    Ok(())
}

/// Read a calendar feed
///
/// The clinic's tasks from seven days back to the planning horizon as an iCalendar object (RFC 5545), for the program
/// that subscribed to it; no key is sent, the path is the secret. Send the `ETag` back as `If-None-Match` to get 304
/// while nothing changed. An unknown or revoked path is 404.
#[utoipa::path(
    get,
    path = "/feeds/{file}",
    operation_id = "get_feed_calendar",
    tag = "Calendars",
    security(()),
    params(
        ("file" = String, Path, description = "The secret and `.ics`, as shown when the feed was made.",
         pattern = "^cf\\.[0-9a-f]{32}\\.[a-z2-7]{52}\\.ics$"),
        ("If-None-Match" = Option<String>, Header, description = "ETag of the answer the caller has")
    ),
    responses(
        (status = 200, body = String, content_type = "text/calendar", description = "The calendar",
         headers(("ETag" = String))),
        (status = 304, description = "Unchanged")
    )
)]
async fn get_feed_calendar(
    State(state): State<AppState>,
    Path(file): Path<String>,
    headers: HeaderMap,
) -> ApiResult<Response> {
    let missing = || ApiError::not_found("feed");
    let now = state.clock.now();
    let token = file.strip_suffix(".ics").and_then(|text| Token::parse(text, TokenUse::Feed)).ok_or_else(missing)?;
    let group_id = token.group_id();
    let mut tx = store::begin(&state.pool, group_id).await?;
    let feed = feeds::find_by_secret(&mut tx, group_id, &token.secret_hash()).await?;
    let feed = feed.filter(|feed| feed.revoked_at.is_none()).ok_or_else(missing)?;
    feeds::touch(&mut tx, group_id, feed.feed_id, now).await?;
    let text = calendar(&mut tx, group_id, &feed, state.horizon_days, now).await?;
    tx.commit().await?;
    Ok(conditional::answer("text/calendar; charset=utf-8", text.into_bytes(), &headers))
}

async fn calendar(
    db: &mut PgConnection,
    group_id: Uuid,
    feed: &Feed,
    horizon_days: u32,
    now: DateTime<Utc>,
) -> ApiResult<String> {
    let unknown = || StoreError::bad_row("calendar_feed", feed.feed_id, "clinic_id", "no such clinic");
    let clinic = clinics::find(db, group_id, feed.clinic_id).await?.ok_or_else(unknown)?;
    let today = zone::local(&clinic.zone, now).date();
    let through = today + Days::new(horizon_days.into());
    let ends_at = zone::resolve(&clinic.zone, (through + Days::new(1)).and_time(NaiveTime::MIN));
    let days = (today - Days::new(DAYS_BEHIND), through);
    let tasks = feeds::list_tasks(db, group_id, feed, days, ends_at).await?;
    let mut mentioned = BTreeSet::new();
    for task in &tasks {
        mentioned.extend(task.because()?.as_ref().and_then(Because::other_routine));
    }
    let names = routines::names(db, group_id, &mentioned).await?;
    let entries: Vec<Entry> =
        tasks.into_iter().map(|task| task.entry(&clinic.zone, &names)).collect::<store::Result<_>>()?;
    let description = format!("Hygiene tasks of {} for {}", clinic.name, words(feed.audience));
    Ok(calendar_feed::write(&clinic.name, &description, feed.component, &entries))
}

fn words(audience: Audience) -> &'static str {
    match audience {
        Audience::Chairside => "the chair",
        Audience::ClinicLead => "the clinic's lead",
        Audience::GroupManager => "the group's manager",
    }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = FeedInput {
        feed_id: samples::FEED,
        label: "screen in the sterilisation room".to_owned(),
        audience: Audience::Chairside,
        component: Component::Task,
    };
    let document = FeedDocument {
        feed_id: input.feed_id,
        clinic_id: samples::CLINIC,
        label: input.label.clone(),
        audience: input.audience,
        component: input.component,
        created_at: samples::morning(8, 0),
        revoked_at: None,
        last_used_at: None,
    };
    let list = FeedList { items: vec![document.clone()] };
    // No secret of any feed, and too short to be one.
    let path = "/feeds/cf.0b6f2c3e5d0a4c579a537f1e2a90c000.shown-once.ics".to_owned();
    let issued = IssuedFeed { feed: document.clone(), path };
    vec![
        Example { operation_id: "list_feeds", part: Part::Response, value: json!(list) },
        Example { operation_id: "create_feed", part: Part::Request, value: json!(input) },
        Example { operation_id: "create_feed", part: Part::Response, value: json!(document) },
        Example { operation_id: "create_feed", part: Part::Created, value: json!(issued) },
    ]
}
