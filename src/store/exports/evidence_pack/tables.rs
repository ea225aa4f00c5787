//! The rows of the page's short tables, from the same rows that the files of the pack hold.
//!
//! The rule of this file: each statement answers one array of cells a row, in the order of the table's head; an instant is an
//! object with the member `at`.

use sqlx::types::Json;
use sqlx::{FromRow, PgConnection};

use super::{Asked, NAMES, most, set_named};
use crate::domain::evidence_pack::{Cell, Shown, Table, TableKind};
use crate::store::Result;
use crate::store::exports::packs::{Narrowing, Period, which};

/// Every table that says something of what the pack is narrowed to.
///
/// # Errors
/// When the database does not answer.
pub async fn tables(db: &mut PgConnection, period: &Period, narrowing: Narrowing) -> Result<Vec<Table>> {
    #[derive(FromRow)]
    struct Row {
        cells: Json<Vec<Cell>>,
        total: i64,
    }
    let asked = Asked { period, narrowing };
    let mut tables = Vec::new();
    for kind in TableKind::ALL {
        let Some(rows) = rows_of(kind, asked) else { continue };
        let sql = format!("select q.cells, count(*) over () as total from ({rows}) q order by q.place limit $9");
        let found: Vec<Row> = asked.ask(sql, most()).fetch_all(&mut *db).await?;
        let total = found.first().map_or(0, |row| row.total);
        tables.push(Table { kind, rows: Shown::of(found.into_iter().map(|row| row.cells.0).collect(), total) });
    }
    Ok(tables)
}

/// Rows `cells` of a kind, in the order of `place`.
fn rows_of(kind: TableKind, asked: Asked<'_>) -> Option<String> {
    let of = |name: &str| set_named(name).and_then(|set| which(set, asked.narrowing));
    Some(match kind {
        TableKind::Routines => routines(asked),
        TableKind::Holds => holds(asked),
        TableKind::Cycles => format!(
            "select r.ended_at as place, jsonb_build_array(u.name, jsonb_build_object('at', r.ended_at), r.program,
                    k.load_reference, concat_ws(': ', k.outcome_as_printed, k.printed_words), k.reading_count,
                    concat_ws(': ', case k.verdict when 'failed' then 'falls short' when 'passed' then 'keeps its limits' end,
                              k.finding), k.performed_by) as cells
             from reporting.cycles r left join reporting.subjects u on u.subject_id = r.subject_id
             left join lateral (select w.reading_count, w.performed_by, w.load_reference, w.outcome_as_printed,
                                       w.printed_words, w.verdict, w.finding from reporting.cycle_records w
                                where w.cycle_id = r.cycle_id order by w.number desc limit 1) k on true
             where {}",
            of("cycles")?
        ),
        TableKind::SporeTests => spore_tests(asked),
        TableKind::Lots => lots(&of("lots")?),
        TableKind::People => people(&of("staff")?),
        TableKind::Equipment => format!(
            "select (r.kind, r.name, r.subject_id) as place, jsonb_build_array(replace(r.kind, '_', ' '), r.name, r.serial,
                    replace(r.service_state, '_', ' '), jsonb_build_object('at', r.service_since), r.commissioned_on) as cells
             from reporting.subjects r where {} and r.kind <> 'clinic'",
            of("subjects")?
        ),
        TableKind::DaySignatures => format!(
            "select r.clinic_day as place, jsonb_build_array(r.clinic_day, {}, r.signed_by, r.sign_offs, r.gaps_explained, {})
                    as cells
             from reporting.day_sign_offs r where {}",
            instant("r.signed_at"),
            instant("r.unsigned_since"),
            of("day_sign_offs")?
        ),
        TableKind::Advisories => format!(
            "select r.recorded_at as place, jsonb_build_array(r.authority, r.notice_number,
                    jsonb_build_object('at', r.started_at), r.opened_by, {}, r.lifted_by, r.lifting_reason) as cells
             from reporting.water_advisories r where {}",
            instant("r.lifted_at"),
            of("water_advisories")?
        ),
        TableKind::OutOfUse => format!(
            "select r.begun_at as place, jsonb_build_array(
                    concat_ws(', ', u.name, r.line, 'load ' || r.load_reference), r.reason, {}, r.begun_by, {},
                    coalesce(r.released_by, 'no release is recorded'),
                    concat_ws(': ', replace(r.load_disposition, '_', ' '), r.release_reason)) as cells
             from reporting.quarantines r left join reporting.subjects u on u.subject_id = r.subject_id where {}",
            instant("r.begun_at"),
            instant("r.released_at"),
            of("quarantines")?
        ),
        TableKind::ClosedActions => format!(
            "select r.closed_at as place, jsonb_build_array(replace(r.kind, '_', ' '), u.name, r.reason, {}, (select count(*)
                    from reporting.corrective_action_steps w where w.action_id = r.action_id), {}, r.closed_by,
                    r.close_reason) as cells
             from reporting.corrective_actions r left join reporting.subjects u on u.subject_id = r.subject_id
             where {} and r.closed_at is not null",
            instant("r.opened_at"),
            instant("r.closed_at"),
            of("corrective_actions")?
        ),
        TableKind::Keeping => keeping(&of("purges")?, &of("legal_holds")?),
    })
}

/// An instant as a cell; nothing where it is null.
fn instant(name: &str) -> String {
    format!("case when {name} is not null then jsonb_build_object('at', {name}) end")
}

