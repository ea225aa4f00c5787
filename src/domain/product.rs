//! A product as its maker's instructions describe it: what it is used for, how long it must stay, how long it keeps.
//!
//! The rule of this file: every figure is the maker's, entered with the instructions and edition it was taken from; no
//! default stands behind one that was left out, and cautions are added to what was entered and never taken away.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::amalgam_cleaner::LineCleaner;
use super::dilution::{Dilution, Recipe};
use super::fault::{Fault, check_text};
use super::limit::{Limit, Operator, Seen, SetBy, Source, optional_decimal_text};
use super::step::is_key;
use super::zone::{self, Zone};

/// How acid a product is, where its label gives no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PhClass {
    /// Below neutral.
    Acidic,
    /// Neutral.
    Neutral,
    /// Above neutral.
    Alkaline,
}

/// The maker's instructions a product was entered from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Instructions {
    /// What they are called, so that somebody can find them.
    #[schema(min_length = 1, max_length = 200, example = "Leaflet LC-3, section 4")]
    pub ifu_reference: String,
    /// Their edition or date.
    #[schema(min_length = 1, max_length = 100, example = "2026-02")]
    pub edition: String,
}

impl Instructions {
    /// They as the source of a figure: whoever entered the product took it from them.
    #[must_use]
    pub fn source(&self) -> Source {
        Source {
            title: self.ifu_reference.clone(),
            edition: self.edition.clone(),
            locator: String::new(),
            seen: Seen::ClinicConfirmed,
        }
    }
}

/// How long something keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "counted_in", rename_all = "snake_case", deny_unknown_fields)]
pub enum InUseLife {
    /// Hours, to the minute.
    Hours {
        /// From 1 to 9000.
        #[schema(minimum = 1, maximum = 9000)]
        hours: u32,
    },
    /// Days: through the last of them, by the clinic's calendar.
    Days {
        /// From 1 to 3000.
        #[schema(minimum = 1, maximum = 3000)]
        days: u32,
    },
}

impl InUseLife {
    /// The same as a limit of an age, as evidence keeps what decided: in hours (`h`) or days (`d`).
    #[must_use]
    pub fn limit(self, source: &Source) -> Limit {
        let (count, unit) = match self {
            Self::Hours { hours } => (hours, "h"),
            Self::Days { days } => (days, "d"),
        };
        Limit::in_force_always(Operator::Le, count.into(), unit, source, SetBy::Maker)
    }

    fn faults(self) -> Vec<Fault> {
        match self {
            Self::Hours { hours } if !(1..=9000).contains(&hours) => {
                vec![Fault::new("/hours", "must be from 1 to 9000")]
            }
            Self::Days { days } if !(1..=3000).contains(&days) => vec![Fault::new("/days", "must be from 1 to 3000")],
            Self::Hours { .. } | Self::Days { .. } => Vec::new(),
        }
    }

    /// The instant from which it is over, when it began at an instant. Days are counted as labels are read, from the
    /// date of the beginning on (common practice, no source).
    #[must_use]
    pub fn ends_at(self, began_at: DateTime<Utc>, zone: &Zone) -> DateTime<Utc> {
        match self {
            Self::Hours { hours } => began_at + TimeDelta::hours(hours.into()),
            Self::Days { days } => {
                let last = zone::local(zone, began_at).date() + chrono::Days::new(days.into());
                end_of_day(last, zone)
            }
        }
    }
}

/// The first instant after a date at a clinic: what expires on a date may be used through it.
#[must_use]
pub fn end_of_day(date: NaiveDate, zone: &Zone) -> DateTime<Utc> {
    let next = date.succ_opt().unwrap_or(date);
    zone::resolve(zone, next.and_time(chrono::NaiveTime::MIN))
}

/// One use of a product, as its instructions describe it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProductUse {
    /// Name of the use within the product, under the rule of a step's key.
    #[schema(pattern = "^[a-z0-9][a-z0-9-]{0,39}$", example = "line-disinfection")]
    pub key: String,
    /// What it is used for.
    #[schema(min_length = 1, max_length = 200)]
    pub purpose: String,
    /// Shortest contact time in seconds; left out where the instructions ask for none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 86400)]
    pub contact_minimum_seconds: Option<u32>,
    /// Longest contact time in seconds, where the instructions have one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 604_800)]
    pub contact_maximum_seconds: Option<u32>,
    /// How it is made up; left out: ready to use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made_up: Option<Recipe>,
    /// How long it keeps once it is made up; only beside `made_up`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub life_after_mixing: Option<InUseLife>,
    /// Where these figures come from.
    pub source: Source,
}

