//! What somebody did, on its way into the service: presses of the timer, entries one by one or many at once, results.
//!
//! The rule of this file: a refused entry ends the load. What the invented group does is what the service takes.

use anyhow::{Context as _, bail, ensure};
use chrono::TimeDelta;
use serde_json::{Value, json};

use super::super::tablet::{Done, DueTask, Manner, TimerPress};
use super::{Deed, History, Sample, first_told};

impl History<'_> {
    /// Puts what was done into the queue: the timer's presses when they happen, the entries once the last is done.
    pub(super) fn hand_in(&mut self, site: usize, mut done: Vec<(DueTask, String, Done)>) {
        let Some(last_at) = done.iter().map(|(_, _, d)| d.ended_at).max() else { return };
        for (_, _, entry) in &mut done {
            for (at, press) in std::mem::take(&mut entry.presses) {
                self.queue.put(at, Deed::Press(site, press));
            }
        }
        let send_at = last_at + TimeDelta::seconds(self.dice.between(15, 60));
        let completions = self.entries(site, done);
        self.queue.put(send_at, Deed::Send(site, completions));
    }

    /// The completions of what was done; results that are awaited go into the queue.
    pub(super) fn entries(&mut self, site: usize, done: Vec<(DueTask, String, Done)>) -> Vec<Value> {
        let mut completions = Vec::with_capacity(done.len());
        for (task, performed_by, entry) in done {
            let follows = self.seed.story.results_follow.iter().find(|r| r.routine_id == task.routine_id);
            if let (true, Some(follows)) = (entry.awaits_result, follows) {
                let sample = Sample { task, performed_by, sampled_at: entry.ended_at };
                let known_at = self.sites[site].while_open(entry.ended_at + TimeDelta::hours(follows.after_hours));
                self.queue.put(known_at, Deed::Result(site, Box::new(sample)));
            }
            completions.push(entry.completion);
        }
        completions
    }

    pub(super) async fn press(&mut self, site: usize, press: TimerPress) -> anyhow::Result<()> {
        let TimerPress { task_id, hold_id, starts, performed_by } = press;
        let (path, body) = if let Some(step) = starts {
            let start = json!({ "hold_id": hold_id, "step": step, "performed_by": performed_by });
            (format!("/v1/tasks/{task_id}/holds"), start)
        } else {
            self.summary.holds += 1;
            (format!("/v1/tasks/{task_id}/holds/{hold_id}/end"), json!({ "performed_by": performed_by }))
        };
        self.sites[site].tablets.post(&path, &body).await.map(drop)
    }

    pub(super) async fn send(&mut self, site: usize, completions: Vec<Value>) -> anyhow::Result<()> {
        let tablets = &self.sites[site].tablets;
        if let [completion] = completions.as_slice() {
            let answer = tablets.post("/v1/completions", completion).await?;
            self.summary.count_completion(&answer);
            return Ok(());
        }
        if completions.is_empty() {
            return Ok(());
        }
        let answer = tablets.post("/v1/completions/batch", &json!({ "completions": completions })).await?;
        self.summary.batches += 1;
        let answers = answer.get("answers").and_then(Value::as_array).context("a batch came back without answers")?;
        ensure!(answers.len() == completions.len(), "a batch of {} got {} answers", completions.len(), answers.len());
        for answer in answers {
            match answer.get("completion") {
                Some(completion) => self.summary.count_completion(completion),
                None => bail!("a completion was refused: {answer}"),
            }
        }
        Ok(())
    }

    /// A result was read and is entered; of some tests the story tells that the control did not grow, which makes them void.
    pub(super) async fn tell_result(&mut self, site: usize, sample: Sample) -> anyhow::Result<()> {
        let today = self.sites[site].dates.today;
        let Sample { task, performed_by, sampled_at } = sample;
        let void = first_told(&self.seed.story.void_tests, &task, today);
        let void = void.filter(|(i, _)| self.told.insert(("void", *i))).map(|(_, void)| void.reason.clone());
        let work = (Manner::WithResult, false);
        let mut completion = self.work(sampled_at, site, &task, &performed_by, work).completion;
        // The work was the sample; its result is entered under the sample's time.
        completion["performed_at"] = json!(sampled_at);
        completion["note"] = json!(void.as_deref().unwrap_or("Result read and entered"));
        if void.is_some() {
            let steps = completion["steps"].as_array_mut().context("a completion without steps")?;
            let strips = steps.iter_mut().filter_map(|step| step.pointer_mut("/given/strips/control_growth"));
            strips.for_each(|grew| *grew = json!(false));
        }
        self.send(site, vec![completion]).await?;
        self.look_at_actions(site).await
    }
}
