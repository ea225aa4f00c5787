//! What each kind of step asks of its answer.
//!
//! The rule of this file: whatever decides is noted beside the answer: the times, the limits with those of the law, the
//! lines of a sample. What decides nothing and should be seen is told in the finding all the same.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;

use super::given::{Given, SporeStrips};
use super::product;
use super::{Asked, JudgedStep, LoadHeld, MeasuredBy, Reading, StepAnswer, StepVerdict, Submission};
use crate::domain::limit::{Limit, Operator, Qualifier, SetBy, Source};
use crate::domain::limit_order::{DecidedLimit, decide};
use crate::domain::lot::LotInUse;
use crate::domain::product::end_of_day;
use crate::domain::step::{ChoiceOption, Step, StepEvidence};
use crate::domain::water_sample::{WaterCount, WaterSample};

/// Judges a step that is answered as done, noting beside the answer what it was judged by.
pub(super) fn judge_done(
    judged: &mut JudgedStep,
    step: &Step,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) {
    match &step.evidence {
        StepEvidence::Confirmation {} | StepEvidence::Text {} => {}
        StepEvidence::Reference { .. } => judge_packs(judged, &asked.known.held_loads),
        StepEvidence::Hold { .. } => judge_hold(judged, step, answer, submission, asked),
        StepEvidence::Product { .. } => product::judge(judged, step, answer, submission, asked),
        StepEvidence::Reading { needs_instrument, .. } => {
            judge_instrument(judged, *needs_instrument, asked);
            if answer.too_many_to_count {
                judge_too_many(judged, step, asked);
            } else if let Some(reading) = &answer.reading {
                judge_reading(judged, reading, step, asked);
            }
        }
        StepEvidence::Count { unit, .. } => {
            if let Some(Given::Count { count }) = &answer.given {
                let value = Decimal::from(*count);
                let counted = Reading { qualifier: Qualifier::Eq, value, unit: unit.clone() };
                judge_reading(judged, &counted, step, asked);
            }
        }
        StepEvidence::Choice { options, .. } => judge_choice(judged, answer, options),
        StepEvidence::SporeTest {} => {
            if let Some(Given::SporeTest { strips }) = &answer.given {
                let run = asked.known.ran.get(&judged.key);
                let strips = run.map_or_else(|| strips.clone(), |run| strips.over(&run.strips));
                let ran_at = run.and_then(|run| run.ran_at).unwrap_or(submission.performed_at);
                if let Some(lot) = registered(&strips, asked) {
                    // Where it was named when the test was run, and not again.
                    judged.lot_id = strips.lot_id;
                    judged.product_version = Some(lot.version.version);
                }
                judge_spores(judged, &strips, unfit(&strips, ran_at, asked));
                judged.given = Some(Given::SporeTest { strips });
            }
        }
        StepEvidence::WaterSample { most_lines_in_pool, counts, .. } => {
            if let Some(Given::WaterSample { sample }) = &answer.given {
                judge_water(judged, sample, (*most_lines_in_pool, *counts), step, asked);
            }
        }
    }
}

/// A bound of a hold, and on whose authority.
struct HoldBound<'a> {
    seconds: u32,
    source: &'a Source,
    set_by: SetBy,
}

impl HoldBound<'_> {
    fn limit(&self, operator: Operator) -> Limit {
        Limit::in_force_always(operator, self.seconds.into(), "s", self.source, self.set_by)
    }
}

