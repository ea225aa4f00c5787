//! What of a submission cannot be read.
//!
//! The rule of this file: only what makes no sense is a fault (an unknown step, a reading in another unit); work that
//! falls short is judged, and never refused.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike as _, TimeDelta, Utc};

use super::{Asked, CompletionKind, Given, StepAnswer, StepStatus, Submission, rules};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::limit::unit_faults;
use crate::domain::step::{Step, StepEvidence, is_key};

/// How far a device's clock may run ahead of ours before its `performed_at` counts as the future.
pub const CLOCK_TOLERANCE: TimeDelta = TimeDelta::seconds(120);

/// Everything about a submission that cannot be read, with pointers into the completion document.
#[must_use]
pub fn faults(submission: &Submission<'_>, asked: &Asked<'_>, now: DateTime<Utc>) -> Vec<Fault> {
    let mut faults = Vec::new();
    if submission.performed_at > now + CLOCK_TOLERANCE {
        faults.push(Fault::new("/performed_at", "lies in the future; work is recorded after it was done"));
    }
    if submission.performed_at < DateTime::UNIX_EPOCH {
        faults.push(Fault::new("/performed_at", "must not be before the year 1970"));
    }
    match submission.kind {
        CompletionKind::Performed => {}
        CompletionKind::NotRequired | CompletionKind::Void => {
            check_text(&mut faults, "/reason", submission.reason, 400);
            if !submission.answers.is_empty() {
                faults.push(Fault::new("/steps", "must be empty unless the work was performed"));
            }
        }
    }
    let mut seen = BTreeSet::new();
    for (i, answer) in submission.answers.iter().enumerate() {
        let at = format!("/steps/{i}");
        if !seen.insert(answer.step.as_str()) {
            faults.push(Fault::new(format!("{at}/step"), "stands twice; answer each step once"));
        }
        match step_of(&answer.step, asked) {
            None => faults.push(Fault::new(format!("{at}/step"), "is not a step of this routine")),
            Some(step) => faults.extend(answer_faults(answer, step, asked).into_iter().map(|f| f.under(&at))),
        }
    }
    faults
}

/// The routine's step behind an answer's key. A part the subject no longer has (renamed while the tablet was offline)
/// is still read; it does not count for those it has.
pub(super) fn step_of<'a>(key: &str, asked: &Asked<'a>) -> Option<&'a Step> {
    let (base, part) = key.split_once(':').map_or((key, None), |(base, part)| (base, Some(part)));
    let step = asked.steps.iter().find(|s| s.key == base && s.for_each.is_some() == part.is_some())?;
    part.is_none_or(is_key).then_some(step)
}

fn answer_faults(answer: &StepAnswer, step: &Step, asked: &Asked<'_>) -> Vec<Fault> {
    let mut faults = Vec::new();
    check_optional_text(&mut faults, "/reason", &answer.reason, 400);
    if answer.step.len() > 90 {
        faults.push(Fault::new("/step", "must have at most 90 characters"));
    }
    let without_reason = answer.reason.trim().is_empty();
    if matches!(answer.status, StepStatus::Skipped | StepStatus::NotApplicable) && without_reason {
        faults.push(Fault::new("/reason", "must say why the step was skipped or does not apply"));
    }
    let is_hold = matches!(step.evidence, StepEvidence::Hold { .. });
    let is_reading = matches!(step.evidence, StepEvidence::Reading { .. });
    if !is_hold && (answer.hold_id.is_some() || answer.elapsed_seconds.is_some()) {
        faults.push(Fault::new("/elapsed_seconds", "belongs to a timed hold; this step is none"));
    }
    match &answer.hold_record {
        Some(_) if !is_hold => faults.push(Fault::new("/hold_record", "belongs to a timed hold; this step is none")),
        Some(_) if answer.hold_id.is_some() => {
            faults.push(Fault::new("/hold_record", "must be left out when the server timed the hold"));
        }
        Some(record) => faults.extend(record.faults().into_iter().map(|f| f.under("/hold_record"))),
        None => {}
    }
    if !is_reading && answer.reading.is_some() {
        faults.push(Fault::new("/reading", "belongs to a reading; this step is none"));
    }
    faults.extend(product_faults(answer, step, asked));
    if !is_reading && answer.too_many_to_count {
        faults.push(Fault::new("/too_many_to_count", "belongs to a reading; this step is none"));
    }
    if answer.too_many_to_count && answer.reading.is_some() {
        faults.push(Fault::new("/reading", "must be left out: what is too many to count is no number"));
    }
    match answer.instrument_id {
        Some(_) if !is_reading => {
            faults.push(Fault::new("/instrument_id", "belongs to a reading; this step is none"));
        }
        Some(id) if !asked.known.instruments.contains_key(&id) => {
            faults.push(Fault::new("/instrument_id", "is no instrument of this clinic"));
        }
        _ => {}
    }
    if let Some(given) = &answer.given {
        faults.extend(given.faults(&step.evidence).into_iter().map(|f| f.under("/given")));
        faults.extend(phase_faults(given, answer, asked).into_iter().map(|f| f.under("/given")));
    }
    // What is kept beside a skipped step must make sense as well.
    if answer.elapsed_seconds.is_some_and(|seconds| is_hold && seconds > 604_800) {
        faults.push(Fault::new("/elapsed_seconds", "must be from 0 to 604800"));
    }
    if let Some(id) = answer.hold_id.filter(|_| is_hold) {
        match asked.holds.get(&id) {
            None => faults.push(Fault::new("/hold_id", "no hold of this task has this id")),
            Some(hold) if hold.step_key != answer.step => {
                faults.push(Fault::new("/hold_id", format!("was started for the step {}", hold.step_key)));
            }
            Some(_) => {}
        }
    }
    if let (StepEvidence::Reading { unit, .. }, Some(reading)) = (&step.evidence, &answer.reading) {
        faults.extend(unit_faults(&reading.unit).into_iter().map(|f| f.under("/reading")));
        if reading.unit != *unit {
            faults.push(Fault::new("/reading/unit", format!("must be {unit}")));
        }
    }
    if answer.status == StepStatus::ResultPending && !step.evidence.result_may_follow() {
        faults.push(Fault::new("/status", "this step's result may not follow later"));
    }
    if answer.status != StepStatus::Done {
        return faults;
    }
    match &step.evidence {
        StepEvidence::Hold { .. } => match (answer.hold_id, answer.elapsed_seconds) {
            (Some(_), Some(_)) => {
                faults.push(Fault::new("/elapsed_seconds", "must be left out when the server timed the hold"));
            }
            (None, None) => {
                faults.push(Fault::new("/elapsed_seconds", "is missing: a hold needs hold_id or elapsed_seconds"));
            }
            (Some(_), None) | (None, Some(_)) => {}
        },
        StepEvidence::Reading { .. } if answer.reading.is_none() && !answer.too_many_to_count => {
            faults.push(Fault::new("/reading", "is missing: this step wants a value with its unit"));
        }
        StepEvidence::Product { .. } if answer.lot_id.is_none() => {
            faults.push(Fault::new("/lot_id", "is missing: this step wants the lot it was worked with"));
        }
        StepEvidence::Confirmation {} | StepEvidence::Reading { .. } | StepEvidence::Product { .. } => {}
        evidence if answer.given.is_none() => {
            faults.push(Fault::new("/given", format!("is missing: this step wants a {}", evidence.kind())));
        }
        _ => {}
    }
    faults
}