fn routines(asked: Asked<'_>) -> String {
    format!(
        "select (n.name, w.first_on, n.routine_id) as place, jsonb_build_array(n.name, w.first_on, w.done, w.late, w.missed,
                w.failed, w.not_required, w.open) as cells
         from (select t.routine_id, max(t.routine_version) as version,
                      date_trunc(case when $4 - $3 > 100 then 'month' else 'week' end, t.clinic_day::timestamp)::date as first_on,
                      count(*) filter (where t.state = 'done' and not t.done_late) as done,
                      count(*) filter (where t.state = 'done' and t.done_late) as late,
                      count(*) filter (where t.state = 'missed') as missed,
                      count(*) filter (where t.failed_at is not null) as failed,
                      count(*) filter (where t.state = 'not_required') as not_required,
                      count(*) filter (where t.state not in ('done', 'missed', 'not_required')) as open
               from reporting.tasks t where {} group by 1, 3) w
         join reporting.routines n on n.routine_id = w.routine_id and n.version = w.version",
        asked.tasks()
    )
}

fn holds(asked: Asked<'_>) -> String {
    format!(
        "with held as (
             select t.routine_id, t.subject_id, count(*) as holds, count(*) filter (where s.verdict = 'failed') as beyond,
                    min(s.elapsed_seconds) as least, max(s.minimum_seconds) as asked, max(v.name) as routine,
                    max(u.name) as subject
             from reporting.completions r
             cross join lateral (select w.verdict, w.elapsed_seconds, w.minimum_seconds from reporting.step_results w
                                 where w.completion_id = r.completion_id and w.clinic_day = r.clinic_day and w.clinic_day between $3 and $4
                                   and w.kind = 'hold' and w.status = 'done' offset 0) s
             {NAMES}
             where {} group by 1, 2
         ), due as (
             select t.routine_id, t.subject_id, count(*) filter (where t.state = 'done') as done,
                    count(*) filter (where t.state in ('done', 'missed')) as over
             from reporting.tasks t where {} group by 1, 2
         )
         select (h.routine, h.subject, h.routine_id, h.subject_id) as place, jsonb_build_array(h.routine, h.subject,
                d.done || ' of ' || d.over || coalesce(' (' || round(100.0 * d.done / nullif(d.over, 0), 1) || ' %)', ''),
                h.holds, h.beyond, h.least, h.asked) as cells
         from held h left join due d on d.routine_id = h.routine_id and d.subject_id = h.subject_id",
        asked.completions(),
        asked.tasks()
    )
}

fn keeping(purges: &str, holds: &str) -> String {
    format!(
        "select r.purged_at as place, jsonb_build_array('purge of ' || r.record_count || ' records of '
                || coalesce(replace(r.record_class, '_', ' '), 'every class') || ', ' || r.from_on || ' to ' || r.until_on,
                jsonb_build_object('at', r.purged_at), r.purged_by, r.reason, null) as cells
         from reporting.purges r where {purges}
         union all
         select r.begun_at, jsonb_build_array('legal hold on '
                || coalesce(replace(r.record_class, '_', ' '), 'every class'), jsonb_build_object('at', r.begun_at), r.begun_by,
                r.reason, case when r.lifted_at is not null then jsonb_build_object('at', r.lifted_at) end)
         from reporting.legal_holds r where {holds}"
    )
}

fn lots(which: &str) -> String {
    format!(
        "select (r.expires_on, r.lot_number) as place, jsonb_build_array(
                (select p.name from reporting.products p where p.product_id = r.product_id order by p.version desc limit 1),
                r.lot_number, r.expires_on, {}, {}, {},
                (select count(*) from reporting.lot_uses w where w.lot_id = r.lot_id and w.clinic_day between $3 and $4))
                as cells
         from reporting.lots r where {which}",
        instant("r.opened_at"),
        instant("r.ended_at"),
        instant("r.recalled_at")
    )
}

fn people(which: &str) -> String {
    format!(
        "select (r.name, r.staff_id) as place, jsonb_build_array(r.name, r.initials, replace(r.role, '_', ' '),
                r.active_from || ' to ' || coalesce(r.active_until::text, 'now'),
                (select string_agg(coalesce(c.family, (select v.name from reporting.routines v
                            where v.routine_id = c.routine_id order by v.version desc limit 1), '')
                        || ' (' || c.valid_from || ' to ' || coalesce(c.valid_until::text, 'open') || ', '
                        || c.signed_off_by || ')', '; ' order by c.valid_from)
                 from reporting.competences c where c.staff_id = r.staff_id)) as cells
         from reporting.staff r where {which}"
    )
}

fn spore_tests(asked: Asked<'_>) -> String {
    format!(
        "select r.performed_at as place, jsonb_build_array(r.clinic_day, u.name, s.given -> 'strips' ->> 'test_lot',
                case s.given -> 'strips' ->> 'test_growth' when 'true' then 'growth' when 'false' then 'no growth' else 'not read' end,
                s.given -> 'strips' ->> 'control_lot',
                case s.given -> 'strips' ->> 'control_growth' when 'true' then 'yes' when 'false' then 'no' else 'not read' end,
                replace(s.verdict, '_', ' '), r.performed_by) as cells
         from reporting.completions r
         cross join lateral (select w.given, w.verdict from reporting.step_results w
                             where w.completion_id = r.completion_id and w.clinic_day = r.clinic_day and w.clinic_day between $3 and $4
                               and w.kind = 'spore_test' offset 0) s
         {NAMES} where {}",
        asked.completions()
    )
}
