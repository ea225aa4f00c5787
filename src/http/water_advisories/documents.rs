//! What is sent and answered of water advisories.

use std::collections::BTreeMap;

use chrono::{DateTime, SubsecRound as _, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::domain::cautions;
use crate::domain::chain::ChainKind;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::water_advisory::{Lifting, WaterAdvisory};
use crate::http::openapi::{Example, Part};
use crate::http::paging::NewestFirst;
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::ToldBy;

/// A water advisory as it is recorded.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterAdvisoryInput {
    /// Who gave notice.
    #[schema(min_length = 1, max_length = 120, example = "Saltmarrow Water")]
    pub authority: String,
    /// Its number.
    #[serde(default)]
    #[schema(max_length = 80, example = "7/26")]
    pub notice_number: String,
    /// The area it names.
    #[serde(default)]
    #[schema(max_length = 120, example = "Lower Valley")]
    pub area: String,
    /// The clinics it concerns; left out: those within reach whose `supply_area` is its area.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_items = 1, max_items = 50)]
    pub clinic_ids: Option<Vec<Uuid>>,
    /// Free text about the site. No patient or health data.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub note: String,
    /// From when it applies, as it says: not in the future, and at most 30 days back.
    pub started_at: DateTime<Utc>,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "MO")]
    pub opened_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
}

/// What a repeat is compared by.
#[derive(PartialEq, Eq)]
struct AdvisoryContent<'a>(&'a str, &'a str, &'a str, &'a str, DateTime<Utc>);

impl<'a> AdvisoryContent<'a> {
    fn of(a: &'a WaterAdvisory) -> Self {
        Self(&a.authority, &a.notice_number, &a.area, &a.note, a.started_at)
    }
}

impl WaterAdvisoryInput {
    /// Whether an advisory that stands says the same, by the same person.
    pub(super) fn is_kept_as(&self, standing: &WaterAdvisory) -> bool {
        let started_at = self.started_at.trunc_subsecs(6);
        let content = AdvisoryContent(&self.authority, &self.notice_number, &self.area, &self.note, started_at);
        AdvisoryContent::of(standing) == content && self.telling().is_by(&standing.opened_by, standing.staff_id)
    }

    pub(super) fn telling(&self) -> ToldBy<'_> {
        ToldBy::new("/opened_by", self.opened_by.as_ref(), self.signature.as_ref())
    }

    pub(super) fn text_faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/authority", &self.authority, 120);
        check_optional_text(&mut faults, "/notice_number", &self.notice_number, 80);
        check_optional_text(&mut faults, "/area", &self.area, 120);
        check_optional_text(&mut faults, "/note", &self.note, 400);
        faults.extend(self.telling().faults());
        faults.extend(count_fault(self.clinic_ids.as_deref()));
        faults
    }
}

/// A list of clinics that is given names some, and not so many that one request works for minutes.
pub(super) fn count_fault(clinic_ids: Option<&[Uuid]>) -> Option<Fault> {
    let count = clinic_ids.map_or(1, <[_]>::len);
    (!(1..=50).contains(&count)).then(|| Fault::new("/clinic_ids", "must name from 1 to 50 clinics"))
}

/// A water advisory: a notice not to use mains water.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WaterAdvisoryDocument {
    /// Its identity.
    pub advisory_id: Uuid,
    /// Who gave notice.
    pub authority: String,
    /// Its number; may be empty.
    pub notice_number: String,
    /// The area it names; may be empty.
    pub area: String,
    /// Free text about the site; may be empty.
    pub note: String,
    /// From when it applies, as entered.
    pub started_at: DateTime<Utc>,
    /// The person, as entered.
    pub opened_by: String,
    /// The same by identity, where they signed for it; null: by initials only.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// The clinics within reach that it concerns.
    pub clinics: Vec<AdvisoryClinic>,
    /// What can hurt.
    pub cautions: Vec<&'static str>,
}

/// A water advisory at one clinic.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct AdvisoryClinic {
    /// The clinic.
    pub clinic_id: Uuid,
    /// When the advisory was recorded for it.
    pub recorded_at: DateTime<Utc>,
    /// Its lifting; null: it stands.
    #[schema(required)]
    pub lifting: Option<LiftingDocument>,
    /// What was opened because of it: at each chair that held mains water, and at the clinic.
    pub follow_up: Vec<FollowUp>,
}

