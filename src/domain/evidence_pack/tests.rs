use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::charts;
use super::page::{escape, page};
use super::*;

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

fn cover() -> Cover {
    Cover {
        clinic_id: Uuid::nil(),
        clinic: "Lantern & <b>Street</b>".to_owned(),
        zone: "America/Los_Angeles".parse().expect("a zone"),
        from_on: day("2026-11-02"),
        to_on: day("2026-11-29"),
        narrowed_to: None,
        made_at: at("2026-11-30T09:00:00Z"),
        key_id: Uuid::max(),
    }
}

fn bound(operator: &str, value: &str) -> Bound {
    Bound { operator: operator.to_owned(), value: value.parse().expect("a decimal") }
}

fn measured(qualifier: Option<&str>, value: Option<&str>, limit: Option<&str>, kept: Option<bool>) -> Measured {
    Measured {
        on: day("2026-11-09"),
        subject: "Surgery 1 \"syringe\"".to_owned(),
        qualifier: qualifier.map(str::to_owned),
        value: value.map(|text| text.parse().expect("a decimal")),
        limits: limit.map(|text| bound("le", text)).into_iter().collect(),
        kept,
        replaced: false,
    }
}

fn summary() -> Summary {
    let failure = Failure {
        completion_id: Uuid::nil(),
        clinic_day: day("2026-11-09"),
        routine: "Water test".to_owned(),
        subject: "Surgery 1".to_owned(),
        verdict: "failed".to_owned(),
        findings: "count: 620 <script>alert(1)</script>".to_owned(),
        performed_at: at("2026-11-09T09:00:00Z"),
        performed_by: "KV".to_owned(),
        corrected: false,
        actions: vec![FollowUp {
            kind: "water_over_limit".to_owned(),
            opened_at: at("2026-11-09T09:01:00Z"),
            closed_at: None,
            closed_by: None,
            close_reason: None,
            steps: vec![FollowUpStep {
                step_key: "shock_treatment".to_owned(),
                performed_at: at("2026-11-09T12:00:00Z"),
                performed_by: "LM".to_owned(),
                note: "as the label says".to_owned(),
                result: None,
                flags: vec!["not_the_owner".to_owned()],
            }],
        }],
        out_of_use: vec![OutOfUse {
            reason: "over its limit".to_owned(),
            begun_at: at("2026-11-09T09:01:00Z"),
            released_at: Some(at("2026-11-16T09:00:00Z")),
            released_by: Some("Lena Moss".to_owned()),
            release_reason: Some("retest within its limit".to_owned()),
        }],
    };
    Summary {
        weeks: vec![WeekCounts {
            first_on: day("2026-11-02"),
            done: 20,
            late: 3,
            missed: 2,
            not_required: 1,
            unsettled: 1,
            open: 0,
        }],
        water: Shown::of(
            vec![
                measured(Some("eq"), Some("620"), Some("500"), Some(false)),
                measured(Some("lt"), Some("10"), Some("500"), Some(true)),
                measured(None, None, Some("500"), Some(false)),
            ],
            3,
        ),
        readings: vec![Series {
            name: "Sentinel outlet: hot".to_owned(),
            unit: "Cel".to_owned(),
            total: 700,
            beyond: 1,
            points: vec![measured(Some("eq"), Some("48.5"), Some("50"), Some(false))],
        }],
        series_count: 30,
        failures: Shown::of(vec![failure], 1),
        gaps: Shown::of(
            vec![Gap {
                clinic_day: day("2026-11-03"),
                routine: "Flush".to_owned(),
                subject: "Surgery 1".to_owned(),
                missed_at: at("2026-11-03T12:00:00Z"),
                reason: None,
                told_by: None,
            }],
            1,
        ),
        corrections: Shown::of(Vec::new(), 0),
        flagged: Shown::of(Vec::new(), 0),
        open_actions: Shown::of(
            vec![OpenAction {
                kind: "water_over_limit".to_owned(),
                subject: "Surgery 1".to_owned(),
                reason: "count over limit".to_owned(),
                opened_at: at("2026-11-09T09:01:00Z"),
                owner: "clinic_lead".to_owned(),
                due_by: None,
            }],
            1,
        ),
        tables: vec![Table {
            kind: TableKind::OutOfUse,
            rows: Shown::of(
                vec![vec![
                    Cell::Text("Surgery 1 <i>".to_owned()),
                    Cell::At { at: at("2026-11-09T09:01:00Z") },
                    Cell::Count(3),
                    Cell::Nothing(()),
                ]],
                9,
            ),
        }],
        sealed: Sealed::default(),
    }
}

