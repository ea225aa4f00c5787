//! What the page of an evidence pack tells, read from `reporting` within the pack's snapshot.
//!
//! The rule of this file: it asks for no more rows than the page shows, and counts all. What is
//! asked for is put together from conditions of `record_sets`, never from what a caller sent.

mod measured;
mod tables;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::postgres::PgArguments;
use sqlx::query::QueryAs;
use sqlx::types::Json;
use sqlx::{AssertSqlSafe, FromRow, PgConnection, Postgres};
use uuid::Uuid;

use super::packs::{NAMED_HERE, Narrowing, Period, bind};
use super::record_sets::{RECORD_SETS, RecordSet};
use crate::domain::evidence_pack::{
    Failure, FollowUp, Gap, MOST_SHOWN, OpenAction, OutOfUse, Remark, Shown, WeekCounts,
};
use crate::store::Result;

pub use self::measured::{readings, water};
pub use self::tables::tables;

/// A subject, lot or person by name.
///
/// # Errors
/// When the database does not answer.
pub async fn find_name(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Option<String>> {
    let clinic_id = period.clinic_id;
    Ok(match narrowing {
        Narrowing::Clinic => None,
        // Also one that has moved since: its records of then are of this clinic.
        Narrowing::Subject(id) => {
            sqlx::query_scalar!(
                r#"select s.name as "name!" from reporting.subjects s where s.subject_id = $1 and (s.clinic_id = $2
                    or exists (select from reporting.service_changes c where c.subject_id = $1 and c.clinic_id = $2))"#,
                id,
                clinic_id
            )
            .fetch_optional(db)
            .await?
        }
        Narrowing::Lot(id) => {
            sqlx::query_scalar!(
                r#"select 'lot ' || l.lot_number as "name!" from reporting.lots l
                   where l.lot_id = $1 and l.clinic_id = $2"#,
                id,
                clinic_id
            )
            .fetch_optional(db)
            .await?
        }
        // Also one whom records of these days name, wherever that person works now.
        Narrowing::Person(_) => {
            let sql = format!(
                "select p.name from reporting.staff p where p.staff_id = $2
                 and (cardinality(p.clinic_ids) = 0 or p.clinic_ids && $1 or p.staff_id in {NAMED_HERE})"
            );
            let query = sqlx::query_as::<_, (String,)>(AssertSqlSafe(sql));
            bind(query, period, narrowing).fetch_optional(db).await?.map(|(name,)| name)
        }
    })
}

/// Every question has the arguments of [`bind`], and `$9`: most rows.
#[derive(Clone, Copy, Debug)]
struct Asked<'a> {
    period: &'a Period,
    narrowing: Narrowing,
}

type Question<O> = QueryAs<'static, Postgres, O, PgArguments>;

impl Asked<'_> {
    fn ask<O>(self, sql: String, most: i64) -> Question<O>
    where
        O: for<'r> FromRow<'r, sqlx::postgres::PgRow>,
    {
        bind(sqlx::query_as(AssertSqlSafe(sql)), self.period, self.narrowing).bind(most)
    }

    /// Completions of the pack, as `r`.
    fn completions(self) -> String {
        let condition = condition("completions", self.narrowing);
        format!("r.clinic_id = any($1) and r.clinic_day between $3 and $4 and ({condition})")
    }

    /// Tasks of the pack, as `t`.
    fn tasks(self) -> String {
        let of = match self.narrowing {
            Narrowing::Clinic => "true".to_owned(),
            Narrowing::Subject(_) => "t.subject_id = $2".to_owned(),
            Narrowing::Lot(_) | Narrowing::Person(_) => format!("t.completion_id in {}", self.completion_ids()),
        };
        format!("t.clinic_id = any($1) and t.clinic_day between $3 and $4 and {of}")
    }

    fn completion_ids(self) -> String {
        format!("(select r.completion_id from reporting.completions r where {})", self.completions())
    }

    /// Corrective actions of the pack, as `r`, whenever they were opened.
    fn actions(self) -> String {
        format!("r.clinic_id = any($1) and ({})", condition("corrective_actions", self.narrowing))
    }
}

fn set_named(name: &str) -> Option<&'static RecordSet> {
    RECORD_SETS.iter().find(|set| set.name == name)
}

fn condition(name: &str, narrowing: Narrowing) -> &'static str {
    set_named(name).and_then(|set| narrowing.condition(set)).unwrap_or("false")
}

fn most() -> i64 {
    i64::try_from(MOST_SHOWN).unwrap_or(i64::MAX)
}

