//! What is sent and answered about signatures under clinic days.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use data_encoding::HEXLOWER;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::review::{ExplainedBy, GapExplanation, TaskCounts};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::http::staff::signature::SignatureInput;
use crate::store::sign_offs::SignOff;

/// Most explanations of one signature that are each about one gap, or each about many.
const MOST_EXPLANATIONS: usize = 500;
/// Most gaps that one signature explains.
const MOST_GAPS: usize = 5_000;

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

/// The same words about many gaps.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ManyGapsExplanationInput {
    /// The gaps' names, as the review gives them.
    #[schema(min_items = 1, max_items = 5000)]
    pub gaps: Vec<String>,
    /// Why they are there and what follows from it. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "The street was flooded; nobody came in.")]
    pub words: String,
}

/// What had been said about a gap before a signature, as its signer saw it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SeenExplanation {
    /// The gap's name.
    pub gap: String,
    /// The words.
    pub words: String,
    /// Where they came from.
    pub given_by: ExplainedBy,
    /// The person; empty: the plan.
    pub person: String,
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
    /// The same for many gaps of one reason; at most 5,000 gaps in all.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub explanations_of_many: Vec<ManyGapsExplanationInput>,
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
        for (pointer, count) in
            [("/explanations", self.explanations.len()), ("/explanations_of_many", self.explanations_of_many.len())]
        {
            if count > MOST_EXPLANATIONS {
                faults.push(Fault::new(pointer, format!("must have at most {MOST_EXPLANATIONS} items")));
                return faults;
            }
        }
        if self.named_gaps().count() > MOST_GAPS {
            faults.push(Fault::new("/explanations_of_many", format!("must name at most {MOST_GAPS} gaps in all")));
            return faults;
        }
        for (i, explanation) in self.explanations.iter().enumerate() {
            check_text(&mut faults, &format!("/explanations/{i}/words"), &explanation.words, 400);
        }
        for (i, explanation) in self.explanations_of_many.iter().enumerate() {
            check_text(&mut faults, &format!("/explanations_of_many/{i}/words"), &explanation.words, 400);
            if explanation.gaps.is_empty() {
                faults.push(Fault::new(format!("/explanations_of_many/{i}/gaps"), "must name a gap"));
            }
        }
        let mut before = BTreeSet::new();
        for (pointer, gap) in self.named_gaps() {
            if !is_gap_name(gap) {
                faults.push(Fault::new(pointer, "must be the name of a gap, as the review gave it"));
            } else if !before.insert(gap) {
                faults.push(Fault::new(pointer, "is explained twice"));
            }
        }
        faults.extend(self.signature.pin.fault("/signature/pin"));
        faults
    }

    /// The gaps that are explained, each with where it stands.
    pub(super) fn named_gaps(&self) -> impl Iterator<Item = (String, &str)> {
        let one = self.explanations.iter().enumerate();
        let many = self.explanations_of_many.iter().enumerate();
        one.map(|(i, e)| (format!("/explanations/{i}/gap"), e.gap.as_str())).chain(many.flat_map(|(i, e)| {
            let gaps = e.gaps.iter().enumerate();
            gaps.map(move |(k, gap)| (format!("/explanations_of_many/{i}/gaps/{k}"), gap.as_str()))
        }))
    }

    /// One explanation for each gap, in the order in which they were sent.
    pub(super) fn each(&self) -> Vec<GapExplanationInput> {
        let each = |words: &String, gap: &String| GapExplanationInput { gap: gap.clone(), words: words.clone() };
        let many = self.explanations_of_many.iter().flat_map(|e| e.gaps.iter().map(|gap| each(&e.words, gap)));
        self.explanations.iter().cloned().chain(many).collect()
    }

    /// Whether a signature that stands is this one.
    pub(super) fn is_kept_as(&self, standing: &SignOff) -> bool {
        let kept: Vec<GapExplanationInput> = explanations_of(standing);
        standing.staff_id == self.signature.staff_id
            && standing.note == self.note
            && HEXLOWER.encode(&standing.review_digest) == self.review_digest
            && kept == self.each()
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
    /// What had been said about gaps before, as the signer saw it; null: signed before that was kept.
    #[schema(required)]
    pub words_seen: Option<Vec<SeenExplanation>>,
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
            words_seen: row.words_seen.clone().and_then(|seen| serde_json::from_value(seen).ok()),
            entries: row.entry_ids.len(),
            recorded_at: row.recorded_at,
        }
    }
}
