//! Four weeks of work, in the order it happened.
//!
//! The rule of this file: the clock never goes back. Whatever is to happen waits in one queue for all clinics, ordered
//! by instant; before it happens the service's clock is set to that instant, so that what the service records was
//! recorded then.

mod aftermath;
mod entering;

use std::collections::{HashMap, HashSet};

use anyhow::Context as _;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

use super::agenda::{Happening, Phase, seconds_within};
use super::client::Client;
use super::configure::{follow_misses, put_operatory_as_it_is};
use super::dice::Dice;
use super::house::{Ahead, House};
use super::queue::Queue;
use super::seed::{Seed, date_from};
use super::site::Site;
use super::stock::LotDeed;
use super::story::{Declared, Occasion, WorkedStep};
use super::summary::Summary;
use super::tablet::{Done, DueList, DueTask, Manner, Tablet, TimerPress};
use crate::domain::anchor::{Anchor, Place};
use crate::domain::subject::SubjectKind;
use crate::domain::task::State;
use crate::progress::Progress;

/// Clients that reach every clinic.
#[derive(Debug)]
pub(super) struct Office {
    /// The administrator.
    pub administrator: Client,
    /// The manager.
    pub manager: Client,
}

/// What waits to happen.
#[derive(Debug)]
enum Deed {
    /// Something of a clinic's agenda.
    Agenda(usize, Happening),
    /// A new day somewhere: planning and upkeep.
    NewDay,
    /// The timer of a tablet.
    Press(usize, TimerPress),
    /// A tablet sends what was done.
    Send(usize, Vec<Value>),
    /// A task is done by itself: late, or once more.
    Work { site: usize, task: Box<DueTask>, performed_by: String },
    /// The result of a test is known.
    Result(usize, Box<Sample>),
    /// An operatory goes out of service.
    TakeOut(Uuid),
    /// Something happened that makes work.
    Occasion(Box<Occasion>),
    /// A lot is opened, used up or recalled.
    Lot(usize, LotDeed),
    /// A step of a corrective action is done.
    Step(usize, Uuid, WorkedStep),
}

/// A test whose result is awaited.
#[derive(Debug)]
struct Sample {
    task: DueTask,
    performed_by: String,
    sampled_at: DateTime<Utc>,
}

/// The weeks behind, as they unfold.
#[derive(Debug)]
pub(super) struct History<'a> {
    seed: &'a Seed,
    house: &'a House,
    office: Office,
    sites: Vec<Site<'a>>,
    dice: Dice,
    queue: Queue<Deed>,
    new_days: u64,
    ahead: Ahead,
    /// Tasks somebody has made up their mind about.
    decided: HashSet<Uuid>,
    /// Story lines that were told, by their place in the story.
    told: HashSet<(&'static str, usize)>,
    /// Corrective actions somebody has seen.
    actions: HashSet<Uuid>,
    /// What nobody uses, because an action stands against it.
    resting: HashSet<Uuid>,
    /// Chairs somebody sits in.
    taken: HashSet<Uuid>,
    /// What a tablet without a network was last told of, chair by chair.
    remembered: HashMap<Uuid, Vec<DueTask>>,
    /// How many loads each steriliser has numbered.
    loads: HashMap<Uuid, u32>,
    summary: Summary,
}

impl<'a> History<'a> {
    /// The history of these clinics, nothing of it done yet.
    ///
    /// # Errors
    /// When a clinic's zone is none.
    pub(super) fn new(
        seed: &'a Seed,
        house: &'a House,
        office: Office,
        sites: Vec<Site<'a>>,
        dice: Dice,
    ) -> anyhow::Result<Self> {
        let mut history = Self {
            seed,
            house,
            office,
            sites,
            dice,
            queue: Queue::new(),
            new_days: 0,
            ahead: Ahead::DaysPast,
            decided: HashSet::new(),
            told: HashSet::new(),
            actions: HashSet::new(),
            resting: HashSet::new(),
            taken: HashSet::new(),
            remembered: HashMap::new(),
            loads: HashMap::new(),
            summary: Summary::default(),
        };
        history.fill_queue()?;
        Ok(history)
    }

