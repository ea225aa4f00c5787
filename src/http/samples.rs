//! Values that the examples of several resources share, so that the API document tells one story: an assistant
//! flushes a chair's two lines before the first patient.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde_json::{Value, json};
use uuid::{Uuid, uuid};

use super::completions::{CompletionAnswer, CompletionInput, StepResultView};
use super::tasks::{HoldView, TaskSubject, TaskView, WantedStepView};
use crate::domain::evidence::{CompletionKind, DeviceMoment, HoldRecord, MeasuredBy, StepAnswer, StepStatus};
use crate::domain::limit::{Limit, Operator, Seen, SetBy, Source};
use crate::domain::plan::because::{Because, Fact};
use crate::domain::seal::record::{Record, instant_text, leaves};
use crate::domain::seal::{Day, DaySeal};
use crate::domain::step::StepEvidence;
use crate::domain::subject::SubjectKind;
use crate::domain::task::State;

pub(super) const CLINIC: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c001");
pub(super) const OPERATORY: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c002");
pub(super) const ROUTINE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c003");
pub(super) const TASK: Uuid = uuid!("0000512e-9d0a-8c57-9a53-7f1e2a90c004");
pub(super) const COMPLETION: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c005");
pub(super) const HOLD: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c006");
pub(super) const KEY: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c007");
pub(super) const FEED: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c009");
pub(super) const MARK: Uuid = uuid!("0b6f2c3e-5d0a-8c57-9a53-7f1e2a90c008");
pub(super) const EQUIPMENT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c00a");
pub(super) const CYCLE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c00b");
pub(super) const GROUP: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c00d");
pub(super) const FINDING: Uuid = uuid!("0b6f2c3e-5d0a-8c57-9a53-7f1e2a90c00e");
pub(super) const PRODUCT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c031");
pub(super) const LOT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c032");
pub(super) const INSTRUMENT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c020");
pub(super) const OWN_LIMIT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c021");
pub(super) const STAFF: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c00f");
pub(super) const COMPETENCE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c010");
pub(super) const QUARANTINE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c01a");
pub(super) const RELEASE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c011");
pub(super) const ACTION: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c012");
pub(super) const STEP_RECORD: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c013");
pub(super) const CLOSING: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c014");
pub(super) const ADVISORY: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c040");
pub(super) const LIFTING: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c041");
pub(super) const SIGN_OFF: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c042");
pub(super) const LEGAL_HOLD: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c043");
pub(super) const LIFT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c044");
pub(super) const PURGE: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c045");
pub(super) const SITE_EVENT: Uuid = uuid!("0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c00c");

/// The clinic day of the story.
pub(super) fn day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 11, 26).expect("a date")
}

/// An instant of that morning.
pub(super) fn morning(hour: u32, minute: u32) -> DateTime<Utc> {
    day().and_hms_opt(hour, minute, 0).expect("a time of day").and_utc()
}

fn source() -> Source {
    Source {
        title: "HTM 01-05".to_owned(),
        edition: "2013".to_owned(),
        locator: "para 6.85".to_owned(),
        seen: Seen::Read,
    }
}

/// Why the task is due: the clinic opens.
pub(super) fn because() -> Because {
    Because { fact: Fact::PlannedOpening {}, moved: None, utc_offset_seconds: 0 }
}

/// The task.
pub(super) fn task() -> TaskView {
    let step = |part: &str| WantedStepView {
        step: format!("flush:{part}"),
        part: Some(part.to_owned()),
        instruction: "Let the line run with no handpiece fitted.".to_owned(),
        required: true,
        cycle: None,
        evidence: StepEvidence::Hold {
            minimum_seconds: 120,
            maximum_seconds: None,
            source: source(),
            minimum_from: None,
        },
    };
    TaskView {
        task_id: TASK,
        clinic_id: CLINIC,
        clinic_day: day(),
        subject: TaskSubject { subject_id: OPERATORY, kind: SubjectKind::Operatory, name: "Chair 2".to_owned() },
        routine_id: ROUTINE,
        routine_version: 1,
        routine_name: "Flush the waterlines before the first patient".to_owned(),
        slot: "opening".to_owned(),
        state: State::Due,
        outcome_reason: String::new(),
        level: 0,
        audience: None,
        blocking: true,
        because: Some(because()),
        why: "By its hours the clinic opens at 08:30 on Thursday 2026-11-26.".to_owned(),
        due_from: morning(7, 30),
        due_by: morning(8, 30),
        overdue_at: morning(8, 40),
        missed_at: morning(12, 30),
        started_at: None,
        failed_attempt: false,
        steps: vec![step("handpiece-1"), step("syringe")],
        holds: Vec::new(),
        cautions: vec!["Run into the suction, away from faces; no bur or tip fitted.".to_owned()],
        sources: vec![source()],
        rough_minutes: 5,
    }
}

