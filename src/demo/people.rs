//! Who works in the invented group, with a PIN and what they are trained for.
//!
//! The rule of this file: a PIN stands in the files because everybody here is invented. A real one is never written down.

use anyhow::Context;
use chrono::NaiveDate;
use serde::Deserialize;
use serde_json::json;
use uuid::Uuid;

use super::client::Client;
use super::seed::{Seed, date_from};
use crate::domain::staff::StaffRole;

/// Somebody who works in a clinic.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Person {
    /// Identity.
    pub staff_id: Uuid,
    /// Name.
    pub name: String,
    /// Initials.
    pub performed_by: String,
    /// What they do, in the clinic's words.
    pub role: String,
    /// What the service knows them as.
    pub staff_role: StaffRole,
    /// With which they sign.
    pub pin: String,
    /// They work in every clinic of the group.
    #[serde(default)]
    pub everywhere: bool,
    /// What they are trained for.
    #[serde(default)]
    pub competences: Vec<CompetenceSeed>,
}

/// A training on record; its days are counted from the day of the load.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CompetenceSeed {
    /// Identity among those of the person.
    pub competence_id: Uuid,
    /// The family of work it is for.
    pub family: String,
    /// First day.
    pub from_days: i64,
    /// Last day; absent: it does not end.
    #[serde(default)]
    pub until_days: Option<i64>,
}

/// Puts everybody with PIN and trainings.
///
/// # Errors
/// When the service refuses something.
pub(super) async fn put_people(administrator: &Client, seed: &Seed, today: NaiveDate) -> anyhow::Result<()> {
    for (clinic_id, people) in &seed.staff {
        for person in people {
            put_person(administrator, *clinic_id, person, today)
                .await
                .with_context(|| format!("the person {}", person.performed_by))?;
        }
    }
    Ok(())
}

async fn put_person(administrator: &Client, clinic_id: Uuid, person: &Person, today: NaiveDate) -> anyhow::Result<()> {
    let path = format!("/v1/staff/{}", person.staff_id);
    let clinic_ids: Vec<Uuid> = (!person.everywhere).then_some(clinic_id).into_iter().collect();
    let body = json!({
        "name": person.name, "initials": person.performed_by, "role": person.staff_role, "clinic_ids": clinic_ids,
        "active_from": date_from(today, -700),
    });
    administrator.put(&path, &body).await?;
    administrator.put(&format!("{path}/pin"), &json!({ "pin": person.pin })).await?;
    for held in &person.competences {
        let mut body = json!({
            "for_what": { "kind": "family", "family": held.family }, "valid_from": date_from(today, held.from_days),
            "signed_off_by": "Sunniva Quarle",
        });
        if let Some(days) = held.until_days {
            body["valid_until"] = json!(date_from(today, days));
        }
        administrator.put(&format!("{path}/competences/{}", held.competence_id), &body).await?;
    }
    Ok(())
}
