//! Every kind of edit of the configuration, dealt like cards: all kinds before any comes again.

use chrono::{NaiveDate, TimeDelta};
use serde_json::json;

use super::routines::{ROUTINES, routines};
use super::town::{LEAD, PIN, Town, ZONES, equipment, operatory, week};
use crate::support::chance::Chance;
use crate::support::id;

/// A kind of edit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Edit {
    CloseDays,
    CloseHours,
    TakeClosureBack,
    OpenSpecially,
    TakeSpecialOpeningBack,
    SetHours,
    SetDatedWeek,
    TakeDatedWeekBack,
    ChangeServiceState,
    RecordSiteEvent,
    WithdrawSiteEvent,
    ChangeAdvisory,
    MarkDayFull,
    TakeFullDayBack,
    AddChair,
    MoveChair,
    MoveSteriliser,
    ChangeZone,
    ChangeRoutine,
    ChangeLadder,
}

/// Those of one clinic.
pub(super) const OF_CLINIC: [Edit; 18] = [
    Edit::CloseDays,
    Edit::CloseHours,
    Edit::TakeClosureBack,
    Edit::OpenSpecially,
    Edit::TakeSpecialOpeningBack,
    Edit::SetHours,
    Edit::SetDatedWeek,
    Edit::TakeDatedWeekBack,
    Edit::ChangeServiceState,
    Edit::RecordSiteEvent,
    Edit::WithdrawSiteEvent,
    Edit::ChangeAdvisory,
    Edit::MarkDayFull,
    Edit::TakeFullDayBack,
    Edit::AddChair,
    Edit::MoveChair,
    Edit::MoveSteriliser,
    Edit::ChangeZone,
];

/// Those of the whole group; most are of routines.
pub(super) const OF_GROUP: [Edit; 4] =
    [Edit::ChangeRoutine, Edit::ChangeLadder, Edit::ChangeRoutine, Edit::ChangeRoutine];

impl Edit {
    /// As it is counted.
    pub(super) fn name(self) -> String {
        format!("edit: {self:?}")
    }
}

/// The cards that are left of each pack.
#[derive(Default)]
pub(super) struct Edits {
    of_clinic: Vec<Edit>,
    of_group: Vec<Edit>,
}

impl Edits {
    pub(super) fn next_of_clinic(&mut self, chance: &mut Chance) -> Edit {
        deal(&mut self.of_clinic, &OF_CLINIC, chance)
    }

    pub(super) fn next_of_group(&mut self, chance: &mut Chance) -> Edit {
        deal(&mut self.of_group, &OF_GROUP, chance)
    }
}

fn deal(left: &mut Vec<Edit>, all: &[Edit], chance: &mut Chance) -> Edit {
    if left.is_empty() {
        left.extend(all);
    }
    let last = u64::try_from(left.len() - 1).expect("few");
    left.swap_remove(usize::try_from(chance.between(0, last)).expect("within the pack"))
}

