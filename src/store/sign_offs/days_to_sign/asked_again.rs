//! Signed days that ask again: work of them was missed since or entered late, or a seating in a chair that was not ready was
//! told of since, and no words say why.
//!
//! The rule of this file: each question is asked of one partitioned table, for the days that the one before it found. To
//! plan a join of several costs more than all of them, for each clinic that is planned.

use std::collections::BTreeSet;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::daybook::DayBook;
use crate::domain::plan::Clinic;
use crate::domain::sign_off::{DayToSign, GapKind, gap_name};
use crate::store::Result;

/// How long ago a gap may have come up that is looked for on signed days: a clinic is planned every day, and a seating is
/// posted for an instant a week ago at most.
const LOOKED_BACK: TimeDelta = TimeDelta::days(9);

/// How far ahead it is looked for: the clinic is planned again before.
const LOOKED_AHEAD: TimeDelta = TimeDelta::days(2);

/// A task ends less than this many days after its clinic day: the table's check `task_window_bounded`.
const LONGEST_OPEN: Days = Days::new(100);

/// What was recorded at most so long before a signature may have been kept after it: longer than a request may take.
const KEPT_AFTER: TimeDelta = TimeDelta::minutes(10);

/// Work of a signed day that nobody recorded.
struct OpenWork {
    clinic_day: NaiveDate,
    task_id: Uuid,
    missed_at: DateTime<Utc>,
}

/// Has signed days ask again whose record has a gap since that no words explain; answers when the next of their open work will
/// be missed, if that is before long.
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
    let missed = missed.into_iter().map(|work| (work.clinic_day, work.task_id)).collect();
    let missed = without_reason(&mut *db, group_id, missed).await?;
    let entered_late = list_entered_late(&mut *db, group_id, clinic_id, &signed, now).await?;
    // Whoever told why it was missed told why it came late.
    let entered_late = without_reason(&mut *db, group_id, entered_late).await?;
    let seated = list_seated_unready(&mut *db, group_id, clinic_id, &signed, now).await?;
    let named = [(GapKind::Missed, missed), (GapKind::EnteredLate, entered_late), (GapKind::SeatedUnready, seated)];
    let later: Vec<(NaiveDate, String)> = named
        .into_iter()
        .flat_map(|(kind, of)| of.into_iter().map(move |(day, id)| (day, gap_name(kind, id))))
        .collect();
    let unexplained = list_unexplained(&mut *db, group_id, clinic_id, &later).await?;
    let signed = signed.into_iter().map(|signed| signed.day);
    let reopened = signed.filter(|day| unexplained.contains(&day.clinic_day));
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

/// A day that is signed, and since when.
struct SignedDay {
    day: DayToSign,
    signed_at: DateTime<Utc>,
}

/// These days, and from when on what was recorded of each may have come after its signature.
fn since_signed(days: &[SignedDay], now: DateTime<Utc>) -> (Vec<NaiveDate>, Vec<DateTime<Utc>>) {
    days.iter().map(|day| (day.day.clinic_day, (day.signed_at - KEPT_AFTER).max(now - LOOKED_BACK))).unzip()
}

async fn list_signed(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    since: NaiveDate,
) -> Result<Vec<SignedDay>> {
    let rows = sqlx::query!(
        r#"select clinic_day, due_by, overdue_at, signed_at as "signed_at!" from day_to_sign
           where group_id = $1 and clinic_id = $2 and clinic_day >= $3 and signed_at is not null"#,
        group_id,
        clinic_id,
        since
    )
    .fetch_all(db)
    .await?;
    let days = rows.into_iter().map(|row| SignedDay {
        signed_at: row.signed_at,
        day: DayToSign {
            clinic_day: row.clinic_day,
            due_by: row.due_by,
            overdue_at: row.overdue_at,
            rungs: Vec::new(),
        },
    });
    Ok(days.collect())
}

