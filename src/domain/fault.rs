//! What is wrong with a document somebody sent: one rule broken at one place.
//!
//! Checks collect every fault instead of stopping at the first, so that a form can be mended in one go.

/// One broken rule, at a place in the document named by an RFC 6901 JSON pointer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// RFC 6901 pointer into the document, e.g. `/steps/2/minimum_seconds`.
    pub pointer: String,
    /// The rule, as a sentence a user can act on.
    pub rule: String,
}

impl Fault {
    /// A fault at `pointer`.
    pub fn new(pointer: impl Into<String>, rule: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), rule: rule.into() }
    }

    /// The same fault seen from one level further out.
    #[must_use]
    pub fn under(self, prefix: &str) -> Self {
        Self { pointer: format!("{prefix}{}", self.pointer), rule: self.rule }
    }
}

/// Checks a line of text that people will read: present, not endless, and without control characters, which
/// Postgres (NUL) or a printed list (the rest) could not carry.
pub fn check_text(faults: &mut Vec<Fault>, pointer: &str, text: &str, longest: usize) {
    if text.trim().is_empty() {
        faults.push(Fault::new(pointer, "must not be empty"));
    }
    check_optional_text(faults, pointer, text, longest);
}

/// As [`check_text`], where empty is allowed.
pub fn check_optional_text(faults: &mut Vec<Fault>, pointer: &str, text: &str, longest: usize) {
    if text.chars().count() > longest {
        faults.push(Fault::new(pointer, format!("must have at most {longest} characters")));
    }
    if text.chars().any(|c| c.is_control() && c != '\n') {
        faults.push(Fault::new(pointer, "must not hold control characters"));
    }
}
