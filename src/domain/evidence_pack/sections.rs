//! The sections of the page, each a chart or a table with what it leaves out.

use std::fmt::Write as _;

use chrono::NaiveDate;

use super::page::escape;
use super::{
    Cover, Failure, FollowUp, Found, Gap, MOST_SHOWN, Measured, OpenAction, OutOfUse, Remark, Sealed, Shown, Summary,
    WeekCounts, charts, differences,
};
use crate::domain::cautions;

pub(super) fn weeks(html: &mut String, weeks: &[WeekCounts]) {
    html.push_str("<h2>Work by week</h2>");
    if weeks.is_empty() {
        html.push_str("<p>No task belongs to these days.</p>");
        return;
    }
    html.push_str("<p>From the bottom: done in time, done late (dark), missed (white). Weeks begin on Monday.</p>");
    html.push_str(&charts::weeks(weeks));
    head(
        html,
        &["Week of", "Done in time", "Done late", "Missed: record missing", "Not required", "Void or awaited", "Open"],
    );
    for week in weeks {
        let counts = [week.done, week.late, week.missed, week.not_required, week.unsettled, week.open];
        row(html, std::iter::once(week.first_on.to_string()).chain(counts.iter().map(i64::to_string)));
    }
    html.push_str("</tbody></table>");
}

pub(super) fn water(html: &mut String, water: &Shown<Measured>, cover: &Cover) {
    html.push_str("<h2>Results of water samples</h2>");
    if water.rows.is_empty() {
        html.push_str("<p>No result is recorded for these days.</p>");
        return;
    }
    html.push_str(
        "<p>CFU/mL on a logarithmic axis. A dot is a count, an arrow down \"less than\", an arrow up \"more than\"; the \
         dashed marks are the limits each was held against. Dark: within its limits. A red outline: beyond them. Grey: no \
         limit, or not decided by the value. A grey outline: replaced by a later entry. What was drawn before the first day \
         stands at the left edge.</p>",
    );
    html.push_str(&charts::on_log_axis(
        "Results of water samples in CFU/mL",
        &water.rows,
        (cover.from_on, cover.to_on),
    ));
    values(html, &water.rows);
    let _ = write!(html, "<p>{}</p>", escape(cautions::WATER_RESULTS));
    part(html, water);
}

pub(super) fn readings(html: &mut String, summary: &Summary, cover: &Cover) {
    html.push_str("<h2>Readings</h2>");
    if summary.readings.is_empty() {
        html.push_str("<p>No reading is recorded for these days.</p>");
    }
    for series in &summary.readings {
        let title = format!("{} ({})", series.name, series.unit);
        let _ = write!(html, "<h3>{}</h3>", escape(&title));
        html.push_str(&charts::on_plain_axis(&title, &series.points, (cover.from_on, cover.to_on)));
        let drawn = series.points.len();
        let _ = write!(html, "<p>{} readings, {} of them beyond their limits.", series.total, series.beyond);
        if usize::try_from(series.total).is_ok_and(|total| total > drawn) {
            let _ = write!(
                html,
                " <span class=\"part\">The chart shows {drawn}: those beyond their limits first, then the newest. All \
                 stand in csv/readings.csv.</span>"
            );
        }
        html.push_str("</p>");
        let beyond: Vec<&Measured> = series.points.iter().filter(|point| point.is_beyond()).collect();
        if !beyond.is_empty() {
            values(html, beyond.iter().copied().take(MOST_SHOWN));
        }
    }
    if summary.series_count > summary.readings.len() {
        let _ = write!(
            html,
            "<p class=\"part\">{} of {} series are drawn, those with values beyond their limits first; csv/readings.csv has \
             all.</p>",
            summary.readings.len(),
            summary.series_count
        );
    }
}

pub(super) fn failures(html: &mut String, failures: &Shown<Failure>, cover: &Cover) {
    html.push_str("<h2>What did not pass, and what followed</h2>");
    if failures.rows.is_empty() {
        html.push_str("<p>No record of these days is failed or void.</p>");
        return;
    }
    head(html, &["Clinic day", "Work", "What was recorded", "What followed"]);
    for failure in &failures.rows {
        let recorded = format!(
            "{}{}: {}<br>by {} at {}",
            escape(&failure.verdict),
            if failure.corrected { ", replaced by a later entry" } else { "" },
            escape(&failure.findings),
            escape(&failure.performed_by),
            cover.minute(failure.performed_at)
        );
        let mut followed = String::new();
        for action in &failure.actions {
            followed.push_str(&follow_up(action, cover));
        }
        for out in &failure.out_of_use {
            followed.push_str(&out_of_use(out, cover));
        }
        if followed.is_empty() {
            followed.push_str("<li>no action is recorded</li>");
        }
        let _ = write!(
            html,
            "<tr><td>{}</td><td>{}<br>{}</td><td>{recorded}<br><code>{}</code></td><td><ul class=\"follow\">{followed}</ul></td></tr>",
            failure.clinic_day,
            escape(&failure.routine),
            escape(&failure.subject),
            failure.completion_id
        );
    }
    html.push_str("</tbody></table>");
    part(html, failures);
}

