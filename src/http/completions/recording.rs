//! One completion, end to end: load and lock, judge, keep the evidence, settle the task, append the event, mark the plan,
//! commit.
//!
//! The rule of this file: a completion is kept in one transaction of its own or not at all, and a repeat under the same
//! UUID reads back what was kept.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use serde_json::json;
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use uuid::Uuid;

use super::documents::{CompletionAnswer, CompletionInput};
use super::people;
use super::{MAY_RECORD, known, settling};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::{self, Asked, CompletionKind, Finding, Judgement, StepAnswer, Submission, Verdict};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::seal::record::RecordName;
use crate::domain::step;
use crate::domain::task::{Outcome, TaskId};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::problem::{ApiError, ApiResult};
use crate::http::staff::signature::RightPins;
use crate::http::staff::who::Who;
use crate::http::tasks::{Access, Work, find_work};
use crate::store::completions::{self, Completion, Receipt, repeats};
use crate::store::corrective_actions::actions::{self, Followed, LotRecall, WrongProduct};
use crate::store::retention::purges;
use crate::store::{self, events, planning};

/// Most answers of one completion.
pub(super) const MOST_ANSWERS: usize = 400;

const TOO_LATE_TO_REPEAT: &str =
    "found void too late for a repeat of its own; the routine's next task repeats the test";

pub(super) async fn read_back(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_day: NaiveDate,
    completion_id: Uuid,
) -> ApiResult<CompletionAnswer> {
    let row = completions::find(db, caller.group_id, clinic_day, completion_id).await?;
    let Some(row) = row else { return Err(purged_or_unknown(db, caller, completion_id).await?) };
    let mut answers = CompletionAnswer::of_rows(db, caller.group_id, clinic_day, vec![row]).await?;
    answers.pop().ok_or_else(ApiError::internal)
}

/// Why there is no completion where there is a receipt of one.
async fn purged_or_unknown(db: &mut PgConnection, caller: &Caller, completion_id: Uuid) -> ApiResult<ApiError> {
    let name = RecordName { kind: "completion".to_owned(), id: completion_id.to_string() };
    Ok(match purges::find_clinic_of_record(db, caller.group_id, &name).await? {
        // The operatory is in the record that is gone: a device of one operatory may hear of its clinic's.
        Some(clinic_id) if caller.reach.covers_clinic(clinic_id) || caller.reach.clinics() == Some(&[]) => {
            let detail = "it was recorded under this completion_id and has been purged since; it is not recorded again";
            ApiError::conflict("record-purged", "The record was purged", detail)
        }
        _ => ApiError::not_found("completion"),
    })
}

/// Records one completion in a transaction of its own; `false` beside the answer when it stood already.
pub(super) async fn record(
    state: &AppState,
    caller: &Caller,
    input: &CompletionInput,
    pins: &mut RightPins,
) -> ApiResult<(bool, CompletionAnswer)> {
    caller.must_be(&MAY_RECORD)?;
    if input.kind == CompletionKind::NotRequired {
        caller.must_be(&[Role::Manager, Role::Administrator])?;
    } else {
        caller.must_be(&[Role::Chairside])?;
    }
    let signed = people::check_signature(state, caller, input, pins).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let to_plan = match TaskId::from_uuid(input.task_id) {
        Some(id) => planning::lock_for_completion(&mut tx, caller.group_id, id).await?,
        None => None,
    };
    let work = find_work(&mut tx, caller, input.task_id, Access::Change).await?;
    let clinic_day = work.task.id.clinic_day();
    let receipt = Receipt { clinic_day, content_hash: content_hash(input) };
    if let Some(first) = completions::find_receipt(&mut tx, caller.group_id, input.completion_id).await? {
        return repeat(&mut tx, caller, input, &receipt, &first).await;
    }
    let judged = judge(&mut tx, caller, input, &work).await?;
    if !completions::insert_receipt(&mut tx, caller.group_id, input.completion_id, &receipt).await? {
        // Another request took the id while we judged.
        let first = completions::find_receipt(&mut tx, caller.group_id, input.completion_id).await?;
        let first = first.ok_or_else(|| ApiError::unavailable("the same completion is being recorded; repeat it"))?;
        return repeat(&mut tx, caller, input, &receipt, &first).await;
    }
    keep(&mut tx, caller, input, &work, &judged, signed).await?;
    if let Some(clinic_id) = to_plan {
        // What the subject was left with where it stood stays there; its dates are planned where it stands.
        planning::mark_clinic(&mut tx, caller.group_id, clinic_id, caller.now).await?;
    }
    let answer = read_back(&mut tx, caller, clinic_day, input.completion_id).await?;
    tx.commit().await?;
    Ok((true, answer))
}

fn content_hash(input: &CompletionInput) -> Vec<u8> {
    // Field order is the struct's, so the same content always has the same text.
    Sha256::digest(serde_json::to_vec(&input.content()).unwrap_or_default()).to_vec()
}

