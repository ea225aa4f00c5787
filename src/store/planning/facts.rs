//! Everything that decides a clinic's plan, loaded whole: hours, routines, subjects, and what happened.
//!
//! The rule of this file: what is loaded is bounded. Facts of the last months come as they are; of what lies before,
//! only what a plan can still ask for: the last use, the last done, and numbers.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::anchor::{Anchor, Counted};
use crate::domain::facts::{Completed, Facts, Finished, WaterPause};
use crate::domain::plan::Clinic;
use crate::domain::routine::RoutineVersion;
use crate::domain::subject::Subject;
use crate::store::clinics::{self, subjects, weeks};
use crate::store::routines::{self, ladders};
use crate::store::{Result, StoreError, WINDOW_DAYS, cycles, desk, site_events, water_advisories};

/// How far behind the first day of a plan facts are loaded: a date may be moved over a month of closed days.
const FACTS_BEHIND_DAYS: u64 = 40;

/// How far behind it configuration is: the levelling of a year begins with the year's first day, and weighs there what
/// was moved to it over a month of closed days.
const CONFIGURATION_BEHIND_DAYS: u64 = 366 + 31;

/// A clinic as the planner sees it for days from `from` to `to`.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn load(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Option<Clinic>> {
    let Some(hours) = clinics::hours(db, group_id, clinic_id).await? else { return Ok(None) };
    let since = from - Days::new(FACTS_BEHIND_DAYS);
    let configured_since = from - Days::new(CONFIGURATION_BEHIND_DAYS);
    let routines = routines::list_since(db, group_id, configured_since).await?;
    let first_days = routines::first_days(db, group_id).await?;
    let subjects = subjects::list_of_clinic(db, group_id, clinic_id).await?;
    let done_since = from - Days::new(WINDOW_DAYS);
    let ask = Ask {
        group_id,
        clinic_id,
        since,
        done_since,
        to,
        routines: &routines,
        first_days: &first_days,
        subjects: &subjects,
    };
    let facts = ask.facts(db).await?;
    let ladder = ladders::current(db, group_id).await?;
    let full_days = weeks::list_full_days(db, group_id, clinic_id, (configured_since, to + Days::new(366))).await?;
    Ok(Some(Clinic { hours, full_days, ladder, routines, first_days, subjects, facts }))
}

/// What is asked for, and for whom.
struct Ask<'a> {
    group_id: Uuid,
    clinic_id: Uuid,
    since: NaiveDate,
    /// Work of so early a clinic day may have been done on the first day of the plan.
    done_since: NaiveDate,
    to: NaiveDate,
    routines: &'a [Vec<RoutineVersion>],
    first_days: &'a BTreeMap<Uuid, NaiveDate>,
    subjects: &'a [Subject],
}