/// A hold takes the contact time of the product it was filled with, where that is longer than its own, and the product's
/// maximum, where that is shorter. Every reason it falls short is told.
fn judge_hold(
    judged: &mut JudgedStep,
    step: &Step,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) {
    let StepEvidence::Hold { minimum_seconds, maximum_seconds, source, minimum_from } = &step.evidence else { return };
    let own = |seconds: u32| HoldBound { seconds, source, set_by: SetBy::Default };
    let filled = minimum_from.as_deref().and_then(|name| product::filled_with(&judged.key, name, submission, asked));
    let makers = |seconds: Option<u32>| {
        filled.zip(seconds).map(|(of, seconds)| HoldBound { seconds, source: &of.source, set_by: SetBy::Maker })
    };
    let longer = makers(filled.and_then(|of| of.contact_minimum_seconds)).filter(|b| b.seconds > *minimum_seconds);
    let least = longer.unwrap_or_else(|| own(*minimum_seconds));
    let shorter = makers(filled.and_then(|of| of.contact_maximum_seconds))
        .filter(|b| maximum_seconds.is_none_or(|most| b.seconds < most));
    let most = shorter.or_else(|| maximum_seconds.map(own));
    judged.minimum_seconds = Some(least.seconds);
    judged.maximum_seconds = most.as_ref().map(|most| most.seconds);
    judged.note_limit(&least.limit(Operator::Ge));
    if let Some(most) = &most {
        judged.note_limit(&most.limit(Operator::Le));
    }
    let timed = answer.hold_id.and_then(|id| asked.holds.get(&id));
    let held = match timed {
        Some(hold) => hold.elapsed_seconds().map(|seconds| ((seconds, seconds), MeasuredBy::Server)),
        None => answer.elapsed_seconds.map(|sent| {
            let by_record = answer.hold_record.as_ref().map(|record| record.held_seconds(sent));
            (by_record.unwrap_or((sent, sent)), MeasuredBy::Device)
        }),
    };
    judged.elapsed = held.map(|((seconds, _), by)| (seconds, by));
    if answer.hold_id.is_some_and(|id| asked.known.spent_holds.contains(&id)) {
        judged.fail("this hold was used by an earlier completion; the whole step is to be repeated");
    }
    let Some(((held, at_most), _)) = held else {
        judged.fail("the hold was started and not ended");
        return;
    };
    if held < least.seconds {
        let whose = if least.set_by == SetBy::Maker { ", the product's contact time" } else { "" };
        let least = least.seconds;
        judged.fail(format!("held {held} s of at least {least} s{whose}; the whole step is to be repeated"));
    }
    if let Some(most) = most.filter(|most| at_most > most.seconds) {
        let bound = if most.set_by == SetBy::Maker { ", and the product allows at most" } else { " of at most" };
        let most = most.seconds;
        judged.fail(format!("held {at_most} s{bound} {most} s; the whole step is to be repeated"));
    }
    for disagreement in judged.hold_disagreements() {
        judged.tell(Some(disagreement));
    }
}

fn judge_instrument(judged: &mut JudgedStep, is_needed: bool, asked: &Asked<'_>) {
    match judged.instrument_id.and_then(|id| asked.known.instruments.get(&id)) {
        Some(instrument) => judged.tell(instrument.finding(asked.clinic_day)),
        None if is_needed => judged.fail("the instrument was not named"),
        None => {}
    }
}

/// The limits for a step: the routine's, and those that the group, the maker or the clinic set beside them.
fn limits_of<'a>(step: &'a Step, asked: &'a Asked<'_>) -> Vec<Limit> {
    let own = asked.known.own_limits.iter().filter(|own| own.step == step.key).map(|own| &own.limit);
    step.evidence.limits().iter().chain(own).cloned().collect()
}

fn judge_reading(judged: &mut JudgedStep, reading: &Reading, step: &Step, asked: &Asked<'_>) {
    let limits = limits_of(step, asked);
    let decided = decide(&limits, reading, asked.clinic_day, &asked.known.place);
    note(judged, &decided, "");
    if !limits.is_empty() && decided.is_empty() {
        note_none_in_force(judged, asked);
    }
}

/// What has limits is not to pass without a word because none of them held that day. A step that never had any says
/// nothing: it is recorded and not judged, as its author wanted.
fn note_none_in_force(judged: &mut JudgedStep, asked: &Asked<'_>) {
    judged.no_limit_in_force = true;
    let day = asked.clinic_day;
    judged.tell(Some(format!("no limit is in force here on {day}: the value is recorded, and judged by none")));
}