/// What was missed lately on these days, or will be before long.
async fn list_open_work(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[SignedDay],
    now: DateTime<Utc>,
) -> Result<Vec<OpenWork>> {
    if days.is_empty() {
        return Ok(Vec::new());
    }
    let days: Vec<NaiveDate> = days.iter().map(|day| day.day.clinic_day).collect();
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

/// Those of these tasks, each with its day, of which nobody told why they were missed.
async fn without_reason(
    db: &mut PgConnection,
    group_id: Uuid,
    mut tasks: Vec<(NaiveDate, Uuid)>,
) -> Result<Vec<(NaiveDate, Uuid)>> {
    if tasks.is_empty() {
        return Ok(tasks);
    }
    let ids: Vec<Uuid> = tasks.iter().map(|(_, task_id)| *task_id).collect();
    let told = sqlx::query_scalar!(
        "select task_id from miss_reason where group_id = $1 and task_id = any($2)",
        group_id,
        &ids
    );
    let told: BTreeSet<Uuid> = told.fetch_all(db).await?.into_iter().collect();
    tasks.retain(|(_, task_id)| !told.contains(task_id));
    Ok(tasks)
}

/// Tasks that count as done by what was entered late after the signature, without a word why.
async fn list_entered_late(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[SignedDay],
    now: DateTime<Utc>,
) -> Result<Vec<(NaiveDate, Uuid)>> {
    if days.is_empty() {
        return Ok(Vec::new());
    }
    let (days, since) = since_signed(days, now);
    let entries = sqlx::query!(
        "select c.clinic_day, c.completion_id from completion c
           join unnest($3::date[], $4::timestamptz[]) as d(clinic_day, since) on d.clinic_day = c.clinic_day
           where c.group_id = $1 and c.clinic_id = $2 and c.clinic_day = any($3) and c.recorded_at >= d.since
             and c.late_entry and btrim(c.reason) = '' and c.corrects is null and c.kind = 'performed'",
        group_id,
        clinic_id,
        &days,
        &since
    )
    .fetch_all(&mut *db)
    .await?;
    if entries.is_empty() {
        return Ok(Vec::new());
    }
    let (days, ids): (Vec<_>, Vec<_>) = entries.iter().map(|entry| (entry.clinic_day, entry.completion_id)).unzip();
    let done = sqlx::query!(
        "select clinic_day, task_id from task
         where group_id = $1 and clinic_id = $2 and clinic_day = any($3) and completion_id = any($4) and outcome = 'done'
           and failed_at is null",
        group_id,
        clinic_id,
        &days,
        &ids
    );
    Ok(done.fetch_all(db).await?.into_iter().map(|task| (task.clinic_day, task.task_id)).collect())
}

/// Seatings in chairs that were not ready, told of after the signature.
async fn list_seated_unready(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[SignedDay],
    now: DateTime<Utc>,
) -> Result<Vec<(NaiveDate, Uuid)>> {
    if days.is_empty() {
        return Ok(Vec::new());
    }
    let (days, since) = since_signed(days, now);
    let rows = sqlx::query!(
        r#"select m.clinic_day, m.mark_id from seating_mark m
           join unnest($3::date[], $4::timestamptz[]) as d(clinic_day, since) on d.clinic_day = m.clinic_day
           where m.group_id = $1 and m.clinic_id = $2 and m.clinic_day = any($3) and m.recorded_at >= d.since
             and m.edge = 'seated' and (m.missing <> '[]' or coalesce(m.standing, '[]') <> '[]')"#,
        group_id,
        clinic_id,
        &days,
        &since
    );
    let rows = rows.fetch_all(db).await?;
    Ok(rows.into_iter().map(|row| (row.clinic_day, row.mark_id)).collect())
}

/// The days of gaps, each by its name in the review, that no signature explains.
async fn list_unexplained(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    gaps: &[(NaiveDate, String)],
) -> Result<BTreeSet<NaiveDate>> {
    if gaps.is_empty() {
        return Ok(BTreeSet::new());
    }
    let (days, names): (Vec<NaiveDate>, Vec<String>) = gaps.iter().cloned().unzip();
    let days = sqlx::query_scalar!(
        r#"select distinct w.clinic_day as "clinic_day!" from unnest($3::date[], $4::text[]) as w(clinic_day, gap)
           where not exists (select from day_sign_off s
                             cross join lateral jsonb_array_elements(s.explanations) as e
                             where s.group_id = $1 and s.clinic_id = $2 and s.clinic_day = w.clinic_day
                               and e ->> 'gap' = w.gap)"#,
        group_id,
        clinic_id,
        &days,
        &names
    )
    .fetch_all(db)
    .await?;
    Ok(days.into_iter().collect())
}

fn asked_again(signed: impl Iterator<Item = DayToSign>, clinic: &Clinic, now: DateTime<Utc>) -> Vec<DayToSign> {
    let book = DayBook::new(&clinic.hours);
    signed.map(|day| day.asked_again(&book, &clinic.ladder, now)).collect()
}
