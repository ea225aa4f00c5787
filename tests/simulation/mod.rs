//! Years at many clinics on a virtual clock, held against a second implementation of the rules.
//!
//! The whole service runs in process on a real Postgres: desks post, tablets work (some while offline), administrators
//! change everything that can be changed, at random from a seed. At chosen steps a clinic's configuration and facts are
//! read from the database past the service, and its stored tasks beside them; `tests/simulation/compare.py` plans the
//! same clinic by the slow model, which was written from `src/domain/plan/RULES.md` alone, and compares.
//!
//! `tests/simulation/run` runs it; the seed, the days, the clinics and how often is looked can be set there.
//!
//! What a long run takes was measured on 240 days of three clinics (release build, two busy cores, 2026-11-26): 0.11 s
//! of processor for a step of a clinic, of which Postgres has 0.07, and 0.55 s for a look, most of it the model's. Three
//! years of fifty clinics are 257,000 steps: about eight hours, since a step waits for the one before it; looks are
//! compared beside them, and at ten of a hundred take four hours more of processor.

mod edits;
mod export;
mod routines;
mod tablets;
mod tally;
mod town;

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use sqlx::PgPool;

use self::town::Town;
use crate::support::app::App;
use crate::support::at;
use crate::support::chance::Chance;

fn number(variable: &str) -> u64 {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).expect("set by tests/simulation/run")
}

/// Hours between two looks of the planner; odd, so that the hour of day wanders.
const STEP_HOURS: i64 = 5;

#[sqlx::test]
#[ignore = "needs the model's Python: tests/simulation/run"]
async fn the_stored_plan_is_what_the_rules_say(pool: PgPool) {
    let [seed, days, clinics, percent_looked_at] =
        ["SEED", "DAYS", "CLINICS", "LOOKS"].map(|name| number(&format!("CHAIRTIDE_SIMULATION_{name}")));
    let cases: PathBuf = std::env::var("CHAIRTIDE_SIMULATION_CASES").expect("set by tests/simulation/run").into();
    println!("seed {seed}, {days} days, {clinics} clinics, {percent_looked_at} % of a clinic's steps are looked at");
    let mut chance = Chance(seed);
    // Whether is looked must not change what happens, so that a look can be repeated in a run that looks more often.
    let mut looks = Chance(!seed);
    // A start of its own for each seed, so that many short runs see many seasons.
    let start = at("2026-03-20T00:00:00Z") + TimeDelta::days(i64::try_from(seed % 300).expect("small"));
    let days = i64::try_from(days).expect("few");
    let app = App::new(pool.clone(), start).await;
    let mut town = Town::build(&app, u32::try_from(clinics).expect("few"), days, &mut chance).await;
    app.plan().await;
    let mut out = BufWriter::new(File::create(&cases).expect("a file for the cases"));
    let end = start + TimeDelta::days(days);
    let (mut looked, mut steps) = (0_u64, 0_u64);
    let mut kept_house_on = start.date_naive();
    let mut spent = [Duration::ZERO; 3];
    while app.clock.now() < end {
        app.advance(TimeDelta::hours(STEP_HOURS) + TimeDelta::minutes(7));
        if app.clock.now().date_naive() != kept_house_on {
            kept_house_on = app.clock.now().date_naive();
            app.keep_house().await;
            if (kept_house_on - start.date_naive()).num_days() % 30 == 0 {
                println!("{kept_house_on}: {looked} looks");
            }
        }
        let begun = Instant::now();
        town.live(&mut chance).await;
        let lived = Instant::now();
        let report = app.plan().await;
        assert_eq!(report.failed, 0, "a clinic cannot be planned");
        let planned = Instant::now();
        for site in &town.sites {
            steps += 1;
            if looks.percent(percent_looked_at) {
                let case = export::case(&pool, site, app.clock.now()).await;
                writeln!(out, "{case}").expect("written");
                looked += 1;
            }
        }
        for (spent, (from, to)) in spent.iter_mut().zip([(begun, lived), (lived, planned), (planned, Instant::now())]) {
            *spent += to - from;
        }
    }
    out.flush().expect("written");
    drop(out);
    println!("{steps} steps of a clinic, {looked} looked at; living, planning and writing took {spent:.0?}");
    town.tally.show();
    assert!(looked > 0);
}
