//! How much stock and how much water fill a reservoir at a wanted strength, with the arithmetic shown.
//!
//! The rule of this file: a figure that can be read in two ways is not taken. Percent is weight in volume, 1 % = 10 000
//! mg/L, and 1 ppm is 1 mg/L of the mixture (both computed). "1:50" is refused: some labels mean 1 part in 50 parts of
//! mixture by it, others 1 part and 50 parts of water. [`Ratio`] has a word for each.
//!
//! The sum is C1 · V1 = C2 · V2, in decimals. Whether a product may be diluted at all is for its label.

use std::fmt;
use std::str::FromStr;

use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

use super::fault::Fault;
use super::limit::decimal_text;

/// The largest reservoir that is worked out, in millilitres.
pub const LARGEST_ML: i64 = 1_000_000;

/// A unit of strength.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StrengthUnit {
    /// Percent, weight in volume: 1 g in 100 mL.
    Percent,
    /// Milligrams in a litre.
    MilligramPerLitre,
    /// Parts per million; in water, milligrams in a litre.
    PartPerMillion,
}

impl StrengthUnit {
    /// Milligrams in a litre that make one of it.
    #[must_use]
    pub fn milligram_per_litre(self) -> Decimal {
        match self {
            Self::Percent => 10_000.into(),
            Self::MilligramPerLitre | Self::PartPerMillion => Decimal::ONE,
        }
    }
}

impl fmt::Display for StrengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Percent => "%",
            Self::MilligramPerLitre => "mg/L",
            Self::PartPerMillion => "ppm",
        })
    }
}

/// How much of the active substance is in a liquid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Strength {
    /// The figure.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "0.02")]
    pub value: Decimal,
    /// Its unit.
    pub unit: StrengthUnit,
}

impl Strength {
    /// The same in milligrams a litre.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::dilution::{Strength, StrengthUnit};
    /// let strength = Strength { value: "0.02".parse().unwrap(), unit: StrengthUnit::Percent };
    /// assert_eq!(strength.milligram_per_litre(), 200.into());
    /// ```
    #[must_use]
    pub fn milligram_per_litre(&self) -> Decimal {
        (self.value * self.unit.milligram_per_litre()).normalize()
    }

    fn faults(&self) -> Vec<Fault> {
        let highest = Decimal::from(1_000_000);
        if self.value > Decimal::ZERO && self.value <= highest && self.milligram_per_litre() <= highest {
            return Vec::new();
        }
        vec![Fault::new("/value", "must be above 0 and at most 100 %, which is 1000000 mg/L or ppm")]
    }
}

impl fmt::Display for Strength {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit)
    }
}

/// A ratio as a label states it, by volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "means", rename_all = "snake_case", deny_unknown_fields)]
pub enum Ratio {
    /// 1 part of stock in so many parts of mixture: "1 in 50".
    OneIn {
        /// Parts of mixture, the stock among them: 1 to 100000.
        #[serde(with = "decimal_text")]
        #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "50")]
        parts: Decimal,
    },
    /// 1 part of stock and so many parts of water: "1 + 49".
    OneAnd {
        /// Parts of water: 0 to 100000.
        #[serde(with = "decimal_text")]
        #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "49")]
        parts_of_water: Decimal,
    },
}

impl Ratio {
    /// Parts of mixture to one part of stock.
    fn parts_of_mixture(self) -> Decimal {
        match self {
            Self::OneIn { parts } => parts,
            Self::OneAnd { parts_of_water } => parts_of_water + Decimal::ONE,
        }
    }

    fn faults(self) -> Vec<Fault> {
        let (pointer, parts, lowest) = match self {
            Self::OneIn { parts } => ("/parts", parts, 1),
            Self::OneAnd { parts_of_water } => ("/parts_of_water", parts_of_water, 0),
        };
        if parts >= lowest.into() && parts <= 100_000.into() {
            return Vec::new();
        }
        vec![Fault::new(pointer, format!("must be from {lowest} to 100000"))]
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OneIn { parts } => write!(f, "1 in {parts}"),
            Self::OneAnd { parts_of_water } => write!(f, "1 + {parts_of_water}"),
        }
    }
}

