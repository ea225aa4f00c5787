//! Signed days that ask again: work of them was missed since, and no words say why.
//!
//! The rule of this file: each question is asked of one partitioned table, for the days that the one before it found. To
//! plan a join of several costs more than all of them, for each clinic that is planned.

use std::collections::BTreeSet;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::daybook::DayBook;
use crate::domain::plan::Clinic;
use crate::domain::sign_off::DayToSign;
use crate::store::Result;

/// How long ago work may have been missed that is looked for on signed days: a clinic is planned every day, and a seating
/// is posted for an instant a week ago at most.
const LOOKED_BACK: TimeDelta = TimeDelta::days(9);

/// How far ahead it is looked for: the clinic is planned again before.
const LOOKED_AHEAD: TimeDelta = TimeDelta::days(2);

/// A task ends less than this many days after its clinic day: the table's check `task_window_bounded`.
const LONGEST_OPEN: Days = Days::new(100);

/// Work of a signed day that nobody recorded.
struct OpenWork {
    clinic_day: NaiveDate,
    task_id: Uuid,
    missed_at: DateTime<Utc>,
}

/// Has signed days ask again of which work was missed since and no words say why; answers when the next of such work will be
/// missed, if that is before long.
pub(super) async fn reopen(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Clinic,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>> {
    let since = clinic.hours.clinic_day_of(now) - LONGEST_OPEN;
    let signed = list_signed(&mut *db, group_id, clinic_id, since).await?;
    let open = list_open_work(&mut *db, group_id, clinic_id, &signed, now).await?;
    let (missed, to_come): (Vec<OpenWork>, Vec<OpenWork>) = open.into_iter().partition(|work| work.missed_at <= now);
    let unexplained = list_unexplained(&mut *db, group_id, clinic_id, &missed).await?;
    let reopened = signed.into_iter().filter(|day| unexplained.contains(&day.clinic_day));
    for day in asked_again(reopened, clinic, now) {
        let (at, audience): (Vec<_>, Vec<_>) = day.rungs.iter().map(|(at, a)| (*at, a.as_str().to_owned())).unzip();
        sqlx::query!(
            "update day_to_sign set signed_at = null, reopened_at = $4, overdue_at = $5, rung_at = $6, rung_audience = $7,
                                    planned_at = $4
             where group_id = $1 and clinic_id = $2 and clinic_day = $3",
            group_id,
            clinic_id,
            day.clinic_day,
            now,
            day.overdue_at,
            &at,
            &audience
        )
        .execute(&mut *db)
        .await?;
    }
    Ok(to_come.iter().filter(|w| !unexplained.contains(&w.clinic_day)).map(|work| work.missed_at).min())
}

async fn list_signed(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    since: NaiveDate,
) -> Result<Vec<DayToSign>> {
    let rows = sqlx::query!(
        "select clinic_day, due_by, overdue_at from day_to_sign
         where group_id = $1 and clinic_id = $2 and clinic_day >= $3 and signed_at is not null",
        group_id,
        clinic_id,
        since
    )
    .fetch_all(db)
    .await?;
    let days = rows.into_iter().map(|row| DayToSign {
        clinic_day: row.clinic_day,
        due_by: row.due_by,
        overdue_at: row.overdue_at,
        rungs: Vec::new(),
    });
    Ok(days.collect())
}

/// What was missed lately on these days, or will be before long.
async fn list_open_work(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DayToSign],
    now: DateTime<Utc>,
) -> Result<Vec<OpenWork>> {
    if days.is_empty() {
        return Ok(Vec::new());
    }
    let days: Vec<NaiveDate> = days.iter().map(|day| day.clinic_day).collect();
    Ok(sqlx::query_as!(
        OpenWork,
        "select clinic_day, task_id, missed_at from task
         where group_id = $1 and clinic_id = $2 and clinic_day = any($3) and outcome is null
           and missed_at > $4 and missed_at <= $5",
        group_id,
        clinic_id,
        &days,
        now - LOOKED_BACK,
        now + LOOKED_AHEAD
    )
    .fetch_all(db)
    .await?)
}

/// The days of missed work for which no words say why.
async fn list_unexplained(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    missed: &[OpenWork],
) -> Result<BTreeSet<NaiveDate>> {
    if missed.is_empty() {
        return Ok(BTreeSet::new());
    }
    let (days, task_ids): (Vec<NaiveDate>, Vec<Uuid>) = missed.iter().map(|w| (w.clinic_day, w.task_id)).unzip();
    let days = sqlx::query_scalar!(
        r#"select distinct w.clinic_day as "clinic_day!" from unnest($3::date[], $4::uuid[]) as w(clinic_day, task_id)
           where not exists (select from miss_reason m where m.group_id = $1 and m.task_id = w.task_id)
             and not exists (select from day_sign_off s
                             cross join lateral jsonb_array_elements(s.explanations) as e
                             where s.group_id = $1 and s.clinic_id = $2 and s.clinic_day = w.clinic_day
                               and e ->> 'gap' = 'missed:' || w.task_id)"#,
        group_id,
        clinic_id,
        &days,
        &task_ids
    )
    .fetch_all(db)
    .await?;
    Ok(days.into_iter().collect())
}

fn asked_again(signed: impl Iterator<Item = DayToSign>, clinic: &Clinic, now: DateTime<Utc>) -> Vec<DayToSign> {
    let book = DayBook::new(&clinic.hours);
    signed.map(|day| day.asked_again(&book, &clinic.ladder, now)).collect()
}
