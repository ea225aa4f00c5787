//! A pack of evidence: one file that an inspector opens without the service.
//!
//! The rule of this file: everything in a pack is read from one snapshot, and nothing of it is collected: files are written
//! into the archive while they are read. Whatever can be refused is refused before the first byte.

mod archive;
mod contents;

use axum::extract::State;
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, Datelike as _, Days, NaiveDate, Utc};
use serde::Deserialize;
use sqlx::PgConnection;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, Schema, SchemaFormat, Type};
use utoipa::{IntoParams, PartialSchema, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use self::contents::Pack;
use crate::domain::evidence_pack::{Cover, Sealed, Summary};
use crate::domain::flags::days_of_initials;
use crate::domain::hours::Hours;
use crate::domain::seal::{ChainHead, DaySeal};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::extract::{Path, Query};
use crate::http::openapi::Example;
use crate::http::problem::{ApiError, ApiResult, Problem};
use crate::http::seals::MAY_READ;
use crate::http::streaming;
use crate::store::exports::evidence_pack;
use crate::store::exports::packs::{Narrowing, Period, Times};
use crate::store::exports::snapshots::Snapshot;
use crate::store::{clinics, seals, staff};

/// After every instant that can be recorded: 2200-01-01.
const FAR_OFF: DateTime<Utc> = DateTime::from_timestamp(7_258_118_400, 0).expect("within what chrono counts");

/// A year and some days.
const MOST_DAYS: i64 = 400;

/// The bytes of an archive, for the API's document.
#[derive(Clone, Copy, Debug)]
pub struct ZipFile;

impl PartialSchema for ZipFile {
    fn schema() -> RefOr<Schema> {
        let format = SchemaFormat::KnownFormat(KnownFormat::Binary);
        ObjectBuilder::new().schema_type(Type::String).format(Some(format)).into()
    }
}

impl ToSchema for ZipFile {}

/// Which records of a clinic.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EvidencePackQuery {
    /// First clinic day.
    #[param(example = "2026-11-02")]
    pub from: NaiveDate,
    /// Last clinic day, itself included; at most 400 days.
    #[param(example = "2026-11-29")]
    pub to: NaiveDate,
    /// Only what is about this operatory or piece of equipment.
    pub subject_id: Option<Uuid>,
    /// Only what was done with this lot, and what became of it.
    pub lot_id: Option<Uuid>,
    /// Only what this person recorded or signed, with their competences. A record that names nobody by id is theirs by
    /// its initials.
    pub staff_id: Option<Uuid>,
}

impl EvidencePackQuery {
    fn narrowing(&self) -> ApiResult<Narrowing> {
        match (self.subject_id, self.lot_id, self.staff_id) {
            (None, None, None) => Ok(Narrowing::Clinic),
            (Some(id), None, None) => Ok(Narrowing::Subject(id)),
            (None, Some(id), None) => Ok(Narrowing::Lot(id)),
            (None, None, Some(id)) => Ok(Narrowing::Person(id)),
            _ => Err(ApiError::rule_broken("", "a pack is narrowed to one of subject_id, lot_id and staff_id")),
        }
    }

    fn check_days(&self) -> ApiResult<()> {
        for (pointer, day) in [("/from", self.from), ("/to", self.to)] {
            if !(1970..2200).contains(&day.year()) {
                return Err(ApiError::rule_broken(pointer, "must be from 1970-01-01 to 2199-12-31"));
            }
        }
        if self.to < self.from {
            return Err(ApiError::rule_broken("/to", "must not be before from"));
        }
        if (self.to - self.from).num_days() >= MOST_DAYS {
            return Err(ApiError::rule_broken("/from", format!("must be within {MOST_DAYS} days of to")));
        }
        Ok(())
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_evidence_pack))
}

