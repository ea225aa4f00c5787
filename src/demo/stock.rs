//! What the invented group works with: products, and the lots of them that stand in its clinics.
//!
//! The rule of this file: whoever works takes the lot that was open at that moment, as one who reads the label would.
//! Whether it may be used is the service's business.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::client::Client;
use super::configure::ClinicDates;
use super::seed::{ClinicSeed, Seed, date_from};
use crate::domain::zone;

/// Products and lots.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Stock {
    /// The products.
    pub products: Vec<ProductSeed>,
    /// Their lots.
    pub lots: Vec<LotSeed>,
}

/// A product.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ProductSeed {
    /// Its id.
    pub product_id: Uuid,
    /// The product, as the API takes it.
    pub product: Value,
}

/// A lot; its days are counted from the day of the load.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LotSeed {
    /// Its id.
    pub lot_id: Uuid,
    /// Of what.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// At which operatory alone; absent: at each that has none of its own.
    #[serde(default)]
    pub only_at: Option<Uuid>,
    /// As the label prints it.
    pub lot_number: String,
    /// The last day it may be used on.
    pub expires_days: i64,
    /// The day it is opened on, at seven in the morning.
    pub opened_days: i64,
    /// The day it is used up on, at half past six in the morning; absent: it stands open.
    #[serde(default)]
    pub emptied_days: Option<i64>,
    /// It is recalled, and thrown away half an hour later.
    #[serde(default)]
    pub recalled: Option<RecallSeed>,
}

/// A recall.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RecallSeed {
    /// The day it is recorded on, at ten in the morning.
    pub from_days: i64,
    /// Why.
    pub reason: String,
    /// Whose notice it follows.
    pub authority: String,
    /// Who records it.
    pub performed_by: String,
}

/// A lot as somebody finds it on the shelf.
#[derive(Clone, Debug)]
pub(super) struct OnShelf {
    lot_id: Uuid,
    product_id: Uuid,
    only_at: Option<Uuid>,
    opened_at: DateTime<Utc>,
    gone_at: Option<DateTime<Utc>>,
}

/// What becomes of a lot at an instant.
#[derive(Clone, Debug)]
pub(super) struct LotDeed {
    /// A recall, which is the manager's; all else is entered at the tablet.
    pub is_recall: bool,
    /// Where it is put.
    pub path: String,
    /// What is put.
    pub body: Value,
}

/// The lot that stood open for an operatory, one of its own before one of the clinic's.
pub(super) fn open_lot(shelf: &[OnShelf], subject_id: Uuid, products: &[Uuid], at: DateTime<Utc>) -> Option<Uuid> {
    let is_open = |lot: &&OnShelf| lot.opened_at <= at && lot.gone_at.is_none_or(|gone_at| at < gone_at);
    let fits = |lot: &&OnShelf| products.contains(&lot.product_id) && lot.only_at.is_none_or(|id| id == subject_id);
    let newest = shelf.iter().filter(is_open).filter(fits).max_by_key(|lot| (lot.only_at.is_some(), lot.opened_at));
    newest.map(|lot| lot.lot_id)
}

impl LotSeed {
    fn at(clinic: &ClinicSeed, dates: ClinicDates, days: i64, hour: i64, minute: i64) -> anyhow::Result<DateTime<Utc>> {
        let midnight = date_from(dates.today, days).and_time(NaiveTime::MIN);
        Ok(zone::resolve(&clinic.zone()?, midnight) + TimeDelta::minutes(60 * hour + minute))
    }

    fn opened_at(&self, clinic: &ClinicSeed, dates: ClinicDates) -> anyhow::Result<DateTime<Utc>> {
        Self::at(clinic, dates, self.opened_days, 7, 0)
    }

    /// When it is gone, and how.
    fn gone_at(
        &self,
        clinic: &ClinicSeed,
        dates: ClinicDates,
    ) -> anyhow::Result<Option<(DateTime<Utc>, &'static str)>> {
        Ok(match (&self.recalled, self.emptied_days) {
            (Some(recall), _) => Some((Self::at(clinic, dates, recall.from_days, 10, 30)?, "discarded")),
            (None, Some(days)) => Some((Self::at(clinic, dates, days, 6, 30)?, "emptied")),
            (None, None) => None,
        })
    }
}

impl Stock {
    /// Puts the products and lots, as they are before anything becomes of them.
    ///
    /// # Errors
    /// When the service refuses something.
    pub(super) async fn put_products(&self, administrator: &Client, effective_on: &Value) -> anyhow::Result<()> {
        for product in &self.products {
            let body = json!({ "effective_on": effective_on, "product": product.product });
            administrator.put(&format!("/v1/products/{}", product.product_id), &body).await?;
        }
        Ok(())
    }

