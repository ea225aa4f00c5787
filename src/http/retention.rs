//! How long a clinic's records are kept, and why.
//!
//! The rule of this file: every figure is shown with what it rests on, also those that decide nothing; nobody sets less
//! than the law of the place.

pub mod legal_holds;
pub mod purges;

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use self::legal_holds::LegalHoldDocument;
use super::AppState;
use super::caller::Caller;
use super::clinics::find_reached;
use super::configuration::{Change, EditQuery, Edited, created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use super::seals::MAY_READ;
use super::staff::signature::clinic_day;
use crate::domain::cautions;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::jurisdiction::applies_at;
use crate::domain::limit::{Seen, Source};
use crate::domain::retention::place::PlaceHeld;
use crate::domain::retention::{
    DefaultRetention, FEWEST_YEARS, Keeping, MOST_YEARS, RecordClass, RetentionRule, floor, keeping, last_kept_on,
    old_enough_until, shipped,
};
use crate::store::clinics::ClinicRow;
use crate::store::retention::purge_trials::MOST_HOLDS;
use crate::store::retention::{self, RetentionSetting, own_years};
use crate::store::{self, seals};

/// How long a class is to be kept, as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RetentionInput {
    /// Calendar years, counted from the clinic day whose seal holds a record.
    #[schema(minimum = 1, maximum = 100, example = 12)]
    pub years: u32,
    /// Why it is set.
    #[schema(min_length = 1, max_length = 400, example = "Kept beside the records of our insurer.")]
    pub reason: String,
    /// What it rests on; asked for where it is less than the shipped ten years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
}

impl RetentionInput {
    fn check(
        self,
        clinic_id: Option<Uuid>,
        class: RecordClass,
        now: DateTime<Utc>,
    ) -> Result<RetentionSetting, Vec<Fault>> {
        let mut faults = Vec::new();
        if !(FEWEST_YEARS..=MOST_YEARS).contains(&self.years) {
            faults.push(Fault::new("/years", format!("must be from {FEWEST_YEARS} to {MOST_YEARS}")));
        }
        check_text(&mut faults, "/reason", &self.reason, 400);
        let usual = shipped().default.value;
        match &self.source {
            None if self.years < usual => {
                faults.push(Fault::new(
                    "/source",
                    format!("is missing: less than {usual} years has to rest on something"),
                ));
            }
            Some(source) => faults.extend(source.faults().into_iter().map(|fault| fault.under("/source"))),
            None => {}
        }
        let Self { years, reason, source } = self;
        without_faults(RetentionSetting { clinic_id, class, years, reason, source, set_at: now }, faults)
    }
}

/// A setting as it stands.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct RetentionSettingDocument {
    /// The clinic; null: every clinic of the group without one of its own.
    #[schema(required)]
    pub clinic_id: Option<Uuid>,
    /// The class.
    pub record_class: RecordClass,
    /// Calendar years.
    pub years: u32,
    /// Why it is set.
    pub reason: String,
    /// What it rests on; null where nothing was named.
    #[schema(required)]
    pub source: Option<Source>,
    /// When it was set.
    pub set_at: DateTime<Utc>,
}

impl From<RetentionSetting> for RetentionSettingDocument {
    fn from(setting: RetentionSetting) -> Self {
        let RetentionSetting { clinic_id, class, years, reason, source, set_at } = setting;
        Self { clinic_id, record_class: class, years, reason, source, set_at }
    }
}

/// How long one class is kept at a clinic.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClassRetention {
    /// The class.
    pub record_class: RecordClass,
    /// What belongs to it.
    pub description: String,
    /// Calendar years after the clinic day of the seal, for what is recorded today. An older record is kept longer where
    /// a longer rule was in force since.
    pub years: u32,
    /// What decides that: the key of a rule, or `clinic`, `group` or `default`.
    pub decided_by: String,
    /// Every rule of the jurisdiction about the class, and of earlier ones while they bind; also those that decide nothing.
    pub rules: Vec<RetentionRule>,
    /// What the group set; null: nothing.
    #[schema(required)]
    pub set_by_group: Option<RetentionSettingDocument>,
    /// What the clinic set; null: nothing.
    #[schema(required)]
    pub set_by_clinic: Option<RetentionSettingDocument>,
    /// Records of sealed clinic days up to this one are old enough to be purged, where nothing else keeps them.
    #[schema(required)]
    pub old_enough_until: Option<NaiveDate>,
    /// The first day on which records of the clinic's oldest sealed day are old enough; null: nothing is sealed yet.
    #[schema(required)]
    pub oldest_may_go_on: Option<NaiveDate>,
}

/// A place that a clinic had.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct EarlierPlace {
    /// As the clinic said; may be empty.
    pub jurisdiction: String,
    /// Records of sealed clinic days up to this one are bound by its law.
    pub until: NaiveDate,
}