    /// Lets everything happen up to `until`.
    ///
    /// # Errors
    /// When the service refuses something.
    pub(super) async fn unfold(mut self, until: DateTime<Utc>, progress: &Progress) -> anyhow::Result<Summary> {
        let last_days = until - TimeDelta::hours(26);
        while let Some((at, deed)) = self.queue.take_until(until) {
            self.house.set_clock(at);
            if let Deed::NewDay = deed {
                progress.advance(1);
                // A clinic's last new day lies at most a long day back: from there on its plan is the one it keeps.
                self.ahead = if at > last_days { Ahead::AsConfigured } else { Ahead::DaysPast };
            }
            self.happen(at, deed).await.with_context(|| format!("at {at}"))?;
        }
        self.house.set_clock(until);
        self.house.keep().await?;
        let today = self.sites.iter().map(|site| site.dates.today).min().context("the demo has no clinic")?;
        follow_misses(&self.office.administrator, self.seed, today).await?;
        self.house.plan(self.ahead).await?;
        Ok(self.summary)
    }

    /// How many new days there are: the work that progress is counted in.
    #[must_use]
    pub(super) fn new_days(&self) -> u64 {
        self.new_days
    }

    /// Everything that does not depend on what the service answers.
    fn fill_queue(&mut self) -> anyhow::Result<()> {
        let story = &self.seed.story;
        for (i, site) in self.sites.iter().enumerate() {
            let begins_at = site.midnight(site.dates.first_day) + TimeDelta::minutes(1);
            for (at, deed) in self.seed.stock.deeds(self.seed, site.seed, site.dates)? {
                self.queue.put(at.max(begins_at), Deed::Lot(i, deed));
            }
            for date in site.days() {
                self.queue.put(site.midnight(date), Deed::NewDay);
                self.new_days += 1;
                for (at, happening) in site.agenda(story, date, &mut self.dice) {
                    self.queue.put(at, Deed::Agenda(i, happening));
                }
            }
            for (at, occasion) in site.site_events(story) {
                self.queue.put(at, Deed::Occasion(Box::new(occasion.clone())));
            }
            for (at, operatory_id) in site.taken_out(story) {
                self.queue.put(at, Deed::TakeOut(operatory_id));
            }
        }
        Ok(())
    }

    async fn happen(&mut self, at: DateTime<Utc>, deed: Deed) -> anyhow::Result<()> {
        match deed {
            Deed::NewDay => {
                self.house.keep().await?;
                self.house.plan(self.ahead).await
            }
            Deed::Agenda(site, happening) => self.follow_agenda(at, site, happening).await,
            Deed::Press(site, press) => self.press(site, press).await,
            Deed::Send(site, completions) => self.send(site, completions).await,
            Deed::Work { site, task, performed_by } => {
                let done = self.work(at, site, &task, &performed_by, (Manner::Whole, true));
                self.hand_in(site, vec![(*task, performed_by, done)]);
                Ok(())
            }
            Deed::Result(site, sample) => self.tell_result(site, *sample).await,
            Deed::Occasion(occasion) => {
                let path = format!("/v1/clinics/{}/site-events/{}", occasion.clinic_id, occasion.event_id);
                let mut body = json!({ "kind": occasion.kind, "happened_at": at, "note": occasion.note });
                if let Some(subject_id) = occasion.subject_id {
                    body["subject_id"] = json!(subject_id);
                }
                self.office.administrator.put(&path, &body).await?;
                self.house.plan(self.ahead).await
            }
            Deed::Lot(site, deed) => self.mark_lot(site, deed).await,
            Deed::Step(site, action_id, step) => self.record_step(at, site, action_id, &step).await,
            Deed::TakeOut(operatory_id) => {
                put_operatory_as_it_is(&self.office.administrator, self.seed, operatory_id).await?;
                self.house.plan(self.ahead).await
            }
        }
    }

