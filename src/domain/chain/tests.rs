use super::defaults::shipped;
use super::*;

fn spore() -> Chain {
    shipped(ChainKind::PositiveSporeTest).clone()
}

fn pointers(chain: &Chain) -> Vec<String> {
    chain.faults().into_iter().map(|fault| fault.pointer).collect()
}

#[test]
fn every_kind_and_owner_is_found_by_its_name() {
    for kind in ChainKind::ALL {
        assert_eq!(ChainKind::from_name(kind.as_str()), Some(kind));
        assert_eq!(serde_json::to_value(kind).expect("a name"), kind.as_str());
    }
    for owner in StepOwner::ALL {
        assert_eq!(StepOwner::from_name(owner.as_str()), Some(owner));
        assert_eq!(serde_json::to_value(owner).expect("a name"), owner.as_str());
    }
    assert_eq!(ChainKind::from_name("rain"), None);
}

fn tests_passed(count: u32, at_least_minutes_apart: Option<u32>) -> ChainEvidence {
    ChainEvidence::TestsPassed {
        count,
        routine_id: None,
        chamber: None,
        consecutive_cycles: false,
        at_least_minutes_apart,
    }
}

type Spoil = fn(&mut Chain);

#[test]
fn each_broken_rule_is_told_where_it_is() {
    let spoilt: [(&str, Spoil); 16] = [
        ("/name", |c| c.name.clear()),
        ("/steps", |c| c.steps.iter_mut().for_each(|s| s.gates_release = false)),
        ("/steps/0/key", |c| c.steps[0].key = "Take out".to_owned()),
        ("/steps/1/key", |c| c.steps[1].key = c.steps[0].key.clone()),
        ("/steps/0/instruction", |c| c.steps[0].instruction.clear()),
        ("/steps/0/window/due_by_minutes", |c| c.steps[0].window.may_start_minutes = 1),
        ("/steps/0/window/overdue_minutes", |c| c.steps[0].window.overdue_minutes = 576_001),
        ("/steps/7/evidence/count", |c| {
            c.steps[7].evidence = tests_passed(0, None);
        }),
        // One test has no other to lie apart from, and nobody waits for longer than a window may last.
        ("/steps/7/evidence/at_least_minutes_apart", |c| c.steps[7].evidence = tests_passed(1, Some(60))),
        ("/steps/7/evidence/at_least_minutes_apart", |c| c.steps[7].evidence = tests_passed(4, Some(576_001))),
        // A step cannot hang on itself, nor on one that has no result.
        ("/steps/4/only_if/0/step", |c| c.steps[4].only_if[0].step = "other-records".to_owned()),
        ("/steps/4/only_if/0/step", |c| c.steps[4].only_if[0].step = "review".to_owned()),
        ("/steps/1/if_counted", |c| c.steps[1].if_counted = vec![WaterCount::Legionella; 2]),
        // What hangs on the end of a step cannot hang on one that may never be asked for.
        ("/steps/4/only_if/0/step", |c| {
            c.steps[3].if_counted = vec![WaterCount::Legionella];
            c.steps.truncate(5);
        }),
        ("/sources", |c| c.sources.clear()),
        ("/cautions/0", |c| c.cautions[0].clear()),
    ];
    assert_eq!(pointers(&spore()), [""; 0]);
    for (pointer, spoil) in spoilt {
        let mut chain = spore();
        spoil(&mut chain);
        assert_eq!(pointers(&chain), [pointer]);
    }
}

#[test]
fn steps_for_what_happens_often_are_asked_for_only_then() {
    let chain = shipped(ChainKind::MissedRoutine);
    let keys = |opened: u32| -> Vec<String> {
        let occasion = Occasion { opened: &|_| opened, routine_of: &|_| None, counted: &[], has_make_safe_task: false };
        chain.for_opening(&occasion).steps.into_iter().map(|step| step.key).collect()
    };
    // Three and more within 30 days: common practice, no source.
    assert_eq!(keys(2), ["make-safe", "tell-lead"]);
    assert_eq!(keys(3), ["make-safe", "tell-lead", "lead-review"]);
}

/// That a steriliser is checked by its control test after a load failed: common practice, no source.
#[test]
fn a_check_is_the_verdict_of_a_test_where_the_subject_has_one_and_else_a_persons() {
    let chain = shipped(ChainKind::FailedLoad);
    let control = Uuid::from_u128(7);
    let evidence = |routine_of: &dyn Fn(ChainKind) -> Option<Uuid>| {
        let opened =
            chain.for_opening(&Occasion { opened: &|_| 1, routine_of, counted: &[], has_make_safe_task: false }).steps;
        ["check-machine", "check-after-engineer"]
            .map(|key| opened.iter().find(|step| step.key == key).map(|step| step.evidence.clone()).expect("the step"))
    };
    let by_test = || ChainEvidence::TestResult { routine_id: Some(control), same_program: false, chamber: None };
    let of_control = |kind| (kind == ChainKind::FailedControlTest).then_some(control);
    assert_eq!(evidence(&of_control), [by_test(), by_test()]);
    let by_person = || ChainEvidence::Result { tests_of: None };
    assert_eq!(evidence(&|_| None), [by_person(), by_person()]);
    // Other results stay a person's, whatever routines there are.
    let spore = spore().for_opening(&Occasion {
        opened: &|_| 1,
        routine_of: &|_| Some(control),
        counted: &[],
        has_make_safe_task: false,
    });
    assert!(spore.steps.iter().any(|step| step.key == "other-records" && step.evidence == by_person()));
}

#[test]
fn a_step_asks_for_no_further_test_while_those_that_count_or_are_awaited_are_enough() {
    let several = |apart: Option<u32>| ChainEvidence::TestsPassed {
        count: 3,
        routine_id: None,
        chamber: None,
        consecutive_cycles: false,
        at_least_minutes_apart: apart,
    };
    let one = ChainEvidence::TestResult { routine_id: None, same_program: false, chamber: None };
    for (evidence, counted, awaited, is_served) in [
        (one.clone(), 0, 0, false),
        (one.clone(), 0, 1, true),
        (one, 1, 0, true),
        (several(None), 1, 1, false),
        (several(None), 1, 2, true),
        (several(None), 3, 0, true),
        (several(Some(8640)), 1, 0, false),
        (several(Some(8640)), 0, 1, true),
        (several(Some(8640)), 3, 0, true),
    ] {
        assert_eq!(evidence.is_served_by(counted, awaited), is_served, "{evidence:?} {counted} {awaited}");
    }
}

/// Growth of Legionella, Pseudomonas or mycobacteria is a matter for public health: common practice, no source.
#[test]
fn whether_the_health_authority_is_told_is_asked_for_what_it_is_told_of_and_for_no_other_count() {
    let chain = shipped(ChainKind::WaterOverLimit);
    let asks = |counted: &[WaterCount]| {
        let occasion = Occasion { opened: &|_| 1, routine_of: &|_| None, counted, has_make_safe_task: false };
        chain.for_opening(&occasion).steps.iter().any(|step| step.key == "health-authority")
    };
    assert!(!asks(&[]) && !asks(&[WaterCount::Heterotrophic]));
    for count in [WaterCount::Legionella, WaterCount::PseudomonasAeruginosa, WaterCount::NontuberculousMycobacteria] {
        assert!(asks(&[count]) && asks(&[WaterCount::Heterotrophic, count]), "{count:?}");
    }
}
