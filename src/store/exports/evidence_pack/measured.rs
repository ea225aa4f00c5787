//! What was measured: results of water samples and readings, for the charts of a pack.
//!
//! The rule of this file: a busy series takes no room from another. Each has so many points at most, those with values beyond
//! their limits come first, and what is left out is counted.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::Deserialize;
use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use super::{Asked, NAMES, most};
use crate::domain::evidence_pack::{Bound, Measured, Series, Shown};
use crate::store::Result;
use crate::store::exports::packs::{Narrowing, Period};

/// Points of one chart.
const MOST_POINTS: i64 = 600;
/// Series that are drawn.
const MOST_SERIES: i64 = 24;

#[derive(Debug, Deserialize)]
struct BoundRow {
    operator: String,
    value: Decimal,
}

#[derive(FromRow)]
struct MeasuredRow {
    on_day: NaiveDate,
    subject: String,
    qualifier: Option<String>,
    value: Option<Decimal>,
    limits: Json<Vec<BoundRow>>,
    verdict: String,
    replaced: bool,
    total: i64,
}

impl MeasuredRow {
    fn measured(self) -> Measured {
        let bound = |BoundRow { operator, value }: BoundRow| Bound { operator, value };
        Measured {
            on: self.on_day,
            subject: self.subject,
            qualifier: self.qualifier,
            value: self.value,
            limits: self.limits.0.into_iter().map(bound).collect(),
            kept: match self.verdict.as_str() {
                "passed" => Some(true),
                "failed" => Some(false),
                _ => None,
            },
            replaced: self.replaced,
        }
    }
}

/// Every limit that was held against the value of a row `q`: one for each side, and stricter ones of the law.
const LIMITS: &str = "
    coalesce((select jsonb_agg(jsonb_build_object('operator', l ->> 'operator', 'value', l ->> 'value'))
              from jsonb_array_elements(q.limits) l where l ->> 'value' is not null), '[]')";

/// Whether a later entry replaces the completion `r`.
const REPLACED: &str = "
    exists (select from reporting.completions c where c.task_id = r.task_id and c.clinic_day = r.clinic_day and c.clinic_day between $3 and $4
            and c.corrects = r.completion_id)";

/// Results of water samples, and of readings in colonies per millilitre, which are the same question asked of one bottle.
///
/// # Errors
/// When the database does not answer.
pub async fn water(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Shown<Measured>> {
    let asked = Asked { period, narrowing };
    let sql = format!(
        "select w.*, count(*) over () as total from (
             select coalesce(s.drawn_on, s.clinic_day) as on_day,
                    coalesce(u.name, '') || ' ' || array_to_string(s.lines, ' + ')
                        || case s.counted when 'heterotrophic' then '' else ', ' || replace(s.counted, '_', ' ') end as subject,
                    s.qualifier,
                    s.cfu_per_ml as value,
                    case when s.limit_cfu_per_ml is null then '[]' else jsonb_build_array(jsonb_build_object(
                        'operator', s.limit_operator, 'value', s.limit_cfu_per_ml::text)) end as limits,
                    case s.kept when true then 'passed' when false then 'failed' else '' end as verdict,
                    {REPLACED} as replaced
             from reporting.completions r
             cross join lateral (select w.* from reporting.water_results w where w.completion_id = r.completion_id
                                 and w.clinic_day = r.clinic_day and w.clinic_day between $3 and $4 offset 0) s
             left join reporting.subjects u on u.subject_id = s.subject_id
             where {completions}
             union all
             select q.clinic_day, coalesce(u.name, ''), q.qualifier, q.value, {LIMITS}, q.verdict, {REPLACED}
             from reporting.completions r
             cross join lateral (select w.* from reporting.readings w where w.completion_id = r.completion_id
                                 and w.clinic_day = r.clinic_day and w.clinic_day between $3 and $4 and w.unit = '[CFU]/mL' offset 0) q
             left join reporting.subjects u on u.subject_id = q.subject_id
             where {completions}
         ) w order by on_day, subject limit $9",
        completions = asked.completions()
    );
    let rows: Vec<MeasuredRow> = asked.ask(sql, most()).fetch_all(db).await?;
    let total = rows.first().map_or(0, |row| row.total);
    Ok(Shown::of(rows.into_iter().map(MeasuredRow::measured).collect(), total))
}

#[derive(FromRow)]
struct SeriesRow {
    series: String,
    unit: String,
    series_count: i64,
    beyond: i64,
    #[sqlx(flatten)]
    point: MeasuredRow,
}

/// Readings by routine and step, but those in colonies per millilitre, and how many series there are.
///
/// # Errors
/// When the database does not answer.
pub async fn readings(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<(Vec<Series>, i64)> {
    let asked = Asked { period, narrowing };
    let sql = format!(
        "with point as (
             select q.clinic_day as on_day, coalesce(u.name, '') as subject,
                    coalesce(v.name, '') || ': ' || q.step_key as series, coalesce(q.unit, '') as unit, q.qualifier, q.value,
                    {LIMITS} as limits, q.verdict, {REPLACED} as replaced, q.performed_at
             from reporting.completions r
             cross join lateral (select w.* from reporting.readings w where w.completion_id = r.completion_id
                                 and w.clinic_day = r.clinic_day and w.clinic_day between $3 and $4 and w.unit is distinct from '[CFU]/mL' offset 0) q
             {NAMES}
             where {}
         ), counted as (
             select p.*, count(*) over series as total,
                    count(*) filter (where p.verdict = 'failed' and not p.replaced) over series as beyond,
                    -- Of a series that is cut the newest are drawn, and before them what lies beyond its limits.
                    row_number() over (partition by p.series, p.unit
                                       order by p.verdict = 'failed' desc, p.performed_at desc, p.subject) as place
             from point p window series as (partition by p.series, p.unit)
         ), ranked as (
             select c.*, dense_rank() over (order by c.beyond > 0 desc, c.series, c.unit) as rank from counted c
         )
         select k.*, (select max(m.rank) from ranked m) as series_count from ranked k
         where k.place <= {MOST_POINTS} and k.rank <= $9
         order by k.rank, k.on_day, k.performed_at, k.subject",
        asked.completions()
    );
    let rows: Vec<SeriesRow> = asked.ask(sql, MOST_SERIES).fetch_all(db).await?;
    let count = rows.first().map_or(0, |row| row.series_count);
    let mut all: Vec<Series> = Vec::new();
    for row in rows {
        if all.last().is_none_or(|series| (&series.name, &series.unit) != (&row.series, &row.unit)) {
            let (name, unit) = (row.series.clone(), row.unit.clone());
            all.push(Series { name, unit, total: row.point.total, beyond: row.beyond, points: Vec::new() });
        }
        if let Some(series) = all.last_mut() {
            series.points.push(row.point.measured());
        }
    }
    Ok((all, count))
}
