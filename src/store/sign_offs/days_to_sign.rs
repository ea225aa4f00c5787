//! The open days that ask a lead for a signature.
//!
//! The rule of this file: a row is written ahead, by whoever plans the clinic, and stands once its day is overdue: hours
//! that are edited later move no rung. Until then it follows the hours, however long ago its day was. A signed day asks
//! again when work of it was missed and nobody said why. A day asks from where the clinic's setting says; a clinic without one gets it when
//! it is next planned, from that day on, so that no old day asks.

mod asked_again;

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::daybook::DayBook;
use crate::domain::plan::Clinic;
use crate::domain::sign_off::{DayToSign, day_to_sign, derive_day_id};
use crate::store::Result;

/// No row is written further ahead: a setting or an edit of the hours meets few of them, and the next planning writes more.
const MOST_DAYS_AHEAD: u64 = 31;

/// How long ago a day may be that is written anew.
const LONGEST_UNSIGNED: Days = Days::new(120);

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
    rung_audience: Vec<String>,
    signed_at: Option<DateTime<Utc>>,
    reopened_at: Option<DateTime<Utc>>,
}

/// Writes the days from the oldest unsigned one to `horizon_days` ahead anew, as far as they are not overdue or signed,
/// and has signed ones ask again of which work was missed that nobody explained; answers when that is to be looked at
/// next. The caller holds the clinic's plan.
///
/// # Errors
/// When the database does not answer.
pub(in crate::store) async fn plan(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Clinic,
    horizon_days: u32,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>> {
    let today = clinic.hours.clinic_day_of(now);
    let mut rules = list_rules(&mut *db, group_id, clinic_id).await?;
    if rules.is_empty() {
        let rule = SigningRule { from_on: today, is_asked: true };
        save_rule(&mut *db, group_id, clinic_id, rule, now).await?;
        rules.push(rule);
    }
    let earliest = today - LONGEST_UNSIGNED;
    mark_signatures(&mut *db, group_id, clinic_id, earliest).await?;
    let yesterday = today - Days::new(1);
    let oldest = find_oldest_unsigned(&mut *db, group_id, clinic_id, earliest).await?;
    let from = oldest.unwrap_or(yesterday).min(yesterday);
    let to = today + Days::new(u64::from(horizon_days).min(MOST_DAYS_AHEAD));
    let existing = list_rows(&mut *db, group_id, clinic_id, from).await?;
    let (changed, gone) = work_out(clinic_id, clinic, &rules, existing, (from, to), now);
    save(&mut *db, group_id, clinic_id, &changed, now).await?;
    remove(&mut *db, group_id, clinic_id, &gone, now).await?;
    asked_again::reopen(db, group_id, clinic_id, clinic, now).await
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
    // Of older days the plan knows no posts of the desk; their close is over and moves no more.
    let posts_known_from = clinic.hours.clinic_day_of(now) - Days::new(1);
    let mut changed = Columns::default();
    for date in from.iter_days().take_while(|date| *date <= to).filter(|date| is_asked(rules, *date)) {
        let posted = clinic.facts.posted.get(&date).copied().unwrap_or_default();
        let Some(mut day) = day_to_sign(&book, &clinic.ladder, posted, date) else { continue };
        let before = existing.remove(&date);
        if let Some(row) = &before {
            if date < posts_known_from {
                day.due_by = row.due_by;
                day.overdue_at = day.overdue_at.max(row.due_by);
            }
            if let Some(reopened_at) = row.reopened_at {
                day = day.asked_again(&book, &clinic.ladder, reopened_at);
            }
        }
        let stands = before
            .as_ref()
            .map_or(day.overdue_at <= now, |row| row.signed_at.is_some() || row.overdue_at <= now || row.is_same(&day));
        if !stands {
            changed.push(clinic_id, &day);
        }
    }
    let gone = existing.into_values().filter(|row| row.signed_at.is_none() && row.reopened_at.is_none());
    (changed, gone.map(|row| row.clinic_day).collect())
}

impl Row {
    fn is_same(&self, day: &DayToSign) -> bool {
        self.due_by == day.due_by
            && self.overdue_at == day.overdue_at
            && self.rung_at.iter().eq(day.rungs.iter().map(|(at, _)| at))
            && self.rung_audience.iter().eq(day.rungs.iter().map(|(_, audience)| audience.as_str()))
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
        "select clinic_day, due_by, overdue_at, rung_at, rung_audience, signed_at, reopened_at from day_to_sign
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

/// The oldest day not before `from` that asks and is unsigned.
async fn find_oldest_unsigned(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    from: NaiveDate,
) -> Result<Option<NaiveDate>> {
    Ok(sqlx::query_scalar!(
        "select min(clinic_day) from day_to_sign
         where group_id = $1 and clinic_id = $2 and clinic_day >= $3 and signed_at is null",
        group_id,
        clinic_id,
        from
    )
    .fetch_one(db)
    .await?)
}

/// Notes signatures that did not meet the row of their day: it was being written as they were given.
async fn mark_signatures(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, from: NaiveDate) -> Result<()> {
    sqlx::query!(
        "update day_to_sign d set signed_at = s.signed_at
         from (select clinic_day, min(recorded_at) as signed_at from day_sign_off
               where group_id = $1 and clinic_id = $2 and clinic_day >= $3 group by clinic_day) s
         where d.group_id = $1 and d.clinic_id = $2 and d.clinic_day = s.clinic_day and d.signed_at is null
           and d.reopened_at is null",
        group_id,
        clinic_id,
        from
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes days away that ask no more. One that is over goes only if nothing was recorded of it: then it was closed, and
/// somebody said so afterwards.
async fn remove(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[NaiveDate],
    now: DateTime<Utc>,
) -> Result<()> {
    if days.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "delete from day_to_sign
         where group_id = $1 and clinic_id = $2 and clinic_day = any($3) and signed_at is null
           and (due_by > $4
                or not exists (select from completion c where c.group_id = $1 and c.clinic_id = $2
                                                          and c.clinic_day = day_to_sign.clinic_day)
                   and not exists (select from day_mark m where m.group_id = $1 and m.clinic_id = $2
                                                            and m.clinic_day = day_to_sign.clinic_day)
                   and not exists (select from seating_mark m where m.group_id = $1 and m.clinic_id = $2
                                                                and m.clinic_day = day_to_sign.clinic_day))",
        group_id,
        clinic_id,
        days,
        now
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
    /// Rungs of the ladder reached at the instant that was asked about; 0 while it is signed.
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

/// Notes that a day is signed, if it asks and no signature stands for what is known of it.
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
