//! The documents of a completion: as it is posted, and as it is kept.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::PgConnection;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::evidence::{self, CompletionKind, MeasuredBy, StepAnswer};
use crate::domain::flags::Flag;
use crate::domain::pin::Pin;
use crate::http::problem::ApiResult;
use crate::store::completions::{self, Completion, StepResult};

/// Evidence about one task, as a person at the chair posts it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CompletionInput {
    /// Made by the client, once for each completion.
    pub completion_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// What it says about the task; left out: performed.
    #[serde(default = "performed")]
    pub kind: CompletionKind,
    /// When the work was done, by the device's clock; not in the future.
    pub performed_at: DateTime<Utc>,
    /// The person, by initials as in `/v1/staff`; never a patient. May be left out where `staff_id` names them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: Option<String>,
    /// The answers to the task's steps, in any order.
    #[serde(default)]
    #[schema(max_items = 400)]
    pub steps: Vec<StepAnswer>,
    /// Why it is not required, void, or a correction.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
    /// A note about the work; never about a patient.
    #[serde(default)]
    #[schema(max_length = 1000)]
    pub note: String,
    /// The completion of the same task that this one corrects; both stay visible.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<Uuid>,
    /// The person, by id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub staff_id: Option<Uuid>,
    /// The PIN of the person named by `staff_id`: right, it is signed; wrong, nothing is kept. A device that was
    /// offline keeps nobody's PIN and leaves it out. No part of what a repeat is compared by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = "^[0-9]{4,12}$")]
    pub pin: Option<Pin>,
    /// What the device's clock says as it sends this. No part of what a repeat is compared by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub device_at: Option<DateTime<Utc>>,
    /// When the person entered it on the device, by the device's clock: a device that keeps entries while it is offline
    /// notes that with each. Left out of what comes more than an hour after the work, the entry is flagged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entered_at: Option<DateTime<Utc>>,
}

impl CompletionInput {
    /// What a repeat is compared by. Old documents have the text they always had: what is left out is not written.
    pub(super) fn content(&self) -> Self {
        Self { pin: None, device_at: None, ..self.clone() }
    }
}

fn performed() -> CompletionKind {
    CompletionKind::Performed
}

/// A completion as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own that a reader filters by")]
pub struct CompletionAnswer {
    /// Made by the client.
    pub completion_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// What it says.
    pub kind: String,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// The device: the API key it was posted with.
    pub key_id: Uuid,
    /// The verdict: `passed`, `failed`, `result_pending`, `not_required` or `void`.
    pub verdict: String,
    /// What a reader should see beside the verdict.
    pub findings: Vec<evidence::Finding>,
    /// Performed before the window opened.
    pub early: bool,
    /// Performed after it was due.
    pub late: bool,
    /// Recorded after the window had closed.
    pub late_entry: bool,
    /// Another completion of the task counts, which failed or was performed first; both are kept. May change as others come.
    pub duplicate: bool,
    /// What it makes of its task if it counts: `done`, `not_required`, `void` or `result_pending`; null: nothing, or recorded
    /// before this was kept.
    #[schema(required)]
    pub outcome: Option<String>,
    /// The completion it corrects.
    #[schema(required)]
    pub corrects: Option<Uuid>,
    /// Reason of a correction, a not-required or a void, or why a late entry came late.
    pub reason: String,
    /// The note.
    pub note: String,
    /// The person, where the device named one by id.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// Whether that person's PIN came with it and was right; null: recorded before there were PINs.
    #[schema(required)]
    pub signed: Option<bool>,
    /// What a lead should look at, as it was known when this was recorded. Never changes the verdict.
    pub flags: Vec<FlagNote>,
    /// What the device's clock said as it sent.
    #[schema(required)]
    pub device_at: Option<DateTime<Utc>>,
    /// When it was entered on the device, by the device's clock; null: the device did not say.
    #[schema(required)]
    pub entered_at: Option<DateTime<Utc>>,
    /// Each step with the rule it was judged by.
    pub steps: Vec<StepResultView>,
}

/// A flag with what it says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FlagNote {
    /// Its stable name.
    pub flag: Flag,
    /// What it says.
    #[schema(example = "recorded after the window had closed")]
    pub finding: String,
}

impl FlagNote {
    /// Stored flags with their words; a name that only a later version knows is passed over.
    pub(in crate::http) fn of(names: &[String]) -> Vec<Self> {
        let flags = names.iter().filter_map(|name| Flag::from_name(name));
        flags.map(|flag| Self { flag, finding: flag.words().to_owned() }).collect()
    }
}

