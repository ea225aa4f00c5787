//! The cautions the service itself says, each in the place where it matters; a group's routines, chains and products carry
//! further ones of their own, as data.
//!
//! The rule of this file: a caution tells who decides or what to keep in mind. It is never a limit: limits are data, with
//! their source. The trade's usual cautions, common practice where no source stands beside one; the words are ours.

use super::routine::Routine;
use super::step::{AppliedTo, Part, StepEvidence};
use super::subject::{Subject, SubjectKind};

const INSTRUCTIONS_FIRST: &str =
    "The maker's instructions, the product's label and the local code come first; where they ask for more, do more.";
const RECORD_ONLY: &str = "What is kept here is that a step was recorded, by whom and when. Whether water, a chair, a line or \
     an instrument may be used is for a trained person who is named.";
const NOT_AN_ALARM: &str =
    "This list is no alarm: without a network or power it can hide what is due. Keep a paper list at hand.";
const ONE_PRODUCT: &str = "Never mix products: no bleach with acid, ammonia, alcohol, peroxide or peracetic acid. Finish with one \
     and rinse before the next. Do not top up, and do not change the product of the lines unless the unit's maker agrees.";
const PROTECTION: &str =
    "Eye protection, gloves and mask, and fresh air; know where the safety data sheet and the eyewash are.";
const NOBODY_IN_THE_CHAIR: &str = "Nobody is treated while product stands in the lines: tag the unit, rinse, and check what is \
     left where the instructions ask for it.";
const STERILE_PATH: &str =
    "Surgery takes sterile water or saline over a sterile path of its own, never the unit's water.";
const WEAK_DEFENCES: &str =
    "For people with weak defences the dentist decides; a stricter limit for the water may apply.";
/// 40 CFR 441.30(b)(2), read: no oxidising or acidic cleaner outside pH 6 to 8.
const AMALGAM: &str = "Lines that discharge amalgam take no oxidising or acidic cleaner outside pH 6 to 8, and traps no bleach. \
     What they hold is mercury waste, as the law says.";
const STEAM: &str = "Steam, hot surfaces and pressure: trained users only, and nobody forces a door.";
const AWAY_FROM_FACES: &str =
    "Burs and tips off first; run it into the suction, away from faces, for what sprays is breathed in.";
const LIPS: &str = "Patients do not close their lips round the low-volume ejector: what is in its hose can come back.";
const LEGIONELLA: &str =
    "Work on Legionella takes a competent person, and a sample within its limit proves no control.";
const NOTIFICATION: &str = "Whether patients are told of a result is decided by the licensed dentist and the public health \
     authority.";

/// With what is due and what is overdue.
pub const LISTS: [&str; 2] = [NOT_AN_ALARM, RECORD_ONLY];

/// With a task, beside the cautions of its routine: what follows from its subject and its steps.
#[must_use]
pub fn of_work(routine: &Routine, subject: &Subject) -> Vec<&'static str> {
    let any = |is: fn(&StepEvidence) -> bool| routine.steps.iter().any(|step| is(&step.evidence));
    let worked_on = |part: Part| routine.steps.iter().any(|step| step.for_each == Some(part));
    let at_the_chair = subject.kind == SubjectKind::Operatory;
    let put_on = |places: &[AppliedTo]| {
        routine.steps.iter().any(|step| match &step.evidence {
            StepEvidence::Product { applied_to, .. } => places.contains(applied_to),
            _ => false,
        })
    };
    let with_product = any(|evidence| matches!(evidence, StepEvidence::Product { .. }));
    let samples_water = any(|evidence| matches!(evidence, StepEvidence::WaterSample { .. }));
    let grows = any(|evidence| matches!(evidence, StepEvidence::SporeTest { .. }));
    let mut said = vec![INSTRUCTIONS_FIRST, RECORD_ONLY];
    let mut say = |applies: bool, caution| {
        if applies {
            said.push(caution);
        }
    };
    say(with_product, ONE_PRODUCT);
    say(with_product, PROTECTION);
    say(put_on(&[AppliedTo::Waterlines]), NOBODY_IN_THE_CHAIR);
    say(put_on(&[AppliedTo::SuctionLines, AppliedTo::Traps]) || subject.kind == SubjectKind::AmalgamSeparator, AMALGAM);
    say(at_the_chair && worked_on(Part::Circuit), AWAY_FROM_FACES);
    say(at_the_chair && worked_on(Part::Circuit), STERILE_PATH);
    say(worked_on(Part::SuctionLine), LIPS);
    say(subject.kind.has_cycles(), STEAM);
    say(samples_water, WEAK_DEFENCES);
    say(samples_water || subject.kind == SubjectKind::PremisesOutlet, LEGIONELLA);
    say(samples_water || grows, NOTIFICATION);
    said
}