    /// Puts the lots of a clinic.
    ///
    /// # Errors
    /// When the service refuses one.
    pub(super) async fn put_lots(
        &self,
        administrator: &Client,
        clinic: &ClinicSeed,
        dates: ClinicDates,
    ) -> anyhow::Result<()> {
        for lot in self.lots.iter().filter(|lot| lot.clinic_id == clinic.clinic_id) {
            let body = json!({
                "product_id": lot.product_id, "clinic_id": lot.clinic_id, "lot_number": lot.lot_number,
                "expires_on": date_from(dates.today, lot.expires_days),
            });
            administrator.put(&format!("/v1/lots/{}", lot.lot_id), &body).await?;
        }
        Ok(())
    }

    /// The shelf of a clinic over the whole history.
    ///
    /// # Errors
    /// When the clinic's zone is none.
    pub(super) fn shelf(&self, clinic: &ClinicSeed, dates: ClinicDates) -> anyhow::Result<Vec<OnShelf>> {
        let here = self.lots.iter().filter(|lot| lot.clinic_id == clinic.clinic_id);
        here.map(|lot| {
            Ok(OnShelf {
                lot_id: lot.lot_id,
                product_id: lot.product_id,
                only_at: lot.only_at,
                opened_at: lot.opened_at(clinic, dates)?,
                gone_at: lot.gone_at(clinic, dates)?.map(|(at, _)| at),
            })
        })
        .collect()
    }

    /// What becomes of the lots of a clinic, and when.
    ///
    /// # Errors
    /// When the clinic's zone is none.
    pub(super) fn deeds(
        &self,
        seed: &Seed,
        clinic: &ClinicSeed,
        dates: ClinicDates,
    ) -> anyhow::Result<Vec<(DateTime<Utc>, LotDeed)>> {
        let people = seed.staff.get(&clinic.clinic_id).map(Vec::as_slice).unwrap_or_default();
        let who = people.first().map_or("staff", |person| person.performed_by.as_str());
        let mut deeds = Vec::new();
        let mut add = |at, path, is_recall, body| deeds.push((at, LotDeed { is_recall, path, body }));
        for lot in self.lots.iter().filter(|lot| lot.clinic_id == clinic.clinic_id) {
            let here = format!("/v1/lots/{}", lot.lot_id);
            let opened_at = lot.opened_at(clinic, dates)?;
            add(opened_at, format!("{here}/opened"), false, json!({ "opened_at": opened_at, "performed_by": who }));
            if let Some(recall) = &lot.recalled {
                let at = LotSeed::at(clinic, dates, recall.from_days, 10, 0)?;
                let body = json!({ "recalled": true, "reason": recall.reason, "authority": recall.authority,
                                   "performed_by": recall.performed_by });
                add(at, format!("{here}/recall"), true, body);
            }
            if let Some((gone_at, how)) = lot.gone_at(clinic, dates)? {
                let reason = if how == "discarded" { "recalled" } else { "" };
                let body = json!({ "how": how, "ended_at": gone_at, "performed_by": who, "reason": reason });
                add(gone_at, format!("{here}/ended"), false, body);
            }
        }
        Ok(deeds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lot_that_was_open_at_a_moment_is_taken_and_a_chairs_own_before_the_clinics() {
        let at = |hours: i64| DateTime::UNIX_EPOCH + TimeDelta::hours(hours);
        let [chair, other, product] = [1, 2, 3].map(Uuid::from_u128);
        let lot = |n: u128, only_at, from: i64, until: Option<i64>| OnShelf {
            lot_id: Uuid::from_u128(n),
            product_id: product,
            only_at,
            opened_at: at(from),
            gone_at: until.map(at),
        };
        let shelf = [lot(11, None, 0, Some(10)), lot(12, None, 10, None), lot(13, Some(chair), 5, Some(20))];
        let taken = |subject, hours| open_lot(&shelf, subject, &[product], at(hours)).map(|lot| lot.as_u128());
        assert_eq!((taken(other, 9), taken(other, 10), taken(other, -1)), (Some(11), Some(12), None));
        assert_eq!((taken(chair, 4), taken(chair, 5), taken(chair, 20)), (Some(11), Some(13), Some(12)));
        assert_eq!(open_lot(&shelf, chair, &[], at(9)), None);
    }
}