/// What a clinic's records are kept for, and by which rules.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct RetentionDocument {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Whose law applies, as the clinic says; empty: not said, and then no rule of a jurisdiction applies.
    pub jurisdiction: String,
    /// Whether any shipped rule is about that place or the country it is in; false: only what is set decides.
    pub place_has_rules: bool,
    /// Places that the clinic had before: their law binds on what was recorded until then.
    pub earlier_places: Vec<EarlierPlace>,
    /// The clinic day that ages count to.
    pub clinic_day: NaiveDate,
    /// Where nobody set anything.
    pub default: DefaultRetention,
    /// Each class.
    pub items: Vec<ClassRetention>,
    /// Rules of the jurisdiction about what this service does not keep.
    pub kept_elsewhere: Vec<RetentionRule>,
    /// Legal holds that stand, the newest first.
    pub holds: Vec<LegalHoldDocument>,
    /// What is to be borne in mind.
    pub caution: String,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(get_retention))
        .routes(routes!(put_group_retention))
        .routes(routes!(put_clinic_retention))
}

/// The class of a path, if there is one of that name.
pub(super) fn read_class(name: &str) -> ApiResult<RecordClass> {
    RecordClass::from_name(name).ok_or_else(|| ApiError::not_found("class of records"))
}

/// Read how long a clinic's records are kept
///
/// For each class of records: every rule of the clinic's jurisdiction with its source and how that was seen, what the group and the
/// clinic set, what decides, from when records may be purged, and the legal holds that stand against it.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/retention", operation_id = "get_retention", tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "What is kept how long, and why.", body = RetentionDocument)))]
async fn get_retention(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<RetentionDocument>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let places = store::clinics::list_places(&mut tx, caller.group_id, clinic_id).await?;
    let today = clinic_day(&mut tx, &caller, clinic_id).await?;
    let settings = store::retention::list(&mut tx, caller.group_id, clinic_id).await?;
    let holds =
        retention::legal_holds::list_of_clinic(&mut tx, caller.group_id, clinic_id, true, None, MOST_HOLDS).await?;
    let oldest = seals::list_seals(&mut tx, caller.group_id, clinic_id).await?.first().map(|seal| seal.clinic_day);
    tx.commit().await?;
    let holds = holds.into_iter().map(LegalHoldDocument::from).collect();
    Ok(Json(document((clinic_id, &places), today, settings, oldest, holds)))
}

fn document(
    (clinic_id, places): (Uuid, &[PlaceHeld]),
    today: NaiveDate,
    settings: Vec<RetentionSetting>,
    oldest: Option<NaiveDate>,
    holds: Vec<LegalHoldDocument>,
) -> RetentionDocument {
    let own = own_years(&settings);
    let place = places.last().map(|place| place.jurisdiction.as_str()).unwrap_or_default();
    let mut set: BTreeMap<(RecordClass, bool), RetentionSettingDocument> = BTreeMap::new();
    for setting in settings {
        set.insert((setting.class, setting.clinic_id.is_some()), setting.into());
    }
    let years_of = |class, day| keeping(class, places, own.get(&class).copied().unwrap_or_default(), (day, today));
    let is_told = |rule: &RetentionRule, class, since| {
        let held = places.iter().filter(|place| place.counts_for(since));
        held.into_iter().any(|place| rule.applies(class, &place.jurisdiction, (since, today)))
    };
    let items = RecordClass::ALL.into_iter().map(|class| {
        let Keeping { years, decided_by } = years_of(class, today);
        let since = oldest.unwrap_or(today);
        ClassRetention {
            record_class: class,
            description: class.description().to_owned(),
            years,
            decided_by,
            rules: shipped().rules.iter().filter(|rule| is_told(rule, class, since)).cloned().collect(),
            set_by_group: set.remove(&(class, false)),
            set_by_clinic: set.remove(&(class, true)),
            old_enough_until: old_enough_until(today, years),
            oldest_may_go_on: oldest.and_then(|day| last_kept_on(day, years_of(class, day).years).succ_opt()),
        }
    });
    let is_here = |rule: &&RetentionRule| applies_at(&rule.jurisdiction, place);
    RetentionDocument {
        clinic_id,
        jurisdiction: place.to_owned(),
        place_has_rules: shipped().rules.iter().any(|rule| applies_at(&rule.jurisdiction, place)),
        earlier_places: places
            .iter()
            .filter_map(|place| Some(EarlierPlace { jurisdiction: place.jurisdiction.clone(), until: place.until_on? }))
            .collect(),
        clinic_day: today,
        default: shipped().default.clone(),
        items: items.collect(),
        kept_elsewhere: shipped().elsewhere.iter().filter(is_here).cloned().collect(),
        holds,
        caution: cautions::RETENTION.to_owned(),
    }
}