/// A step's answer with the rule it was judged by.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StepResultView {
    /// The wanted step's key.
    pub step: String,
    /// `confirmation`, `hold`, `reading`, `product`, `choice`, `count`, `reference`, `text`, `spore_test` or
    /// `water_sample`.
    pub kind: String,
    /// `done`, `skipped`, `not_applicable` or `result_pending`.
    pub status: String,
    /// `passed`, `failed`, `result_pending`, `not_applicable` or `void`.
    pub verdict: String,
    /// The verdict in words, and what is to be seen beside it; else empty.
    pub finding: String,
    /// The server-timed hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_id: Option<Uuid>,
    /// Seconds held: as the server timed it, or the lesser of what the device sent and what its record bears out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elapsed_seconds: Option<i32>,
    /// Who measured them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_by: Option<MeasuredBy>,
    /// What the device noted of a hold that it timed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<evidence::HoldRecord>)]
    pub hold_record: Option<Value>,
    /// The minimum that decided, in seconds: the step's, or the product's contact time where that is longer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minimum_seconds: Option<i32>,
    /// The maximum that decided, in seconds: the step's, or the product's where that is shorter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maximum_seconds: Option<i32>,
    /// Of a reading: `lt`, `eq` or `gt`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub qualifier: Option<String>,
    /// Of a reading, as a decimal string.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Of a reading, UCUM.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// A reading for which no number can be given.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub too_many_to_count: bool,
    /// What a reading was taken with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument_id: Option<Uuid>,
    /// An answer of a kind of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<evidence::Given>)]
    pub given: Option<Value>,
    /// The bottles of a water sample, each with the limit that decided; what stands beside it is information only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<crate::domain::water_sample::JudgedLine>>)]
    pub lines: Option<Value>,
    /// The limits that decided, with their sources: of a reading, each with the stricter ones of the law behind it; of a hold,
    /// its shortest and longest time; of a product, how long it keeps, and the pH that an amalgam rule allows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<crate::domain::limit::Limit>>)]
    pub limits: Option<Value>,
    /// It has limits, and none of them was in force that day here: the value is judged by none, whatever the verdict says.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub no_limit_in_force: bool,
    /// Of a product: the lot it was worked with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot_id: Option<Uuid>,
    /// Of a product: the version it was judged by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub product_version: Option<i32>,
    /// Of a product: when the solution was mixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mixed_at: Option<DateTime<Utc>>,
    /// Why it was skipped or does not apply.
    pub reason: String,
}

impl StepResultView {
    fn of(row: StepResult) -> ApiResult<Self> {
        Ok(Self {
            measured_by: row.measured_by()?,
            step: row.step_key,
            kind: row.kind,
            status: row.status,
            verdict: row.verdict,
            finding: row.finding,
            hold_id: row.hold_id,
            elapsed_seconds: row.elapsed_seconds,
            minimum_seconds: row.minimum_seconds,
            qualifier: row.qualifier,
            value: row.value.map(|v| v.to_string()),
            unit: row.unit,
            limits: row.limits,
            lot_id: row.lot_id,
            product_version: row.product_version,
            mixed_at: row.mixed_at,
            maximum_seconds: row.maximum_seconds,
            too_many_to_count: row.too_many_to_count.unwrap_or(false),
            instrument_id: row.instrument_id,
            given: row.given,
            lines: row.lines,
            no_limit_in_force: row.no_limit_in_force.unwrap_or(false),
            hold_record: row.hold_record,
            reason: row.reason,
        })
    }
}

impl CompletionAnswer {
    /// The views of some completions of one clinic day, in their order.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn of_rows(
        db: &mut PgConnection,
        group_id: Uuid,
        clinic_day: NaiveDate,
        rows: Vec<Completion>,
    ) -> ApiResult<Vec<Self>> {
        let ids: Vec<Uuid> = rows.iter().map(|r| r.completion_id).collect();
        let mut steps: BTreeMap<Uuid, Vec<StepResultView>> = BTreeMap::new();
        for row in completions::list_steps(db, group_id, clinic_day, &ids).await? {
            steps.entry(row.completion_id).or_default().push(StepResultView::of(row)?);
        }
        Ok(rows
            .into_iter()
            .map(|row| Self {
                steps: steps.remove(&row.completion_id).unwrap_or_default(),
                completion_id: row.completion_id,
                task_id: row.task_id,
                clinic_id: row.clinic_id,
                kind: row.kind,
                performed_at: row.performed_at,
                recorded_at: row.recorded_at,
                performed_by: row.performed_by,
                key_id: row.key_id,
                verdict: row.verdict,
                findings: serde_json::from_value(row.findings).unwrap_or_default(),
                early: row.early,
                late: row.late,
                late_entry: row.late_entry,
                duplicate: row.duplicate,
                outcome: row.outcome,
                corrects: row.corrects,
                reason: row.reason,
                note: row.note,
                staff_id: row.staff_id,
                signed: row.signed,
                flags: FlagNote::of(&row.flags.unwrap_or_default()),
                device_at: row.device_at,
                entered_at: row.entered_at,
            })
            .collect())
    }
}
