//! Who is a second person.
//!
//! The rule of this file: whoever had a hand in an action does not end it. People are told apart by id where one was named
//! and by what they were entered as, name or initials without regard to case: one match of either is enough.

use uuid::Uuid;

use crate::domain::chain::progress::StepRecord;

/// Something that somebody did about an action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hand {
    /// What, as it goes on after a name.
    pub did: String,
    /// The person, where one was named by id.
    pub staff_id: Option<Uuid>,
    /// As they were entered; may be empty.
    pub entered: String,
}

impl Hand {
    /// The recording of a step.
    #[must_use]
    pub fn of_step(step: &StepRecord) -> Self {
        let did = format!("recorded step {}", step.step_key);
        Self { did, staff_id: step.staff_id, entered: step.performed_by.clone() }
    }

    /// The opening.
    #[must_use]
    pub fn of_opening(opened_by: &str, staff_id: Option<Uuid>) -> Self {
        Self { did: "opened the action".to_owned(), staff_id, entered: opened_by.to_owned() }
    }
}

/// A person who signs.
#[derive(Clone, Copy, Debug)]
pub struct Signing<'a> {
    /// Their identity.
    pub staff_id: Uuid,
    /// Their name.
    pub name: &'a str,
    /// Their initials.
    pub initials: &'a str,
}

/// What the person did about the action already, with their name, if anything: then they are no second person.
///
/// # Examples
/// ```
/// use chairtide::domain::corrective_action::{Hand, Signing, not_a_second_person};
/// use uuid::Uuid;
/// let hands = [Hand::of_opening(" kv ", None)];
/// let kit = Signing { staff_id: Uuid::max(), name: "Kit Vale", initials: "KV" };
/// assert_eq!(not_a_second_person(&hands, kit).as_deref(), Some("Kit Vale opened the action"));
/// ```
#[must_use]
pub fn not_a_second_person(hands: &[Hand], who: Signing<'_>) -> Option<String> {
    let is_same = |hand: &&Hand| {
        let entered = hand.entered.trim().to_lowercase();
        let names = [who.name, who.initials].map(|name| name.trim().to_lowercase());
        hand.staff_id == Some(who.staff_id) || !entered.is_empty() && names.contains(&entered)
    };
    hands.iter().find(is_same).map(|hand| format!("{} {}", who.name, hand.did))
}