    async fn follow_agenda(&mut self, at: DateTime<Utc>, site: usize, happening: Happening) -> anyhow::Result<()> {
        let clinic_id = self.sites[site].seed.clinic_id;
        match happening {
            Happening::StartDay => {
                self.sites[site].desk.post(&format!("/v1/clinics/{clinic_id}/day-start"), &json!({})).await?;
                self.summary.days_started += 1;
            }
            Happening::EndDay => {
                self.sites[site].desk.post(&format!("/v1/clinics/{clinic_id}/day-end"), &json!({})).await?;
            }
            Happening::Seat(chair) if self.resting.contains(&chair) => {}
            Happening::Leave(chair) if !self.taken.remove(&chair) => {}
            Happening::Seat(chair) => {
                self.taken.insert(chair);
                let key = self.dice.uuid();
                let path = format!("/v1/operatories/{chair}/seated");
                self.sites[site].desk.post_once(&path, &json!({}), key).await?;
                self.summary.seated += 1;
            }
            Happening::Leave(chair) => {
                let key = self.dice.uuid();
                let path = format!("/v1/operatories/{chair}/left");
                self.sites[site].desk.post_once(&path, &json!({}), key).await?;
                self.summary.left += 1;
                if self.sites[site].is_offline(&self.seed.story, chair, at) {
                    // The tablet shows what it knew before; it cannot say so to anybody yet.
                    let list: DueList = self.sites[site].tablets.get(&format!("/v1/operatories/{chair}/due")).await?;
                    self.remembered.entry(chair).or_default().extend(list.tasks);
                }
            }
            Happening::EndCycle(steriliser) => {
                let cycle_id = self.dice.uuid();
                let cycle = json!({ "cycle_id": cycle_id, "ended_at": at, "program": "wrapped 134" });
                let cycles = format!("/v1/equipment/{steriliser}/cycles");
                self.sites[site].tablets.post(&cycles, &cycle).await?;
                let number = self.loads.entry(steriliser).or_default();
                *number += 1;
                let record = json!({ "load_reference": number.to_string(), "chamber": "loaded", "holds_implants": false,
                                     "outcome_as_printed": "complete", "performed_by": "printer" });
                self.sites[site].tablets.put(&format!("{cycles}/{cycle_id}/record"), &record).await?;
            }
            Happening::AtChair(chair, phase) => {
                let list: DueList = self.sites[site].tablets.get(&format!("/v1/operatories/{chair}/due")).await?;
                let mut tasks = list.tasks;
                if phase == Phase::BackOnline {
                    // What is over by now was done all the same, and is entered late.
                    tasks.splice(..0, self.remembered.remove(&chair).unwrap_or_default());
                }
                self.take_up(at, site, phase, tasks).await?;
            }
            Happening::AroundClinic(phase) => {
                let list: DueList = self.sites[site].tablets.get(&format!("/v1/clinics/{clinic_id}/due")).await?;
                let tasks = list.tasks.into_iter().filter(|t| t.subject.kind != SubjectKind::Operatory).collect();
                self.take_up(at, site, phase, tasks).await?;
            }
        }
        Ok(())
    }

    /// Somebody looks at a list and does what is to be done at this time of day.
    async fn take_up(
        &mut self,
        at: DateTime<Utc>,
        site: usize,
        phase: Phase,
        tasks: Vec<DueTask>,
    ) -> anyhow::Result<()> {
        let mut free_at = at;
        let mut done = Vec::new();
        let alone = tasks.first().filter(|_| phase == Phase::BackOnline).cloned();
        let alone = alone.map(|task| self.somebody(site, &task));
        // Done while there was no network, and entered at once.
        let mut backlog = Vec::new();
        for task in tasks {
            let is_open = matches!(task.state, State::Due | State::Grace | State::Overdue);
            if !is_open || !self.belongs(&task, phase) || !self.decided.insert(task.task_id) {
                continue;
            }
            let today = self.sites[site].dates.today;
            if self.seed.story.stays_undone(task.routine_id, task.clinic_day, today) {
                continue;
            }
            if self.declare_not_required(at, site, &task).await? {
                continue;
            }
            // One person has the tablet that was away.
            let performed_by = alone.clone().unwrap_or_else(|| self.somebody(site, &task));
            let fates = self.seed.story.fates_permille;
            // What repeats a void test is not forgotten a second time, and a backlog is entered as it was done; nor is
            // what the story tells left to chance.
            let is_told = self.seed.story.is_over_limit(&task);
            let on_time = is_told || task.slot.starts_with("repeat") || phase == Phase::BackOnline;
            if !on_time && self.dice.happens(fates.never) {
                continue;
            }
            if !on_time && self.dice.happens(fates.late) {
                let work_at = task.late_at(&mut self.dice).max(at);
                self.queue.put(work_at, Deed::Work { site, task: Box::new(task), performed_by });
                continue;
            }
            if phase == Phase::BackOnline {
                let began_at = if task.due_from < task.due_by - TimeDelta::minutes(45) {
                    task.due_by - TimeDelta::minutes(25)
                } else {
                    task.due_from + seconds_within(&mut self.dice, 1, 3)
                };
                let entry = self.work(began_at, site, &task, &performed_by, (Manner::Whole, false));
                // What would not be over by now was not done yet: it is done like any other work.
                if entry.ended_at <= at {
                    backlog.push((task, performed_by, entry));
                    continue;
                }
            }
            let manner =
                if task.wants_hold() && self.dice.happens(fates.cut_short) { Manner::CutShort } else { Manner::Whole };
            let entry = self.work(free_at, site, &task, &performed_by, (manner, true));
            free_at = entry.ended_at + TimeDelta::seconds(self.dice.between(10, 40));
            if manner == Manner::CutShort {
                let again_at = free_at + seconds_within(&mut self.dice, 1, 4);
                let again = Deed::Work { site, task: Box::new(task.clone()), performed_by: performed_by.clone() };
                self.queue.put(again_at, again);
            }
            done.push((task, performed_by, entry));
        }
        self.hand_in(site, done);
        let mut completions = self.entries(site, backlog);
        let local_day = self.sites[site].hours.clinic_day_of(at);
        if phase == Phase::BackOnline && self.sites[site].is_ticked_at_once(&self.seed.story, local_day) {
            let first_at = at - TimeDelta::seconds(15 * i64::try_from(completions.len()).unwrap_or(0));
            for (entry, i) in completions.iter_mut().zip(0..) {
                let ticked_at = json!(first_at + TimeDelta::seconds(15 * i));
                (entry["performed_at"], entry["entered_at"]) = (ticked_at.clone(), ticked_at);
            }
        }
        self.send(site, completions).await
    }