/// Why a text is no ratio.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum NoRatio {
    /// `1:n`, which labels use for two things.
    #[error("\"1:n\" is read in two ways: write \"1 in n\" for n parts of mixture, or \"1 + n\" for n parts of water")]
    Ambiguous,
    /// Anything else.
    #[error("must be \"1 in n\" or \"1 + n\" with a plain decimal number")]
    Unreadable,
}

impl FromStr for Ratio {
    type Err = NoRatio;

    /// # Examples
    /// ```
    /// use chairtide::domain::dilution::{NoRatio, Ratio};
    /// assert_eq!("1 in 50".parse(), Ok(Ratio::OneIn { parts: 50.into() }));
    /// assert_eq!("1 + 49".parse(), Ok(Ratio::OneAnd { parts_of_water: 49.into() }));
    /// assert_eq!("1:50".parse::<Ratio>(), Err(NoRatio::Ambiguous));
    /// ```
    fn from_str(text: &str) -> Result<Self, NoRatio> {
        if text.contains([':', '/']) {
            return Err(NoRatio::Ambiguous);
        }
        let rest = text.trim().strip_prefix('1').ok_or(NoRatio::Unreadable)?.trim_start();
        let number = |text: &str| decimal_text::parse(text.trim()).ok_or(NoRatio::Unreadable);
        let ratio = match (rest.strip_prefix("in "), rest.strip_prefix('+')) {
            (Some(parts), _) => Self::OneIn { parts: number(parts)? },
            (None, Some(parts)) => Self::OneAnd { parts_of_water: number(parts)? },
            (None, None) => return Err(NoRatio::Unreadable),
        };
        if ratio.faults().is_empty() { Ok(ratio) } else { Err(NoRatio::Unreadable) }
    }
}

/// What the label asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Recipe {
    /// A strength of the mixture, from a stock of known strength.
    Strength {
        /// What the bottle holds.
        stock: Strength,
        /// What the reservoir is to hold.
        wanted: Strength,
    },
    /// A ratio; how strong the stock is plays no part.
    Ratio {
        /// The ratio.
        ratio: Ratio,
    },
}

/// A reservoir to be filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Dilution {
    /// Volume of the mixture in millilitres: above 0, at most 1000000.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "2000")]
    pub reservoir_ml: Decimal,
    /// What the label asks for.
    pub recipe: Recipe,
}

/// One line of the arithmetic.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ArithmeticLine {
    /// What is worked out.
    pub what: String,
    /// How.
    #[schema(example = "0.02 % × 10000 mg/L")]
    pub formula: String,
    /// The result.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "200")]
    pub result: Decimal,
    /// Its unit as a UCUM code; `1` for a number of parts.
    pub unit: String,
    /// The result was rounded.
    pub rounded: bool,
}

impl fmt::Display for ArithmeticLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { what, formula, result, unit, rounded } = self;
        let equals = if *rounded { "≈" } else { "=" };
        let unit = if unit == "1" { String::new() } else { format!(" {unit}") };
        write!(f, "{what}: {formula} {equals} {result}{unit}")
    }
}

/// What to measure out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Mixture {
    /// Stock in millilitres, to the nearest in four significant digits.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "13.33")]
    pub stock_ml: Decimal,
    /// Water in millilitres: what the stock leaves of the reservoir, to the last digit.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "1986.67")]
    pub water_ml: Decimal,
    /// The arithmetic, line by line.
    pub arithmetic: Vec<ArithmeticLine>,
}