/// A hold of the task.
pub(super) fn hold() -> HoldView {
    HoldView {
        hold_id: HOLD,
        step: "flush:handpiece-1".to_owned(),
        hold_started_at: morning(8, 2),
        hold_ended_at: Some(morning(8, 5)),
        elapsed_seconds: Some(180),
    }
}

/// What a tablet noted of a hold of so many seconds.
fn hold_record(seconds: u32) -> HoldRecord {
    let moment = |after: u32| DeviceMoment {
        counter_ms: 86_400_250 + u64::from(after) * 1_000,
        boot_id: "7c1d8f5e-run-41".to_owned(),
        clock_at: morning(8, 6) + TimeDelta::seconds(after.into()),
    };
    HoldRecord { started: moment(0), ended: moment(seconds) }
}

/// The completion as it is posted.
pub(super) fn completion_input() -> CompletionInput {
    let answer = |part: &str, hold_id, elapsed_seconds: Option<u32>| StepAnswer {
        step: format!("flush:{part}"),
        status: StepStatus::Done,
        hold_id,
        elapsed_seconds,
        hold_record: elapsed_seconds.map(hold_record),
        reading: None,
        lot_id: None,
        mixed_at: None,
        too_many_to_count: false,
        instrument_id: None,
        given: None,
        reason: String::new(),
    };
    CompletionInput {
        completion_id: COMPLETION,
        task_id: TASK,
        kind: CompletionKind::Performed,
        performed_at: morning(8, 9),
        performed_by: Some("KV".to_owned()),
        steps: vec![answer("handpiece-1", Some(HOLD), None), answer("syringe", None, Some(125))],
        reason: String::new(),
        note: String::new(),
        corrects: None,
        staff_id: None,
        pin: None,
        device_at: None,
        entered_at: None,
    }
}

/// The completion as it is kept.
pub(super) fn completion_answer() -> CompletionAnswer {
    let step = |part: &str, hold_id, elapsed, measured_by| StepResultView {
        step: format!("flush:{part}"),
        kind: "hold".to_owned(),
        status: "done".to_owned(),
        verdict: "passed".to_owned(),
        finding: String::new(),
        hold_id,
        elapsed_seconds: Some(elapsed),
        measured_by: Some(measured_by),
        minimum_seconds: Some(120),
        hold_record: (measured_by == MeasuredBy::Device).then(|| json!(hold_record(125))),
        maximum_seconds: None,
        too_many_to_count: false,
        instrument_id: None,
        given: None,
        lines: None,
        qualifier: None,
        value: None,
        unit: None,
        limits: Some(json!([Limit::in_force_always(Operator::Ge, 120.into(), "s", &source(), SetBy::Default)])),
        no_limit_in_force: false,
        lot_id: None,
        product_version: None,
        mixed_at: None,
        reason: String::new(),
    };
    CompletionAnswer {
        completion_id: COMPLETION,
        task_id: TASK,
        clinic_id: CLINIC,
        kind: "performed".to_owned(),
        performed_at: morning(8, 9),
        recorded_at: morning(8, 10),
        performed_by: "KV".to_owned(),
        key_id: KEY,
        verdict: "passed".to_owned(),
        findings: Vec::new(),
        early: false,
        late: false,
        late_entry: false,
        duplicate: false,
        outcome: Some("done".to_owned()),
        corrects: None,
        reason: String::new(),
        note: String::new(),
        staff_id: None,
        signed: Some(false),
        flags: Vec::new(),
        device_at: None,
        entered_at: None,
        steps: vec![
            step("handpiece-1", Some(HOLD), 180, MeasuredBy::Server),
            step("syringe", None, 125, MeasuredBy::Device),
        ],
    }
}

/// A record of the story, and the seal of a day on which nothing else was recorded.
pub(super) fn sealed() -> (Record, DaySeal) {
    let fields = json!({
        "group_id": GROUP, "clinic_id": CLINIC, "clinic_day": day(), "edge": "start",
        "marked_at": instant_text(morning(8, 5)), "recorded_at": instant_text(morning(8, 5)), "key_id": KEY,
    });
    let Value::Object(fields) = fields else { unreachable!("an object was written") };
    let record = Record::new("day_mark", format!("{}/start", day()), fields);
    let midnight = morning(0, 0);
    let span = Day {
        group_id: GROUP,
        clinic_id: CLINIC,
        clinic_day: day(),
        recorded_from: midnight,
        recorded_until: midnight + TimeDelta::days(1),
    };
    let leaves = leaves(std::slice::from_ref(&record)).expect("text can be hashed");
    let sealed_at = span.recorded_until + TimeDelta::minutes(10);
    (record, DaySeal::new(span, &leaves, sealed_at, None).expect("the first seal of a chain"))
}
