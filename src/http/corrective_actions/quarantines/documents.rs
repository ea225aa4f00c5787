//! What is sent and answered about quarantines.
//!
//! The rule of this file: what is refused here is refused for what the document says, or for the subject it names.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::{Fault, check_text};
use crate::domain::quarantine::{CauseKind, LoadDisposition, Quarantine};
use crate::domain::subject::{Subject, SubjectKind};
use crate::http::configuration::without_faults;
use crate::http::problem::{ApiError, ApiResult};
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::ToldBy;

/// How far back the beginning may be entered.
const OLDEST_BEGINNING: TimeDelta = TimeDelta::days(7);

/// A quarantine as it is begun.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuarantineInput {
    /// The operatory, steriliser or other equipment.
    pub subject_id: Uuid,
    /// One circuit or suction line of the operatory; left out: the subject as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 80, example = "handpiece-1")]
    pub line: Option<String>,
    /// What a load is called on its packs: then the load is in quarantine, and not the machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 80)]
    pub load_reference: Option<String>,
    /// The recorded cycle that load came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cycle_id: Option<Uuid>,
    /// From when, up to seven days back; left out: now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub begun_at: Option<DateTime<Utc>>,
    /// Why, in words. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "A hose burst under the chair.")]
    pub reason: String,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub begun_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
}

impl QuarantineInput {
    pub(super) fn check(&self) -> ApiResult<()> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/reason", &self.reason, 400);
        faults.extend(self.telling().faults());
        for (pointer, text) in [("/line", &self.line), ("/load_reference", &self.load_reference)] {
            if let Some(text) = text {
                check_text(&mut faults, pointer, text, 80);
            }
        }
        if self.line.is_some() && self.load_reference.is_some() {
            faults.push(Fault::new("/load_reference", "a line has no load; name one of the two"));
        }
        if self.cycle_id.is_some() && self.load_reference.is_none() {
            faults.push(Fault::new("/cycle_id", "names where a load came from; say load_reference too"));
        }
        without_faults((), faults).map_err(ApiError::rules_broken)
    }

    pub(super) fn telling(&self) -> ToldBy<'_> {
        ToldBy::new("/begun_by", self.begun_by.as_ref(), self.signature.as_ref())
    }

    /// What only holds while the subject is as it is now; a repeat may come later.
    pub(super) fn faults_with(&self, subject: &Subject, now: DateTime<Utc>) -> Vec<Fault> {
        let mut faults = Vec::new();
        if subject.kind == SubjectKind::Clinic {
            faults.push(Fault::new("/subject_id", "must name an operatory or a piece of equipment"));
        }
        let has_line = |line: &String| subject.circuits.contains(line) || subject.suction_lines.contains(line);
        if self.line.as_ref().is_some_and(|line| !has_line(line)) {
            faults.push(Fault::new("/line", "is no circuit or suction line of this subject"));
        }
        if self.load_reference.is_some() && !subject.kind.has_cycles() {
            faults.push(Fault::new("/load_reference", "is for equipment that runs loads"));
        }
        if self.begun_at.is_some_and(|at| at > now + CLOCK_TOLERANCE) {
            faults.push(Fault::new("/begun_at", "lies in the future; post what has happened"));
        }
        if self.begun_at.is_some_and(|at| at < now - OLDEST_BEGINNING) {
            faults.push(Fault::new("/begun_at", "lies more than seven days back"));
        }
        faults
    }
}

/// A quarantine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct QuarantineDocument {
    /// Its identity.
    pub quarantine_id: Uuid,
    /// Where the subject stood.
    pub clinic_id: Uuid,
    /// What is in quarantine.
    pub subject_id: Uuid,
    /// One line; null: the subject as a whole, or a load.
    #[schema(required)]
    pub line: Option<String>,
    /// What a load is called; null: no load is meant.
    #[schema(required)]
    pub load_reference: Option<String>,
    /// The recorded cycle that load came from; null: none was named.
    #[schema(required)]
    pub cycle_id: Option<Uuid>,
    /// What for.
    pub cause: CauseKind,
    /// The completion, corrective action or lot; null: a person's own judgement.
    #[schema(required)]
    pub cause_id: Option<Uuid>,
    /// Why, in words.
    pub reason: String,
    /// From when.
    pub begun_at: DateTime<Utc>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// The person; empty: the service, for its cause.
    pub begun_by: String,
    /// The same by identity, where they signed for it; null: by initials only.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// What ended it; null: it stands.
    #[schema(required)]
    pub release: Option<ReleaseDocument>,
}

/// The release from a quarantine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ReleaseDocument {
    /// Its identity.
    pub release_id: Uuid,
    /// Who released it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub released_by: String,
    /// On what grounds.
    pub reason: String,
    /// What became of a load; absent: it goes back to use as it was, or is no load.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disposition: Option<LoadDisposition>,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

impl From<Quarantine> for QuarantineDocument {
    fn from(q: Quarantine) -> Self {
        Self {
            quarantine_id: q.quarantine_id,
            clinic_id: q.clinic_id,
            subject_id: q.subject_id,
            line: q.line,
            load_reference: q.load_reference,
            cycle_id: q.cycle_id,
            cause: q.cause,
            cause_id: q.cause_id,
            reason: q.reason,
            begun_at: q.begun_at,
            recorded_at: q.recorded_at,
            begun_by: q.begun_by,
            staff_id: q.staff_id,
            release: q.release.map(|r| ReleaseDocument {
                release_id: r.release_id,
                staff_id: r.staff_id,
                released_by: r.released_by,
                reason: r.reason,
                disposition: r.disposition,
                recorded_at: r.recorded_at,
            }),
        }
    }
}

/// A release as it is signed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReleaseInput {
    /// Made by the client, so that a repeat is harmless.
    pub release_id: Uuid,
    /// On what grounds, in the person's words.
    #[schema(min_length = 1, max_length = 400, example = "Hose replaced, lines flushed and disinfected.")]
    pub reason: String,
    /// Of a load that does not go back to use as it was: what became of it. Such a release waits for no step of the action.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disposition: Option<LoadDisposition>,
    /// The person who releases it.
    pub signature: SignatureInput,
}

/// One page of quarantines.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct QuarantinePage {
    /// The newest first.
    pub items: Vec<QuarantineDocument>,
}

/// Which quarantines are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct QuarantineQuery {
    /// `true`: only those not released.
    #[serde(default)]
    #[param(required = false)]
    pub standing: bool,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}