impl Ask<'_> {
    async fn facts(&self, db: &mut PgConnection) -> Result<Facts> {
        let days = (self.since, self.to);
        let since_at = self.since.and_time(NaiveTime::MIN).and_utc();
        let subject_ids = self.subject_ids();
        let mut completions = self.completions(db).await?;
        completions.extend(self.last_done(db).await?);
        Ok(Facts {
            posted: desk::list_posted(db, self.group_id, self.clinic_id, days).await?,
            seatings: desk::list_seatings(db, self.group_id, self.clinic_id, &subject_ids, days).await?,
            // Apart from the list: a mark that is counted among those before it must not be counted again.
            used_before: desk::list_last_uses(db, self.group_id, &subject_ids, self.since).await?,
            cycles: cycles::list_cycles(db, self.group_id, self.clinic_id, days).await?,
            events: site_events::list_site_events(db, self.group_id, self.clinic_id, since_at).await?,
            water_pauses: water_advisories::list_applying(db, self.group_id, self.clinic_id, since_at)
                .await?
                .into_iter()
                .map(|a| WaterPause {
                    from: a.started_at,
                    until: a.lifting.as_ref().map(|l| l.lifted_at),
                    reason: a.called(),
                })
                .collect(),
            completions,
            counted_before: self.counted_before(db).await?,
        })
    }

    fn subject_ids(&self) -> Vec<Uuid> {
        self.subjects.iter().map(|subject| subject.id).collect()
    }

    /// Routines whose completions decide later dates of their own.
    fn remembered(&self) -> Vec<Uuid> {
        let asks = |v: &&RoutineVersion| v.routine.counts_as_use || matches!(v.routine.anchor, Anchor::Interval { .. });
        let mut ids: Vec<Uuid> = self.routines.iter().flatten().filter(asks).map(|v| v.routine_id).collect();
        ids.dedup();
        ids
    }

    /// Routines whose completions others follow.
    fn followed(&self) -> Vec<Uuid> {
        let followed = self.routines.iter().flatten().filter_map(|v| match v.routine.anchor {
            Anchor::Follows { routine_id, .. } => Some(routine_id),
            _ => None,
        });
        followed.collect::<BTreeSet<_>>().into_iter().collect()
    }

    async fn completions(&self, db: &mut PgConnection) -> Result<Vec<Completed>> {
        let routine_ids: Vec<Uuid> = self.remembered().into_iter().chain(self.followed()).collect();
        if routine_ids.is_empty() {
            return Ok(Vec::new());
        }
        // The days stand beside each table: a join hands no range of them on, and then each month of each is planned for.
        sqlx::query_as!(
            Row,
            r#"select c.completion_id, t.routine_id, t.subject_id, c.performed_at, c.verdict,
                      coalesce(t.outcome = 'done' and t.completion_id = c.completion_id, false) as "is_done!",
                      exists (select from completion sample
                              where sample.group_id = c.group_id and sample.clinic_day = c.clinic_day
                                and sample.clinic_day between $4 and $5
                                and sample.task_id = c.task_id and sample.verdict = 'result_pending'
                                and sample.recorded_at < c.recorded_at) as "of_sample!"
               from completion c
               join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
               where c.group_id = $1 and t.subject_id = any($2) and t.routine_id = any($3)
                 and c.clinic_day between $4 and $5 and t.clinic_day between $4 and $5
                 and c.kind = 'performed' and c.verdict <> 'void'
                 and not is_duplicate(c.duplicate, c.outcome, c.completion_id, t.completion_id)
                 and not exists (select from completion later
                                 where later.group_id = c.group_id and later.clinic_day = c.clinic_day
                                   and later.clinic_day between $4 and $5
                                   and later.task_id = c.task_id and later.corrects = c.completion_id)
               order by c.performed_at, c.completion_id"#,
            self.group_id,
            &self.subject_ids(),
            &routine_ids,
            self.done_since,
            self.to + Days::new(366)
        )
        .fetch_all(db)
        .await?
        .into_iter()
        .map(Completed::try_from)
        .collect()
    }

    /// Of what was done before the list begins, the last of each routine and subject.
    async fn last_done(&self, db: &mut PgConnection) -> Result<Vec<Completed>> {
        let routine_ids = self.remembered();
        if routine_ids.is_empty() {
            return Ok(Vec::new());
        }
        sqlx::query_as!(
            Row,
            r#"select c.completion_id, r.id as "routine_id!", s.id as "subject_id!", c.performed_at, c.verdict,
                      true as "is_done!", false as "of_sample!"
               from unnest($2::uuid[]) as s(id) cross join unnest($3::uuid[]) as r(id)
               cross join lateral (
                   select clinic_day, completion_id from task
                   where group_id = $1 and routine_id = r.id and subject_id = s.id and clinic_day < $4
                     and outcome = 'done'
                   order by clinic_day desc limit 1) as last
               join completion c on c.group_id = $1 and c.clinic_day = last.clinic_day and c.clinic_day < $4
                    and c.completion_id = last.completion_id"#,
            self.group_id,
            &self.subject_ids(),
            &routine_ids,
            self.done_since
        )
        .fetch_all(db)
        .await?
        .into_iter()
        .map(Completed::try_from)
        .collect()
    }

    async fn counted_before(&self, db: &mut PgConnection) -> Result<BTreeMap<(Uuid, Uuid), u32>> {
        let mut counted = BTreeMap::new();
        for version in self.routines.iter().flatten() {
            let Anchor::Count { of, .. } = version.routine.anchor else { continue };
            let first_on = self.first_days.get(&version.routine_id).copied().unwrap_or(version.effective_on);
            let counts = match of {
                Counted::Turnovers => {
                    desk::count_departures(db, self.group_id, &self.subject_ids(), (first_on, self.since)).await?
                }
                Counted::Cycles => {
                    cycles::count_cycles(db, self.group_id, &self.subject_ids(), (first_on, self.since)).await?
                }
            };
            counted.extend(counts.into_iter().map(|(subject_id, n)| ((version.routine_id, subject_id), n)));
        }
        Ok(counted)
    }
}

struct Row {
    completion_id: Uuid,
    routine_id: Uuid,
    subject_id: Uuid,
    performed_at: DateTime<Utc>,
    verdict: String,
    is_done: bool,
    of_sample: bool,
}

impl TryFrom<Row> for Completed {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let finished = match (row.verdict.as_str(), row.is_done) {
            ("passed", true) => Finished::Passed,
            ("failed", true) => Finished::DoneAndFailed,
            ("result_pending", _) => Finished::ResultPending,
            ("failed", false) => Finished::Failed,
            ("passed", false) => Finished::OutsideWindow,
            (other, _) => return Err(StoreError::bad_row("completion", row.completion_id, "verdict", other)),
        };
        let Row { completion_id, routine_id, subject_id, performed_at, of_sample, .. } = row;
        Ok(Self { completion_id, routine_id, subject_id, performed_at, finished, of_sample })
    }
}

/// Whether later dates hang on completions of a routine: then one of them has the clinic planned anew.
///
/// # Errors
/// When the database does not answer.
pub async fn decide_later_dates(db: &mut PgConnection, group_id: Uuid, routine_id: Uuid) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"select exists (
               select from routine_version where group_id = $1 and (
                   routine_id = $2 and (definition -> 'anchor' ->> 'kind' = 'interval'
                                        or (definition ->> 'counts_as_use')::boolean)
                   or definition -> 'anchor' ->> 'routine_id' = $2::uuid::text)) as "exists!""#,
        group_id,
        routine_id
    )
    .fetch_one(db)
    .await?)
}
