//! Years at many clinics on a virtual clock, held against a second implementation of the rules.
//!
//! The whole service runs in process on a real Postgres: desks post, tablets work (some while offline), administrators
//! change everything that can be changed, at random from a seed. Once a day each clinic's configuration and facts are
//! read from the database past the service, and its stored tasks beside them; `tests/simulation/compare.py` plans the
//! same clinic by the slow model, which was written from `src/domain/plan/RULES.md` alone, and compares.
//!
//! `tests/simulation/run` runs it; the seed, the days and the clinics can be set there.

mod export;
mod town;

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::PathBuf;

use chrono::TimeDelta;
use sqlx::PgPool;

use self::town::Town;
use crate::support::app::App;
use crate::support::at;
use crate::support::chance::Chance;

fn number(variable: &str, otherwise: u64) -> u64 {
    std::env::var(variable).ok().map_or(otherwise, |text| text.parse().expect("a number"))
}

/// Hours between two looks of the planner; odd, so that the hour of day wanders.
const STEP_HOURS: i64 = 5;

#[sqlx::test]
#[ignore = "needs the model's Python: tests/simulation/run"]
async fn the_stored_plan_is_what_the_rules_say(pool: PgPool) {
    let (seed, days) = (number("CHAIRTIDE_SIMULATION_SEED", 1), number("CHAIRTIDE_SIMULATION_DAYS", 12));
    let clinics = number("CHAIRTIDE_SIMULATION_CLINICS", 4);
    let cases: PathBuf = std::env::var("CHAIRTIDE_SIMULATION_CASES").expect("set by tests/simulation/run").into();
    println!("seed {seed}, {days} days, {clinics} clinics");
    let mut chance = Chance(seed);
    // A start of its own for each seed, so that many short runs see many seasons.
    let start = at("2026-03-20T00:00:00Z") + TimeDelta::days(i64::try_from(seed % 300).expect("small"));
    let app = App::new(pool.clone(), start).await;
    let mut town = Town::build(&app, u32::try_from(clinics).expect("few"), &mut chance).await;
    app.plan().await;
    let mut out = BufWriter::new(File::create(&cases).expect("a file for the cases"));
    let end = start + TimeDelta::days(i64::try_from(days).expect("few"));
    let mut exported = 0;
    let mut looked_on = start.date_naive();
    while app.clock.now() < end {
        app.advance(TimeDelta::hours(STEP_HOURS) + TimeDelta::minutes(7));
        if app.clock.now().date_naive() != looked_on {
            looked_on = app.clock.now().date_naive();
            app.keep_house().await;
        }
        town.live(&mut chance).await;
        let report = app.plan().await;
        assert_eq!(report.failed, 0, "a clinic cannot be planned");
        for site in town.sites() {
            if chance.percent(20) {
                let case = export::case(&pool, site, app.clock.now()).await;
                writeln!(out, "{case}").expect("written");
                exported += 1;
            }
        }
    }
    out.flush().expect("written");
    println!("{exported} looks at a clinic written to {}", cases.display());
    assert!(exported > 0);
}