impl Dilution {
    /// Works out stock and water.
    ///
    /// # Errors
    /// Every broken rule, with pointers relative to the dilution.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::dilution::{Dilution, Recipe, Strength, StrengthUnit};
    /// let percent = |value: &str| Strength { value: value.parse().unwrap(), unit: StrengthUnit::Percent };
    /// let recipe = Recipe::Strength { stock: percent("3"), wanted: percent("0.02") };
    /// let mixture = Dilution { reservoir_ml: 2000.into(), recipe }.work_out().unwrap();
    /// let lines: Vec<String> = mixture.arithmetic.iter().map(ToString::to_string).collect();
    /// assert_eq!(lines, [
    ///     "stock: 3 % × 10000 mg/L = 30000 mg/L",
    ///     "wanted: 0.02 % × 10000 mg/L = 200 mg/L",
    ///     "volume of stock: 2000 mL × 200 mg/L ÷ 30000 mg/L ≈ 13.33 mL",
    ///     "volume of water: 2000 mL - 13.33 mL = 1986.67 mL",
    /// ]);
    /// ```
    pub fn work_out(&self) -> Result<Mixture, Vec<Fault>> {
        let faults = self.faults();
        if !faults.is_empty() {
            return Err(faults);
        }
        let reservoir = self.reservoir_ml.normalize();
        let mut arithmetic = Vec::new();
        // Multiplied before it is divided, so that what comes out even stays even.
        let (numerator, denominator, formula) = match self.recipe {
            Recipe::Strength { stock, wanted } => {
                let [stock, wanted] = [("stock", stock), ("wanted", wanted)].map(|(what, strength)| {
                    let result = strength.milligram_per_litre();
                    let formula = format!("{strength} × {} mg/L", strength.unit.milligram_per_litre());
                    arithmetic.push(line(what, formula, result, "mg/L", false));
                    result
                });
                (wanted, stock, format!("{reservoir} mL × {wanted} mg/L ÷ {stock} mg/L"))
            }
            Recipe::Ratio { ratio } => {
                let parts = ratio.parts_of_mixture().normalize();
                arithmetic.push(line("parts of mixture to 1 part of stock", ratio.to_string(), parts, "1", false));
                (Decimal::ONE, parts, format!("{reservoir} mL ÷ {parts}"))
            }
        };
        let exact = reservoir * numerator / denominator;
        let stock_ml = exact
            .round_sf_with_strategy(4, RoundingStrategy::MidpointAwayFromZero)
            .unwrap_or(exact)
            .min(reservoir)
            .normalize();
        let water_ml = (reservoir - stock_ml).normalize();
        let rounded = stock_ml * denominator != reservoir * numerator;
        arithmetic.push(line("volume of stock", formula, stock_ml, "mL", rounded));
        let formula = format!("{reservoir} mL - {stock_ml} mL");
        arithmetic.push(line("volume of water", formula, water_ml, "mL", false));
        Ok(Mixture { stock_ml, water_ml, arithmetic })
    }

    /// Every broken rule, with pointers relative to the dilution.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if self.reservoir_ml <= Decimal::ZERO || self.reservoir_ml > LARGEST_ML.into() {
            faults.push(Fault::new("/reservoir_ml", format!("must be above 0 and at most {LARGEST_ML}")));
        }
        match self.recipe {
            Recipe::Strength { stock, wanted } => {
                faults.extend(stock.faults().into_iter().map(|f| f.under("/recipe/stock")));
                faults.extend(wanted.faults().into_iter().map(|f| f.under("/recipe/wanted")));
                if faults.is_empty() && wanted.milligram_per_litre() > stock.milligram_per_litre() {
                    faults.push(Fault::new("/recipe/wanted/value", "must not be stronger than the stock"));
                }
            }
            Recipe::Ratio { ratio } => faults.extend(ratio.faults().into_iter().map(|f| f.under("/recipe/ratio"))),
        }
        faults
    }
}

fn line(what: &str, formula: String, result: Decimal, unit: &str, rounded: bool) -> ArithmeticLine {
    ArithmeticLine { what: what.to_owned(), formula, result, unit: unit.to_owned(), rounded }
}

#[cfg(test)]
mod tests;
