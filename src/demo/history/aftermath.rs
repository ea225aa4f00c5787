//! What follows a failure: somebody works the steps of its corrective action, and nobody sits in the chair meanwhile.
//!
//! The rule of this file: an action is found as its people find it, on the list of the open ones; which of its steps are
//! done by the day of the load is told by the story.

use anyhow::Context;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Deserialize;
use serde_json::json;
use uuid::Uuid;

use super::super::stock::LotDeed;
use super::super::story::WorkedStep;
use super::{Deed, History};
use crate::domain::chain::ChainKind;

/// The open actions, as the service lists them.
#[derive(Debug, Deserialize)]
struct ActionList {
    items: Vec<OpenAction>,
}

/// An open action; what the demo has no use for is left out.
#[derive(Debug, Deserialize)]
struct OpenAction {
    action_id: Uuid,
    subject_id: Uuid,
    kind: ChainKind,
    opened_at: DateTime<Utc>,
}

impl History<'_> {
    /// Looks for actions that nobody has seen yet: what they are about is left alone, and their steps are planned.
    pub(super) async fn look_at_actions(&mut self, site: usize) -> anyhow::Result<()> {
        let path = format!("/v1/corrective-actions?clinic_id={}", self.sites[site].seed.clinic_id);
        let open: ActionList = self.office.manager.get(&path).await?;
        for action in open.items {
            if !self.actions.insert(action.action_id) {
                continue;
            }
            self.summary.actions += 1;
            self.resting.insert(action.subject_id);
            let told = |w: &&super::super::story::Worked| w.subject_id == action.subject_id && w.kind == action.kind;
            let Some(worked) = self.seed.story.worked.iter().find(told) else { continue };
            let mut last_at = action.opened_at;
            for step in &worked.steps {
                let wanted_at = action.opened_at + TimeDelta::minutes(step.after_minutes);
                // In the order of the chain, also where a closed day moves one of them.
                last_at = self.sites[site].while_open(wanted_at).max(last_at + TimeDelta::minutes(1));
                self.queue.put(last_at, Deed::Step(site, action.action_id, step.clone()));
            }
        }
        Ok(())
    }

    pub(super) async fn record_step(
        &mut self,
        at: DateTime<Utc>,
        site: usize,
        action_id: Uuid,
        step: &WorkedStep,
    ) -> anyhow::Result<()> {
        let body = json!({
            "record_id": self.dice.uuid(), "performed_at": at, "performed_by": step.performed_by, "note": step.note,
        });
        let path = format!("/v1/corrective-actions/{action_id}/steps/{}", step.step);
        self.sites[site].tablets.put(&path, &body).await.with_context(|| format!("the step {}", step.step))
    }

    pub(super) async fn mark_lot(&mut self, site: usize, deed: LotDeed) -> anyhow::Result<()> {
        if !deed.is_recall {
            return self.sites[site].tablets.put(&deed.path, &deed.body).await;
        }
        self.office.manager.put(&deed.path, &deed.body).await?;
        self.look_at_actions(site).await
    }
}