async fn repeat(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    now_sent: &Receipt,
    first: &Receipt,
) -> ApiResult<(bool, CompletionAnswer)> {
    if now_sent.clinic_day != first.clinic_day || now_sent.content_hash != first.content_hash {
        return Err(ApiError::conflict(
            "completion-id-taken",
            "The completion id stands for other content",
            "make a new UUID for each completion; to correct one, post another that names it in `corrects`",
        ));
    }
    Ok((false, read_back(db, caller, first.clinic_day, input.completion_id).await?))
}

/// What a completion amounts to and what it does to its task.
pub(super) struct Judged {
    pub(super) judgement: Judgement,
    /// Who did it.
    pub(super) who: Who,
    /// What it was worked with and should not have been.
    wrong_products: Vec<WrongProduct>,
    /// It names, at a chair, packs of a load that is not to be laid out.
    pub(super) names_held_load: bool,
}

async fn judge(db: &mut PgConnection, caller: &Caller, input: &CompletionInput, work: &Work) -> ApiResult<Judged> {
    let holds = completions::list_holds(db, caller.group_id, &[work.task.id]).await?;
    let no_holds = BTreeMap::new();
    let known = known::of(db, caller, input, work).await?;
    let lots = lots_asked(db, caller, input, work, &known).await?;
    let wanted = step::wanted(&work.routine.steps, &work.subject);
    let outcome = work.task.recorded.map(|(outcome, _)| outcome).filter(|_| !work.task.outcome_by_plan);
    let asked = Asked {
        clinic_day: work.task.id.clinic_day(),
        times: &work.task.times,
        steps: &work.routine.steps,
        wanted: &wanted,
        holds: holds.get(&input.task_id).unwrap_or(&no_holds),
        lots: &lots,
        sampled_before: outcome == Some(Outcome::ResultPending),
        known: &known,
    };
    let submission =
        Submission { kind: input.kind, performed_at: input.performed_at, answers: &input.steps, reason: &input.reason };
    let mut faults = text_faults(input);
    let who = people::find(db, caller, input, work).await?;
    faults.extend(who.fault());
    faults.extend(people::clock_faults(input));
    faults.extend(evidence::faults(&submission, &asked, caller.now));
    if let Some(corrected) = input.corrects {
        faults.extend(correction_faults(db, caller, input, work, corrected).await?);
    }
    if !faults.is_empty() {
        return Err(ApiError::rules_broken(faults));
    }
    let mut judgement = evidence::judge(&submission, &asked, caller.now);
    if judgement.verdict == Verdict::Void && !repeats::is_possible(work.task.id.clinic_day(), caller.now) {
        judgement.findings.push(Finding { step: None, finding: TOO_LATE_TO_REPEAT.to_owned() });
    }
    let wrong_products = wrong_products(&judgement, &lots);
    let names_held_load = !known.held_loads.is_empty();
    Ok(Judged { judgement, who, wrong_products, names_held_load })
}

fn wrong_products(judgement: &Judgement, lots: &evidence::LotsAsked) -> Vec<WrongProduct> {
    let wrong = judgement.steps.iter().filter(|step| step.wrong_product);
    let recall = |lot_id: Uuid| LotRecall::standing(lot_id, &lots.lots.get(&lot_id)?.marks);
    wrong
        .map(|step| WrongProduct {
            finding: format!("{}, {}", step.key, step.finding),
            recall: step.lot_id.and_then(recall),
        })
        .collect()
}

/// The lots that the answers name, or that were named when their tests were run, and the place they were used at. No more are
/// looked up than answers are taken.
async fn lots_asked(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    known: &evidence::Known,
) -> ApiResult<evidence::LotsAsked> {
    let answered = input.steps.iter().take(MOST_ANSWERS).filter_map(StepAnswer::named_lot);
    let ran = known.ran.values().filter_map(|run| run.strips.lot_id);
    let named: BTreeSet<Uuid> = answered.chain(ran).collect();
    if named.is_empty() {
        return Ok(evidence::LotsAsked::default());
    }
    store::products::lots::hold_for_use(db, caller.group_id, &named).await?;
    let named: Vec<Uuid> = named.into_iter().collect();
    let clinic = store::clinics::find(db, caller.group_id, work.task.clinic_id).await?;
    Ok(evidence::LotsAsked {
        clinic_id: work.task.clinic_id,
        jurisdiction: clinic.map(|clinic| clinic.jurisdiction).unwrap_or_default(),
        discharges_amalgam: store::clinics::subjects::discharges_amalgam(db, caller.group_id, work.subject.id).await?,
        lots: store::products::lots::list_in_use(db, caller.group_id, &named, work.task.id.clinic_day()).await?,
    })
}