impl Town<'_> {
    /// One change of a clinic's configuration. One that takes something back first makes it where there is none, with
    /// the planner's look in between.
    pub(super) async fn edit_clinic(&mut self, n: usize, edit: Edit, chance: &mut Chance) {
        let site = format!("/v1/clinics/{}", self.sites[n].clinic_id);
        let on = self.day_ahead(chance);
        match edit {
            Edit::CloseDays => self.close_days(n, chance).await,
            Edit::CloseHours => {
                let (from, until) = (chance.between(0, 12), chance.between(13, 23));
                self.close(n, format!("{on}T{from:02}:00"), format!("{on}T{until:02}:30"), "power").await;
            }
            Edit::TakeClosureBack => {
                if self.sites[n].closures.is_empty() {
                    self.close_days(n, chance).await;
                    self.app.plan().await;
                }
                let closure = self.sites[n].closures.pop().expect("one was made");
                self.admin.delete(&format!("{site}/closures/{closure}")).await.expect(204);
            }
            Edit::OpenSpecially => self.open_specially(&site, on).await,
            Edit::TakeSpecialOpeningBack => {
                self.open_specially(&site, on).await;
                self.app.plan().await;
                self.admin.delete(&format!("{site}/special-openings/{on}")).await.expect(204);
            }
            Edit::SetHours => self.set_hours(n, chance).await,
            // Refused where it would run into the week before it.
            Edit::SetDatedWeek => {
                self.admin.put(&format!("{site}/weeks/{on}"), json!({ "week": week(chance) })).await;
            }
            Edit::TakeDatedWeekBack => {
                let made = self.admin.put(&format!("{site}/weeks/{on}"), json!({ "week": week(chance) })).await;
                self.app.plan().await;
                if made.status.is_success() {
                    self.admin.delete(&format!("{site}/weeks/{on}")).await.expect(204);
                }
            }
            Edit::ChangeServiceState => self.change_service_state(n, chance).await,
            Edit::RecordSiteEvent => self.record_site_event(n, chance).await,
            Edit::ChangeAdvisory => self.change_advisory(n, chance).await,
            Edit::WithdrawSiteEvent => {
                if self.sites[n].events.is_empty() {
                    self.record_site_event(n, chance).await;
                    self.app.plan().await;
                }
                let event = self.sites[n].events.pop().expect("one was recorded");
                self.admin.delete(&format!("{site}/site-events/{event}")).await.expect(204);
            }
            Edit::MarkDayFull => {
                self.admin.put(&format!("{site}/full-days/{on}"), json!({})).await;
            }
            Edit::TakeFullDayBack => {
                self.admin.put(&format!("{site}/full-days/{on}"), json!({})).await;
                self.app.plan().await;
                self.admin.delete(&format!("{site}/full-days/{on}")).await.expect(204);
            }
            Edit::AddChair => {
                let chair = self.fresh();
                if self.sites[n].chairs.len() < 6 {
                    let body = operatory(self.sites[n].clinic_id, chair, true);
                    self.put(&format!("/v1/operatories/{chair}"), body).await;
                    self.sites[n].chairs.push(chair);
                }
            }
            Edit::MoveChair => self.move_chair(n, chance).await,
            Edit::MoveSteriliser => self.move_steriliser(n, chance).await,
            Edit::ChangeZone => {
                let body = json!({ "name": self.sites[n].name, "zone": *chance.one_of(&ZONES) });
                self.put(&site, body).await;
            }
            Edit::ChangeRoutine | Edit::ChangeLadder => unreachable!("of the group"),
        }
        self.tally.count(&edit.name());
    }

    fn day_ahead(&self, chance: &mut Chance) -> NaiveDate {
        self.app.clock.now().date_naive() + TimeDelta::days(i64::try_from(chance.between(0, 12)).expect("small"))
    }

    async fn close(&mut self, n: usize, from_local: String, until_local: String, reason: &str) {
        let closure = self.fresh();
        let path = format!("/v1/clinics/{}/closures/{closure}", self.sites[n].clinic_id);
        self.put(&path, json!({ "from_local": from_local, "until_local": until_local, "reason": reason })).await;
        self.sites[n].closures.push(closure);
    }

    async fn close_days(&mut self, n: usize, chance: &mut Chance) {
        let from = self.day_ahead(chance);
        let until = from + TimeDelta::days(i64::try_from(chance.between(1, 9)).expect("small"));
        self.close(n, format!("{from}T00:00"), format!("{until}T00:00"), "works in the street").await;
    }

    async fn open_specially(&self, site: &str, on: NaiveDate) {
        let body = json!({ "sessions": [{ "opens": "09:00", "closes": "12:00" }], "reason": "emergencies" });
        self.put(&format!("{site}/special-openings/{on}"), body).await;
    }

    async fn change_service_state(&mut self, n: usize, chance: &mut Chance) {
        let site = &mut self.sites[n];
        let chair = *chance.one_of(&site.chairs);
        let comes_back = site.out_of_service.contains(&chair);
        if comes_back {
            site.out_of_service.retain(|out| *out != chair);
        } else {
            site.out_of_service.push(chair);
        }
        let body = operatory(site.clinic_id, chair, comes_back);
        self.put(&format!("/v1/operatories/{chair}"), body).await;
    }

    async fn record_site_event(&mut self, n: usize, chance: &mut Chance) {
        let event = self.fresh();
        let kind = *chance.one_of(&["repair", "plumbing_change", "commissioning"]);
        let subject = chance.percent(50).then(|| *chance.one_of(&self.sites[n].chairs));
        let mut body = json!({ "kind": kind, "happened_at": self.app.clock.now() });
        if let Some(subject) = subject {
            body["subject_id"] = json!(subject);
        }
        self.put(&format!("/v1/clinics/{}/site-events/{event}", self.sites[n].clinic_id), body).await;
        self.sites[n].events.push(event);
    }

    /// A water advisory starts, some hours ago perhaps, or the one that stands is lifted.
    async fn change_advisory(&mut self, n: usize, chance: &mut Chance) {
        let now = self.app.clock.now();
        let clinic_id = self.sites[n].clinic_id;
        if let Some(advisory) = self.sites[n].advisory.take() {
            let body = json!({ "lifting_id": self.fresh(), "reason": "letter", "lifted_at": now, "clinic_ids": [clinic_id],
                               "signature": { "staff_id": id(LEAD), "pin": PIN } });
            self.admin.post(&format!("/v1/water-advisories/{advisory}/lifting"), body).await.expect(201);
            return;
        }
        let advisory = self.fresh();
        let started_at = now - TimeDelta::hours(*chance.one_of(&[0, 1, 7, 50]));
        let body = json!({ "authority": "Saltmarrow Water", "clinic_ids": [clinic_id], "started_at": started_at,
                           "opened_by": "MO" });
        self.put(&format!("/v1/water-advisories/{advisory}"), body).await;
        self.sites[n].advisory = Some(advisory);
    }

    /// To another clinic, with its service state; the last chair stays, so that a clinic has one.
    async fn move_chair(&mut self, from: usize, chance: &mut Chance) {
        let to = self.another(from, chance);
        if self.sites[from].chairs.len() < 2 {
            return;
        }
        let chair = *chance.one_of(&self.sites[from].chairs);
        let is_out = self.sites[from].out_of_service.contains(&chair);
        self.sites[from].chairs.retain(|one| *one != chair);
        self.sites[from].out_of_service.retain(|one| *one != chair);
        self.sites[to].chairs.push(chair);
        if is_out {
            self.sites[to].out_of_service.push(chair);
        }
        let body = operatory(self.sites[to].clinic_id, chair, !is_out);
        self.put(&format!("/v1/operatories/{chair}"), body).await;
    }

    async fn move_steriliser(&mut self, from: usize, chance: &mut Chance) {
        let to = self.another(from, chance);
        let Some(machine) = self.sites[from].sterilisers.pop() else { return };
        self.sites[to].sterilisers.push(machine);
        self.put(&format!("/v1/equipment/{machine}"), equipment(self.sites[to].clinic_id, "steriliser")).await;
    }

    fn another(&self, than: usize, chance: &mut Chance) -> usize {
        let others = u64::try_from(self.sites.len() - 1).expect("few");
        assert!(others > 0, "what moves needs two clinics");
        (than + usize::try_from(chance.between(1, others)).expect("few")) % self.sites.len()
    }

    /// A new version of a routine, or another ladder.
    pub(super) async fn edit_group(&mut self, edit: Edit, chance: &mut Chance) {
        if edit == Edit::ChangeLadder {
            let rungs = json!({ "rungs": [
                { "after_minutes": chance.between(0, 90), "counted_in": "elapsed_time", "audience": "chairside" },
                { "after_minutes": chance.between(30, 900), "counted_in": "opening_time", "audience": "group_manager" },
            ] });
            self.put("/v1/ladder", rungs).await;
        } else {
            let all = routines();
            let n = usize::try_from(chance.between(0, u64::try_from(all.len() - 1).expect("few"))).expect("few");
            let mut content = all[n].clone();
            content["in_use"] = json!(chance.percent(85));
            content["rough_minutes"] = json!(chance.between(1, 40));
            let effective_on = (self.app.clock.now() + TimeDelta::days(2)).date_naive();
            let body = json!({ "effective_on": effective_on, "routine": content });
            self.put(&format!("/v1/routines/{}", id(ROUTINES + u32::try_from(n).expect("few"))), body).await;
        }
        self.tally.count(&edit.name());
    }
}
