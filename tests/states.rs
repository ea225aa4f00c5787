//! The state and the level of a task, derived twice: by the domain and by the database.

use chairtide::domain::ladder::Audience;
use chairtide::domain::task::{Outcome, Recorded, State, Times, level_at, state_at};
use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;
use sqlx::PgPool;

use crate::support::at;

/// A task's times, what was recorded of it, and the instant that is asked about.
type Case = (Times, Recorded, DateTime<Utc>);

fn task() -> impl Strategy<Value = Case> {
    let outcome = prop::option::of((
        prop::sample::select(vec![Outcome::Done, Outcome::NotRequired, Outcome::Void, Outcome::ResultPending]),
        0..60_i64,
    ));
    (prop::collection::vec(0..12_i64, 4), prop::collection::vec(0..20_i64, 0..4), outcome, 0..60_i64).prop_map(
        |(gaps, rungs, outcome, asked)| {
            let start = at("2026-11-02T08:00:00Z");
            let after = |minutes: i64| start + TimeDelta::minutes(minutes);
            let sums: Vec<i64> = gaps
                .iter()
                .scan(0, |sum, gap| {
                    Some({
                        *sum += gap;
                        *sum
                    })
                })
                .collect();
            let mut reached = sums[2];
            let rungs = rungs
                .iter()
                .map(|gap| {
                    reached += gap;
                    (after(reached), Audience::ClinicLead)
                })
                .collect();
            let times = Times {
                anchor_at: start,
                due_from: after(sums[0]),
                due_by: after(sums[1]),
                overdue_at: after(sums[2]),
                missed_at: after(sums[3]),
                blocks_at: None,
                rungs,
            };
            (times, outcome.map(|(o, minutes)| (o, after(minutes))), after(asked))
        },
    )
}

#[sqlx::test]
async fn the_domain_and_the_database_derive_the_same_state_and_level(pool: PgPool) {
    let mut runner = TestRunner::deterministic();
    let strategy = task();
    let mut seen = std::collections::BTreeSet::new();
    for _ in 0..2_000 {
        let (times, recorded, asked_at) = strategy.new_tree(&mut runner).expect("a value").current();
        let rungs: Vec<DateTime<Utc>> = times.rungs.iter().map(|(at, _)| *at).collect();
        let (state, level): (String, i32) =
            sqlx::query_as("select task_state($1, $2, $3, $4, $5, $6, $8), task_level($1, $2, $7, $8)")
                .bind(recorded.map(|(o, _)| o.as_str()))
                .bind(recorded.map(|(_, at)| at))
                .bind(times.due_from)
                .bind(times.due_by)
                .bind(times.overdue_at)
                .bind(times.missed_at)
                .bind(&rungs)
                .bind(asked_at)
                .fetch_one(&pool)
                .await
                .expect("the database derives it");
        assert_eq!(state, state_at(&times, recorded, asked_at).as_str(), "{times:?} {recorded:?} {asked_at}");
        assert_eq!(usize::try_from(level), Ok(level_at(&times, recorded, asked_at).0), "{times:?} {recorded:?}");
        seen.insert(state);
    }
    // The cases are worth something only if they reach every state.
    let all: std::collections::BTreeSet<String> = State::ALL.iter().map(|s| s.as_str().to_owned()).collect();
    assert_eq!(seen, all);
}
