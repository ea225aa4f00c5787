//! Tablets at a clinic: they record at once, or are offline for days and then send everything they kept.
//!
//! The rule of this file: no tablet knows of another. Offline, each works the list it took along, so that one task is
//! done by several, and what they send comes in any order, and again when an answer was lost.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

use super::town::Town;
use crate::support::at;
use crate::support::chance::Chance;

/// The most a batch may hold.
const LARGEST_BATCH: usize = 500;
/// From so many completions on, a batch is one of an outage and not of a bad moment.
const BULK: usize = 100;

/// One tablet.
#[derive(Default)]
pub(super) struct Tablet {
    /// Offline until then.
    offline_until: Option<DateTime<Utc>>,
    /// The tasks it took along when it went offline.
    taken_along: Vec<Value>,
    /// Completions it keeps until it is online again.
    kept: Vec<Value>,
}

impl Town<'_> {
    /// What the tablets of a clinic do in a few hours.
    pub(super) async fn record(&mut self, n: usize, chance: &mut Chance) {
        let now = self.app.clock.now();
        for which in 0..self.sites[n].tablets.len() {
            let offline_until = self.sites[n].tablets[which].offline_until;
            if offline_until.is_some_and(|until| now < until) {
                let tasks = self.sites[n].tablets[which].taken_along.clone();
                self.work(n, which, &tasks, 80, chance);
            } else if offline_until.is_some() {
                self.come_back(n, which, chance).await;
            } else if chance.percent(1) {
                // Two days of work are the most that can be taken along; a tablet stays away longer than that.
                let tasks = self.fetch(n, 2880).await;
                let hours = i64::try_from(chance.between(10, 100)).expect("small");
                let tablet = &mut self.sites[n].tablets[which];
                tablet.offline_until = Some(now + TimeDelta::hours(hours));
                tablet.taken_along = tasks;
                self.tally.count("tablet: outage");
            } else if chance.percent(25) {
                let tasks = self.fetch(n, 0).await;
                self.work(n, which, &tasks, 45, chance);
                let kept = std::mem::take(&mut self.sites[n].tablets[which].kept);
                self.send(&kept, chance).await;
            }
        }
    }

    async fn fetch(&self, n: usize, ahead_minutes: u32) -> Vec<Value> {
        let path = format!("/v1/clinics/{}/due?ahead_minutes={ahead_minutes}", self.sites[n].clinic_id);
        let due = self.tablet.get(&path).await.expect(200);
        due["tasks"].as_array().expect("tasks").clone()
    }

    /// Does so many of a hundred of the tasks whose window has opened.
    fn work(&mut self, n: usize, which: usize, tasks: &[Value], percent: u64, chance: &mut Chance) {
        let now = self.app.clock.now();
        let has_opened = |task: &&Value| at(task["due_from"].as_str().expect("an instant")) <= now;
        for task in tasks.iter().filter(has_opened) {
            if !chance.percent(percent) {
                continue;
            }
            let mut step = json!({ "step": "work", "status": "done" });
            if task["steps"][0]["evidence"]["kind"] == "hold" {
                step["elapsed_seconds"] = json!(if chance.percent(70) { 75 } else { 20 });
            }
            let ago = i64::try_from(chance.between(0, 120)).expect("small");
            let completion = json!({
                "completion_id": self.fresh(), "task_id": task["task_id"], "kind": "performed",
                "performed_at": now - TimeDelta::minutes(ago), "performed_by": "SIM", "steps": [step],
            });
            self.sites[n].tablets[which].kept.push(completion);
        }
    }

    /// Sends everything that was kept, the last first, and at times all of it again.
    async fn come_back(&mut self, n: usize, which: usize, chance: &mut Chance) {
        let tablet = std::mem::take(&mut self.sites[n].tablets[which]);
        let mut kept = tablet.kept;
        kept.reverse();
        for batch in kept.chunks(LARGEST_BATCH) {
            if batch.len() >= BULK {
                self.tally.count("tablet: batch of a hundred and more");
            }
            self.send(batch, chance).await;
        }
    }

    /// Posts one batch; a third is posted again, and then nothing of it is recorded anew.
    async fn send(&mut self, batch: &[Value], chance: &mut Chance) {
        if batch.is_empty() {
            return;
        }
        let body = json!({ "completions": batch });
        let answer = self.tablet.post("/v1/completions/batch", body.clone()).await.expect(200);
        for item in answer["answers"].as_array().expect("answers") {
            self.tally.count(match item["status"].as_str() {
                Some("recorded") if item["completion"]["duplicate"] == true => {
                    "tablet: completion of a task that another tablet had completed"
                }
                Some("recorded") => "tablet: completion",
                _ => "tablet: completion that was refused",
            });
        }
        if chance.percent(33) {
            let again = self.tablet.post("/v1/completions/batch", body).await.expect(200);
            for (first, second) in
                answer["answers"].as_array().expect("answers").iter().zip(again["answers"].as_array().expect("answers"))
            {
                let repeated = if first["status"] == "recorded" { "repeated" } else { "refused" };
                assert_eq!(second["status"], repeated, "{first} {second}");
            }
            self.tally.count("tablet: batch sent again after a lost answer");
        }
    }
}
