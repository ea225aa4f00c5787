//! What is asked for and answered about purges.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::domain::retention::RecordClass;
use crate::domain::retention::purge::{Purge, PurgedClass, PurgedDay, PurgedRecord, StaysBecause, digest_of_days};
use crate::domain::seal::tree::TreeHash;
use crate::http::openapi::{Example, Part};
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::signing;
use crate::store::retention::purge_trials::Worked;

/// What a trial looks at.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PurgeTrialQuery {
    /// First sealed clinic day; when not given, 365 days before the last.
    pub from: Option<NaiveDate>,
    /// Last sealed clinic day; at most 366 days are looked at.
    pub until: NaiveDate,
    /// Only this class; when not given, every class.
    pub record_class: Option<RecordClass>,
}

/// Which day's part of a purge's list.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PurgedRecordQuery {
    /// The sealed clinic day.
    pub clinic_day: NaiveDate,
}

/// A purge as it is signed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PurgeInput {
    /// Only this class; left out: every class.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record_class: Option<RecordClass>,
    /// First sealed clinic day.
    pub from: NaiveDate,
    /// Last sealed clinic day.
    pub until: NaiveDate,
    /// How many records go, as the trial said.
    #[schema(minimum = 1, maximum = 100_000)]
    pub record_count: usize,
    /// The trial's digest.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub digest: String,
    /// Why, in the person's words. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "Kept for ten years; nothing is pending.")]
    pub reason: String,
    /// The lead who purges.
    pub signature: SignatureInput,
}

/// How many records of a class would go.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct GoingRecords {
    /// The class.
    pub record_class: RecordClass,
    /// How many.
    pub record_count: usize,
    /// First of their sealed clinic days.
    pub first_day: NaiveDate,
    /// Last of their sealed clinic days.
    pub last_day: NaiveDate,
}

/// How many records of a class stay for a reason.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StayingRecords {
    /// The class; null: of kinds that have none.
    #[schema(required)]
    pub record_class: Option<RecordClass>,
    /// Why.
    pub because: StaysBecause,
    /// How many.
    pub record_count: usize,
    /// First of their sealed clinic days.
    pub first_day: NaiveDate,
    /// Last of their sealed clinic days.
    pub last_day: NaiveDate,
}

/// What a purge would take, and what it would leave.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgeTrialDocument {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day that ages count to.
    pub clinic_day: NaiveDate,
    /// First day that was asked for.
    pub from: NaiveDate,
    /// Last day that was asked for.
    pub until: NaiveDate,
    /// The class that was asked for; null: every class.
    #[schema(required)]
    pub record_class: Option<RecordClass>,
    /// How many sealed days were looked at.
    pub days_looked_at: usize,
    /// How many records would go; 0: nothing.
    pub record_count: usize,
    /// Of what would go, for whoever signs: SHA-256, hexadecimal, of a line for each of `days`: the day, a space, its
    /// digest and a line feed.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub digest: String,
    /// What would go, by class.
    pub going: Vec<GoingRecords>,
    /// What stays of what was asked for, by class and reason.
    pub staying: Vec<StayingRecords>,
    /// What would go, by sealed day.
    pub days: Vec<PurgedDay>,
}

impl PurgeTrialDocument {
    pub(super) fn new(
        clinic_id: Uuid,
        clinic_day: NaiveDate,
        (from, until, record_class): (NaiveDate, NaiveDate, Option<RecordClass>),
        days_looked_at: usize,
        worked: &Worked,
    ) -> Self {
        let going = worked.going().into_iter().map(|(record_class, (record_count, first_day, last_day))| {
            GoingRecords { record_class, record_count, first_day, last_day }
        });
        let staying = worked.staying().into_iter().map(|((class, because), (record_count, first_day, last_day))| {
            StayingRecords { record_class: Some(class), because, record_count, first_day, last_day }
        });
        let mut staying: Vec<StayingRecords> = staying.collect();
        let ever = &worked.kept_for_ever;
        if let (None, Some((first, _)), Some((last, _))) = (record_class, ever.first_key_value(), ever.last_key_value())
        {
            staying.push(StayingRecords {
                record_class: None,
                because: StaysBecause::KeptForEver,
                record_count: ever.values().sum(),
                first_day: *first,
                last_day: *last,
            });
        }
        Self {
            clinic_id,
            clinic_day,
            from,
            until,
            record_class,
            days_looked_at,
            record_count: worked.decision.going.len(),
            digest: digest_of_days(&worked.days),
            going: going.collect(),
            staying,
            days: worked.days.clone(),
        }
    }
}

