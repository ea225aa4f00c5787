//! Charts as SVG that stands in the page itself.
//!
//! The rule of this file: what cannot be placed is not drawn as if it could. "Less than" is drawn as an arrow that points
//! down from the stated value, "more than" as one that points up, and a count too large for a number stands at the top edge.

use std::fmt::Write as _;

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;

use super::page::escape;
use super::{Measured, WeekCounts};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 220.0;
const LEFT: f64 = 64.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 190.0;
/// Room for a date, in whatever font the browser takes.
const LABEL: f64 = 76.0;

/// Bars of the weeks, done at the bottom, late above it, missed on top.
pub(super) fn weeks(weeks: &[WeekCounts]) -> String {
    let highest = weeks.iter().map(|week| week.done + week.late + week.missed).max().unwrap_or(0).max(1);
    let mut svg = open("Tasks by week: done, done late, missed");
    axis_label(&mut svg, TOP, &highest.to_string());
    axis_label(&mut svg, BOTTOM, "0");
    let step = (WIDTH - LEFT) / count(weeks.len().max(1));
    let mut labelled_until = LEFT;
    for (place, week) in weeks.iter().enumerate() {
        let x = LEFT + step * count(place);
        let mut floor = BOTTOM;
        for (class, name, tasks) in
            [("done", "done", week.done), ("late", "done late", week.late), ("missed", "missed", week.missed)]
        {
            let height = (BOTTOM - TOP) * whole(tasks) / whole(highest);
            floor -= height;
            let width = (step - 2.0).max(1.0);
            let _ = write!(
                svg,
                r#"<rect class="{class}" x="{x:.1}" y="{floor:.1}" width="{width:.1}" height="{height:.1}"><title>week of {}: {tasks} {name}</title></rect>"#,
                week.first_on
            );
        }
        if x >= labelled_until && x + LABEL <= WIDTH {
            day_label(&mut svg, x, "start", week.first_on);
            labelled_until = x + LABEL;
        }
    }
    svg.push_str("</svg>");
    svg
}