/// Notes limits with their answers; `about` goes before each finding.
fn note(judged: &mut JudgedStep, decided: &[DecidedLimit], about: &str) {
    for DecidedLimit { deciding, stricter_legal } in decided {
        let limit = &deciding.limit;
        match deciding.kept {
            Some(true) => {}
            Some(false) => judged.fail(format!("{about}outside the limit {limit}")),
            None => judged.fail(format!("{about}its qualifier leaves the limit {limit} undecided")),
        }
        judged.note_limit(limit);
        for law in stricter_legal {
            if law.kept != Some(true) {
                let Limit { jurisdiction, source, .. } = &law.limit;
                let told = format!("{about}the law of {jurisdiction} is stricter and not kept: {}", law.limit);
                judged.tell(Some(format!("{told} ({}, {})", source.title, source.edition)));
            }
            judged.note_limit(&law.limit);
        }
    }
}

/// Too many to count is above every limit from above, and more than any limit from below asks for. Where both stand, the
/// one from above decides.
fn judge_too_many(judged: &mut JudgedStep, step: &Step, asked: &Asked<'_>) {
    let (day, place) = (asked.clinic_day, &asked.known.place);
    let limits = limits_of(step, asked);
    let Some(unit) = step.evidence.limit_unit() else { return };
    // Any number does to find out which limits decide; none of its answers is used.
    let any = Reading { qualifier: Qualifier::Eq, value: Decimal::ZERO, unit: unit.to_owned() };
    let decided = decide(&limits, &any, day, place);
    for DecidedLimit { deciding, stricter_legal } in &decided {
        judged.note_limit(&deciding.limit);
        for law in stricter_legal {
            judged.note_limit(&law.limit);
        }
    }
    let mut deciding = decided.iter().map(|one| &one.deciding.limit);
    match (deciding.clone().find(|limit| limit.is_maximum()), deciding.next()) {
        (Some(most), _) => judged.fail(format!("too many to count, and so outside the limit {most}")),
        (None, Some(least)) => judged.tell(Some(format!("too many to count, which is more than {least} asks for"))),
        (None, None) if limits.is_empty() => judged.fail("too many to count, and no limit is in force"),
        (None, None) => {
            note_none_in_force(judged, asked);
            // Where any limit was ever from above, so much growth does not pass for want of its dates.
            if limits.iter().any(Limit::is_maximum) {
                judged.fail("too many to count, and no limit is in force");
            }
        }
    }
}

/// Packs of a load that is out of use are not used (CDC, MMWR 52(RR-17) 2003, read in a quotation): others are laid out and
/// recorded instead. Of one that was put out of use only since, nobody could know: that is told, and decides nothing.
fn judge_packs(judged: &mut JudgedStep, held: &BTreeMap<String, LoadHeld>) {
    let Some(Given::Reference { labels }) = &judged.given else { return };
    let named: Vec<(String, LoadHeld)> =
        labels.iter().filter_map(|label| Some((label.clone(), *held.get(label)?))).collect();
    for (label, since) in named {
        match since {
            LoadHeld::Before => judged.fail(format!(
                "packs of load {label}, which was out of use, discarded or to be processed again: reject them, lay out others"
            )),
            LoadHeld::Since => judged.tell(Some(format!("load {label} was put out of use since"))),
        }
    }
}

fn judge_choice(judged: &mut JudgedStep, answer: &StepAnswer, options: &[ChoiceOption]) {
    let Some(Given::Choice { option }) = &answer.given else { return };
    if let Some(chosen) = options.iter().find(|o| o.key == *option && !o.passes) {
        judged.fail(format!("answered: {}", chosen.text));
    }
}

/// A control from another lot, or one that did not grow, shows nothing: the test is void (ISO 11138-3 and CDC: the
/// unprocessed control must grow; read, partly from memory). Growth on the test strip is told all the same, since the
/// careful reading treats every growth as a failure (CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation).
fn judge_spores(judged: &mut JudgedStep, strips: &SporeStrips, unfit: Option<String>) {
    let growth = strips.test_growth == Some(true);
    let void = if !is_same_lot(&strips.test_lot, &strips.control_lot) {
        Some(format!("the control is of lot {}, the test of lot {}", strips.control_lot, strips.test_lot))
    } else if strips.control_growth == Some(false) {
        Some("the control did not grow".to_owned())
    } else {
        unfit
    };
    match void {
        Some(why) => {
            judged.verdict = StepVerdict::Void;
            judged.tell(Some(format!("void: {why}; the test is due again at once")));
            if growth {
                judged.tell(Some("the test grew: treat it as a failure until the repeat is read".to_owned()));
            }
        }
        None if growth => judged.fail("the test grew, and so did its control"),
        None => {}
    }
}

