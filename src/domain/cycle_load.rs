//! What is said of a cycle beside its readings: which load it was, how the machine's print says it ended, and what the
//! record as a whole amounts to.
//!
//! The rule of this file: a record can fall short, and it can keep its limits; neither releases a load. Lethality sums are
//! not looked at: only what was printed, and how long the band was held.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cycle_reading::CycleReading;
use super::fault::{Fault, check_text};
use super::limit::Limit;
use super::limit_order::decide;
use super::plateau::{TemperatureBand, plateau};

/// What was in the chamber.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Chamber {
    /// A load.
    Loaded,
    /// Nothing but the test, if one was made.
    Empty,
}

impl Chamber {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Loaded => "loaded",
            Self::Empty => "empty",
        }
    }

    /// The chamber of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Loaded, Self::Empty].into_iter().find(|chamber| chamber.as_str() == name)
    }
}

/// How a cycle ended by the machine's own print.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PrintedOutcome {
    /// It came to its end.
    Complete,
    /// It was broken off.
    Aborted,
    /// The machine found a fault.
    Fault,
}

impl PrintedOutcome {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Aborted => "aborted",
            Self::Fault => "fault",
        }
    }

    /// The outcome of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Complete, Self::Aborted, Self::Fault].into_iter().find(|outcome| outcome.as_str() == name)
    }
}

/// What is said of a cycle beside its readings; whatever is not said is not known.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CycleLoad {
    /// What the load is called on its packs.
    pub load_reference: Option<String>,
    /// Whether implantable devices were in it.
    pub holds_implants: Option<bool>,
    /// What was in the chamber.
    pub chamber: Option<Chamber>,
    /// How it ended by the print.
    pub outcome_as_printed: Option<PrintedOutcome>,
    /// The machine's own words.
    pub printed_words: Option<String>,
}

impl CycleLoad {
    /// Whether anything is said.
    #[must_use]
    pub fn is_told(&self) -> bool {
        *self != Self::default()
    }

    /// Every broken rule, with pointers relative to the document.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if let Some(reference) = &self.load_reference {
            check_text(&mut faults, "/load_reference", reference, 80);
        }
        if let Some(words) = &self.printed_words {
            check_text(&mut faults, "/printed_words", words, 200);
        }
        if self.chamber == Some(Chamber::Empty) && (self.load_reference.is_some() || self.holds_implants == Some(true))
        {
            faults.push(Fault::new("/chamber", "an empty chamber holds no load"));
        }
        faults
    }

    /// The same with what it leaves out as it was said before.
    #[must_use]
    pub fn over(self, before: Self) -> Self {
        Self {
            load_reference: self.load_reference.or(before.load_reference),
            holds_implants: self.holds_implants.or(before.holds_implants),
            chamber: self.chamber.or(before.chamber),
            outcome_as_printed: self.outcome_as_printed.or(before.outcome_as_printed),
            printed_words: self.printed_words.or(before.printed_words),
        }
    }

    /// Whether it says otherwise than `before` of anything that was said there.
    #[must_use]
    pub fn changes(&self, before: &Self) -> bool {
        // What was not said before is added; where everything that was said stands, the two are one when put together.
        before.clone().over(self.clone()) != *self
    }
}

/// Whether a cycle's record falls short.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CycleVerdict {
    /// What could be judged keeps its limits. That releases nothing.
    Passed,
    /// It falls short.
    Failed,
}

impl CycleVerdict {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
        }
    }

    /// The verdict of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Passed, Self::Failed].into_iter().find(|verdict| verdict.as_str() == name)
    }
}

/// What a record amounts to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct JudgedCycle {
    /// `None`: nothing of it can be judged.
    pub verdict: Option<CycleVerdict>,
    /// Why, and what could not be judged.
    pub finding: String,
    /// The limits that decided.
    pub limits: Vec<Limit>,
}

impl JudgedCycle {
    fn pass(&mut self) {
        self.verdict = self.verdict.or(Some(CycleVerdict::Passed));
    }

    fn fail(&mut self, finding: &str) {
        self.verdict = Some(CycleVerdict::Failed);
        self.tell(finding);
    }

    fn tell(&mut self, finding: &str) {
        if !self.finding.is_empty() {
            self.finding.push_str("; ");
        }
        self.finding.push_str(finding);
    }
}

/// A record as it is judged: what was printed, and how long its band was held.
#[derive(Clone, Copy, Debug)]
pub struct CycleEvidence<'a> {
    /// What is said of it.
    pub load: &'a CycleLoad,
    /// Its readings; may be none.
    pub readings: &'a [CycleReading],
    /// The band they are held against.
    pub band: Option<&'a TemperatureBand>,
    /// The shipped minimum for that band; `None`: there is none, or the machine is no steriliser.
    pub shipped: Option<&'a Limit>,
    /// The clinic day, which decides the limits in force …
    pub on: NaiveDate,
    /// … and whose law applies, by ISO 3166.
    pub place: &'a str,
}

impl CycleEvidence<'_> {
    /// What it amounts to.
    #[must_use]
    pub fn judge(&self) -> JudgedCycle {
        let mut judged = JudgedCycle::default();
        let words = self.load.printed_words.as_ref().map_or_else(String::new, |words| format!(": {words}"));
        match self.load.outcome_as_printed {
            None => {}
            Some(PrintedOutcome::Complete) => judged.pass(),
            Some(PrintedOutcome::Aborted) => judged.fail(&format!("the print says that it was broken off{words}")),
            Some(PrintedOutcome::Fault) => judged.fail(&format!("the print tells of a fault{words}")),
        }
        if !self.readings.is_empty() {
            self.judge_plateau(&mut judged);
        }
        judged
    }

    fn judge_plateau(&self, judged: &mut JudgedCycle) {
        let Some(band) = self.band else {
            judged.tell("how long the temperature was held is not judged: no band was given");
            return;
        };
        let about = format!("from {} to {} °C", band.lowest_celsius, band.highest_celsius);
        let Some(plateau) = plateau(self.readings, band) else {
            judged.fail(&format!("no reading lies {about}"));
            return;
        };
        let lasted = plateau.lasted();
        let decided = decide(&band.holding_limits(self.shipped), &lasted, self.on, self.place);
        if decided.is_empty() {
            judged.tell(&format!("held {} s {about}, which is not judged: no shortest time is known", lasted.value));
        }
        for one in &decided {
            let limit = &one.deciding.limit;
            match one.deciding.kept {
                Some(true) => judged.pass(),
                _ => judged.fail(&format!("held {} s {about}, outside the limit {limit}", lasted.value)),
            }
            judged.limits.push(limit.clone());
            for law in one.stricter_legal.iter().filter(|law| law.kept != Some(true)) {
                let Limit { jurisdiction, source, .. } = &law.limit;
                let told = format!("the law of {jurisdiction} is stricter and not kept: {}", law.limit);
                judged.tell(&format!("{told} ({}, {})", source.title, source.edition));
                judged.limits.push(law.limit.clone());
            }
        }
    }
}

#[cfg(test)]
mod tests;