#[test]
fn the_page_runs_nothing_fetches_nothing_and_escapes_what_people_typed() {
    let html = page(&cover(), &summary(), &Found::default());
    for never in ["<script", "javascript:", "http:", "https:", "src=", "href=", "@import", "url(", "onload", "<b>"] {
        assert!(!html.contains(never), "{never}");
    }
    assert!(html.contains("Lantern &amp; &lt;b&gt;Street&lt;/b&gt;"));
    assert!(html.contains("count: 620 &lt;script&gt;alert(1)&lt;/script&gt;"));
    assert_eq!(escape("a\u{0}b<&>\"'"), "a\u{fffd}b&lt;&amp;&gt;&quot;&#39;");
}

#[test]
fn the_page_claims_nothing_and_tells_what_followed() {
    let html = page(&cover(), &summary(), &Found::default()).to_lowercase();
    for never in [" safe", "sterile.", " clean ", "compliant", "guarantee", "disinfected successfully"] {
        assert!(!html.contains(never), "{never}");
    }
    for told in [
        "record missing",
        "shock treatment by lm",
        "[to look at: not the owner]",
        "released by lena moss",
        "open when this pack was made",
        "no reason is recorded",
        "620, limit ≤ 500",
        "&lt; 10, limit ≤ 500",
        "too many to count, limit ≤ 500",
        "no day of this clinic is sealed yet",
    ] {
        assert!(html.contains(told), "{told}");
    }
}