/// The lifting of a water advisory.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(as = WaterAdvisoryLiftDocument)]
pub struct LiftingDocument {
    /// Its identity.
    pub lifting_id: Uuid,
    /// Number of the notice that lifts it; may be empty.
    pub notice_number: String,
    /// On what grounds.
    pub reason: String,
    /// From when it applies no more, as entered.
    pub lifted_at: DateTime<Utc>,
    /// When that was recorded.
    pub recorded_at: DateTime<Utc>,
    /// Who signed it.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub lifted_by: String,
}

impl From<Lifting> for LiftingDocument {
    fn from(lifting: Lifting) -> Self {
        Self {
            lifting_id: lifting.lifting_id,
            notice_number: lifting.notice_number,
            reason: lifting.reason,
            lifted_at: lifting.lifted_at,
            recorded_at: lifting.recorded_at,
            staff_id: lifting.staff_id,
            lifted_by: lifting.lifted_by,
        }
    }
}

/// A corrective action that a water advisory brought.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct FollowUp {
    /// The action.
    pub action_id: Uuid,
    /// Which chain of steps.
    pub kind: ChainKind,
    /// The operatory, or the clinic.
    pub subject_id: Uuid,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// The quarantine it began; null: none.
    #[schema(required)]
    pub quarantine_id: Option<Uuid>,
    /// When a named person released that; null: no release is recorded.
    #[schema(required)]
    pub released_at: Option<DateTime<Utc>>,
}

impl WaterAdvisoryDocument {
    /// Of one notice in some clinics; `None`: in none.
    pub(super) fn of(notice: Vec<WaterAdvisory>, mut follow_up: BTreeMap<Uuid, Vec<FollowUp>>) -> Option<Self> {
        let first = notice.first()?.clone();
        let clinics = notice.into_iter().map(|a| AdvisoryClinic {
            clinic_id: a.clinic_id,
            recorded_at: a.recorded_at,
            lifting: a.lifting.map(LiftingDocument::from),
            follow_up: follow_up.remove(&a.clinic_id).unwrap_or_default(),
        });
        Some(Self {
            advisory_id: first.advisory_id,
            authority: first.authority,
            notice_number: first.notice_number,
            area: first.area,
            note: first.note,
            started_at: first.started_at,
            opened_by: first.opened_by,
            staff_id: first.staff_id,
            clinics: clinics.collect(),
            cautions: cautions::WATER_ADVISORIES.to_vec(),
        })
    }
}

/// One page of water advisories.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WaterAdvisoryPage {
    /// The newest first.
    pub items: Vec<WaterAdvisoryDocument>,
}

/// Which water advisories to list.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AdvisoryQuery {
    /// Only those that concern this clinic.
    pub clinic_id: Option<Uuid>,
    /// `true`: only those that stand in one of the clinics.
    pub in_force: Option<bool>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

impl AdvisoryQuery {
    pub(super) fn paging(&self) -> NewestFirst {
        NewestFirst { limit: self.limit, cursor: self.cursor.clone() }
    }
}

/// A notice that stands.
pub(super) fn example() -> WaterAdvisoryDocument {
    let input = example_input();
    WaterAdvisoryDocument {
        advisory_id: samples::ADVISORY,
        authority: input.authority,
        notice_number: input.notice_number,
        area: input.area,
        note: input.note,
        started_at: input.started_at,
        opened_by: input.opened_by.unwrap_or_default(),
        staff_id: None,
        clinics: vec![AdvisoryClinic {
            clinic_id: samples::CLINIC,
            recorded_at: samples::morning(7, 40),
            lifting: None,
            follow_up: Vec::new(),
        }],
        cautions: cautions::WATER_ADVISORIES.to_vec(),
    }
}

fn example_input() -> WaterAdvisoryInput {
    WaterAdvisoryInput {
        authority: "Saltmarrow Water".to_owned(),
        notice_number: "7/26".to_owned(),
        area: "Lower Valley".to_owned(),
        clinic_ids: Some(vec![samples::CLINIC]),
        note: String::new(),
        started_at: samples::morning(7, 15),
        opened_by: Some("MO".to_owned()),
        signature: None,
    }
}

pub(super) fn examples() -> Vec<Example> {
    let page = WaterAdvisoryPage { items: vec![example()] };
    vec![
        Example { operation_id: "list_water_advisories", part: Part::Response, value: json!(page) },
        Example { operation_id: "get_water_advisory", part: Part::Response, value: json!(example()) },
        Example { operation_id: "put_water_advisory", part: Part::Request, value: json!(example_input()) },
        Example { operation_id: "put_water_advisory", part: Part::Response, value: json!(example()) },
    ]
}
