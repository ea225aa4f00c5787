//! What a step was worked with: may this lot be used for this, here, then?
//!
//! The rule of this file: an answer is kept whatever it says, and a lot that speaks against it fails the step with the
//! reasons, all of them. A law that is in force refuses; the same law elsewhere warns, and changes no verdict.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::{Asked, JudgedStep, StepAnswer, StepStatus, Submission};
use crate::domain::amalgam_cleaner::{self, AmalgamRule, CleanerVerdict, judge_cleaner};
use crate::domain::lot::LotInUse;
use crate::domain::product::ProductUse;
use crate::domain::step::{AppliedTo, Step, StepEvidence};

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

/// Judges a product step that is answered as done, noting what decided. Every reason it falls short is told.
pub(super) fn judge(
    judged: &mut JudgedStep,
    step: &Step,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) {
    let StepEvidence::Product { product_ids, use_key, applied_to } = &step.evidence else { return };
    let Some(lot) = answer.lot_id.and_then(|id| asked.lots.lots.get(&id)) else { return };
    judged.product_version = Some(lot.version.version);
    let product = &lot.version.product;
    let product_use = product.find_use(use_key);
    judged.wrong_product = !product_ids.contains(&lot.version.product_id)
        || product_use.is_none()
        || lot.is_unfit(submission.performed_at);
    if !product_ids.contains(&lot.version.product_id) {
        judged.fail(format!("{} is not a product of this step; rinse, and repeat with the right one", product.name));
    } else if product_use.is_none() {
        judged.fail(format!("the instructions of {} as entered have no use {use_key}", product.name));
    }
    if lot.clinic_id != asked.lots.clinic_id {
        judged.fail(format!("lot {} stands at another clinic", lot.lot_number));
    }
    let objections = lot.objections(submission.performed_at);
    if !objections.is_empty() {
        judged.fail(format!("{}; rinse, and repeat with another lot", objections.join("; ")));
    }
    if let Some(life) = product.life_after_opening {
        judged.note_limit(&life.limit(&product.instructions.source()));
    }
    if let Some(product_use) = product_use {
        judge_mixture(judged, product_use, lot, answer, submission);
    }
    if matches!(applied_to, AppliedTo::SuctionLines | AppliedTo::Traps) {
        for rule in amalgam_cleaner::shipped() {
            judge_by_amalgam_rule(judged, rule, lot, asked);
        }
    }
}

fn judge_by_amalgam_rule(judged: &mut JudgedStep, rule: &AmalgamRule, lot: &LotInUse, asked: &Asked<'_>) {
    let (product, place) = (&lot.version.product, asked.lots.jurisdiction.as_str());
    let discharges = asked.lots.discharges_amalgam.unwrap_or(true);
    let said = judge_cleaner(rule, &product.cleaner(), discharges, place, asked.clinic_day);
    if discharges && rule.is_in_force(place, asked.clinic_day) {
        for limit in &rule.limits {
            judged.note_limit(limit);
        }
    }
    let told = format!("{}: {} ({})", product.name, said.reason, rule.cited());
    match said.verdict {
        CleanerVerdict::Allowed => {}
        CleanerVerdict::Warned => judged.tell(Some(format!("warning: {told}"))),
        CleanerVerdict::Refused => {
            // What its label does not tell speaks against the record, and not against the product.
            judged.wrong_product |= product.cleaner().ph.is_some();
            judged.fail(told);
        }
    }
}

/// Whether a solution had stood for too long.
fn judge_mixture(
    judged: &mut JudgedStep,
    product_use: &ProductUse,
    lot: &LotInUse,
    answer: &StepAnswer,
    submission: &Submission<'_>,
) {
    let performed_at = submission.performed_at;
    if let Some(life) = product_use.life_after_mixing {
        judged.note_limit(&life.limit(&product_use.source));
    }
    match (product_use.life_after_mixing, answer.mixed_at) {
        (_, Some(mixed_at)) if mixed_at > performed_at => judged.fail("was mixed only after it was used"),
        (Some(_), None) => judged.fail("when the solution was mixed is not recorded, and it keeps only for a time"),
        (Some(life), Some(mixed_at)) if performed_at >= life.ends_at(mixed_at, &lot.zone) => {
            judged.wrong_product = true;
            judged.fail("the solution was over its life after mixing; mix a fresh one and repeat");
        }
        _ => {}
    }
}

/// What the product that a hold was filled with is used for: of the product step of this name, worked for the hold's part
/// or for all of them.
pub(super) fn filled_with<'a>(
    hold_key: &str,
    name: &str,
    submission: &Submission<'_>,
    asked: &Asked<'a>,
) -> Option<&'a ProductUse> {
    let answered = |key: &str| submission.answers.iter().find(|answer| answer.step == key);
    let of_part = hold_key.split_once(':').and_then(|(_, part)| answered(&format!("{name}:{part}")));
    let answer = of_part.or_else(|| answered(name)).filter(|answer| answer.status == StepStatus::Done)?;
    let lot = answer.lot_id.and_then(|id| asked.lots.lots.get(&id))?;
    let step = asked.steps.iter().find(|step| step.key == name)?;
    let StepEvidence::Product { use_key, .. } = &step.evidence else { return None };
    lot.version.product.find_use(use_key)
}
