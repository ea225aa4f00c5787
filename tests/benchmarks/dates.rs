//! Times the dates of rules over the windows of `tests/oracles/recurrence_cases.jsonl`; `tests/benchmarks/run` asks
//! python-dateutil the same in the same run and prints how many times as many dates a second that is.
//!
//! What is timed: reading each rule from its text and finding its dates in the window. Reading the file is not timed,
//! and before anything is timed the dates are compared with the file's: a wrong answer has no speed.

use std::hint::black_box;
use std::time::Instant;

use chairtide::domain::recurrence::Recurrence;
use chrono::NaiveDate;
use serde_json::{Value, json};

const CASES: &str = include_str!("../oracles/recurrence_cases.jsonl");
const ROUNDS: usize = 5;

struct Window {
    recurrence: Recurrence,
    from_on: NaiveDate,
    to_on: NaiveDate,
    dates: Vec<String>,
}

fn windows() -> Vec<Window> {
    let lines = CASES.lines().map(|line| serde_json::from_str::<Value>(line).expect("JSON"));
    lines
        .filter(|case| case["rule"].is_string() && case["union_of"].is_null() && case["witness"].is_null())
        .map(|case| {
            let text = |name: &str| case[name].as_str().expect("a text").to_owned();
            let date = |name: &str| text(name).parse::<NaiveDate>().expect("a date");
            Window {
                recurrence: Recurrence::new(text("rule"), date("starts_on")),
                from_on: date("from_on"),
                to_on: date("before_on").pred_opt().expect("a day before"),
                dates: serde_json::from_value(case["dates"].clone()).expect("dates"),
            }
        })
        .collect()
}

fn dates(window: &Window) -> Vec<NaiveDate> {
    window.recurrence.dates_between(window.from_on, window.to_on).expect("a rule of the file")
}

fn main() {
    let windows = windows();
    let mut count = 0;
    for window in &windows {
        let found: Vec<String> = dates(window).iter().map(|date| date.format("%Y%m%d").to_string()).collect();
        assert_eq!(found, window.dates, "{}", window.recurrence.rule);
        count += found.len();
    }
    let best = (0..ROUNDS)
        .map(|_| {
            let began = Instant::now();
            for window in &windows {
                black_box(dates(black_box(window)));
            }
            began.elapsed()
        })
        .min()
        .expect("some rounds");
    println!("{}", json!({ "dates": count, "seconds": best.as_secs_f64() }));
}