#[test]
fn a_value_outside_either_of_two_limits_names_the_one_it_breaks() {
    let between = |qualifier: Option<&str>, value: Option<&str>, kept| Measured {
        limits: vec![bound("le", "3"), bound("ge", "1")],
        ..measured(qualifier, value, None, Some(kept))
    };
    for (qualifier, value, words) in [
        (Some("eq"), Some("0.4"), "beyond its limit ≥ 1"),
        (Some("eq"), Some("3.1"), "beyond its limit ≤ 3"),
        (Some("lt"), Some("1"), "beyond its limit ≥ 1"),
        (Some("gt"), Some("3"), "beyond its limit ≤ 3"),
        (None, None, "beyond its limit ≤ 3"),
        // What the value does not decide is not guessed at.
        (Some("lt"), Some("2"), "beyond its limits"),
    ] {
        let point = between(qualifier, value, false);
        assert_eq!(point.standing(), words, "{}", point.in_words());
    }
    let low = between(Some("eq"), Some("0.4"), false);
    assert!(low.in_words().ends_with("0.4, limits ≤ 3 and ≥ 1"), "{}", low.in_words());
    let svg = charts::on_plain_axis("t", std::slice::from_ref(&low), (day("2026-11-02"), day("2026-11-29")));
    // Both lines have their place: from 0.4 to 3 on 178 units, 1 stands 0.6 of 2.6 above the foot.
    assert!(svg.contains(r#"y1="12.0""#) && svg.contains(r#"y1="148.9""#), "{svg}");
}

#[test]
fn what_is_undecided_or_replaced_is_drawn_as_neither_kept_nor_beyond() {
    let mut points = vec![
        measured(Some("eq"), Some("620"), Some("500"), None),
        measured(Some("eq"), Some("620"), None, None),
        Measured { replaced: true, ..measured(Some("eq"), Some("6200"), Some("500"), Some(false)) },
    ];
    let svg = charts::on_log_axis("t", &points, (day("2026-11-02"), day("2026-11-29")));
    let count = |class: &str| svg.matches(&format!("class=\"{class}\" cx")).count();
    assert_eq!([count("within"), count("over"), count("undecided"), count("replaced")], [0, 0, 2, 1]);
    let replaced = points.pop().expect("the last");
    assert_eq!(replaced.standing(), "beyond its limit ≤ 500; replaced by a later entry");
    assert!(
        !replaced.is_beyond() && points.iter().map(Measured::standing).eq(["not decided by the value", "no limit"])
    );
}

#[test]
fn times_are_those_of_the_clinics_clocks_with_their_offset() {
    // Los Angeles goes to standard time on the first Sunday of November (15 USC 260a), eight hours behind UTC: 17:20 on the
    // 14th is 01:20Z of the 15th.
    assert_eq!(cover().minute(at("2026-11-15T01:20:00Z")), "2026-11-14 17:20 -08:00");
    assert_eq!(cover().minute(at("2026-07-15T00:20:00Z")), "2026-07-14 17:20 -07:00");
    let html = page(&cover(), &summary(), &Found::default());
    assert!(html.contains("by KV at 2026-11-09 01:00 -08:00") && html.contains("America/Los_Angeles"), "{html}");
}

#[test]
fn on_a_logarithmic_axis_a_decade_is_a_decade_and_less_than_points_down() {
    let points = [
        measured(Some("eq"), Some("10"), None, None),
        measured(Some("eq"), Some("100"), None, None),
        measured(Some("lt"), Some("1000"), None, None),
        measured(Some("gt"), Some("1000"), None, None),
        measured(Some("eq"), Some("0"), None, None),
    ];
    let svg = charts::on_log_axis("t", &points, (day("2026-11-02"), day("2026-11-29")));
    let heights: Vec<f64> = svg
        .match_indices(" cy=\"")
        .map(|(place, lead)| svg[place + lead.len()..].split('"').next().expect("a number").parse().expect("a number"))
        .collect();
    // From 10 to 1000 are two decades on 178 units: a decade is half of them; 0 stands at the foot, below every value.
    assert_eq!(heights, [190.0, 101.0, 190.0]);
    assert!(svg.contains("h10l-5 9.0z") && svg.contains("h10l-5 -9.0z"), "{svg}");
}

#[test]
fn a_list_that_is_too_long_says_that_it_is_cut() {
    let shown = Shown::of(vec![(); MOST_SHOWN + 1], 1234);
    assert_eq!((shown.rows.len(), shown.total), (MOST_SHOWN, 1234));
    let mut all = summary();
    all.gaps.total = 1234;
    let html = page(&cover(), &all, &Found::default());
    assert!(
        html.contains("The first 1 of 1234 are shown") && html.matches("are shown; the files").count() == 2,
        "{html}"
    );
    assert!(html.contains("700 readings, 1 of them beyond") && html.contains("The chart shows 1:"));
    assert!(html.contains("1 of 30 series are drawn"));
}

#[test]
fn the_page_begins_with_what_is_not_as_it_was_sealed_and_names_unsealed_days() {
    let found = Found {
        not_as_sealed: vec!["2026-11-09: completion <x> was sealed and is missing".to_owned()],
        purged: Vec::new(),
        unsealed: [3, 4, 5, 9].map(|n| day(&format!("2026-11-0{n}"))).to_vec(),
        rows_not_sealed: 7,
    };
    let mut summary = summary();
    summary.sealed = Sealed {
        days: 24,
        until: Some(at("2026-11-30T00:00:00Z")),
        head: Some(ChainHead::new(Uuid::nil(), Uuid::nil(), &[])),
    };
    let html = page(&cover(), &summary, &found);
    let told = html.find("completion &lt;x&gt; was sealed and is missing").expect("it is named");
    assert!(told < html.find("Read this first").expect("cautions"), "first of all");
    assert!(html.contains("2026-11-03 to 2026-11-05, 2026-11-09") && html.contains("no seal holds: 7"));
    assert!(html.contains("1 differences from the seals") && !html.contains("differs from its seal."));
    let quiet = page(&cover(), &summary, &Found::default());
    assert!(!quiet.contains("Not as it was sealed") && quiet.contains("Nothing that was looked at differs"));
}

#[test]
fn a_table_escapes_what_was_typed_tells_local_times_and_how_much_it_leaves_out() {
    let html = page(&cover(), &summary(), &Found::default());
    let row = "<tr><td>Surgery 1 &lt;i&gt;</td><td>2026-11-09 01:01 -08:00</td><td>3</td><td></td></tr>";
    assert!(html.contains(row) && html.contains("The first 1 of 9 are shown"), "{html}");
    let read = |text: &str| serde_json::from_str::<Vec<Cell>>(text).expect("cells");
    let cells = read(r#"["a", 7, null, {"at": "2026-11-09T09:01:00+00:00"}]"#);
    assert_eq!(cells[1..3], [Cell::Count(7), Cell::Nothing(())]);
    assert_eq!(cells[3], Cell::At { at: at("2026-11-09T09:01:00Z") });
    // Each kind has a place on the page, once.
    for kind in TableKind::ALL {
        assert_eq!(TableKind::ALL.iter().filter(|other| **other == kind).count(), 1, "{kind:?}");
    }
}

/// A date of ten figures in the chart's 11 px letters is about 62 px wide in the widest common font (measured in a browser).
#[test]
fn the_dates_below_the_bars_of_any_number_of_weeks_stand_apart_and_within_the_chart() {
    let first_on: NaiveDate = "2026-01-05".parse().expect("a date");
    for weeks in 1..=53_u64 {
        let week = |n: u64| WeekCounts {
            first_on: first_on + chrono::Days::new(7 * n),
            done: 1,
            late: 0,
            missed: 0,
            not_required: 0,
            unsettled: 0,
            open: 0,
        };
        let svg = charts::weeks(&(0..weeks).map(week).collect::<Vec<_>>());
        let is_date = |text: &&str| text.split('>').nth(1).is_some_and(|words| words.starts_with("202"));
        let labels = svg.split(r#"<text x=""#).skip(1).filter(is_date);
        let places: Vec<f64> =
            labels.map(|text| text.split('"').next().and_then(|x| x.parse().ok()).expect("a place")).collect();
        assert_eq!(places.first(), Some(&64.0), "{weeks} weeks");
        assert!(places.iter().all(|x| x + 62.0 <= 720.0), "{weeks} weeks: {places:?}");
        assert!(places.windows(2).all(|pair| pair[1] - pair[0] > 62.0), "{weeks} weeks: {places:?}");
    }
}