impl ProductUse {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if !is_key(&self.key) {
            faults.push(Fault::new("/key", "must be 1 to 40 lower-case letters, digits or hyphens"));
        }
        check_text(&mut faults, "/purpose", &self.purpose, 200);
        if self.contact_minimum_seconds.is_some_and(|s| !(1..=86_400).contains(&s)) {
            faults.push(Fault::new("/contact_minimum_seconds", "must be from 1 to 86400"));
        }
        if self.contact_maximum_seconds.is_some_and(|s| !(1..=604_800).contains(&s)) {
            faults.push(Fault::new("/contact_maximum_seconds", "must be from 1 to 604800"));
        }
        if let (Some(least), Some(most)) = (self.contact_minimum_seconds, self.contact_maximum_seconds)
            && most < least
        {
            faults.push(Fault::new("/contact_maximum_seconds", "must not be below the minimum"));
        }
        if let Some(recipe) = self.made_up {
            // A recipe has faults of its own whatever the reservoir; its pointers begin with the recipe's name.
            let in_one_litre = Dilution { reservoir_ml: 1000.into(), recipe };
            let of_recipe = in_one_litre.faults().into_iter();
            faults.extend(of_recipe.map(|f| Fault::new(f.pointer.replacen("/recipe", "/made_up", 1), f.rule)));
        } else if self.life_after_mixing.is_some() {
            faults.push(Fault::new("/life_after_mixing", "belongs to what is made up; this use is ready to use"));
        }
        let life = self.life_after_mixing.into_iter().flat_map(InUseLife::faults);
        faults.extend(life.map(|f| f.under("/life_after_mixing")));
        faults.extend(self.source.faults().into_iter().map(|f| f.under("/source")));
        faults
    }
}

/// A product.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Product {
    /// What people call it.
    #[schema(min_length = 1, max_length = 120, example = "Line cleaner LC-3")]
    pub name: String,
    /// The maker's instructions it was entered from.
    pub instructions: Instructions,
    /// Its uses: 1 to 20.
    #[schema(min_items = 1, max_items = 20)]
    pub uses: Vec<ProductUse>,
    /// It oxidises: bleach, chlorine, iodine, peroxide and their like.
    pub oxidising: bool,
    /// Its pH as used, 0 to 14, where the label says.
    #[serde(default, with = "optional_decimal_text", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "7.2")]
    pub ph: Option<Decimal>,
    /// Its pH class, where the label says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ph_class: Option<PhClass>,
    /// How long it keeps after opening; left out: until it expires.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub life_after_opening: Option<InUseLife>,
    /// Cautions of its label, at most 20 texts, shown beside those that hold for every product.
    #[serde(default)]
    #[schema(max_items = 20)]
    pub cautions: Vec<String>,
    /// Whether it is still worked with; its history stays.
    #[serde(default = "in_use_by_default")]
    #[schema(default = true)]
    pub in_use: bool,
}

fn in_use_by_default() -> bool {
    true
}

impl Product {
    /// Every broken rule, with pointers relative to the product.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_text(&mut faults, "/instructions/ifu_reference", &self.instructions.ifu_reference, 200);
        check_text(&mut faults, "/instructions/edition", &self.instructions.edition, 100);
        if self.uses.is_empty() || self.uses.len() > 20 {
            faults.push(Fault::new("/uses", "must have 1 to 20 uses"));
        }
        for (i, product_use) in self.uses.iter().enumerate() {
            faults.extend(product_use.faults().into_iter().map(|f| f.under(&format!("/uses/{i}"))));
            if self.uses[..i].iter().any(|u| u.key == product_use.key) {
                faults.push(Fault::new(format!("/uses/{i}/key"), "stands twice; keys must differ within a product"));
            }
        }
        faults.extend(self.cleaner().faults());
        if let (Some(ph), Some(class)) = (self.ph, self.ph_class) {
            let seven = Decimal::from(7);
            let contradicts = (class == PhClass::Acidic && ph >= seven) || (class == PhClass::Alkaline && ph <= seven);
            if contradicts {
                faults.push(Fault::new("/ph_class", "contradicts the pH"));
            }
        }
        let life = self.life_after_opening.into_iter().flat_map(InUseLife::faults);
        faults.extend(life.map(|f| f.under("/life_after_opening")));
        if self.cautions.len() > 20 {
            faults.push(Fault::new("/cautions", "must have at most 20 texts"));
        }
        for (i, caution) in self.cautions.iter().enumerate() {
            check_text(&mut faults, &format!("/cautions/{i}"), caution, 300);
        }
        faults
    }

    /// The use with this key.
    #[must_use]
    pub fn find_use(&self, key: &str) -> Option<&ProductUse> {
        self.uses.iter().find(|product_use| product_use.key == key)
    }

    /// What the amalgam rule asks of it.
    #[must_use]
    pub fn cleaner(&self) -> LineCleaner {
        LineCleaner { oxidising: self.oxidising, ph: self.ph, ph_class: self.ph_class }
    }
}

/// A product's content from a day on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProductVersion {
    /// The product, kept over its versions.
    pub product_id: Uuid,
    /// 1, 2, 3 …
    pub version: i32,
    /// First clinic day it is in force for.
    pub effective_on: NaiveDate,
    /// Its content.
    pub product: Product,
}

/// The version in force on a day, of versions with the oldest first; before the first of them, the first: a lot that
/// was used a day before somebody entered its product is judged by what was entered.
#[must_use]
pub fn version_on(versions: &[ProductVersion], on: NaiveDate) -> Option<&ProductVersion> {
    versions.iter().rev().find(|version| version.effective_on <= on).or(versions.first())
}

#[cfg(test)]
mod tests;