/// With records that are handed to a reader: the page of an evidence pack.
pub const RECORDS: [&str; 16] = [
    "The maker's instructions, the product's label and the code of the place come first. A limit shown here is what was \
     entered, with the source that was named; where texts differ, the stricter lawful one counts, or the maker's.",
    "A record says that somebody recorded a step, who it was and when. Whether water, a chair or an instrument is fit to be \
     used is judged by a trained person who is named, from all the evidence there is. Nothing here judges or releases anything.",
    "An indicator that passed is one sign among several and proves nothing by itself.",
    "F0, A0, log reductions and intervals of counts are information. None of them outweighs an indicator that failed or \
     the cycle that was validated.",
    "A result of several lines in one bottle says less of each line than a result of its own; a result within its limit is of \
     the hour the water was drawn, and says nothing of control over Legionella, which takes a competent person.",
    "\"<\" before a number means that the true value lies below it: it is not zero. \">\" or \"too many to count\" is no \
     number at all.",
    STERILE_PATH,
    "After a notice about the public water, lines are flushed and then disinfected before they are used again; the utility \
     and the health department say when that is.",
    NOTIFICATION,
    ONE_PRODUCT,
    NOBODY_IN_THE_CHAIR,
    AMALGAM,
    STEAM,
    LIPS,
    "Work that is not recorded may have been done, and work that was done on paper may be entered late: both are shown as \
     what they are, and neither is a judgement of the people.",
    "Nothing about patients or anybody's health belongs here. This is no legal or clinical advice; the licensed practice \
     stays responsible.",
];

/// With results of water samples.
pub const WATER_RESULTS: &str = WEAK_DEFENCES;

/// With what is missing.
pub const MISSED: &str = "This service is no alarm. A device without power or network may have shown a task late or not at all, \
     so work may stand on the clinic's paper sheet.";

/// With every product, lot and dilution, beside the cautions of the product's own label.
pub const PRODUCTS: [&str; 4] = [INSTRUCTIONS_FIRST, ONE_PRODUCT, PROTECTION, NOBODY_IN_THE_CHAIR];

/// With every notice about the mains water, in the order of how soon it hurts. CDC, MMWR 52(RR-17), 2003, and its fact
/// sheet on boil-water advisories, read.
pub const WATER_ADVISORIES: [&str; 5] = [
    "The authority that gave notice says what the water may be used for; the local code and the makers' instructions \
     come before this text.",
    "Let no mains water run through a unit, a scaler or other equipment while the notice stands. A unit is spared only \
     where its reservoir is apart from the mains; before one that was on the mains is switched over, its lines are \
     flushed and disinfected.",
    "Patients rinse with bottled or distilled water. No tap water for hands or to dilute products, unless it was boiled \
     as the notice tells and has cooled; rub hands with alcohol instead, or wash them with bottled water and soap.",
    WEAK_DEFENCES,
    "After it is lifted: flush first, then disinfect the lines, then a named person releases each unit.",
];

/// Where a release is refused.
pub const RELEASE: &str = "A release is the judgement of the trained person who signs it; a record says what was entered, not \
     that something is fit to be used";

/// Where a corrective action cannot be closed yet.
pub const CLOSING: &str = "Closing says that the records are there and were looked at by a second person; it says nothing \
     about what is fit to be used";

/// Where a day cannot be signed yet.
pub const DAY_SIGNATURE: &str =
    "A signature says that the day's records were looked at; it says nothing about what is fit to be used";

/// With what must be kept how long.
pub const RETENTION: &str = "Nothing is purged by itself. The local code and the clinic's contracts come before these figures; \
     a figure seen \"from_memory\" is to be confirmed by the clinic.";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::anchor::Anchor;
    use crate::domain::fixtures::{operatory, routine};

    /// The trade's list of usual cautions (common practice, no source), each by a word that only it has, and the lists that
    /// must say it.
    #[test]
    fn each_usual_caution_is_said_where_it_matters() {
        let all = |lists: &[&[&'static str]]| lists.concat().join("\n");
        let (pack, products, advisory) = (all(&[&RECORDS]), all(&[&PRODUCTS]), all(&[&WATER_ADVISORIES]));
        let acts = [RELEASE, CLOSING, DAY_SIGNATURE].join("\n");
        for (said, words) in [
            (&pack, "maker's instructions"),
            (&products, "maker's instructions"),
            (&acts, "fit to be used"),
            (&pack, "outweighs an indicator that failed"),
            (&pack, "no bleach with acid, ammonia, alcohol"),
            (&products, "no bleach with acid, ammonia, alcohol"),
            (&products, "safety data sheet and the eyewash"),
            (&products, "Nobody is treated while product stands in the lines"),
            (&pack, "sterile water or saline"),
            (&advisory, "flush first, then disinfect"),
            (&advisory, "weak defences"),
            (&all(&[&[WATER_RESULTS]]), "weak defences"),
            (&all(&[&[MISSED]]), "is no alarm"),
            (&pack, "outside pH 6 to 8"),
            (&pack, "decided by the licensed dentist"),
            (&pack, "nobody forces a door"),
            (&pack, "low-volume ejector"),
            (&pack, "Nothing about patients"),
            (&pack, "Legionella, which takes a competent person"),
            (&all(&[&LISTS]), "Keep a paper list"),
            (&pack, "no legal or clinical advice"),
        ] {
            assert!(said.contains(words), "{words}");
        }
    }

    #[test]
    fn a_task_carries_what_its_subject_and_steps_call_for() {
        let chair = operatory(10);
        let mut flush = routine(Anchor::Turnover {});
        flush.steps[0].for_each = Some(Part::Circuit);
        let said = of_work(&flush, &chair);
        assert!(said.contains(&AWAY_FROM_FACES) && said.contains(&STERILE_PATH), "{said:?}");
        assert!(!said.contains(&STEAM) && !said.contains(&ONE_PRODUCT), "{said:?}");
        let steriliser = Subject { kind: SubjectKind::Steriliser, ..chair };
        assert!(of_work(&flush, &steriliser).contains(&STEAM));
    }
}
