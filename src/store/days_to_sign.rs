//! The open days that ask a lead for a signature.
//!
//! The rule of this file: a row is written ahead, by whoever plans the clinic, and stands once its day is overdue: hours
//! that are edited later move no rung. A day asks from where the clinic's setting says; a clinic without one gets it when
//! it is next planned, from that day on, so that no old day asks.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use crate::domain::daybook::DayBook;
use crate::domain::plan::Clinic;
use crate::domain::sign_off::{DayToSign, day_to_sign, derive_day_id};

/// No row is written further ahead: a setting or an edit of the hours meets few of them, and the next planning writes more.
const MOST_DAYS_AHEAD: u64 = 31;

/// From which day on a clinic's open days ask to be signed, or ask no more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SigningRule {
    /// The first clinic day it holds for, until the next rule's.
    pub from_on: NaiveDate,
    /// Whether open days ask.
    pub is_asked: bool,
}

/// A clinic's rules, the earliest first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_rules(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<SigningRule>> {
    Ok(sqlx::query_as!(
        SigningRule,
        "select from_on, is_asked from day_signing where group_id = $1 and clinic_id = $2 order by from_on",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?)
}

/// Sets what holds from a day on.
///
/// # Errors
/// When the database does not answer.
pub async fn save_rule(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    rule: SigningRule,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into day_signing (group_id, clinic_id, from_on, is_asked, set_at) values ($1, $2, $3, $4, $5)
         on conflict (group_id, clinic_id, from_on) do update set is_asked = excluded.is_asked, set_at = excluded.set_at",
        group_id,
        clinic_id,
        rule.from_on,
        rule.is_asked,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Whether a day asks, by these rules.
#[must_use]
pub fn is_asked(rules: &[SigningRule], date: NaiveDate) -> bool {
    rules.iter().rev().find(|rule| rule.from_on <= date).is_some_and(|rule| rule.is_asked)
}

struct Row {
    clinic_day: NaiveDate,
    due_by: DateTime<Utc>,
    overdue_at: DateTime<Utc>,
    rung_at: Vec<DateTime<Utc>>,
    signed_at: Option<DateTime<Utc>>,
}

/// Writes the days from yesterday to `horizon_days` ahead anew, as far as they are not overdue or signed. The caller
/// holds the clinic's plan.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn plan(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Clinic,
    horizon_days: u32,
    now: DateTime<Utc>,
) -> Result<()> {
    let today = clinic.hours.clinic_day_of(now);
    let mut rules = list_rules(&mut *db, group_id, clinic_id).await?;
    if rules.is_empty() {
        let rule = SigningRule { from_on: today, is_asked: true };
        save_rule(&mut *db, group_id, clinic_id, rule, now).await?;
        rules.push(rule);
    }
    let (from, to) = (today - Days::new(1), today + Days::new(u64::from(horizon_days).min(MOST_DAYS_AHEAD)));
    let existing = list_rows(&mut *db, group_id, clinic_id, from).await?;
    let (changed, gone) = work_out(clinic_id, clinic, &rules, existing, (from, to), now);
    save(&mut *db, group_id, clinic_id, &changed, now).await?;
    remove(db, group_id, clinic_id, &gone).await
}

/// The rows to be written, and the days that ask no more.
fn work_out(
    clinic_id: Uuid,
    clinic: &Clinic,
    rules: &[SigningRule],
    mut existing: BTreeMap<NaiveDate, Row>,
    (from, to): (NaiveDate, NaiveDate),
    now: DateTime<Utc>,
) -> (Columns, Vec<NaiveDate>) {
    let book = DayBook::new(&clinic.hours);
    let mut changed = Columns::default();
    for date in from.iter_days().take_while(|date| *date <= to).filter(|date| is_asked(rules, *date)) {
        let posted = clinic.facts.posted.get(&date).copied().unwrap_or_default();
        let Some(day) = day_to_sign(&book, &clinic.ladder, posted, date) else { continue };
        let before = existing.remove(&date);
        let stands = before
            .as_ref()
            .map_or(day.overdue_at <= now, |row| row.signed_at.is_some() || row.overdue_at <= now || row.is_same(&day));
        if !stands {
            changed.push(clinic_id, &day);
        }
    }
    let gone: Vec<NaiveDate> =
        existing.into_values().filter(|r| r.signed_at.is_none() && r.due_by > now).map(|r| r.clinic_day).collect();
    (changed, gone)
}

