//! What is sent and answered about signatures under clinic days.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use data_encoding::HEXLOWER;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::review::{GapExplanation, TaskCounts};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::http::signature::SignatureInput;
use crate::store::sign_offs::SignOff;

/// Most explanations of one signature.
const MOST_EXPLANATIONS: usize = 500;

/// What leads said as they signed, by the names of gaps.
pub(super) struct Explained(pub(super) BTreeMap<String, GapExplanation>);

/// Whether it can be the name of a gap: its kind and an id.
fn is_gap_name(name: &str) -> bool {
    name.split_once(':').is_some_and(|(kind, id)| {
        (1..=20).contains(&kind.len())
            && kind.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')
            && id.len() == 36
            && id.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f' | b'-'))
    })
}

/// Words about one gap.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GapExplanationInput {
    /// The gap's name, as the review gives it.
    #[schema(pattern = "^[a-z_]{1,20}:[0-9a-f-]{36}$", example = "missed:0000512e-9d0a-8c57-9a53-7f1e2a90c004")]
    pub gap: String,
    /// Why it is there and what follows from it. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "Short of one assistant; flushed at noon instead.")]
    pub words: String,
}

/// A lead's signature under a clinic day.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignOffInput {
    /// The digest of the review that the signer was shown.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub review_digest: String,
    /// One for each gap that has no explanation yet.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub explanations: Vec<GapExplanationInput>,
    /// In the lead's words; may be left out. No patient or health data.
    #[serde(default)]
    #[schema(max_length = 1000, example = "Walked the rooms at 18:10.")]
    pub note: String,
    /// Who signs: a lead of the clinic or of the group.
    pub signature: SignatureInput,
}

impl SignOffInput {
    pub(super) fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_optional_text(&mut faults, "/note", &self.note, 1000);
        let hex = |c: char| c.is_ascii_digit() || ('a'..='f').contains(&c);
        if self.review_digest.len() != 64 || !self.review_digest.chars().all(hex) {
            faults
                .push(Fault::new("/review_digest", "must be 64 lower-case hexadecimal digits, as the review gave it"));
        }
        if self.explanations.len() > MOST_EXPLANATIONS {
            faults.push(Fault::new("/explanations", format!("must have at most {MOST_EXPLANATIONS} items")));
            return faults;
        }
        for (i, explanation) in self.explanations.iter().enumerate() {
            check_text(&mut faults, &format!("/explanations/{i}/words"), &explanation.words, 400);
            if !is_gap_name(&explanation.gap) {
                faults.push(Fault::new(
                    format!("/explanations/{i}/gap"),
                    "must be the name of a gap, as the review gave it",
                ));
            } else if self.explanations[..i].iter().any(|before| before.gap == explanation.gap) {
                faults.push(Fault::new(format!("/explanations/{i}/gap"), "is explained twice"));
            }
        }
        faults.extend(self.signature.pin.fault("/signature/pin"));
        faults
    }

    /// Whether a signature that stands is this one.
    pub(super) fn is_kept_as(&self, standing: &SignOff) -> bool {
        let kept: Vec<GapExplanationInput> = explanations_of(standing);
        standing.staff_id == self.signature.staff_id
            && standing.note == self.note
            && HEXLOWER.encode(&standing.review_digest) == self.review_digest
            && kept == self.explanations
    }
}

/// What was explained with a signature; words that cannot be read were written by no version of the service.
pub(super) fn explanations_of(sign_off: &SignOff) -> Vec<GapExplanationInput> {
    let text = |value: &serde_json::Value, name: &str| value[name].as_str().unwrap_or_default().to_owned();
    let items = sign_off.explanations.as_array().map(Vec::as_slice).unwrap_or_default();
    items.iter().map(|e| GapExplanationInput { gap: text(e, "gap"), words: text(e, "words") }).collect()
}

/// A signature as it stands.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SignOffDocument {
    /// Its identity.
    pub sign_off_id: Uuid,
    /// The clinic.
    pub clinic_id: Uuid,
    /// The day.
    pub clinic_day: NaiveDate,
    /// 1: the first; further ones add to it.
    #[schema(minimum = 1)]
    pub number: i32,
    /// Who signed.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub signed_by: String,
    /// In their words; may be empty.
    pub note: String,
    /// Of the review that was signed.
    pub review_digest: String,
    /// How many tasks were in which state.
    pub task_counts: TaskCounts,
    /// What was explained.
    pub explanations: Vec<GapExplanationInput>,
    /// How many completions there were to be seen.
    #[schema(minimum = 0)]
    pub entries: usize,
    /// When.
    pub recorded_at: DateTime<Utc>,
}

impl From<&SignOff> for SignOffDocument {
    fn from(row: &SignOff) -> Self {
        Self {
            sign_off_id: row.sign_off_id,
            clinic_id: row.clinic_id,
            clinic_day: row.clinic_day,
            number: row.number,
            staff_id: row.staff_id,
            signed_by: row.signed_by.clone(),
            note: row.note.clone(),
            review_digest: HEXLOWER.encode(&row.review_digest),
            // What later versions count beside is passed over.
            task_counts: serde_json::from_value(row.task_counts.clone()).unwrap_or_default(),
            explanations: explanations_of(row),
            entries: row.entry_ids.len(),
            recorded_at: row.recorded_at,
        }
    }
}
