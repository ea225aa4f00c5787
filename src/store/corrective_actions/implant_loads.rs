//! Loads with implantable devices, each held until a spore test that ran in its own cycle has passed.
//!
//! The rule of this file: every load with an implantable device is tested and held until the result (CDC, MMWR 52(RR-17)
//! 2003, rec. VI.G, p. 24, read in a quotation). It is data: the chain that the group has in force for growth says so, or not.
//! The test stands on the list of what is due; a test of another cycle is none of this load.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::wanted_tests::{self, Wanted, Withdrawn};
use super::{actions, chains, quarantines};
use crate::domain::chain::progress::StepTimes;
use crate::domain::chain::{ChainKind, StepWindow};
use crate::domain::corrective_action::derive_implant_quarantine_id;
use crate::domain::cycle_load::Chamber;
use crate::domain::evidence::Verdict;
use crate::domain::plan::because::Fact;
use crate::domain::quarantine::{CauseKind, Quarantine};
use crate::domain::task::TaskId;
use crate::store::cycles::records::CycleRecord;
use crate::store::cycles::{self, records, traced_loads};
use crate::store::{Result, tasks};

/// Holds the load of a cycle whose record says that implantable devices are in it; once, whatever is recorded later.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub async fn hold(db: &mut PgConnection, group_id: Uuid, record: &CycleRecord, now: DateTime<Utc>) -> Result<()> {
    if !waits(record) {
        return Ok(());
    }
    let chain = chains::current(&mut *db, group_id, ChainKind::PositiveSporeTest).await?.chain;
    let Some(window) = chain.implant_test else { return Ok(()) };
    let label = record.load.load_reference.clone();
    let label = label.unwrap_or_else(|| format!("of cycle {}, no label told", record.cycle_id));
    let quarantine = Quarantine {
        quarantine_id: derive_implant_quarantine_id(record.cycle_id),
        clinic_id: record.clinic_id,
        subject_id: record.subject_id,
        line: None,
        load_reference: Some(label.clone()),
        cycle_id: Some(record.cycle_id),
        cause: CauseKind::Cycle,
        cause_id: Some(record.cycle_id),
        reason: "IMPLANTABLE DEVICES: held until the spore test that ran in this cycle is read".to_owned(),
        begun_at: now,
        recorded_at: now,
        begun_by: String::new(),
        staff_id: None,
        key_id: Some(record.key_id),
        release: None,
    };
    if quarantines::insert(&mut *db, group_id, &quarantine).await? {
        actions::tell_of_quarantine(&mut *db, group_id, &quarantine, now).await?;
        want_test(db, group_id, record, (label, window), now).await?;
    }
    Ok(())
}

/// Puts the test on the list of what is due, modelled on the last spore test of the machine that somebody worked on; where
/// there is none, the machine's next one by its routine is it.
async fn want_test(
    db: &mut PgConnection,
    group_id: Uuid,
    record: &CycleRecord,
    (load_reference, window): (String, StepWindow),
    now: DateTime<Utc>,
) -> Result<()> {
    let task_id = sqlx::query_scalar!(
        r#"select t.task_id from task t
         join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id and v.version = t.routine_version
         where t.group_id = $1 and t.subject_id = $2 and t.started_at is not null
           and (v.definition ->> 'on_fail' = $3 or v.definition @> '{"steps": [{"evidence": {"kind": "spore_test"}}]}')
         order by t.clinic_day desc, t.started_at desc limit 1"#,
        group_id,
        record.subject_id,
        ChainKind::PositiveSporeTest.as_str()
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(id) = task_id.and_then(TaskId::from_uuid) else { return Ok(()) };
    let Some(model) = tasks::find(&mut *db, group_id, id).await? else { return Ok(()) };
    let wanted = Wanted { asked_by: record.cycle_id, step_key: "implant-test", number: 0 };
    let fact = Fact::ImplantLoad { cycle_id: record.cycle_id, load_reference };
    wanted_tests::insert(db, group_id, &model, (wanted, fact), StepTimes::of(window, now), now).await?;
    Ok(())
}

/// Withdraws the test that a load waited for, once that is released.
///
/// # Errors
/// When the database does not answer.
pub async fn withdraw_test(
    db: &mut PgConnection,
    group_id: Uuid,
    quarantine: &Quarantine,
    now: DateTime<Utc>,
) -> Result<()> {
    let (CauseKind::Cycle, Some(cycle_id)) = (quarantine.cause, quarantine.cause_id) else { return Ok(()) };
    let of = (cycle_id, quarantine.clinic_id);
    wanted_tests::withdraw(db, group_id, of, Withdrawn::LoadReleased, now).await
}

/// What such a quarantine still waits for, as a sentence; `None`: nothing, or it is none of these.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_missing(db: &mut PgConnection, group_id: Uuid, quarantine: &Quarantine) -> Result<Option<String>> {
    let (CauseKind::Cycle, Some(cycle_id)) = (quarantine.cause, quarantine.cause_id) else { return Ok(None) };
    let record = records::find(&mut *db, group_id, cycle_id).await?;
    if record.is_some_and(|record| !waits(&record)) {
        return Ok(None);
    }
    let test = match cycles::find(&mut *db, group_id, cycle_id).await? {
        Some(mark) => {
            let (which, ended) = ((mark.subject_id, cycle_id), (mark.clinic_day, mark.ended_at));
            traced_loads::find_covering(db, group_id, which, ended).await?
        }
        None => None,
    };
    let has_passed = test.is_some_and(|test| test.in_this_cycle && test.verdict == Verdict::Passed.as_str());
    Ok((!has_passed).then(|| format!("record missing: a spore test that ran in cycle {cycle_id} and passed")))
}

fn waits(record: &CycleRecord) -> bool {
    record.load.holds_implants == Some(true) && record.load.chamber != Some(Chamber::Empty)
}
