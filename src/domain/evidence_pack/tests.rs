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
        zone: "Europe/London".to_owned(),
        from_on: day("2026-11-02"),
        to_on: day("2026-11-29"),
        narrowed_to: None,
        made_at: at("2026-11-30T09:00:00Z"),
        key_id: Uuid::max(),
    }
}

fn measured(qualifier: Option<&str>, value: Option<&str>, limit: Option<&str>, kept: Option<bool>) -> Measured {
    Measured {
        on: day("2026-11-09"),
        subject: "Surgery 1 \"syringe\"".to_owned(),
        qualifier: qualifier.map(str::to_owned),
        value: value.map(|text| text.parse().expect("a decimal")),
        limit: limit.map(|text| text.parse().expect("a decimal")),
        operator: limit.map(|_| "le".to_owned()),
        kept,
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
        water: Shown::of(vec![
            measured(Some("eq"), Some("620"), Some("500"), Some(false)),
            measured(Some("lt"), Some("10"), Some("500"), Some(true)),
            measured(None, None, Some("500"), Some(false)),
        ]),
        readings: vec![Series {
            name: "Sentinel outlet: hot".to_owned(),
            unit: "Cel".to_owned(),
            points: vec![measured(Some("eq"), Some("48.5"), Some("50"), Some(false))],
        }],
        more_readings: false,
        failures: Shown::of(vec![failure]),
        gaps: Shown::of(vec![Gap {
            clinic_day: day("2026-11-03"),
            routine: "Flush".to_owned(),
            subject: "Surgery 1".to_owned(),
            missed_at: at("2026-11-03T12:00:00Z"),
            reason: None,
            told_by: None,
        }]),
        corrections: Shown::of(Vec::new()),
        flagged: Shown::of(Vec::new()),
        open_actions: Shown::of(vec![OpenAction {
            kind: "water_over_limit".to_owned(),
            subject: "Surgery 1".to_owned(),
            reason: "count over limit".to_owned(),
            opened_at: at("2026-11-09T09:01:00Z"),
            owner: "clinic_lead".to_owned(),
            due_by: None,
        }]),
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
    let shown = Shown::of(vec![(); MOST_SHOWN + 1]);
    assert!(shown.more && shown.rows.len() == MOST_SHOWN);
    assert!(!Shown::of(vec![(); MOST_SHOWN]).more);
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