    /// Whether a task is taken up at this time of day.
    fn belongs(&self, task: &DueTask, phase: Phase) -> bool {
        let Some(anchor) = self.seed.anchor(task.routine_id) else { return false };
        match anchor {
            _ if task.slot.starts_with("repeat") => phase != Phase::BackOnline,
            Anchor::Closing {} => phase == Phase::Closing,
            Anchor::Calendar { place: Place::Closing {}, .. } | Anchor::SessionEnd {} | Anchor::Period { .. } => {
                matches!(phase, Phase::Session | Phase::Closing)
            }
            Anchor::Turnover {} | Anchor::Count { .. } => phase != Phase::Opening,
            Anchor::Opening {}
            | Anchor::FirstPatient {}
            | Anchor::Calendar { .. }
            | Anchor::Interval { .. }
            | Anchor::Idle { .. }
            | Anchor::Event { .. }
            | Anchor::Follows { .. } => true,
        }
    }

    /// Who does a task: the lead signs for the clinic, the people at the chairs do the rest.
    fn somebody(&mut self, site: usize, task: &DueTask) -> String {
        let staff = self.seed.staff.get(&self.sites[site].seed.clinic_id).map(Vec::as_slice).unwrap_or_default();
        let fits = |role: &str| match task.subject.kind {
            SubjectKind::Clinic => role == "lead",
            _ => role == "assistant" || role == "nurse" || role == "hygienist",
        };
        let able: Vec<&str> = staff.iter().filter(|p| fits(&p.role)).map(|p| p.performed_by.as_str()).collect();
        self.dice.pick(&able).copied().unwrap_or("staff").to_owned()
    }

    fn work(
        &mut self,
        at: DateTime<Utc>,
        site: usize,
        task: &DueTask,
        performed_by: &str,
        (manner, online): (Manner, bool),
    ) -> Done {
        let Self { seed, sites, dice, .. } = self;
        let here = &sites[site];
        let lines = here.seed.lines_of(task.subject.subject_id);
        let mut tablet = Tablet { story: &seed.story, shelf: &here.shelf, lines, dice, performed_by, online };
        let mut done = tablet.work(task, at, manner);
        if self.seed.story.signed.contains(&task.routine_id) {
            let staff = self.seed.staff.get(&self.sites[site].seed.clinic_id).map(Vec::as_slice).unwrap_or_default();
            if let Some(person) = staff.iter().find(|person| person.performed_by == performed_by) {
                done.completion["staff_id"] = json!(person.staff_id);
                done.completion["pin"] = json!(person.pin);
            }
        }
        done
    }

    async fn declare_not_required(&mut self, at: DateTime<Utc>, site: usize, task: &DueTask) -> anyhow::Result<bool> {
        let today = self.sites[site].dates.today;
        let Some((i, declared)) = first_told(&self.seed.story.not_required, task, today) else { return Ok(false) };
        if !self.told.insert(("not_required", i)) {
            return Ok(false);
        }
        let completion = json!({
            "completion_id": self.dice.uuid(), "task_id": task.task_id, "kind": "not_required",
            "performed_at": at, "performed_by": "SQ", "reason": declared.reason,
        });
        let answer = self.office.manager.post("/v1/completions", &completion).await?;
        self.summary.count_completion(&answer);
        Ok(true)
    }
}

/// The story line that is about this task, and its place in the story.
fn first_told<'s>(lines: &'s [Declared], task: &DueTask, today: NaiveDate) -> Option<(usize, &'s Declared)> {
    lines.iter().enumerate().find(|(_, line)| {
        line.routine_id == task.routine_id
            && line.subject_id == task.subject.subject_id
            && task.clinic_day >= date_from(today, line.from_days)
    })
}
