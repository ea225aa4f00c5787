//! What a chain must be to be kept.
//!
//! The rule of this file: a chain is checked whole, and every broken rule is told at once.

use super::{Chain, ChainEvidence, ChainStep, StepStart, StepWindow};
use crate::domain::fault::{Fault, check_text};
use crate::domain::step::is_key;

/// Longest a step's window may reach from where it is counted: a retest weeks later, a repair that waits for parts.
const LONGEST_WINDOW_MINUTES: u32 = 400 * 1440;

impl Chain {
    /// Every broken rule, with pointers into the document.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        if self.steps.is_empty() || self.steps.len() > 30 {
            faults.push(Fault::new("/steps", "must have 1 to 30 steps"));
        }
        for (i, step) in self.steps.iter().enumerate() {
            faults.extend(self.step_faults(i, step).into_iter().map(|f| f.under(&format!("/steps/{i}"))));
        }
        faults.extend(self.closing.faults().into_iter().map(|f| f.under("/closing")));
        if let Some(window) = self.implant_test {
            faults.extend(window.faults().into_iter().map(|f| f.under("/implant_test")));
            if window.counted_from != StepStart::Opening {
                let rule = "must be opening: the cycle's record opens the wait, and no step stands before it";
                faults.push(Fault::new("/implant_test/counted_from", rule));
            }
        }
        let gated = self.steps.iter().any(|s| is_always_asked(s) && s.gates_release);
        if self.quarantines && !gated {
            faults.push(Fault::new(
                "/steps",
                "must have a step with gates_release that is always asked for, or a release would rest on nothing",
            ));
        }
        if self.sources.is_empty() || self.sources.len() > 20 {
            faults.push(Fault::new("/sources", "must name 1 to 20 sources; common practice counts as one"));
        }
        for (i, source) in self.sources.iter().enumerate() {
            faults.extend(source.faults().into_iter().map(|f| f.under(&format!("/sources/{i}"))));
        }
        if self.cautions.len() > 20 {
            faults.push(Fault::new("/cautions", "must have at most 20 cautions"));
        }
        for (i, caution) in self.cautions.iter().enumerate() {
            check_text(&mut faults, &format!("/cautions/{i}"), caution, 400);
        }
        faults
    }

    fn step_faults(&self, place: usize, step: &ChainStep) -> Vec<Fault> {
        let mut faults = Vec::new();
        let earlier = &self.steps[..place];
        if !is_key(&step.key) {
            faults.push(Fault::new("/key", "must be 1 to 40 lower-case letters, digits or hyphens"));
        }
        if earlier.iter().any(|s| s.key == step.key) {
            faults.push(Fault::new("/key", "stands twice; keys must differ within a chain"));
        }
        check_text(&mut faults, "/instruction", &step.instruction, 600);
        faults.extend(step.window.faults().into_iter().map(|f| f.under("/window")));
        match &step.evidence {
            ChainEvidence::Reference { what } => check_text(&mut faults, "/evidence/what", what, 120),
            ChainEvidence::Work { shows } => {
                faults.extend(shows.faults().into_iter().map(|f| f.under("/evidence/shows")));
            }
            ChainEvidence::TestsPassed { count, .. } if !(1..=10).contains(count) => {
                faults.push(Fault::new("/evidence/count", "must be from 1 to 10"));
            }
            ChainEvidence::TestsPassed { count, at_least_minutes_apart: Some(apart), .. } => {
                let pointer = "/evidence/at_least_minutes_apart";
                if *count == 1 {
                    faults.push(Fault::new(pointer, "is for several tests; one has no other to lie apart from"));
                }
                if !(1..=LONGEST_WINDOW_MINUTES).contains(apart) {
                    faults.push(Fault::new(pointer, "must be from 1 to 576000: within 400 days"));
                }
            }
            _ => {}
        }
        if step.only_if.len() > 10 {
            faults.push(Fault::new("/only_if", "must have at most 10 branches"));
        }
        for (i, branch) in step.only_if.iter().enumerate() {
            let meant = earlier.iter().find(|s| s.key == branch.step);
            let rule = match meant {
                Some(step) if !step.if_counted.is_empty() => "must name a step that does not hang on what was counted",
                None => "must name a step before this one",
                Some(step) if !step.evidence.has_result() => "must name a step that ends with a result",
                Some(step) if step.if_repeated.is_some() => "must name a step that does not hang on how often",
                Some(_) => continue,
            };
            faults.push(Fault::new(format!("/only_if/{i}/step"), rule));
        }
        if step.if_counted.iter().enumerate().any(|(i, count)| step.if_counted[..i].contains(count)) {
            faults.push(Fault::new("/if_counted", "must not name anything twice"));
        }
        if let Some(repeated) = step.if_repeated {
            if !(2..=100).contains(&repeated.at_least) {
                faults.push(Fault::new("/if_repeated/at_least", "must be from 2 to 100"));
            }
            if !(1..=366).contains(&repeated.within_days) {
                faults.push(Fault::new("/if_repeated/within_days", "must be from 1 to 366"));
            }
        }
        faults
    }
}

fn is_always_asked(step: &ChainStep) -> bool {
    step.only_if.is_empty() && step.if_counted.is_empty() && step.if_repeated.is_none()
}

impl StepWindow {
    fn faults(&self) -> Vec<Fault> {
        let marks = [
            ("/may_start_minutes", self.may_start_minutes),
            ("/due_by_minutes", self.due_by_minutes),
            ("/overdue_minutes", self.overdue_minutes),
        ];
        let mut faults = Vec::new();
        for (pointer, minutes) in marks {
            if minutes > LONGEST_WINDOW_MINUTES {
                faults.push(Fault::new(pointer, "must be within 400 days (576000 minutes)"));
            }
        }
        for pair in marks.windows(2) {
            if pair[1].1 < pair[0].1 {
                faults.push(Fault::new(pair[1].0, format!("must not be before {}", &pair[0].0[1..])));
            }
        }
        faults
    }
}
