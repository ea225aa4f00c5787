//! A lot of a product: until when it may be used, and what became of it.
//!
//! The rule of this file: nothing of a lot is overwritten. Each mark stays, the last of its kind counts, and a recall
//! that stands when work is recorded counts for work of any day, so that the order in which tablets come back decides
//! nothing.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::product::{InUseLife, ProductVersion, end_of_day};
use super::zone::Zone;

/// What became of a lot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LotMarkKind {
    /// It was opened.
    Opened,
    /// It was used up.
    Emptied,
    /// It was thrown away.
    Discarded,
    /// It is recalled: no work with it counts any more.
    Recalled,
    /// The recall was entered by mistake.
    RecallWithdrawn,
}

impl LotMarkKind {
    const ALL: [Self; 5] = [Self::Opened, Self::Emptied, Self::Discarded, Self::Recalled, Self::RecallWithdrawn];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Opened => "opened",
            Self::Emptied => "emptied",
            Self::Discarded => "discarded",
            Self::Recalled => "recalled",
            Self::RecallWithdrawn => "recall_withdrawn",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }

    /// Whether one of this kind takes the place of one of the other.
    #[must_use]
    pub fn replaces(self, other: Self) -> bool {
        let family = |kind| match kind {
            Self::Opened => 0,
            Self::Emptied | Self::Discarded => 1,
            Self::Recalled | Self::RecallWithdrawn => 2,
        };
        family(self) == family(other)
    }
}

/// One mark of a lot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotMark {
    /// What became of it.
    pub kind: LotMarkKind,
    /// When, as the person says; of a recall, when it was recorded.
    pub marked_at: DateTime<Utc>,
    /// The person.
    pub marked_by: String,
    /// The same by identity, where they signed for it; `None`: nobody did.
    pub staff_id: Option<Uuid>,
    /// Why; empty where none is asked for.
    pub reason: String,
    /// Of a recall: whose notice it follows.
    pub authority: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

/// The last mark that tells the same thing as this kind, of marks in the order they came.
#[must_use]
pub fn last_like(marks: &[LotMark], kind: LotMarkKind) -> Option<&LotMark> {
    marks.iter().rev().find(|mark| kind.replaces(mark.kind))
}

/// The recall that stands.
#[must_use]
pub fn standing_recall(marks: &[LotMark]) -> Option<&LotMark> {
    last_like(marks, LotMarkKind::Recalled).filter(|mark| mark.kind == LotMarkKind::Recalled)
}

/// The place of the recall that stands among a lot's marks, from 1: what follows from it is told apart by it. Other words
/// about a recall that stands are no other recall; one that follows a withdrawal is.
#[must_use]
pub fn standing_recall_number(marks: &[LotMark]) -> Option<usize> {
    standing_recall(marks)?;
    let withdrawn =
        marks.iter().rposition(|mark| mark.kind == LotMarkKind::RecallWithdrawn).map_or(0, |place| place + 1);
    let first = marks[withdrawn..].iter().position(|mark| mark.kind == LotMarkKind::Recalled)?;
    Some(withdrawn + first + 1)
}

/// The instant from which a lot may not be used any more: the end of its expiry date at its clinic, or of its life
/// after opening where that is over before.
#[must_use]
pub fn in_use_until(
    expires_on: NaiveDate,
    opened_at: Option<DateTime<Utc>>,
    life: Option<InUseLife>,
    zone: &Zone,
) -> DateTime<Utc> {
    let expires_at = end_of_day(expires_on, zone);
    match (opened_at, life) {
        (Some(opened_at), Some(life)) => life.ends_at(opened_at, zone).min(expires_at),
        _ => expires_at,
    }
}

/// A lot as a step's evidence is judged by it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LotInUse {
    /// As the label prints it.
    pub lot_number: String,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// Its last day.
    pub expires_on: NaiveDate,
    /// The zone of its clinic.
    pub zone: Zone,
    /// Its product in the version in force on the clinic day.
    pub version: ProductVersion,
    /// Its marks, in the order they came.
    pub marks: Vec<LotMark>,
}

impl LotInUse {
    /// Whether it is recalled, or was past its expiry or its life after opening at an instant. That somebody recorded no
    /// opening of it, or an end before, speaks against the record and not against the product.
    #[must_use]
    pub fn is_unfit(&self, performed_at: DateTime<Utc>) -> bool {
        let opened_at = last_like(&self.marks, LotMarkKind::Opened).map(|opened| opened.marked_at);
        let life = self.version.product.life_after_opening;
        standing_recall(&self.marks).is_some()
            || performed_at >= in_use_until(self.expires_on, opened_at, life, &self.zone)
    }

    /// Why it could not be worked with at an instant, each reason by itself; none: nothing that is recorded speaks against
    /// it.
    #[must_use]
    pub fn objections(&self, performed_at: DateTime<Utc>) -> Vec<String> {
        let number = &self.lot_number;
        let mut objections = Vec::new();
        if let Some(recall) = standing_recall(&self.marks) {
            objections.push(format!("lot {number} is recalled: {}", recall.reason));
        }
        if performed_at >= end_of_day(self.expires_on, &self.zone) {
            objections.push(format!("lot {number} expired on {}", self.expires_on));
        }
        let life = self.version.product.life_after_opening;
        match last_like(&self.marks, LotMarkKind::Opened).map(|opened| opened.marked_at) {
            None => objections.push(format!("no opening of lot {number} is recorded")),
            Some(opened_at) if performed_at < opened_at => {
                objections.push(format!("lot {number} was opened only later"));
            }
            Some(opened_at) if life.is_some_and(|life| performed_at >= life.ends_at(opened_at, &self.zone)) => {
                objections.push(format!("lot {number} was over its in-use life after opening"));
            }
            Some(_) => {}
        }
        let ended = last_like(&self.marks, LotMarkKind::Emptied).filter(|mark| mark.marked_at <= performed_at);
        objections.extend(ended.map(|mark| format!("lot {number} was recorded as {} before", mark.kind.as_str())));
        objections
    }
}

#[cfg(test)]
mod tests;