/// Download a pack of evidence of a clinic
///
/// One ZIP file, written while it is read, that opens without this service: `summary.html` to read and print, `csv/` and
/// `json/` with every kind of record of these clinic days and `columns.csv` with what the columns mean, `proofs/` with one
/// proof for each sealed day that holds such records, `check_proof.py` which checks them with nothing but Python,
/// `manifest.json` with the SHA-256 of each file, and `check_pack.py` which checks all of that.
///
/// Records belong to a clinic day. Those that have none belong to the time from the end of the clinic day before the first
/// until the end of the last: a day whose sessions run past midnight ends when they are over, as it does for seals. What
/// followed from what is told comes with it, whenever it was recorded: why a task was missed, corrective actions with their
/// steps, quarantines, records of cycles. What is configuration comes as it stands, with people whom the records name and
/// subjects that stood in the clinic, wherever they are now. What is not as it was sealed, or was sealed and is missing,
/// stands first on the page and in the manifest. In a pack that is narrowed, kinds of records which say nothing
/// of what it is narrowed to are left out and named in the manifest, and in the proofs the other records of a day stand as
/// hashes. A record says what was recorded, and nothing here says that anything is fit to be used.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/evidence-pack",
    operation_id = "get_evidence_pack",
    tag = "Exports",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), EvidencePackQuery),
    responses(
        (status = 200, description = "The pack.", content_type = "application/zip", body = inline(ZipFile)),
        (status = 422, description = "The days are too many or none, or it is narrowed to more than one thing.", body = Problem, content_type = "application/problem+json")
    )
)]
async fn get_evidence_pack(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<EvidencePackQuery>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    query.check_days()?;
    let narrowing = query.narrowing()?;
    caller.must_reach_clinic(clinic_id)?;
    let permit = state.streams.enter(caller.group_id).await?;
    let mut tx = Snapshot::begin(&state.pool, caller.group_id, caller.now, streaming::LONGEST_SECONDS).await?;
    let clinic = find_reached(&mut tx, &caller, clinic_id).await?;
    let hours = clinics::hours(&mut tx, caller.group_id, clinic_id).await?;
    let hours = hours.ok_or_else(|| ApiError::not_found("clinic"))?;
    let initials = match narrowing {
        Narrowing::Person(staff_id) => times_of_initials(&mut tx, caller.group_id, staff_id, &hours).await?,
        _ => Vec::new(),
    };
    let period = Period {
        clinic_id,
        from_on: query.from,
        to_on: query.to,
        from_at: day_begins_at(&hours, query.from),
        until_at: day_begins_at(&hours, query.to + Days::new(1)),
        initials,
    };
    let narrowed_to = evidence_pack::find_name(&mut tx, &period, narrowing).await?;
    if narrowing != Narrowing::Clinic && narrowed_to.is_none() {
        return Err(ApiError::not_found("subject, lot or person of this clinic"));
    }
    let cover = Cover {
        clinic_id,
        clinic: clinic.name.clone(),
        zone: clinic.zone.clone(),
        from_on: query.from,
        to_on: query.to,
        narrowed_to,
        made_at: caller.now,
        key_id: caller.key_id,
    };
    let all_seals = seals::list_seals(&mut tx, caller.group_id, clinic_id).await?;
    let summary = summarise(&mut tx, &caller, &period, narrowing, &all_seals).await?;

    let name = format!("records-{}-{}.zip", query.from, query.to);
    let pack = Pack { group_id: caller.group_id, cover, summary, period, narrowing, seals: all_seals };
    let body = streaming::body(permit, move |pieces| contents::write(tx, pieces, pack));
    let mut response = body.into_response();
    response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static("application/zip"));
    if let Ok(value) = HeaderValue::try_from(format!("attachment; filename=\"{name}\"")) {
        response.headers_mut().insert(CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

/// Where a clinic day begins: where the one before it ends, as for seals.
fn day_begins_at(hours: &Hours, day: NaiveDate) -> DateTime<Utc> {
    hours.clinic_day_ends_at(day - Days::new(1))
}

/// When the initials of a person meant that person and nobody else.
async fn times_of_initials(
    db: &mut PgConnection,
    group_id: Uuid,
    staff_id: Uuid,
    hours: &Hours,
) -> ApiResult<Vec<Times>> {
    let Some(person) = staff::find(db, group_id, staff_id).await? else { return Ok(Vec::new()) };
    let namesakes = staff::list_with_initials(db, group_id, &person.initials).await?;
    let instant = |day: Option<NaiveDate>, else_at| day.map_or(else_at, |day| day_begins_at(hours, day));
    let times = days_of_initials(&namesakes, staff_id).into_iter();
    Ok(times.map(|(from, until)| (instant(from, DateTime::UNIX_EPOCH), instant(until, FAR_OFF))).collect())
}

async fn summarise(
    db: &mut PgConnection,
    caller: &Caller,
    period: &Period,
    narrowing: Narrowing,
    all: &[DaySeal],
) -> ApiResult<Summary> {
    let chain: Vec<_> = all.iter().map(DaySeal::leaf).collect();
    let (readings, series_count) = evidence_pack::readings(db, period, narrowing).await?;
    Ok(Summary {
        weeks: evidence_pack::weeks(db, period, narrowing).await?,
        water: evidence_pack::water(db, period, narrowing).await?,
        readings,
        series_count: usize::try_from(series_count).unwrap_or_default(),
        failures: evidence_pack::failures(db, period, narrowing).await?,
        gaps: evidence_pack::gaps(db, period, narrowing).await?,
        corrections: evidence_pack::corrections(db, period, narrowing).await?,
        flagged: evidence_pack::flagged(db, period, narrowing).await?,
        open_actions: evidence_pack::open_actions(db, period, narrowing).await?,
        tables: evidence_pack::tables(db, period, narrowing).await?,
        sealed: Sealed {
            days: all.iter().filter(|seal| (period.from_on..=period.to_on).contains(&seal.clinic_day)).count(),
            until: all.last().map(|seal| seal.recorded_until),
            head: (!all.is_empty()).then(|| ChainHead::new(caller.group_id, period.clinic_id, &chain)),
        },
    })
}

/// Examples for the API's document: its body is no JSON document.
pub(in crate::http) fn examples() -> Vec<Example> {
    Vec::new()
}
