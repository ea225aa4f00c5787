//! The group's configuration, put as its administrator would.
//!
//! The rule of this file: everything goes through the public API in the form the files hold, so that the files are
//! also examples of its documents.

use anyhow::Context;
use chrono::{Days, NaiveDate};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::client::Client;
use super::people::put_people;
use super::seed::{ClinicSeed, Seed, date_from};
use crate::domain::chain::ChainKind;
use crate::domain::routine::Routine;

const LOCAL_MINUTE: &str = "%Y-%m-%dT%H:%M";

/// How many days back days ask to be signed: far enough for an open day, whatever the weekday of the load.
const DAYS_TO_SIGN: Days = Days::new(3);

/// Puts everything but keys. `today` is the day of the load and `first_day` the day the history starts, as each
/// clinic's calendar shows them.
///
/// # Errors
/// When the service refuses a document.
pub(super) async fn configure(administrator: &Client, seed: &Seed, days: &[ClinicDates]) -> anyhow::Result<()> {
    administrator.put("/v1/ladder", &seed.ladder).await?;
    for (clinic, dates) in seed.clinics.iter().zip(days) {
        put_clinic(administrator, clinic, *dates).await?;
        for operatory in &clinic.operatories {
            let id = operatory.operatory_id;
            put_subject(administrator, seed, "operatories", clinic, id, operatory.document()).await?;
        }
        for equipment in &clinic.equipment {
            let id = equipment.equipment_id;
            put_subject(administrator, seed, "equipment", clinic, id, equipment.rest.clone()).await?;
        }
    }
    let first = days.iter().min_by_key(|d| d.first_day).context("the demo has no clinic")?;
    put_people(administrator, seed, first.today).await?;
    seed.stock.put_products(administrator, &json!(first.first_day)).await?;
    for (clinic, dates) in seed.clinics.iter().zip(days) {
        seed.stock.put_lots(administrator, clinic, *dates).await?;
    }
    for routine in &seed.routines {
        let body = json!({ "effective_on": first.first_day, "routine": routine.routine(first.today) });
        administrator.put(&format!("/v1/routines/{}", routine.routine_id), &body).await?;
    }
    Ok(())
}

/// From the day of the load on, missed work of some routines between two patients opens a corrective action and makes a
/// task of what is done now. Before, the weeks behind would have left a chair or two standing in every clinic.
///
/// # Errors
/// When the service refuses a document.
pub(super) async fn follow_misses(administrator: &Client, seed: &Seed, today: NaiveDate) -> anyhow::Result<()> {
    for routine in seed.routines.iter().filter(|r| seed.story.followed_when_missed.contains(&r.routine_id)) {
        let followed = Routine { on_miss: Some(ChainKind::MissedRoutine), ..routine.routine(today) };
        let body = json!({ "effective_on": today, "routine": followed });
        administrator.put(&format!("/v1/routines/{}", routine.routine_id), &body).await?;
    }
    Ok(())
}

/// The dates a clinic's calendar shows.
#[derive(Clone, Copy, Debug)]
pub(super) struct ClinicDates {
    /// The first day of the history.
    pub first_day: NaiveDate,
    /// The day of the load.
    pub today: NaiveDate,
}

async fn put_clinic(administrator: &Client, clinic: &ClinicSeed, dates: ClinicDates) -> anyhow::Result<()> {
    let path = format!("/v1/clinics/{}", clinic.clinic_id);
    administrator.put(&path, &serde_json::to_value(&clinic.clinic)?).await?;
    administrator.put(&format!("{path}/hours"), &json!({ "week": clinic.week })).await?;
    for closure in &clinic.closures {
        let body = json!({
            "from_local": closure.from(dates.today).format(LOCAL_MINUTE).to_string(),
            "until_local": closure.until(dates.today).format(LOCAL_MINUTE).to_string(),
            "reason": closure.reason,
        });
        administrator.put(&format!("{path}/closures/{}", closure.closure_id), &body).await?;
    }
    // Leads signed elsewhere until now; the last open day or two wait for a signature.
    let asked_from = (dates.today - DAYS_TO_SIGN).max(dates.first_day);
    for (from_on, is_asked) in [(dates.first_day, false), (asked_from, true)] {
        administrator.put(&format!("{path}/day-signing"), &json!({ "from_on": from_on, "is_asked": is_asked })).await?;
    }
    for special in &clinic.special_openings {
        let date = date_from(dates.today, special.days_from_today);
        let body = json!({ "sessions": special.sessions, "reason": special.reason });
        administrator.put(&format!("{path}/special-openings/{date}"), &body).await?;
    }
    Ok(())
}

async fn put_subject(
    administrator: &Client,
    seed: &Seed,
    resource: &str,
    clinic: &ClinicSeed,
    id: Uuid,
    mut body: Map<String, Value>,
) -> anyhow::Result<()> {
    body.insert("clinic_id".to_owned(), json!(clinic.clinic_id));
    if seed.story.taken_out_of_service.iter().any(|taken| taken.subject_id == id) {
        body.insert("service".to_owned(), json!({ "state": "in_service" }));
    }
    administrator.put(&format!("/v1/{resource}/{id}"), &Value::Object(body)).await
}

/// Puts an operatory in the state its file gives it for today.
///
/// # Errors
/// When the service refuses.
pub(super) async fn put_operatory_as_it_is(administrator: &Client, seed: &Seed, id: Uuid) -> anyhow::Result<()> {
    let found = seed
        .clinics
        .iter()
        .find_map(|clinic| clinic.operatories.iter().find(|o| o.operatory_id == id).map(|o| (clinic, o)));
    let (clinic, operatory) = found.with_context(|| format!("no operatory {id} in the files"))?;
    let mut body = operatory.document();
    body.insert("clinic_id".to_owned(), json!(clinic.clinic_id));
    administrator.put(&format!("/v1/operatories/{id}"), &Value::Object(body)).await
}
