//! Seals every clinic day once it is over, and looks again whether what was sealed is as it was.
//!
//! The rule of this loop: a day is sealed when nobody can record anything on it any more. It may be killed at any
//! instant and run by any number of instances: a clinic is claimed with `FOR UPDATE SKIP LOCKED`, and a seal, its leaves
//! and its event are one transaction.

use std::ops::Add;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use serde_json::json;
use sqlx::{PgConnection, PgPool};
use uuid::Uuid;

use crate::clock::Clock;
use crate::domain::event::EventKind;
use crate::domain::hours::Hours;
use crate::domain::seal::record::{Leaves, Record, RecordError, leaves};
use crate::domain::seal::tree::TreeHash;
use crate::domain::seal::{BrokenLink, ChainHead, Day, DaySeal, SETTLED_AFTER};
use crate::store::seals::{self, SealProgress};
use crate::store::{self, StoreError, clinics, events};

/// How long a clinic that cannot be sealed or checked is left alone before the next try.
const RETRY: TimeDelta = TimeDelta::minutes(5);

/// Groups looked at in one round; more wait for the next.
const GROUPS_PER_ROUND: i32 = 100;

/// Most days that are sealed in one transaction, during which nobody can record anything at the clinic.
const MOST_DAYS: usize = 31;

/// What one tick did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Days sealed.
    pub sealed: usize,
    /// Clinics that could not be sealed or checked; each keeps its reason.
    pub failed: usize,
    /// Clinics checked.
    pub checked: usize,
    /// Findings that were not known before.
    pub found: usize,
}

impl Add for Report {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            sealed: self.sealed + other.sealed,
            failed: self.failed + other.failed,
            checked: self.checked + other.checked,
            found: self.found + other.found,
        }
    }
}

/// Seals what is over and checks what is due to be checked.
///
/// # Errors
/// When the database does not answer. A clinic that cannot be sealed or checked is noted on its row and left for later.
pub async fn tick(pool: &PgPool, clock: &Clock) -> Result<Report, StoreError> {
    let mut report = Report::default();
    loop {
        let before = report;
        for group_id in groups(pool, clock).await? {
            report = report + seal_group(pool, clock, group_id).await? + check_group(pool, clock, group_id).await?;
        }
        // Nothing more was there, or other instances hold the rest.
        if report == before {
            return Ok(report);
        }
    }
}

/// As [`tick`], but only seals: for whoever moves the clock over weeks.
///
/// # Errors
/// As [`tick`].
pub async fn seal(pool: &PgPool, clock: &Clock) -> Result<Report, StoreError> {
    let mut report = Report::default();
    for group_id in groups(pool, clock).await? {
        report = report + seal_group(pool, clock, group_id).await?;
    }
    Ok(report)
}

async fn groups(pool: &PgPool, clock: &Clock) -> Result<Vec<Uuid>, StoreError> {
    let mut tx = store::begin_without_tenant(pool).await?;
    let groups = seals::list_groups_to_seal(&mut tx, clock.now(), GROUPS_PER_ROUND).await?;
    tx.commit().await?;
    Ok(groups)
}

/// Seals clinics of the group until none is due and free.
async fn seal_group(pool: &PgPool, clock: &Clock, group_id: Uuid) -> Result<Report, StoreError> {
    let mut report = Report::default();
    loop {
        let now = clock.now();
        let mut tx = store::begin(pool, group_id).await?;
        let Some(progress) = seals::claim_to_seal(&mut tx, group_id, now).await? else { return Ok(report) };
        let clinic_id = progress.clinic_id;
        match seal_clinic(&mut tx, group_id, progress, now).await {
            Ok(Outcome::Sealed(days)) => {
                tx.commit().await?;
                metrics::counter!("chairtide_days_sealed_total").increment(days as u64);
                report.sealed += days;
            }
            Ok(Outcome::NoPartitions(from, to)) => {
                // In a transaction of its own, as new tables are locked until it ends.
                tx.rollback().await?;
                let mut tx = store::begin_without_tenant(pool).await?;
                store::housekeeping::ensure_partitions(&mut tx, from, to).await?;
                tx.commit().await?;
            }
            Err(error) => {
                // Whatever it is, it must not keep the other clinics waiting. When the database is away, noting the
                // failure fails too, and that ends the tick.
                tx.rollback().await?;
                metrics::counter!("chairtide_sealing_failed_total").increment(1);
                tracing::error!(%group_id, %clinic_id, %error, "clinic cannot be sealed");
                let mut tx = store::begin(pool, group_id).await?;
                seals::note_failure(&mut tx, group_id, clinic_id, &error.to_string(), now + RETRY).await?;
                tx.commit().await?;
                report.failed += 1;
            }
        }
    }
}

