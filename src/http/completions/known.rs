//! What is known beside a task when a completion of it is judged.
//!
//! The rule of this file: only what the completion can be judged by is asked for, so that a plain tick costs no query.

use std::collections::BTreeSet;

use chrono::DateTime;
use sqlx::PgConnection;
use uuid::Uuid;

use super::documents::CompletionInput;
use super::recording::MOST_ANSWERS;
use crate::domain::evidence::{CLOCK_TOLERANCE, Given, Known, SporeRun};
use crate::domain::subject::SubjectKind;
use crate::http::caller::Caller;
use crate::http::problem::ApiResult;
use crate::http::tasks::Work;
use crate::store::clinics::{self, instruments};
use crate::store::completions::{self, EarlierStep};
use crate::store::corrective_actions::quarantines;
use crate::store::routines::own_limits;

/// What a completion of this work is judged by.
pub(super) async fn of(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
) -> ApiResult<Known> {
    let mut known =
        Known { lines: work.subject.circuits.clone(), corrects: input.corrects.is_some(), ..Known::default() };
    let group_id = caller.group_id;
    let (clinic_id, routine_id) = (work.task.clinic_id, work.task.routine_id);
    if work.routine.steps.iter().any(|step| step.evidence.limit_unit().is_some()) {
        let clinic = clinics::find(db, group_id, clinic_id).await?;
        known.place = clinic.map(|clinic| clinic.jurisdiction).unwrap_or_default();
        known.own_limits = own_limits::list_for(db, group_id, clinic_id, routine_id).await?;
    }
    let tests_spores = input.steps.iter().any(|a| matches!(a.given, Some(Given::SporeTest { .. })));
    if tests_spores {
        known.zone = clinics::find(db, group_id, clinic_id).await?.map(|clinic| clinic.zone);
    }
    // At a chair packs are laid out for a patient; whoever works at the machine has to do with loads that are held.
    if work.task.subject_kind == SubjectKind::Operatory {
        // What lies out of all bounds is refused beside this, and must not be asked about first.
        let laid_out_at = input.performed_at.clamp(DateTime::UNIX_EPOCH, caller.now + CLOCK_TOLERANCE);
        let labels = named_labels(input);
        known.held_loads = quarantines::list_held_labels(db, group_id, clinic_id, &labels, laid_out_at).await?;
    }
    let instrument_ids: Vec<Uuid> = input.steps.iter().filter_map(|answer| answer.instrument_id).collect();
    if !instrument_ids.is_empty() {
        let named = instruments::list_named(db, group_id, &instrument_ids).await?;
        let here = named.into_iter().filter(|instrument| instrument.clinic_id == clinic_id);
        known.instruments = here.map(|instrument| (instrument.id, instrument)).collect();
    }
    let asks_back =
        input.steps.iter().any(|a| a.hold_id.is_some() || matches!(a.given, Some(Given::WaterSample { .. })));
    if asks_back || tests_spores {
        let corrected = corrected_chain(db, caller, input, work).await?;
        for earlier in completions::list_earlier_steps(db, group_id, work.task.id).await? {
            let EarlierStep { completion_id, step_key, hold_id, given, sampled_at } = earlier;
            known.spent_holds.extend(hold_id.filter(|_| !corrected.contains(&completion_id)));
            // In the order they were recorded: what was drawn last counts.
            match given {
                Some(Given::WaterDrawn { drawn }) => {
                    known.drawn.insert(step_key, drawn);
                }
                Some(Given::SporeTest { strips }) => {
                    let ran_before = known.ran.get(&step_key).and_then(|run| run.ran_at);
                    known.ran.insert(step_key, SporeRun { strips, ran_at: sampled_at.or(ran_before) });
                }
                _ => {}
            }
        }
    }
    Ok(known)
}

/// What the answers refer to by label: packs, at a chair.
fn named_labels(input: &CompletionInput) -> Vec<String> {
    let labels = input.steps.iter().take(MOST_ANSWERS).filter_map(|answer| match &answer.given {
        Some(Given::Reference { labels }) => Some(labels),
        _ => None,
    });
    labels.flatten().cloned().collect()
}

/// The completions that this one corrects, one behind the other: it may tell of their holds anew.
pub(super) async fn corrected_chain(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
) -> ApiResult<BTreeSet<Uuid>> {
    let mut chain = BTreeSet::new();
    if input.corrects.is_some() {
        let earlier = completions::list_of_task(db, caller.group_id, work.task.id).await?;
        let mut next = input.corrects;
        while let Some(completion) = next.and_then(|id| earlier.iter().find(|c| c.completion_id == id)) {
            chain.insert(completion.completion_id);
            next = completion.corrects;
        }
    }
    Ok(chain)
}