/// Values over days on a logarithmic axis, each with the limit it was held against.
pub(super) fn on_log_axis(title: &str, points: &[Measured], span: (NaiveDate, NaiveDate)) -> String {
    let numbers = || points.iter().flat_map(numbers_of).filter_map(positive);
    let lowest = numbers().fold(f64::INFINITY, f64::min).log10().floor();
    let highest = numbers().fold(f64::NEG_INFINITY, f64::max).log10().ceil();
    let (lowest, highest) = if lowest.is_finite() { (lowest, highest.max(lowest + 1.0)) } else { (0.0, 1.0) };
    let y = |value: Decimal| {
        // What is not above nothing has no place on this axis: it stands at its foot.
        let place = positive(value).map_or(0.0, |value| (value.log10() - lowest) / (highest - lowest));
        BOTTOM - (BOTTOM - TOP) * place
    };
    let mut svg = open(title);
    let decades = (highest - lowest).round().to_usize().unwrap_or(1);
    for decade in 0..=decades {
        let height = BOTTOM - (BOTTOM - TOP) * count(decade) / count(decades.max(1));
        let power = lowest + count(decade);
        axis_label(&mut svg, height, &format!("10^{power:.0}"));
        let _ = write!(svg, r#"<line class="grid" x1="{LEFT}" x2="{WIDTH}" y1="{height:.1}" y2="{height:.1}"/>"#);
    }
    draw(&mut svg, points, span, y);
    svg
}

/// Values over days on a plain axis.
pub(super) fn on_plain_axis(title: &str, points: &[Measured], span: (NaiveDate, NaiveDate)) -> String {
    let numbers = || points.iter().flat_map(numbers_of).filter_map(|n| n.to_f64());
    let lowest = numbers().fold(f64::INFINITY, f64::min);
    let highest = numbers().fold(f64::NEG_INFINITY, f64::max);
    let (lowest, highest) = match (lowest.is_finite(), highest > lowest) {
        (false, _) => (0.0, 1.0),
        (true, false) => (lowest - 1.0, lowest + 1.0),
        (true, true) => (lowest, highest),
    };
    let y = |value: Decimal| BOTTOM - (BOTTOM - TOP) * (value.to_f64().unwrap_or(lowest) - lowest) / (highest - lowest);
    let mut svg = open(title);
    axis_label(&mut svg, TOP, &format!("{highest:.2}"));
    axis_label(&mut svg, BOTTOM, &format!("{lowest:.2}"));
    draw(&mut svg, points, span, y);
    svg
}

/// Bars of how long actions have stood open.
pub(super) fn ages(ages: &[(&str, usize)]) -> String {
    let highest = ages.iter().map(|(_, actions)| *actions).max().unwrap_or(0).max(1);
    let height = 24.0 * count(ages.len());
    let mut svg =
        format!(r#"<svg role="img" viewBox="0 0 {WIDTH} {height}"><title>Open corrective actions by age</title>"#);
    for (place, (name, actions)) in ages.iter().enumerate() {
        let top = 24.0 * count(place);
        let width = (WIDTH - 200.0) * count(*actions) / count(highest);
        let _ = write!(
            svg,
            r#"<text x="110" y="{:.1}" text-anchor="end">{}</text><rect class="late" x="120" y="{:.1}" width="{width:.1}" height="16"/><text x="{:.1}" y="{:.1}">{actions}</text>"#,
            top + 16.0,
            escape(name),
            top + 3.0,
            126.0 + width,
            top + 16.0
        );
    }
    svg.push_str("</svg>");
    svg
}

fn draw(svg: &mut String, points: &[Measured], (from, to): (NaiveDate, NaiveDate), y: impl Fn(Decimal) -> f64) {
    let days = whole((to - from).num_days().max(1));
    for point in points {
        let x = LEFT + 8.0 + (WIDTH - LEFT - 16.0) * whole((point.on - from).num_days().max(0)) / days;
        for limit in &point.limits {
            let at = y(limit.value);
            let _ = write!(
                svg,
                r#"<line class="limit" x1="{:.1}" x2="{:.1}" y1="{at:.1}" y2="{at:.1}"/>"#,
                x - 7.0,
                x + 7.0
            );
        }
        let class = match point.kept {
            _ if point.replaced => "replaced",
            Some(false) => "over",
            Some(true) => "within",
            None => "undecided",
        };
        let at = point.value.map_or(TOP, &y);
        let shape = match point.qualifier.as_deref() {
            Some("eq") => format!(r#"<circle class="{class}" cx="{x:.1}" cy="{at:.1}" r="3.5">"#),
            Some("lt") => arrow(class, x, at, 1.0),
            _ => arrow(class, x, at, -1.0),
        };
        let end = if shape.starts_with("<circle") { "circle" } else { "path" };
        let _ = write!(
            svg,
            "{shape}<title>{}</title></{end}>",
            escape(&format!("{} ({})", point.in_words(), point.standing()))
        );
    }
    for (x, anchor, day) in [(LEFT, "start", from), (WIDTH, "end", to)] {
        day_label(svg, x, anchor, day);
    }
    svg.push_str("</svg>");
}

/// An arrow from the stated value to where the true one lies.
fn arrow(class: &str, x: f64, y: f64, down: f64) -> String {
    format!(r#"<path class="{class}" d="M{:.1} {y:.1}h10l-5 {:.1}z">"#, x - 5.0, 9.0 * down)
}

/// What an axis must have room for.
fn numbers_of(point: &Measured) -> impl Iterator<Item = Decimal> + '_ {
    point.value.into_iter().chain(point.limits.iter().map(|limit| limit.value))
}

fn open(title: &str) -> String {
    let title = escape(title);
    format!(
        r#"<svg role="img" viewBox="0 0 {WIDTH} {HEIGHT}"><title>{title}</title><line class="axis" x1="{LEFT}" x2="{WIDTH}" y1="{BOTTOM}" y2="{BOTTOM}"/>"#
    )
}

fn axis_label(svg: &mut String, y: f64, text: &str) {
    let _ = write!(svg, r#"<text x="{:.1}" y="{:.1}" text-anchor="end">{}</text>"#, LEFT - 6.0, y + 4.0, escape(text));
}

fn day_label(svg: &mut String, x: f64, anchor: &str, day: NaiveDate) {
    let _ = write!(svg, r#"<text x="{x:.1}" y="{:.1}" text-anchor="{anchor}">{day}</text>"#, BOTTOM + 16.0);
}

fn positive(value: Decimal) -> Option<f64> {
    value.to_f64().filter(|value| *value > 0.0)
}

/// Counts of a page are far below 2^53.
#[expect(clippy::cast_precision_loss, reason = "places and counts on a page are small")]
fn count(number: usize) -> f64 {
    number as f64
}

#[expect(clippy::cast_precision_loss, reason = "places and counts on a page are small")]
fn whole(number: i64) -> f64 {
    number as f64
}