enum Outcome {
    /// So many days were sealed.
    Sealed(usize),
    /// Leaves of days so far back have no partition yet.
    NoPartitions(NaiveDate, NaiveDate),
}

#[derive(Debug, thiserror::Error)]
enum SealError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error("the seal would not follow the one before it: {0}")]
    Link(#[from] BrokenLink),
}

/// Seals the days of a claimed clinic that are over.
async fn seal_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    progress: SealProgress,
    now: DateTime<Utc>,
) -> Result<Outcome, SealError> {
    let clinic_id = progress.clinic_id;
    let hours = hours_of(db, group_id, clinic_id).await?;
    let chain = seals::list_seals(db, group_id, clinic_id).await?;
    let first = Span::first(&hours, chain.last(), progress.sealed_until);
    if !first.is_over(now) {
        seals::save_sealed(db, group_id, clinic_id, first.from, first.until + SETTLED_AFTER).await?;
        return Ok(Outcome::Sealed(0));
    }
    let today = now.date_naive() + Days::new(1);
    if !seals::has_leaf_partition(db, first.clinic_day).await? {
        return Ok(Outcome::NoPartitions(first.clinic_day, today.min(first.clinic_day + Days::new(1000))));
    }
    seals::keep_recorders_out(db, group_id, clinic_id).await?;
    let mut heads: Vec<TreeHash> = chain.iter().map(DaySeal::leaf).collect();
    let mut last = chain.into_iter().next_back();
    let mut span = first;
    let mut days = 0;
    while span.is_over(now) && days < MOST_DAYS && (days == 0 || seals::has_leaf_partition(db, span.clinic_day).await?)
    {
        let rows = seals::records::list(db, group_id, clinic_id, Some(span.from), span.until).await?;
        let leaves = leaves_of(rows).await?;
        let day = Day {
            group_id,
            clinic_id,
            clinic_day: span.clinic_day,
            recorded_from: span.from,
            recorded_until: span.until,
        };
        let seal = DaySeal::new(day, &leaves, now, last.as_ref())?;
        seals::insert_seal(db, &seal, &leaves).await?;
        heads.push(seal.leaf());
        let head = ChainHead::new(group_id, clinic_id, &heads);
        let body = json!({ "number": seal.number, "clinic_day": seal.clinic_day, "root": seal.root, "head": head });
        events::append(db, group_id, EventKind::DaySealed, Some(clinic_id), &body, now).await?;
        span = Span::first(&hours, Some(&seal), span.until);
        last = Some(seal);
        days += 1;
    }
    let seal_due_at = if span.is_over(now) { now } else { span.until + SETTLED_AFTER };
    seals::save_sealed(db, group_id, clinic_id, span.from, seal_due_at).await?;
    Ok(Outcome::Sealed(days))
}

/// The leaves of rows: hashes of a whole day, not worked out on a thread that answers requests.
async fn leaves_of(rows: Vec<seals::records::Recorded>) -> Result<Leaves, SealError> {
    let work = move || {
        let records: Vec<Record> = rows.into_iter().map(|(_, record)| record).collect();
        leaves(&records)
    };
    Ok(tokio::task::spawn_blocking(work).await.map_err(StoreError::from)??)
}

async fn hours_of(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Hours, StoreError> {
    let hours = clinics::hours(db, group_id, clinic_id).await?;
    hours.ok_or_else(|| StoreError::bad_row("clinic_seal", clinic_id, "clinic_id", "no such clinic"))
}

/// A clinic day that is to be sealed next, and the span of what is recorded in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Span {
    clinic_day: NaiveDate,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
}