impl Row {
    fn is_same(&self, day: &DayToSign) -> bool {
        self.due_by == day.due_by
            && self.overdue_at == day.overdue_at
            && self.rung_at.iter().eq(day.rungs.iter().map(|(at, _)| at))
    }
}

#[derive(Default)]
struct Columns {
    clinic_day: Vec<NaiveDate>,
    day_id: Vec<Uuid>,
    due_by: Vec<DateTime<Utc>>,
    overdue_at: Vec<DateTime<Utc>>,
    // Postgres has no arrays of arrays of other lengths.
    rungs: Vec<Value>,
}

impl Columns {
    fn push(&mut self, clinic_id: Uuid, day: &DayToSign) {
        self.clinic_day.push(day.clinic_day);
        self.day_id.push(derive_day_id(clinic_id, day.clinic_day));
        self.due_by.push(day.due_by);
        self.overdue_at.push(day.overdue_at);
        let (at, audience): (Vec<_>, Vec<_>) = day.rungs.iter().map(|(at, audience)| (*at, audience.as_str())).unzip();
        self.rungs.push(json!([at, audience]));
    }
}

async fn list_rows(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    from: NaiveDate,
) -> Result<BTreeMap<NaiveDate, Row>> {
    let rows = sqlx::query_as!(
        Row,
        "select clinic_day, due_by, overdue_at, rung_at, signed_at from day_to_sign
         where group_id = $1 and clinic_id = $2 and clinic_day >= $3",
        group_id,
        clinic_id,
        from
    );
    Ok(rows.fetch_all(db).await?.into_iter().map(|row| (row.clinic_day, row)).collect())
}

async fn save(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &Columns,
    now: DateTime<Utc>,
) -> Result<()> {
    if days.clinic_day.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "insert into day_to_sign (group_id, clinic_id, clinic_day, day_id, due_by, overdue_at, rung_at, rung_audience,
                                  planned_at, signed_at)
         select $1, $2, d.clinic_day, d.day_id, d.due_by, d.overdue_at,
                array(select at::timestamptz from jsonb_array_elements_text(d.rungs -> 0) as at),
                array(select name from jsonb_array_elements_text(d.rungs -> 1) as name), $8,
                (select min(s.recorded_at) from day_sign_off s
                 where s.group_id = $1 and s.clinic_id = $2 and s.clinic_day = d.clinic_day)
         from unnest($3::date[], $4::uuid[], $5::timestamptz[], $6::timestamptz[], $7::jsonb[])
              as d(clinic_day, day_id, due_by, overdue_at, rungs)
         on conflict (group_id, clinic_id, clinic_day) do update set
             due_by = excluded.due_by, overdue_at = excluded.overdue_at, rung_at = excluded.rung_at,
             rung_audience = excluded.rung_audience, planned_at = excluded.planned_at
         where day_to_sign.signed_at is null",
        group_id,
        clinic_id,
        &days.clinic_day,
        &days.day_id,
        &days.due_by,
        &days.overdue_at,
        &days.rungs,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn remove(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, days: &[NaiveDate]) -> Result<()> {
    if days.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "delete from day_to_sign
         where group_id = $1 and clinic_id = $2 and clinic_day = any($3) and signed_at is null",
        group_id,
        clinic_id,
        days
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What a day asks, as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AskedDay {
    /// Its close.
    pub due_by: DateTime<Utc>,
    /// The next opening.
    pub overdue_at: DateTime<Utc>,
    /// Rungs of the ladder reached at the instant that was asked about; 0 once it is signed.
    pub level: i32,
}

/// What a day asks; `None`: it does not ask.
///
/// # Errors
/// When the database does not answer.
pub async fn find(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    now: DateTime<Utc>,
) -> Result<Option<AskedDay>> {
    Ok(sqlx::query_as!(
        AskedDay,
        r#"select due_by, overdue_at, task_level(signed_at::text, signed_at, rung_at, $4) as "level!"
           from day_to_sign where group_id = $1 and clinic_id = $2 and clinic_day = $3"#,
        group_id,
        clinic_id,
        clinic_day,
        now
    )
    .fetch_optional(db)
    .await?)
}

/// Notes that a day is signed, if it asks and was not signed before.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn mark_signed(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update day_to_sign set signed_at = $4
         where group_id = $1 and clinic_id = $2 and clinic_day = $3 and signed_at is null",
        group_id,
        clinic_id,
        clinic_day,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
