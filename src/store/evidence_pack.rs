//! What the page of an evidence pack tells, read from `reporting` within the pack's snapshot.
//!
//! The rule of this file: it asks for no more rows than the page shows and one, which says that there are more. What is
//! asked for is put together from conditions of `record_sets`, never from what a caller sent.

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use sqlx::postgres::PgArguments;
use sqlx::query::QueryAs;
use sqlx::types::Json;
use sqlx::{AssertSqlSafe, FromRow, PgConnection, Postgres};
use uuid::Uuid;

use super::Result;
use super::exports::{Narrowing, Period};
use super::record_sets::{RECORD_SETS, RecordSet};
use crate::domain::evidence_pack::{
    Failure, FollowUp, Gap, MOST_SHOWN, Measured, OpenAction, OutOfUse, Remark, Series, Shown, WeekCounts,
};

/// Points of all charts of readings together.
const MOST_POINTS: i64 = 6_000;
/// Series that are drawn.
const MOST_SERIES: usize = 24;

/// A subject, lot or person by name.
///
/// # Errors
/// When the database does not answer.
pub async fn find_name(db: &mut PgConnection, clinic_id: Uuid, narrowing: Narrowing) -> Result<Option<String>> {
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
        Narrowing::Person(id) => {
            sqlx::query_scalar!(
                r#"select p.name as "name!" from reporting.staff p
                   where p.staff_id = $1 and (cardinality(p.clinic_ids) = 0 or $2 = any(p.clinic_ids))"#,
                id,
                clinic_id
            )
            .fetch_optional(db)
            .await?
        }
    })
}

/// Every question has the same arguments: `$1` the clinic, `$2` what the pack is narrowed to, `$3` and `$4` its days, `$5`
/// most rows.
#[derive(Clone, Copy, Debug)]
struct Asked {
    period: Period,
    narrowing: Narrowing,
}

type Question<O> = QueryAs<'static, Postgres, O, PgArguments>;

impl Asked {
    fn ask<O>(self, sql: String, most: i64) -> Question<O>
    where
        O: for<'r> FromRow<'r, sqlx::postgres::PgRow>,
    {
        sqlx::query_as(AssertSqlSafe(sql))
            .bind([self.period.clinic_id])
            .bind(self.narrowing.id())
            .bind(self.period.from_on)
            .bind(self.period.to_on)
            .bind(most)
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
            Narrowing::Lot(_) | Narrowing::Person(_) => format!(
                "t.completion_id in (select r.completion_id from reporting.completions r where {})",
                self.completions()
            ),
        };
        format!("t.clinic_id = any($1) and t.clinic_day between $3 and $4 and {of}")
    }

    /// Corrective actions of the pack, as `r`.
    fn actions(self) -> String {
        match self.narrowing {
            Narrowing::Person(_) => format!(
                "r.clinic_id = any($1) and r.cause_id in (select c.completion_id from (select * from reporting.completions) c
                 where c.completion_id in (select r.completion_id from reporting.completions r where {}))",
                self.completions()
            ),
            other => format!("r.clinic_id = any($1) and ({})", condition("corrective_actions", other)),
        }
    }
}

fn condition(name: &str, narrowing: Narrowing) -> &'static str {
    let set: Option<&RecordSet> = RECORD_SETS.iter().find(|set| set.name == name);
    set.and_then(|set| narrowing.condition(set)).unwrap_or("false")
}

const SHOWN_AND_ONE: usize = MOST_SHOWN + 1;

fn most() -> i64 {
    i64::try_from(SHOWN_AND_ONE).unwrap_or(i64::MAX)
}

/// What a completion is of: the names of its routine, in the version it was planned by, and of its subject.
const NAMES: &str = "
    left join lateral (select t.subject_id, t.routine_id, t.routine_version from reporting.tasks t
                       where t.task_id = r.task_id and t.clinic_day = r.clinic_day offset 0) t on true
    left join reporting.routines v on v.routine_id = t.routine_id and v.version = t.routine_version
    left join reporting.subjects u on u.subject_id = t.subject_id";