/// One act of purging.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgeDocument {
    /// Its identity.
    pub purge_id: Uuid,
    /// The clinic whose records went.
    pub clinic_id: Uuid,
    /// The class that was asked to go; null: every class.
    #[schema(required)]
    pub record_class: Option<RecordClass>,
    /// First sealed clinic day that was looked at.
    pub from: NaiveDate,
    /// Last one.
    pub until: NaiveDate,
    /// The clinic day it was done on.
    pub purged_on: NaiveDate,
    /// How many records went.
    pub record_count: usize,
    /// How many of each class, and by which rule.
    pub classes: Vec<PurgedClass>,
    /// How many of each sealed day, with the digest of their names and leaf hashes.
    pub days: Vec<PurgedDay>,
    /// Why.
    pub reason: String,
    /// Who.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub purged_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

impl From<Purge> for PurgeDocument {
    fn from(purge: Purge) -> Self {
        Self {
            purge_id: purge.purge_id,
            clinic_id: purge.clinic_id,
            record_class: purge.record_class,
            from: purge.from_on,
            until: purge.until_on,
            purged_on: purge.purged_on,
            record_count: purge.record_count,
            classes: purge.classes,
            days: purge.days,
            reason: purge.reason,
            staff_id: purge.staff_id,
            purged_by: purge.purged_by,
            recorded_at: purge.recorded_at,
        }
    }
}

/// One page of a clinic's purges.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgePage {
    /// The newest first.
    pub items: Vec<PurgeDocument>,
}

/// A record that was purged.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgedRecordDocument {
    /// Its kind.
    #[schema(example = "completion")]
    pub kind: String,
    /// Its id within the kind.
    pub id: String,
    /// Its leaf hash, as it was sealed.
    pub leaf: TreeHash,
}

impl From<PurgedRecord> for PurgedRecordDocument {
    fn from(record: PurgedRecord) -> Self {
        Self { kind: record.name.kind, id: record.name.id, leaf: record.leaf }
    }
}

/// A day's part of what a purge took.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PurgedRecordList {
    /// By kind and id.
    pub items: Vec<PurgedRecordDocument>,
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let (record, _) = samples::sealed();
    let name = record.name();
    let leaf = record.leaf().unwrap_or_else(|_| TreeHash::from([0; 32]));
    let day = NaiveDate::from_ymd_opt(2016, 3, 14).unwrap_or_default();
    let days = vec![PurgedDay::of(day, &[(name.clone(), leaf)].into())];
    let digest = digest_of_days(&days);
    let reason = "Kept for ten years; nothing is pending.";
    let class = RecordClass::RoutineWork;
    let trial = PurgeTrialDocument {
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        from: day,
        until: day,
        record_class: None,
        days_looked_at: 1,
        record_count: 1,
        digest: digest.clone(),
        going: vec![GoingRecords { record_class: class, record_count: 1, first_day: day, last_day: day }],
        staying: vec![StayingRecords {
            record_class: Some(RecordClass::Sterilisation),
            because: StaysBecause::LegalHold,
            record_count: 2,
            first_day: day,
            last_day: day,
        }],
        days: days.clone(),
    };
    // Written by hand: a PIN is not shown as JSON.
    let input = json!({ "from": day, "until": day, "record_count": 1, "digest": digest, "reason": reason,
                        "signature": signing::example() });
    let done = PurgeDocument {
        purge_id: samples::PURGE,
        clinic_id: samples::CLINIC,
        record_class: None,
        from: day,
        until: day,
        purged_on: samples::day(),
        record_count: 1,
        classes: vec![PurgedClass {
            record_class: class,
            record_count: 1,
            years: 10,
            decided_by: "default".to_owned(),
        }],
        days,
        reason: reason.to_owned(),
        staff_id: samples::STAFF,
        purged_by: "Kofi Vale".to_owned(),
        recorded_at: samples::morning(9, 45),
    };
    let page = PurgePage { items: vec![done.clone()] };
    let list = PurgedRecordList { items: vec![PurgedRecordDocument { kind: name.kind, id: name.id, leaf }] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("explain_purge", Part::Response, json!(trial)),
        example("put_purge", Part::Request, input),
        example("put_purge", Part::Response, json!(done)),
        example("list_purges", Part::Response, json!(page)),
        example("list_purged_records", Part::Response, json!(list)),
    ]
}