fn product_faults(answer: &StepAnswer, step: &Step, asked: &Asked<'_>) -> Vec<Fault> {
    let is_product = matches!(step.evidence, StepEvidence::Product { .. });
    let mut faults = Vec::new();
    match answer.lot_id {
        Some(_) if !is_product => faults.push(Fault::new("/lot_id", "belongs to a product; this step is none")),
        Some(id) if !asked.lots.lots.contains_key(&id) => {
            faults.push(Fault::new("/lot_id", "no lot of this group has this id"));
        }
        _ => {}
    }
    if let Some(Given::SporeTest { strips }) = &answer.given
        && strips.lot_id.is_some_and(|id| !asked.lots.lots.contains_key(&id))
    {
        faults.push(Fault::new("/given/strips/lot_id", "no lot of this group has this id"));
    }
    match answer.mixed_at {
        Some(_) if !is_product => faults.push(Fault::new("/mixed_at", "belongs to a product; this step is none")),
        Some(mixed_at) if mixed_at < DateTime::UNIX_EPOCH || mixed_at.year() > 2199 => {
            faults.push(Fault::new("/mixed_at", "must lie in the years 1970 to 2199"));
        }
        _ => {}
    }
    faults
}

/// What does not fit the phase of a test: drawing water is no result, and a result is of what was drawn.
fn phase_faults(given: &Given, answer: &StepAnswer, asked: &Asked<'_>) -> Vec<Fault> {
    let mut faults = Vec::new();
    let is_done = answer.status == StepStatus::Done;
    match given {
        Given::WaterDrawn { .. } if is_done => {
            faults.push(Fault::new("/kind", "must be water_sample: the result is there"));
        }
        Given::WaterSample { .. } if answer.status == StepStatus::ResultPending => {
            faults.push(Fault::new("/kind", "must be water_drawn: the result is awaited"));
        }
        Given::WaterSample { sample } => {
            if !rules::is_near(sample.drawn_on, asked.clinic_day) {
                faults.push(Fault::new("/sample/drawn_on", "must lie within 100 days of the task's clinic day"));
            }
            if let Some(drawn) = asked.known.drawn.get(&answer.step) {
                for (i, result) in sample.results.iter().enumerate().filter(|(_, r)| !drawn.bottles.contains(&r.lines))
                {
                    let rule = format!("no bottle of {} was drawn", result.lines.join(" + "));
                    faults.push(Fault::new(format!("/sample/results/{i}/lines"), rule));
                }
                // Else the one bottle that is over the limit could be left out, and the test would pass. A bottle that was
                // misnamed above is no second fault.
                let is_read = |bottle: &&Vec<String>| sample.results.iter().any(|result| result.lines == **bottle);
                let left_out = drawn.bottles.iter().filter(|bottle| faults.is_empty() && !is_read(bottle));
                for bottle in left_out.collect::<Vec<_>>() {
                    let lines = bottle.join(" + ");
                    let rule = format!(
                        "must tell of every bottle that was drawn: there is none for {lines}; if it was lost, send what \
                         was drawn once more without it"
                    );
                    faults.push(Fault::new("/sample/results", rule));
                }
            }
        }
        Given::SporeTest { strips } if is_done => {
            // Another record of a test that is read already is kept beside it, whatever it says.
            let completes = asked.sampled_before && !asked.known.corrects;
            let run = asked.known.ran.get(&answer.step).filter(|_| completes);
            for name in run.map(|run| strips.differs_from(&run.strips)).unwrap_or_default() {
                let rule = "differs from what was said when the test was run; correct that record instead";
                faults.push(Fault::new(format!("/strips/{name}"), rule));
            }
            for (growth, name) in [(strips.test_growth, "test_growth"), (strips.control_growth, "control_growth")] {
                if growth.is_none() {
                    faults.push(Fault::new(format!("/strips/{name}"), "is missing: the result is there"));
                }
            }
        }
        _ => {}
    }
    faults
}