fn text_faults(input: &CompletionInput) -> Vec<Fault> {
    let mut faults = Vec::new();
    if let Some(performed_by) = &input.performed_by {
        check_text(&mut faults, "/performed_by", performed_by, 40);
    } else if input.staff_id.is_none() {
        faults.push(Fault::new("/performed_by", "must say who did it, unless staff_id does"));
    }
    check_optional_text(&mut faults, "/reason", &input.reason, 400);
    check_optional_text(&mut faults, "/note", &input.note, 1000);
    if input.steps.len() > MOST_ANSWERS {
        faults.push(Fault::new("/steps", format!("must have at most {MOST_ANSWERS} answers")));
    }
    faults
}

async fn correction_faults(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    corrected: Uuid,
) -> ApiResult<Vec<Fault>> {
    let mut faults = Vec::new();
    if input.reason.trim().is_empty() {
        faults.push(Fault::new("/reason", "must say what is corrected and why"));
    }
    let earlier = completions::list_of_task(db, caller.group_id, work.task.id).await?;
    if !earlier.iter().any(|c| c.completion_id == corrected) {
        faults.push(Fault::new("/corrects", "is not a completion of this task"));
    }
    if earlier.iter().any(|c| c.corrects == Some(corrected)) {
        faults.push(Fault::new("/corrects", "was corrected already; correct the correction"));
    }
    Ok(faults)
}

/// Keeps the evidence, settles the task and appends the event, all in the caller's transaction.
async fn keep(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    judged: &Judged,
    signed: bool,
) -> ApiResult<()> {
    let judgement = &judged.judgement;
    let mut flags = people::flags(db, caller, input, work, judged, signed).await?;
    let row = Completion {
        completion_id: input.completion_id,
        task_id: input.task_id,
        clinic_id: work.task.clinic_id,
        kind: input.kind.as_str().to_owned(),
        performed_at: input.performed_at,
        recorded_at: caller.now,
        performed_by: judged.who.performed_by.clone(),
        key_id: caller.key_id,
        verdict: judgement.verdict.as_str().to_owned(),
        findings: json!(judgement.findings),
        early: judgement.early,
        late: judgement.late,
        late_entry: judgement.late_entry,
        outcome: judgement.outcome.map(|outcome| outcome.as_str().to_owned()),
        told_duplicate: None,
        duplicate: false,
        corrects: input.corrects,
        reason: input.reason.clone(),
        note: input.note.clone(),
        staff_id: input.staff_id,
        signed: Some(signed),
        flags: Some(flags.iter().map(|flag| flag.as_str().to_owned()).collect()),
        device_at: input.device_at,
        entered_at: input.entered_at,
    };
    let clinic_day = work.task.id.clinic_day();
    completions::insert(db, caller.group_id, clinic_day, &row, &judgement.steps).await?;
    let counts = settling::settle(db, caller, work, &row).await?;
    follow_up(db, caller, input, work, judged, counts.completion_id).await?;
    // Last, as it waits for whoever records an entry of the same person.
    let mut raised = people::raise_flags(db, caller, input, work, &judged.who).await?;
    flags.extend(raised.remove(&input.completion_id).unwrap_or_default());
    let event = json!({
        "completion_id": input.completion_id, "task_id": input.task_id, "kind": row.kind, "verdict": row.verdict,
        "performed_at": input.performed_at, "duplicate": is_duplicate(input, judgement, counts.completion_id),
        "corrects": input.corrects, "counts": counts.completion_id,
        "staff_id": row.staff_id, "signed": signed, "flags": flags, "flags_raised": raised,
    });
    let clinic = Some(work.task.clinic_id);
    events::append(db, caller.group_id, EventKind::CompletionRecorded, clinic, &event, caller.now).await?;
    Ok(())
}

/// What a completion does to corrective actions: it may open one, or concern one that stands.
async fn follow_up(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    judged: &Judged,
    counts: Uuid,
) -> ApiResult<()> {
    let judgement = &judged.judgement;
    let first = judgement.steps.iter().find(|step| step.falls_short());
    let followed = Followed {
        task: &work.task,
        routine: &work.routine,
        completion_id: input.completion_id,
        corrects: input.corrects,
        fell_short: first.is_some(),
        load_labels: judgement.labels(),
        finding: first.map_or_else(String::new, |step| format!("{}, {}", step.key, step.finding)),
        verdict: judgement.verdict,
        done: judgement.outcome == Some(Outcome::Done) && counts == input.completion_id,
        duplicate: is_duplicate(input, judgement, counts),
        wrong_products: &judged.wrong_products,
        key_id: caller.key_id,
    };
    actions::follow(db, caller.group_id, &followed, caller.now).await?;
    Ok(())
}

/// Whether it would end its task, and another completion counts.
fn is_duplicate(input: &CompletionInput, judgement: &Judgement, counts: Uuid) -> bool {
    judgement.outcome.is_some_and(Outcome::ends_its_task) && counts != input.completion_id
}
