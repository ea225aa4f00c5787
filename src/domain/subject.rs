//! What a routine can be about: the clinic itself, an operatory with its dental unit, a piece of equipment.
//!
//! The rule of this file: a subject keeps its identity when it moves; where it stood is history, not identity.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Kinds of subject.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SubjectKind {
    /// The clinic as a whole.
    Clinic,
    /// A room or chair with its dental unit.
    Operatory,
    /// Steam steriliser.
    Steriliser,
    /// Washer-disinfector.
    WasherDisinfector,
    /// Ultrasonic bath.
    UltrasonicBath,
    /// Water-treatment plant: reverse osmosis, distiller, softener.
    WaterPlant,
    /// Compressor with its dryer.
    Compressor,
    /// Amalgam separator.
    AmalgamSeparator,
    /// Eyewash station.
    Eyewash,
    /// A tap, shower or other outlet of the premises.
    PremisesOutlet,
}

impl SubjectKind {
    /// Every kind, for the tests that hold the database's list against this one.
    pub const ALL: [Self; 10] = [
        Self::Clinic,
        Self::Operatory,
        Self::Steriliser,
        Self::WasherDisinfector,
        Self::UltrasonicBath,
        Self::WaterPlant,
        Self::Compressor,
        Self::AmalgamSeparator,
        Self::Eyewash,
        Self::PremisesOutlet,
    ];

    /// Whether it is equipment that runs cycles.
    #[must_use]
    pub fn has_cycles(self) -> bool {
        matches!(self, Self::Steriliser | Self::WasherDisinfector | Self::UltrasonicBath)
    }

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Clinic => "clinic",
            Self::Operatory => "operatory",
            Self::Steriliser => "steriliser",
            Self::WasherDisinfector => "washer_disinfector",
            Self::UltrasonicBath => "ultrasonic_bath",
            Self::WaterPlant => "water_plant",
            Self::Compressor => "compressor",
            Self::AmalgamSeparator => "amalgam_separator",
            Self::Eyewash => "eyewash",
            Self::PremisesOutlet => "premises_outlet",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

/// What feeds a dental unit with water.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WaterSource {
    /// Public supply through an air gap.
    MainsAirGap,
    /// The unit's own bottle or tank.
    OwnReservoir,
    /// A treatment plant of the clinic.
    TreatedPlant,
}

impl WaterSource {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::MainsAirGap => "mains_air_gap",
            Self::OwnReservoir => "own_reservoir",
            Self::TreatedPlant => "treated_plant",
        }
    }

    /// The source of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::MainsAirGap, Self::OwnReservoir, Self::TreatedPlant].into_iter().find(|s| s.as_str() == name)
    }
}

/// Whether a subject may be worked with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ServiceState {
    /// In use.
    InService,
    /// Not usable since an instant, for a reason.
    OutOfService {
        /// Why.
        reason: String,
        /// Since when.
        since: DateTime<Utc>,
    },
}

/// A time a subject was, or is, out of service.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spell {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The instant it came back; `None`: it has not.
    pub until: Option<DateTime<Utc>>,
    /// Why.
    pub reason: String,
}

impl Spell {
    /// Whether an instant lies in it.
    #[must_use]
    pub fn holds(&self, at: DateTime<Utc>) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }
}

/// A subject as the planner and the judge of evidence see it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Subject {
    /// Its identity, kept when it moves.
    pub id: Uuid,
    /// Where it stands now.
    pub clinic_id: Uuid,
    /// What it is.
    pub kind: SubjectKind,
    /// What people call it.
    pub name: String,
    /// What feeds it with water; operatories only.
    pub water_source: Option<WaterSource>,
    /// Its waterline circuits, in the order they are worked.
    pub circuits: Vec<String>,
    /// Its suction lines, in the order they are worked.
    pub suction_lines: Vec<String>,
    /// Whether it may be worked with.
    pub service: ServiceState,
    /// The first clinic day it is there for.
    pub commissioned_on: NaiveDate,
    /// When it was out of service, and is.
    pub spells: Vec<Spell>,
}

impl Subject {
    /// The spell out of service that an instant lies in.
    #[must_use]
    pub fn out_of_service_at(&self, at: DateTime<Utc>) -> Option<&Spell> {
        self.spells.iter().find(|spell| spell.holds(at))
    }
}
