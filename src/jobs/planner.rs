//! Keeps every clinic planned.
//!
//! The rule of this loop: one clinic is one transaction. It may be killed at any instant and run by any number of
//! instances, since a clinic is claimed with `FOR UPDATE SKIP LOCKED` and planning twice changes nothing.

use std::ops::Add;

use futures_util::future::try_join_all;
use sqlx::PgPool;
use uuid::Uuid;

use crate::clock::Clock;
use crate::progress::Progress;
use crate::store::planning::{self, Counts};
use crate::store::{self, StoreError};

/// Groups looked at in one round; more wait for the next.
const GROUPS_PER_ROUND: i32 = 100;

/// Clinics of a group that are planned at once, each on a connection of its own: while some wait for their rows, another is
/// worked out.
const CLINICS_AT_ONCE: usize = 3;

/// What one tick did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Clinics planned.
    pub clinics: usize,
    /// Clinics that could not be planned; each keeps its reason.
    pub failed: usize,
    /// Tasks added, changed, removed or withdrawn.
    pub tasks: usize,
}

impl Add for Report {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            clinics: self.clinics + other.clinics,
            failed: self.failed + other.failed,
            tasks: self.tasks + other.tasks,
        }
    }
}

/// Plans every clinic that is due.
///
/// # Errors
/// When the database does not answer. A clinic that cannot be planned is noted on its row and left for later.
pub async fn tick(pool: &PgPool, clock: &Clock, horizon_days: u32) -> Result<Report, StoreError> {
    plan_due(pool, clock, horizon_days, || ()).await
}

/// As [`tick`], and shows how it goes on: after an upgrade of the zone data every clinic of a large group is due.
///
/// # Errors
/// As [`tick`].
pub async fn tick_shown(pool: &PgPool, clock: &Clock, horizon_days: u32) -> Result<Report, StoreError> {
    let mut tx = store::begin_without_tenant(pool).await?;
    let clinics = planning::count_clinics_to_plan(&mut tx, clock.now()).await?;
    tx.commit().await?;
    let progress = Progress::start("clinics planned", clinics);
    let report = plan_due(pool, clock, horizon_days, || progress.advance(1)).await?;
    progress.finish();
    Ok(report)
}

async fn plan_due(
    pool: &PgPool,
    clock: &Clock,
    horizon_days: u32,
    after_each: impl Fn(),
) -> Result<Report, StoreError> {
    let mut report = Report::default();
    loop {
        let mut tx = store::begin_without_tenant(pool).await?;
        let groups = planning::list_groups_to_plan(&mut tx, clock.now(), GROUPS_PER_ROUND).await?;
        tx.commit().await?;
        let before = report;
        for group_id in groups {
            let at_once = (0..CLINICS_AT_ONCE).map(|_| plan_group(pool, clock, horizon_days, group_id, &after_each));
            report = try_join_all(at_once).await?.into_iter().fold(report, Report::add);
        }
        // Nothing more was there, or other instances hold the rest.
        if report == before {
            return Ok(report);
        }
    }
}

/// Plans clinics of the group until none is due and free.
async fn plan_group(
    pool: &PgPool,
    clock: &Clock,
    horizon_days: u32,
    group_id: Uuid,
    after_each: impl Fn(),
) -> Result<Report, StoreError> {
    let mut report = Report::default();
    while let Some(planned) = plan_one(pool, clock, horizon_days, group_id).await? {
        after_each();
        match planned {
            Ok(counts) => {
                report.clinics += 1;
                report.tasks += counts.added + counts.changed + counts.removed + counts.withdrawn;
            }
            Err(error) => {
                tracing::error!(%group_id, %error, "clinic cannot be planned");
                report.failed += 1;
            }
        }
    }
    Ok(report)
}

/// Plans one clinic of the group, if one is due and free.
async fn plan_one(
    pool: &PgPool,
    clock: &Clock,
    horizon_days: u32,
    group_id: Uuid,
) -> Result<Option<Result<Counts, StoreError>>, StoreError> {
    let now = clock.now();
    let mut tx = store::begin(pool, group_id).await?;
    let Some(clinic_id) = planning::claim_clinic(&mut tx, group_id, now).await? else { return Ok(None) };
    match planning::replan(&mut tx, group_id, clinic_id, horizon_days, now).await {
        Ok(counts) => {
            tx.commit().await?;
            count(counts);
            Ok(Some(Ok(counts)))
        }
        Err(error) => {
            // Whatever it is, it must not keep the other clinics waiting. When the database is away, noting the failure
            // fails too, and that ends the tick.
            tx.rollback().await?;
            let mut tx = store::begin(pool, group_id).await?;
            planning::note_failure(&mut tx, group_id, clinic_id, &error.to_string(), now).await?;
            tx.commit().await?;
            Ok(Some(Err(error)))
        }
    }
}

/// Counts what changed, for whoever watches the service.
fn count(counts: Counts) {
    let changes = [
        ("added", counts.added),
        ("changed", counts.changed),
        ("removed", counts.removed),
        ("withdrawn", counts.withdrawn),
    ];
    for (change, tasks) in changes {
        metrics::counter!("chairtide_tasks_changed_total", "change" => change).increment(tasks as u64);
    }
}