fn follow_up(action: &FollowUp, cover: &Cover) -> String {
    let mut text =
        format!("<li>corrective action \"{}\", opened at {}<ul>", plain(&action.kind), cover.minute(action.opened_at));
    for step in &action.steps {
        let result = step.result.as_ref().map_or_else(String::new, |result| format!(" ({})", escape(result)));
        let note = if step.note.is_empty() { String::new() } else { format!(": {}", escape(&step.note)) };
        let (key, by, at) = (plain(&step.step_key), escape(&step.performed_by), cover.minute(step.performed_at));
        let flags = step.flags.iter().map(|flag| plain(flag)).collect::<Vec<_>>().join(", ");
        let flags = if flags.is_empty() { flags } else { format!(" [to look at: {flags}]") };
        let _ = write!(text, "<li>{key}{result} by {by} at {at}{flags}{note}</li>");
    }
    text.push_str("</ul>");
    match (action.closed_at, &action.closed_by) {
        (Some(at), Some(by)) => {
            let reason = escape(action.close_reason.as_deref().unwrap_or_default());
            let _ = write!(text, "closed by {} at {}: {reason}", escape(by), cover.minute(at));
        }
        _ => text.push_str("open when this pack was made"),
    }
    text.push_str("</li>");
    text
}

fn out_of_use(out: &OutOfUse, cover: &Cover) -> String {
    let end = match (out.released_at, &out.released_by) {
        (Some(at), Some(by)) => {
            let reason = escape(out.release_reason.as_deref().unwrap_or_default());
            format!("released by {} at {}: {reason}", escape(by), cover.minute(at))
        }
        _ => "no release was recorded when this pack was made".to_owned(),
    };
    format!("<li>out of use since {} ({}); {end}</li>", cover.minute(out.begun_at), escape(&out.reason))
}

pub(super) fn open_actions(html: &mut String, actions: &Shown<OpenAction>, cover: &Cover) {
    html.push_str("<h2>Open corrective actions</h2>");
    if actions.rows.is_empty() {
        html.push_str("<p>None was open when this pack was made.</p>");
        return;
    }
    let age = |action: &OpenAction| (cover.made_at - action.opened_at).num_days();
    let within = |from: i64, to: i64| actions.rows.iter().filter(|a| (from..to).contains(&age(a))).count();
    let ages = [
        ("up to 7 days", within(i64::MIN, 8)),
        ("8 to 14 days", within(8, 15)),
        ("15 to 30 days", within(15, 31)),
        ("over 30 days", within(31, i64::MAX)),
    ];
    html.push_str(&charts::ages(&ages));
    head(html, &["Opened", "Days", "What", "About", "Why", "Whose turn", "Due"]);
    for action in &actions.rows {
        let due = action.due_by.map_or_else(String::new, |at| cover.minute(at));
        let cells = [
            cover.minute(action.opened_at),
            age(action).to_string(),
            plain(&action.kind),
            escape(&action.subject),
            escape(&action.reason),
            plain(&action.owner),
            due,
        ];
        row(html, cells.into_iter());
    }
    html.push_str("</tbody></table>");
    part(html, actions);
}

pub(super) fn gaps(html: &mut String, gaps: &Shown<Gap>, cover: &Cover) {
    html.push_str("<h2>Missed: record missing</h2>");
    let _ = write!(html, "<p>{}</p>", escape(cautions::MISSED));
    if gaps.rows.is_empty() {
        html.push_str("<p>No task of these days was missed.</p>");
        return;
    }
    head(html, &["Clinic day", "Work", "About", "Window over", "Why, as told"]);
    for gap in &gaps.rows {
        let why = match (&gap.reason, &gap.told_by) {
            (Some(reason), Some(by)) => format!("{} ({})", escape(reason), escape(by)),
            _ => "no reason is recorded".to_owned(),
        };
        let cells =
            [gap.clinic_day.to_string(), escape(&gap.routine), escape(&gap.subject), cover.minute(gap.missed_at), why];
        row(html, cells.into_iter());
    }
    html.push_str("</tbody></table>");
    part(html, gaps);
}

pub(super) fn corrections(html: &mut String, corrections: &Shown<Remark>, cover: &Cover) {
    html.push_str("<h2>Corrections</h2><p>A correction is a further entry; the one it replaces stays.</p>");
    remarks(html, corrections, "Reason", cover);
}

pub(super) fn flagged(html: &mut String, flagged: &Shown<Remark>, cover: &Cover) {
    html.push_str("<h2>Entries to look at</h2><p>A flag changes no verdict. It says what is odd about who entered something or when.</p>");
    remarks(html, flagged, "Flags", cover);
}