/// Refuses less than the law of a clinic's place asks for, and names its source.
fn floor_fault(clinic: &ClinicRow, setting: &RetentionSetting, today: NaiveDate) -> Option<Fault> {
    let rule = floor(setting.class, &[PlaceHeld::still(&clinic.jurisdiction)], (today, today))
        .filter(|rule| rule.value > setting.years)?;
    let Source { title, edition, locator, seen } = &rule.source;
    let seen = match seen {
        Seen::Read => "read",
        Seen::ReadInQuotation => "read in a quotation",
        Seen::FromMemory => "from memory, to be confirmed",
        Seen::CommonPractice => "common practice",
        Seen::ClinicConfirmed => "confirmed by a clinic",
    };
    let detail = format!(
        "must be at least {} at {} ({}): {title}, {edition}, {locator} ({seen})",
        rule.value, clinic.name, rule.jurisdiction
    );
    Some(Fault::new("/years", detail))
}

/// Keeps a checked setting, unless it stands so already.
async fn keep(
    mut change: Change<'_>,
    caller: &Caller,
    setting: RetentionSetting,
    clinics: &[ClinicRow],
) -> Edited<(StatusCode, Json<RetentionSettingDocument>)> {
    let today = caller.now.date_naive();
    let faults: Vec<Fault> = clinics.iter().filter_map(|clinic| floor_fault(clinic, &setting, today)).take(1).collect();
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let before = store::retention::find(change.db(), caller.group_id, setting.clinic_id, setting.class).await?;
    let is_new = before.is_none();
    if let Some(before) = before
        && (before.years, &before.reason, &before.source) == (setting.years, &setting.reason, &setting.source)
    {
        change.commit().await?;
        return Ok((StatusCode::OK, Json(before.into())));
    }
    store::retention::save(change.db(), caller.group_id, &setting).await?;
    let clinic_id = setting.clinic_id;
    let document = RetentionSettingDocument::from(setting);
    change.tell(EventKind::RetentionChanged, clinic_id, &json!({ "retention": document })).await?;
    change.commit().await?;
    Ok((created_or_ok(is_new), Json(document)))
}

/// Set how long the group keeps a class of records
///
/// At every clinic that sets nothing of its own. Less than the law of any of its clinics' jurisdictions is refused,
/// with the source; should a clinic's jurisdiction change later, its law decides all the same.
#[utoipa::path(put, path = "/v1/retention/{record_class}", operation_id = "put_group_retention", tag = "Retention",
    params(("record_class" = RecordClass, Path, description = "The class."), EditQuery),
    request_body = RetentionInput,
    responses((status = 200, description = "It stood before, and is now as sent.", body = RetentionSettingDocument),
              (status = 201, description = "It was set.", body = RetentionSettingDocument)))]
async fn put_group_retention(
    State(state): State<AppState>,
    caller: Caller,
    Path(record_class): Path<String>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<RetentionInput>,
) -> Edited<(StatusCode, Json<RetentionSettingDocument>)> {
    let class = read_class(&record_class)?;
    let (mut change, setting) = Change::begin(&state, &caller, edit, input.check(None, class, caller.now)).await?;
    let clinics = store::clinics::list(change.db(), caller.group_id).await?;
    keep(change, &caller, setting, &clinics).await
}

/// Set how long a clinic keeps a class of records
///
/// In place of what the group set. Less than the law of its jurisdiction is refused, with the source.
#[utoipa::path(put, path = "/v1/clinics/{clinic_id}/retention/{record_class}", operation_id = "put_clinic_retention",
    tag = "Retention",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("record_class" = RecordClass, Path, description = "The class."), EditQuery),
    request_body = RetentionInput,
    responses((status = 200, description = "It stood before, and is now as sent.", body = RetentionSettingDocument),
              (status = 201, description = "It was set.", body = RetentionSettingDocument)))]
async fn put_clinic_retention(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, record_class)): Path<(Uuid, String)>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<RetentionInput>,
) -> Edited<(StatusCode, Json<RetentionSettingDocument>)> {
    let class = read_class(&record_class)?;
    let (mut change, setting) =
        Change::begin(&state, &caller, edit, input.check(Some(clinic_id), class, caller.now)).await?;
    let clinic = change.clinic(clinic_id).await?;
    keep(change, &caller, setting, &[clinic]).await
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input =
        RetentionInput { years: 12, reason: "Kept beside the records of our insurer.".to_owned(), source: None };
    let setting = |clinic_id| RetentionSetting {
        clinic_id,
        class: RecordClass::WaterlineTests,
        years: input.years,
        reason: input.reason.clone(),
        source: None,
        set_at: samples::morning(9, 0),
    };
    let today = samples::day();
    let holds = vec![legal_holds::sample()];
    let whole = document(
        (samples::CLINIC, &[PlaceHeld::still("US-WA")]),
        today,
        vec![setting(Some(samples::CLINIC))],
        Some(today),
        holds,
    );
    let of_group = RetentionSettingDocument::from(setting(None));
    let of_clinic = RetentionSettingDocument::from(setting(Some(samples::CLINIC)));
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("get_retention", Part::Response, json!(whole)),
        example("put_group_retention", Part::Request, json!(input)),
        example("put_group_retention", Part::Response, json!(of_group)),
        example("put_clinic_retention", Part::Request, json!(input)),
        example("put_clinic_retention", Part::Response, json!(of_clinic)),
    ]
}
