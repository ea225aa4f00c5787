//! Where a clinic stood, as far as the law of a place goes.
//!
//! The rule of this file: a law that bound a record binds it on, wherever the clinic says that it stands now.

use chrono::NaiveDate;

/// A place that a clinic has, or had.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlaceHeld {
    /// By ISO 3166; may be empty, and in older rows any text.
    pub jurisdiction: String,
    /// The last day it had it; `None`: still has.
    pub until_on: Option<NaiveDate>,
}

impl PlaceHeld {
    /// A place that a clinic has.
    #[must_use]
    pub fn still(jurisdiction: &str) -> Self {
        Self { jurisdiction: jurisdiction.to_owned(), until_on: None }
    }

    /// Whether the clinic had it on any day from one on.
    #[must_use]
    pub fn counts_for(&self, day: NaiveDate) -> bool {
        self.until_on.is_none_or(|until| day <= until)
    }
}