impl Span {
    /// The next after the last seal; without one, what began at `begins`. A day that is over by then, since hours were
    /// edited or a night covers it, gets no seal: the next one's span takes its place.
    fn first(hours: &Hours, last: Option<&DaySeal>, begins: DateTime<Utc>) -> Self {
        let from = last.map_or(begins, |last| last.recorded_until);
        let mut clinic_day = last.map_or_else(|| hours.clinic_day_of(from), |last| last.clinic_day + Days::new(1));
        let mut until = hours.clinic_day_ends_at(clinic_day);
        while until <= from {
            clinic_day = clinic_day + Days::new(1);
            until = hours.clinic_day_ends_at(clinic_day);
        }
        Self { clinic_day, from, until }
    }

    fn is_over(self, now: DateTime<Utc>) -> bool {
        now >= self.until + SETTLED_AFTER
    }
}

/// Checks clinics of the group until none is due and free.
async fn check_group(pool: &PgPool, clock: &Clock, group_id: Uuid) -> Result<Report, StoreError> {
    let mut report = Report::default();
    loop {
        let now = clock.now();
        let mut tx = store::begin(pool, group_id).await?;
        let Some(progress) = seals::claim_to_check(&mut tx, group_id, now).await? else { return Ok(report) };
        let clinic_id = progress.clinic_id;
        match check_clinic(&mut tx, group_id, progress, now).await {
            Ok(found) => {
                tx.commit().await?;
                metrics::counter!("chairtide_seal_findings_total").increment(found as u64);
                report.checked += 1;
                report.found += found;
            }
            Err(error) => {
                // As for sealing: a row that nobody can read must not hide what was done to other clinics.
                tx.rollback().await?;
                metrics::counter!("chairtide_sealing_failed_total").increment(1);
                tracing::error!(%group_id, %clinic_id, %error, "clinic cannot be checked");
                let mut tx = store::begin(pool, group_id).await?;
                seals::note_unchecked(&mut tx, group_id, clinic_id, &error.to_string(), now + RETRY).await?;
                tx.commit().await?;
                report.failed += 1;
            }
        }
    }
}

/// Checks the chain of a claimed clinic, the records of its newest days, and those of a part of the days before them; answers
/// how much was found that was not known. The next check goes on with the days after those: what was done lately is looked
/// at every time, and everything within a month of nights.
async fn check_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    progress: SealProgress,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let clinic_id = progress.clinic_id;
    let all = seals::list_seals(db, group_id, clinic_id).await?;
    let (older, newest) = all.split_at(all.len().saturating_sub(seals::checks::MOST_DAYS));
    let part = seals::checks::part_of_night(older.len(), usize::try_from(progress.check_number).unwrap_or(0));
    let mut findings = seals::checks::check_chain(db, group_id, clinic_id, &all).await?;
    for days in std::iter::once(newest).chain(older[part.clone()].chunks(seals::checks::MOST_DAYS)) {
        findings.extend(seals::checks::check_days(db, group_id, clinic_id, days, now).await?);
    }
    findings.extend(seals::standing::check_standing(db, group_id, clinic_id).await?);
    let new = seals::findings::insert(db, group_id, clinic_id, &findings, now).await?;
    for kept in &new {
        tracing::error!(%group_id, %clinic_id, finding_id = %kept.finding_id, "not as it was sealed");
        let body = json!({ "finding_id": kept.finding_id, "finding": kept.finding });
        events::append(db, group_id, EventKind::SealBroken, Some(clinic_id), &body, now).await?;
    }
    let next = if part.end == older.len() { 0 } else { i32::try_from(part.end).unwrap_or(0) };
    let hours = hours_of(db, group_id, clinic_id).await?;
    let check_due_at = hours.clinic_day_ends_at(hours.clinic_day_of(now)) + SETTLED_AFTER;
    seals::save_checked(db, group_id, clinic_id, next, check_due_at).await?;
    Ok(new.len())
}
