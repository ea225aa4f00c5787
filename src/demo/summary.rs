//! What a load did, counted from the service's answers.
//!
//! The rule of this file: only what the service answered is counted, never what was meant to happen.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Counts of a load.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Summary {
    /// Whole days of history.
    pub days: u32,
    /// Days the front desk started.
    pub days_started: u64,
    /// Patients seated.
    pub seated: u64,
    /// Patients who left.
    pub left: u64,
    /// Holds the server timed.
    pub holds: u64,
    /// Batches of completions.
    pub batches: u64,
    /// Completions by verdict.
    pub completions: BTreeMap<String, u64>,
    /// Corrective actions that were opened.
    #[serde(default)]
    pub actions: u64,
    /// Tasks overdue at the end, by clinic.
    pub overdue: BTreeMap<String, u64>,
}

impl Summary {
    /// Counts a completion by the verdict in the service's answer.
    pub(super) fn count_completion(&mut self, answer: &Value) {
        let verdict = answer.get("verdict").and_then(Value::as_str).unwrap_or("unknown");
        *self.completions.entry(verdict.to_owned()).or_default() += 1;
    }
}

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let total: u64 = self.completions.values().sum();
        let verdicts: Vec<String> =
            self.completions.iter().map(|(verdict, n)| format!("{n} {}", verdict.replace('_', " "))).collect();
        writeln!(f, "  {} days, {} of them started by a front desk", self.days, self.days_started)?;
        writeln!(f, "  {} patients seated, {} left", self.seated, self.left)?;
        writeln!(f, "  {total} completions: {}", verdicts.join(", "))?;
        writeln!(f, "  {} holds timed by the server, {} batches", self.holds, self.batches)?;
        writeln!(f, "  {} corrective actions opened", self.actions)?;
        for (clinic, overdue) in &self.overdue {
            writeln!(f, "  {clinic}: {overdue} overdue")?;
        }
        Ok(())
    }
}