/// A slip of the pen is no other lot.
fn is_same_lot(entered: &str, other: &str) -> bool {
    entered.trim().to_lowercase() == other.trim().to_lowercase()
}

/// The lot of the strips as the clinic's register has it.
fn registered<'a>(strips: &SporeStrips, asked: &'a Asked<'_>) -> Option<&'a LotInUse> {
    asked.lots.lots.get(&strips.lot_id?)
}

/// Why a test says nothing although its control may grow: its lot was over its last day when it was run, or is recalled, or
/// is not the one that the register has.
fn unfit(strips: &SporeStrips, ran_at: DateTime<Utc>, asked: &Asked<'_>) -> Option<String> {
    if let Some(lot) = registered(strips, asked) {
        if lot.clinic_id != asked.lots.clinic_id {
            return Some(format!("the lot that is named for {} stands at another clinic", strips.test_lot));
        }
        if !is_same_lot(&strips.test_lot, &lot.lot_number) {
            return Some(format!("the strip is of lot {}, the register's of lot {}", strips.test_lot, lot.lot_number));
        }
        if lot.is_unfit(ran_at) {
            return Some(lot.objections(ran_at).join("; "));
        }
    }
    let (expires_on, zone) = (strips.expires_on?, asked.known.zone.as_ref()?);
    let is_over = ran_at >= end_of_day(expires_on, zone);
    is_over.then(|| format!("lot {} expired on {expires_on}, before the test was run", strips.test_lot))
}

/// Nobody waits for the result of a test that can show nothing.
pub(super) fn tell_while_pending(
    judged: &mut JudgedStep,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) {
    if let Some(Given::SporeTest { strips }) = &answer.given
        && let Some(why) = unfit(strips, submission.performed_at, asked)
    {
        judged.tell(Some(format!("{why}; whatever grows, it will be void: run another now")));
    }
}

fn judge_water(
    judged: &mut JudgedStep,
    sample: &WaterSample,
    (most_in_pool, counts): (u32, WaterCount),
    step: &Step,
    asked: &Asked<'_>,
) {
    let limits = limits_of(step, asked);
    let (lines, has_limits) = (sample.judge(counts, &limits, &asked.known.place), !limits.is_empty());
    for line in &lines {
        let about = {
            let (lines, reading) = (line.lines.join(" + "), &line.reading);
            format!("{lines}: {}{} {}, ", counts.words(), reading.stated(), reading.unit)
        };
        if line.pool_size > most_in_pool {
            judged.fail(format!("{about}a pool of {} lines; at most {most_in_pool}", line.pool_size));
        }
        if let Some(decided) = &line.decided {
            note(judged, std::slice::from_ref(decided), &about);
        } else {
            judged.no_limit_in_force |= has_limits;
            judged.fail(format!("{about}no limit is in force"));
        }
        if let (Some(beside), Some(decided)) = (&line.beside, &line.decided) {
            judged.tell(Some(format!("{about}{}", beside.sentence(&decided.deciding.limit))));
        }
        judged.tell(line.pool.as_ref().map(|pool| format!("{about}{}", pool.sentence())));
    }
    // Where the step is worked once for each line, the other lines have steps of their own.
    if step.for_each.is_none() {
        judged.tell(unsampled(sample, &asked.known.lines));
    }
    judged.lines = lines;
}

fn unsampled(sample: &WaterSample, lines: &[String]) -> Option<String> {
    let is_drawn = |line: &&String| sample.results.iter().any(|result| result.lines.contains(line));
    let missing: Vec<&str> = lines.iter().filter(|line| !is_drawn(line)).map(String::as_str).collect();
    (!missing.is_empty()).then(|| format!("no water was drawn from {}", missing.join(", ")))
}

/// How far the day on which water was drawn may lie from the clinic day of its task.
pub(super) fn is_near(drawn_on: NaiveDate, clinic_day: NaiveDate) -> bool {
    (drawn_on - clinic_day).num_days().abs() <= 100
}