/// Tasks by week.
///
/// # Errors
/// When the database does not answer.
pub async fn weeks(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Vec<WeekCounts>> {
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
         from reporting.tasks t where {} group by 1 order by 1 limit $5",
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

#[derive(FromRow)]
struct MeasuredRow {
    on_day: NaiveDate,
    subject: String,
    series: String,
    unit: String,
    qualifier: Option<String>,
    value: Option<Decimal>,
    limit_value: Option<Decimal>,
    operator: Option<String>,
    kept: Option<bool>,
}

impl MeasuredRow {
    fn measured(self) -> Measured {
        Measured {
            on: self.on_day,
            subject: self.subject,
            qualifier: self.qualifier,
            value: self.value,
            limit: self.limit_value,
            operator: self.operator,
            kept: self.kept,
        }
    }
}

/// Results of water samples, and of readings in colonies per millilitre, which are the same question asked of one bottle.
///
/// # Errors
/// When the database does not answer.
pub async fn water(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<Measured>> {
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select * from (
             select coalesce(s.drawn_on, s.clinic_day) as on_day,
                    coalesce(u.name, '') || ' ' || array_to_string(s.lines, ' + ') as subject, '' as series, '' as unit,
                    s.qualifier, s.cfu_per_ml as value, s.limit_cfu_per_ml as limit_value, s.limit_operator as operator,
                    s.kept
             from reporting.completions r
             cross join lateral (select w.* from reporting.water_results w where w.completion_id = r.completion_id
                                 and w.clinic_day = r.clinic_day offset 0) s
             left join reporting.subjects u on u.subject_id = s.subject_id
             where {completions}
             union all
             select q.clinic_day, coalesce(u.name, ''), '', '', q.qualifier, q.value,
                    (q.limits #>> '{{0,value}}')::numeric, q.limits #>> '{{0,operator}}',
                    case q.verdict when 'passed' then true when 'failed' then false end
             from reporting.completions r
             cross join lateral (select w.* from reporting.readings w where w.completion_id = r.completion_id
                                 and w.clinic_day = r.clinic_day and w.unit = '[CFU]/mL' offset 0) q
             left join reporting.subjects u on u.subject_id = q.subject_id
             where {completions}
         ) w order by on_day, subject limit $5",
        completions = asked.completions()
    );
    let rows: Vec<MeasuredRow> = asked.ask(sql, most()).fetch_all(db).await?;
    Ok(Shown::of(rows.into_iter().map(MeasuredRow::measured).collect()))
}

/// Readings by routine and step, but those in colonies per millilitre; and whether there are more than are drawn.
///
/// # Errors
/// When the database does not answer.
pub async fn readings(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<(Vec<Series>, bool)> {
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select q.clinic_day as on_day, coalesce(u.name, '') as subject,
                coalesce(v.name, '') || ': ' || q.step_key as series, coalesce(q.unit, '') as unit, q.qualifier, q.value,
                (q.limits #>> '{{0,value}}')::numeric as limit_value, q.limits #>> '{{0,operator}}' as operator,
                case q.verdict when 'passed' then true when 'failed' then false end as kept
         from reporting.completions r
         cross join lateral (select w.* from reporting.readings w where w.completion_id = r.completion_id
                             and w.clinic_day = r.clinic_day and w.unit <> '[CFU]/mL' offset 0) q
         {NAMES}
         where {} order by series, unit, on_day, subject limit $5",
        asked.completions()
    );
    let rows: Vec<MeasuredRow> = asked.ask(sql, MOST_POINTS + 1).fetch_all(db).await?;
    let mut more = rows.len() > usize::try_from(MOST_POINTS).unwrap_or(usize::MAX);
    let mut all: Vec<Series> = Vec::new();
    for row in rows {
        if all.last().is_none_or(|series| (&series.name, &series.unit) != (&row.series, &row.unit)) {
            if all.len() == MOST_SERIES {
                more = true;
                break;
            }
            all.push(Series { name: row.series.clone(), unit: row.unit.clone(), points: Vec::new() });
        }
        if let Some(series) = all.last_mut() {
            series.points.push(row.measured());
        }
    }
    Ok((all, more))
}

/// What did not pass, with what followed.
///
/// # Errors
/// When the database does not answer.
pub async fn failures(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<Failure>> {
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
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select r.completion_id, r.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject, r.verdict,
                concat_ws('; ', nullif(r.reason, ''),
                    (select string_agg((f.item ->> 'step') || ': ' || (f.item ->> 'finding'), '; ' order by f.place)
                     from jsonb_array_elements(r.findings) with ordinality f(item, place))) as findings,
                r.performed_at, r.performed_by,
                exists (select from reporting.completions c where c.task_id = r.task_id and c.clinic_day = r.clinic_day
                        and c.corrects = r.completion_id) as corrected,
                coalesce((select jsonb_agg(jsonb_build_object(
                    'kind', a.kind, 'opened_at', a.opened_at, 'closed_at', a.closed_at, 'closed_by', a.closed_by,
                    'close_reason', a.close_reason,
                    'steps', coalesce((select jsonb_agg(jsonb_build_object('step_key', p.step_key,
                        'performed_at', p.performed_at, 'performed_by', p.performed_by, 'note', p.note, 'result', p.result)
                        order by p.recorded_at) from reporting.corrective_action_steps p where p.action_id = a.action_id),
                        '[]')) order by a.opened_at)
                    from reporting.corrective_actions a where a.cause_id = r.completion_id), '[]') as actions,
                coalesce((select jsonb_agg(jsonb_build_object('reason', q.reason, 'begun_at', q.begun_at,
                    'released_at', q.released_at, 'released_by', q.released_by, 'release_reason', q.release_reason)
                    order by q.begun_at)
                    from reporting.quarantines q where q.cause_id = r.completion_id
                        or q.cause_id in (select a.action_id from reporting.corrective_actions a
                                          where a.cause_id = r.completion_id)), '[]') as out_of_use
         from reporting.completions r {NAMES}
         where {} and r.verdict in ('failed', 'void')
         order by r.performed_at, r.completion_id limit $5",
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
    Ok(Shown::of(rows.into_iter().map(failure).collect()))
}

/// What was missed, with what people said about it.
///
/// # Errors
/// When the database does not answer.
pub async fn gaps(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<Gap>> {
    #[derive(FromRow)]
    struct Row {
        clinic_day: NaiveDate,
        routine: String,
        subject: String,
        missed_at: DateTime<Utc>,
        reason: Option<String>,
        told_by: Option<String>,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select t.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject, t.missed_at,
                m.reason, m.told_by
         from reporting.tasks t
         left join reporting.routines v on v.routine_id = t.routine_id and v.version = t.routine_version
         left join reporting.subjects u on u.subject_id = t.subject_id
         left join lateral (select n.reason, n.told_by from reporting.miss_reasons n where n.task_id = t.task_id
                            order by n.number desc limit 1) m on true
         where {} and t.state = 'missed' order by t.missed_at, t.task_id limit $5",
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
    Ok(Shown::of(rows.into_iter().map(gap).collect()))
}

/// Entries that replace others.
///
/// # Errors
/// When the database does not answer.
pub async fn corrections(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<Remark>> {
    remarks(db, Asked { period, narrowing }, "r.reason", "r.corrects is not null").await
}

/// Entries that a lead should look at.
///
/// # Errors
/// When the database does not answer.
pub async fn flagged(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<Remark>> {
    remarks(db, Asked { period, narrowing }, "array_to_string(r.flags, ', ')", "cardinality(r.flags) > 0").await
}

async fn remarks(db: &mut PgConnection, asked: Asked, words: &str, which: &str) -> Result<Shown<Remark>> {
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
    }
    let sql = format!(
        "select r.completion_id, r.clinic_day, coalesce(v.name, '') as routine, coalesce(u.name, '') as subject,
                r.performed_at, r.recorded_at, r.performed_by, {words} as words, r.corrects
         from reporting.completions r {NAMES}
         where {} and {which} order by r.recorded_at, r.completion_id limit $5",
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
    Ok(Shown::of(rows.into_iter().map(remark).collect()))
}

/// Corrective actions that stand open, the oldest first, whenever they were opened.
///
/// # Errors
/// When the database does not answer.
pub async fn open_actions(db: &mut PgConnection, period: Period, narrowing: Narrowing) -> Result<Shown<OpenAction>> {
    #[derive(FromRow)]
    struct Row {
        kind: String,
        subject: String,
        reason: String,
        opened_at: DateTime<Utc>,
        owner: String,
        due_by: Option<DateTime<Utc>>,
    }
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select r.kind, coalesce(u.name, '') as subject, r.reason, r.opened_at, coalesce(r.owner, '') as owner, r.due_by
         from reporting.corrective_actions r left join reporting.subjects u on u.subject_id = r.subject_id
         where {} and r.closed_at is null order by r.opened_at, r.action_id limit $5",
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
    Ok(Shown::of(rows.into_iter().map(action).collect()))
}
