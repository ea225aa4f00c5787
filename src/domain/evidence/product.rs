//! What a step was worked with: may this lot be used for this, here, then?
//!
//! The rule of this file: an answer is kept whatever it says, and a lot that speaks against it fails the step with the
//! reason. A law that is in force refuses; the same law elsewhere warns, and changes no verdict.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::{JudgedStep, StepAnswer, StepStatus, Submission};
use crate::domain::amalgam_cleaner::{AmalgamRule, CleanerVerdict, judge_cleaner};
use crate::domain::lot::LotInUse;
use crate::domain::product::ProductUse;
use crate::domain::step::{AppliedTo, Step, StepEvidence};

use super::Asked;

/// The place a task's products are used at, and the lots its answers name.
#[derive(Clone, Debug, Default)]
pub struct LotsAsked {
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// The clinic's jurisdiction, by ISO 3166; may be empty.
    pub jurisdiction: String,
    /// Whether the subject's lines discharge amalgam; `None`: nobody said, and it is treated as if they did.
    pub discharges_amalgam: Option<bool>,
    /// The lots that exist, of those that were named.
    pub lots: BTreeMap<Uuid, LotInUse>,
}

/// Shortest and longest contact time that a hold takes from the product of another step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Contact {
    /// Shortest, in seconds.
    pub(super) minimum: Option<u32>,
    /// Longest, in seconds.
    pub(super) maximum: Option<u32>,
}

/// What the rule of a product step finds wrong with a done one.
pub(super) fn fails(
    judged: &mut JudgedStep,
    step: &Step,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) -> Option<String> {
    let StepEvidence::Product { product_ids, use_key, applied_to } = &step.evidence else { return None };
    let lot = answer.lot_id.and_then(|id| asked.lots.lots.get(&id))?;
    judged.product_version = Some(lot.version.version);
    let product = &lot.version.product;
    judged.wrong_product = true;
    if !product_ids.contains(&lot.version.product_id) {
        return Some(format!("{} is not a product of this step; rinse, and repeat with the right one", product.name));
    }
    let Some(product_use) = product.find_use(use_key) else {
        return Some(format!("the instructions of {} as entered have no use {use_key}", product.name));
    };
    judged.wrong_product = lot.is_unfit(submission.performed_at);
    if lot.clinic_id != asked.lots.clinic_id {
        return Some(format!("lot {} stands at another clinic", lot.lot_number));
    }
    if let Some(objection) = lot.objection(submission.performed_at) {
        return Some(format!("{objection}; rinse, and repeat with another lot"));
    }
    let too_old = over_mixed(product_use, lot, answer, submission);
    if too_old.is_some() {
        // What is not recorded of the mixing, or cannot be, says nothing against the product.
        judged.wrong_product = answer.mixed_at.is_some_and(|mixed_at| mixed_at <= submission.performed_at);
        return too_old;
    }
    if !matches!(applied_to, AppliedTo::SuctionLines | AppliedTo::Traps) {
        return None;
    }
    let rule = AmalgamRule::us_federal();
    let discharges = asked.lots.discharges_amalgam.unwrap_or(true);
    let said = judge_cleaner(&rule, &product.cleaner(), discharges, &asked.lots.jurisdiction, asked.clinic_day);
    let told = format!("{}: {} ({}, {})", product.name, said.reason, rule.source.title, rule.source.locator);
    match said.verdict {
        CleanerVerdict::Allowed => None,
        CleanerVerdict::Warned => {
            judged.finding = format!("warning: {told}");
            None
        }
        CleanerVerdict::Refused => {
            judged.wrong_product = true;
            Some(told)
        }
    }
}

/// Whether a solution had stood for too long.
fn over_mixed(
    product_use: &ProductUse,
    lot: &LotInUse,
    answer: &StepAnswer,
    submission: &Submission<'_>,
) -> Option<String> {
    let performed_at = submission.performed_at;
    match (product_use.life_after_mixing, answer.mixed_at) {
        (_, Some(mixed_at)) if mixed_at > performed_at => Some("was mixed only after it was used".to_owned()),
        (Some(_), None) => Some("when the solution was mixed is not recorded, and it keeps only for a time".to_owned()),
        (Some(life), Some(mixed_at)) if performed_at >= life.ends_at(mixed_at, &lot.zone) => {
            Some("the solution was over its life after mixing; mix a fresh one and repeat".to_owned())
        }
        _ => None,
    }
}

/// The contact times that holds take from product steps, by the wanted key of the hold.
pub(super) fn contacts(answers: &BTreeMap<&str, &StepAnswer>, asked: &Asked<'_>) -> BTreeMap<String, Contact> {
    let of_step = |name: &str, part: Option<&str>| {
        let of_part = part.and_then(|part| answers.get(format!("{name}:{part}").as_str()));
        let answer = of_part.or_else(|| answers.get(name)).filter(|a| a.status == StepStatus::Done)?;
        let lot = answer.lot_id.and_then(|id| asked.lots.lots.get(&id))?;
        let step = asked.steps.iter().find(|step| step.key == name)?;
        let StepEvidence::Product { use_key, .. } = &step.evidence else { return None };
        let product_use = lot.version.product.find_use(use_key)?;
        let ProductUse { contact_minimum_seconds: minimum, contact_maximum_seconds: maximum, .. } = product_use;
        Some(Contact { minimum: *minimum, maximum: *maximum })
    };
    let mut contacts = BTreeMap::new();
    for wanted in asked.wanted {
        if let StepEvidence::Hold { minimum_from: Some(name), .. } = &wanted.step.evidence
            && let Some(contact) = of_step(name, wanted.part)
        {
            contacts.insert(wanted.key.clone(), contact);
        }
    }
    contacts
}