fn remarks(html: &mut String, remarks: &Shown<Remark>, words: &str, cover: &Cover) {
    if remarks.rows.is_empty() {
        html.push_str("<p>None for these days.</p>");
        return;
    }
    head(html, &["Clinic day", "Work", "Done", "Entered", "By", words, "Entry"]);
    for remark in &remarks.rows {
        let entry = remark.corrects.map_or_else(
            || format!("<code>{}</code>", remark.completion_id),
            |of| format!("<code>{}</code> replaces <code>{of}</code>", remark.completion_id),
        );
        let cells = [
            remark.clinic_day.to_string(),
            format!("{}<br>{}", escape(&remark.routine), escape(&remark.subject)),
            cover.minute(remark.performed_at),
            cover.minute(remark.recorded_at),
            escape(&remark.performed_by),
            escape(&remark.words),
            entry,
        ];
        row(html, cells.into_iter());
    }
    html.push_str("</tbody></table>");
    part(html, remarks);
}

/// Before everything else, for whoever prints the page: what below may have been edited or lost.
pub(super) fn not_as_sealed(html: &mut String, found: &Found) {
    if found.not_as_sealed.is_empty() {
        return;
    }
    let _ = write!(
        html,
        "<section class=\"differs\"><h2>Not as it was sealed</h2><p>{} differences were found between the records of this \
         pack and their seals. What is told of these records below is not what was sealed:</p>",
        found.not_as_sealed.len()
    );
    listed(html, &found.not_as_sealed);
    html.push_str("</section>");
}

fn listed(html: &mut String, items: &[String]) {
    html.push_str("<ul>");
    for item in items.iter().take(MOST_SHOWN) {
        let _ = write!(html, "<li>{}</li>", escape(item));
    }
    html.push_str("</ul>");
    if items.len() > MOST_SHOWN {
        let _ = write!(
            html,
            "<p class=\"part\">The first {MOST_SHOWN} of {} are shown; manifest.json has all.</p>",
            items.len()
        );
    }
}

pub(super) fn seals(html: &mut String, sealed: &Sealed, found: &Found, cover: &Cover) {
    html.push_str("<h2>Seals</h2>");
    let differences = match found.not_as_sealed.len() {
        0 => "Nothing that was looked at differs from its seal.".to_owned(),
        some => format!("{some} differences from the seals stand at the top of this page."),
    };
    if !found.purged.is_empty() {
        html.push_str("<p>Missing because it was purged, as a purge that is sealed says:</p>");
        listed(html, &found.purged);
    }
    let (Some(head), Some(until)) = (sealed.head, sealed.until) else {
        html.push_str("<p>No day of this clinic is sealed yet.</p>");
        return;
    };
    let _ = write!(
        html,
        "<p>{differences} {} clinic days from {} to {} are sealed. What was recorded at {} or later is not sealed yet. The clinic's chain has \
         {} seals; its head is <code>{}</code>. That a record is as it was sealed says that nobody changed it since, not \
         that it is right. To check without the service: <code>python3 check_pack.py</code>, and compare the \
         head with one that was kept elsewhere.</p>",
        sealed.days,
        cover.from_on,
        cover.to_on,
        cover.minute(until),
        head.size,
        head.root
    );
    if !found.unsealed.is_empty() {
        let _ = write!(
            html,
            "<p>Clinic days that are not sealed, so that nothing vouches for their records yet: {}. Rows of this pack \
             whose records no seal holds: {}.</p>",
            escape(&differences::spans(&found.unsealed).join(", ")),
            found.rows_not_sealed
        );
    }
}

fn values<'a>(html: &mut String, points: impl IntoIterator<Item = &'a Measured>) {
    html.push_str("<ul>");
    for point in points {
        let _ = write!(html, "<li>{} ({})</li>", escape(&point.in_words()), escape(&point.standing()));
    }
    html.push_str("</ul>");
}

pub(super) fn head(html: &mut String, names: &[&str]) {
    html.push_str("<table><thead><tr>");
    for name in names {
        let _ = write!(html, "<th>{}</th>", escape(name));
    }
    html.push_str("</tr></thead><tbody>");
}

/// A row of cells that are HTML already.
pub(super) fn row(html: &mut String, cells: impl Iterator<Item = String>) {
    html.push_str("<tr>");
    for cell in cells {
        // A date is no place to break a line.
        let class = if cell.parse::<NaiveDate>().is_ok() { " class=\"day\"" } else { "" };
        let _ = write!(html, "<td{class}>{cell}</td>");
    }
    html.push_str("</tr>");
}

pub(super) fn part<T>(html: &mut String, shown: &Shown<T>) {
    if shown.total > shown.rows.len() {
        let (first, total) = (shown.rows.len(), shown.total);
        let _ = write!(html, "<p class=\"part\">The first {first} of {total} are shown; the files hold all.</p>");
    }
}

/// A stable name as words.
fn plain(name: &str) -> String {
    escape(&name.replace('_', " "))
}