/// What a completion is of: the names of its routine, in the version it was planned by, and of its subject.
/// The days are bounded once more wherever a row is looked up by its day: partitions are left out of a plan by what is known
/// when it is made, and not by what another row will hold.
const NAMES: &str = "
    left join lateral (select t.subject_id, t.routine_id, t.routine_version from reporting.tasks t
                       where t.task_id = r.task_id and t.clinic_day = r.clinic_day and t.clinic_day between $3 and $4 offset 0) t on true
    left join reporting.routines v on v.routine_id = t.routine_id and v.version = t.routine_version
    left join reporting.subjects u on u.subject_id = t.subject_id";

/// Tasks by week.
///
/// # Errors
/// When the database does not answer.
pub async fn weeks(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Vec<WeekCounts>> {
    #[derive(FromRow)]
    struct Row {
        first_on: NaiveDate,
        done: i64,
        late: i64,
        missed: i64,
        not_required: i64,
        unsettled: i64,
        open: i64,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select date_trunc('week', t.clinic_day::timestamp)::date as first_on,
                count(*) filter (where t.state = 'done' and not t.done_late) as done,
                count(*) filter (where t.state = 'done' and t.done_late) as late,
                count(*) filter (where t.state = 'missed') as missed,
                count(*) filter (where t.state = 'not_required') as not_required,
                count(*) filter (where t.state in ('void', 'result_pending')) as unsettled,
                count(*) filter (where t.state in ('upcoming', 'due', 'grace', 'overdue')) as open
         from reporting.tasks t where {} group by 1 order by 1 limit $9",
        asked.tasks()
    );
    let rows: Vec<Row> = asked.ask(sql, 1000).fetch_all(db).await?;
    let counts = |row: Row| WeekCounts {
        first_on: row.first_on,
        done: row.done,
        late: row.late,
        missed: row.missed,
        not_required: row.not_required,
        unsettled: row.unsettled,
        open: row.open,
    };
    Ok(rows.into_iter().map(counts).collect())
}

/// What did not pass, with what followed.
///
/// # Errors
/// When the database does not answer.
pub async fn failures(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<Failure>> {
    #[derive(FromRow)]
    struct Row {
        completion_id: Uuid,
        clinic_day: NaiveDate,
        routine: String,
        subject: String,
        verdict: String,
        findings: String,
        performed_at: DateTime<Utc>,
        performed_by: String,
        corrected: bool,
        actions: Json<Vec<FollowUp>>,
        out_of_use: Json<Vec<OutOfUse>>,
        total: i64,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select r.completion_id, r.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject, r.verdict,
                concat_ws('; ', nullif(r.reason, ''),
                    (select string_agg((f.item ->> 'step') || ': ' || (f.item ->> 'finding'), '; ' order by f.place)
                     from jsonb_array_elements(r.findings) with ordinality f(item, place))) as findings,
                r.performed_at, r.performed_by,
                exists (select from reporting.completions c where c.task_id = r.task_id and c.clinic_day = r.clinic_day and c.clinic_day between $3 and $4
                        and c.corrects = r.completion_id) as corrected,
                coalesce((select jsonb_agg(jsonb_build_object(
                    'kind', a.kind, 'opened_at', a.opened_at, 'closed_at', a.closed_at, 'closed_by', a.closed_by,
                    'close_reason', a.close_reason,
                    'steps', coalesce((select jsonb_agg(jsonb_build_object('step_key', p.step_key,
                        'performed_at', p.performed_at, 'performed_by', p.performed_by, 'note', p.note, 'result', p.result,
                        'flags', coalesce(to_jsonb(p.flags), '[]'))
                        order by p.recorded_at) from reporting.corrective_action_steps p where p.action_id = a.action_id),
                        '[]')) order by a.opened_at)
                    from reporting.corrective_actions a where a.cause_id = r.completion_id), '[]') as actions,
                coalesce((select jsonb_agg(jsonb_build_object('reason', q.reason, 'begun_at', q.begun_at,
                    'released_at', q.released_at, 'released_by', q.released_by, 'release_reason', q.release_reason)
                    order by q.begun_at)
                    from reporting.quarantines q where q.cause_id = r.completion_id
                        or q.cause_id in (select a.action_id from reporting.corrective_actions a
                                          where a.cause_id = r.completion_id)), '[]') as out_of_use,
                count(*) over () as total
         from reporting.completions r {NAMES}
         where {} and r.verdict in ('failed', 'void')
         order by r.performed_at, r.completion_id limit $9",
        asked.completions()
    );
    let rows: Vec<Row> = asked.ask(sql, most()).fetch_all(db).await?;
    let failure = |row: Row| Failure {
        completion_id: row.completion_id,
        clinic_day: row.clinic_day,
        routine: row.routine,
        subject: row.subject,
        verdict: row.verdict,
        findings: row.findings,
        performed_at: row.performed_at,
        performed_by: row.performed_by,
        corrected: row.corrected,
        actions: row.actions.0,
        out_of_use: row.out_of_use.0,
    };
    let total = rows.first().map_or(0, |row| row.total);
    Ok(Shown::of(rows.into_iter().map(failure).collect(), total))
}

/// What was missed, with what people said about it.
///
/// # Errors
/// When the database does not answer.
pub async fn gaps(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<Gap>> {
    #[derive(FromRow)]
    struct Row {
        clinic_day: NaiveDate,
        routine: String,
        subject: String,
        missed_at: DateTime<Utc>,
        reason: Option<String>,
        told_by: Option<String>,
        total: i64,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select t.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject, t.missed_at,
                m.reason, m.told_by, count(*) over () as total
         from reporting.tasks t
         left join reporting.routines v on v.routine_id = t.routine_id and v.version = t.routine_version
         left join reporting.subjects u on u.subject_id = t.subject_id
         left join lateral (select n.reason, n.told_by from reporting.miss_reasons n where n.task_id = t.task_id
                            order by n.number desc limit 1) m on true
         where {} and t.state = 'missed' order by t.missed_at, t.task_id limit $9",
        asked.tasks()
    );
    let rows: Vec<Row> = asked.ask(sql, most()).fetch_all(db).await?;
    let gap = |row: Row| Gap {
        clinic_day: row.clinic_day,
        routine: row.routine,
        subject: row.subject,
        missed_at: row.missed_at,
        reason: row.reason,
        told_by: row.told_by,
    };
    let total = rows.first().map_or(0, |row| row.total);
    Ok(Shown::of(rows.into_iter().map(gap).collect(), total))
}

/// Entries that replace others.
///
/// # Errors
/// When the database does not answer.
pub async fn corrections(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<Remark>> {
    remarks(db, Asked { period, narrowing }, "r.reason", "r.corrects is not null").await
}

/// Entries that a lead should look at.
///
/// # Errors
/// When the database does not answer.
pub async fn flagged(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<Remark>> {
    // Those that it has by itself, and those that others raised beside it.
    let flags = "array_to_string(r.flags || array(select f.flag from reporting.raised_flags f
                                                  where f.completion_id = r.completion_id order by f.flag), ', ')";
    let has_any = "(cardinality(r.flags) > 0
                    or exists (select from reporting.raised_flags f where f.completion_id = r.completion_id))";
    remarks(db, Asked { period, narrowing }, flags, has_any).await
}

async fn remarks(db: &mut PgConnection, asked: Asked<'_>, words: &str, which: &str) -> Result<Shown<Remark>> {
    #[derive(FromRow)]
    struct Row {
        completion_id: Uuid,
        clinic_day: NaiveDate,
        routine: String,
        subject: String,
        performed_at: DateTime<Utc>,
        recorded_at: DateTime<Utc>,
        performed_by: String,
        words: String,
        corrects: Option<Uuid>,
        total: i64,
    }
    let sql = format!(
        "select r.completion_id, r.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject,
                r.performed_at, r.recorded_at, r.performed_by, {words} as words, r.corrects, count(*) over () as total
         from reporting.completions r {NAMES}
         where {} and {which} order by r.recorded_at, r.completion_id limit $9",
        asked.completions()
    );
    let rows: Vec<Row> = asked.ask(sql, most()).fetch_all(db).await?;
    let remark = |row: Row| Remark {
        completion_id: row.completion_id,
        clinic_day: row.clinic_day,
        routine: row.routine,
        subject: row.subject,
        performed_at: row.performed_at,
        recorded_at: row.recorded_at,
        performed_by: row.performed_by,
        words: row.words,
        corrects: row.corrects,
    };
    let total = rows.first().map_or(0, |row| row.total);
    Ok(Shown::of(rows.into_iter().map(remark).collect(), total))
}

/// Corrective actions that stand open, the oldest first, whenever they were opened.
///
/// # Errors
/// When the database does not answer.
pub async fn open_actions(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<OpenAction>> {
    #[derive(FromRow)]
    struct Row {
        kind: String,
        subject: String,
        reason: String,
        opened_at: DateTime<Utc>,
        owner: String,
        due_by: Option<DateTime<Utc>>,
        total: i64,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select r.kind, coalesce(u.name, '') as subject, r.reason, r.opened_at, coalesce(r.owner, '') as owner, r.due_by,
                count(*) over () as total
         from reporting.corrective_actions r left join reporting.subjects u on u.subject_id = r.subject_id
         where {} and r.closed_at is null order by r.opened_at, r.action_id limit $9",
        asked.actions()
    );
    let rows: Vec<Row> = asked.ask(sql, most()).fetch_all(db).await?;
    let action = |row: Row| OpenAction {
        kind: row.kind,
        subject: row.subject,
        reason: row.reason,
        opened_at: row.opened_at,
        owner: row.owner,
        due_by: row.due_by,
    };
    let total = rows.first().map_or(0, |row| row.total);
    Ok(Shown::of(rows.into_iter().map(action).collect(), total))
}
