//! The shortest times a steriliser holds a temperature, for a band that nobody set a time of their own for.
//!
//! The rule of this file: they are data, in `minima.json`, each with its source and how that was seen. A maker, a clinic or
//! a group comes before them with a limit in the band ([`super::TemperatureBand::holding`]). Only the lowest temperature
//! tells which of them is meant, and it must be the very one: how far a band reaches upward is the maker's to say and no
//! default of ours, and what lies between two of these temperatures has no shipped minimum.

use std::sync::LazyLock;

use rust_decimal::Decimal;
use serde::Deserialize;

use super::TemperatureBand;
use crate::domain::limit::{Limit, decimal_text};

/// The shortest time at one temperature.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlateauMinimum {
    /// The lowest temperature of the band, in degrees Celsius.
    #[serde(with = "decimal_text")]
    pub lowest_celsius: Decimal,
    /// How long it is held, in seconds.
    pub holding: Limit,
}

static SHIPPED: LazyLock<Vec<PlateauMinimum>> =
    LazyLock::new(|| serde_json::from_str(include_str!("minima.json")).expect("the shipped minima are read by a test"));

/// The shipped minima, by temperature.
#[must_use]
pub fn shipped() -> &'static [PlateauMinimum] {
    &SHIPPED
}

/// The shipped minimum of a band; `None`: there is none for its lowest temperature.
#[must_use]
pub fn shipped_for(band: &TemperatureBand) -> Option<&'static Limit> {
    shipped().iter().find(|minimum| minimum.lowest_celsius == band.lowest_celsius).map(|minimum| &minimum.holding)
}
