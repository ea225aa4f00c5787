use uuid::Uuid;

use super::super::ChainEvidence;
use super::super::ChainKind;
use super::super::defaults::shipped;
use super::*;
use crate::domain::anchor::Anchor;
use crate::domain::fixtures::{common_practice, confirmation, for_each, hold, limit, on, operatory, routine};
use crate::domain::limit::Operator;

const DAY: &str = "2026-11-30";

fn shipped_work(kind: ChainKind, key: &str) -> WorkShown {
    let step = shipped(kind).steps.iter().find(|step| step.key == key).expect("a shipped step");
    match &step.evidence {
        ChainEvidence::Work { shows } => shows.clone(),
        other => panic!("{key} asks for {other:?}"),
    }
}

fn with(steps: Vec<Step>) -> Routine {
    Routine { steps, ..routine(Anchor::Opening {}) }
}

fn fill(key: &str, applied_to: AppliedTo) -> Step {
    let evidence = StepEvidence::Product { product_ids: vec![Uuid::nil()], use_key: "fill".to_owned(), applied_to };
    Step { evidence, ..confirmation(key) }
}

fn contact(key: &str, fill: Option<&str>) -> Step {
    let evidence = StepEvidence::Hold {
        minimum_seconds: 600,
        maximum_seconds: None,
        source: common_practice(),
        minimum_from: fill.map(str::to_owned),
    };
    Step { evidence, ..confirmation(key) }
}

fn held(key: &str, seconds: u32) -> PassedStep<'_> {
    PassedStep { key, elapsed_seconds: Some(seconds), has_lot: false }
}

fn filled(key: &str) -> PassedStep<'_> {
    PassedStep { key, elapsed_seconds: None, has_lot: true }
}

/// 1 to 5 minutes for every line where the utility tells nothing: CDC, MMWR 52(RR-17) 2003, rec. VII.E, read in a quotation.
/// The fixture's chair has two lines.
#[test]
fn every_line_is_flushed_for_a_minute_at_least_after_an_advisory() {
    let work = shipped_work(ChainKind::LinesAfterAdvisory, "flush");
    let WorkShown::LineFlush { limits } = &work else { panic!("a flush") };
    let told: Vec<String> = limits.iter().map(ToString::to_string).collect();
    assert_eq!(told, ["≥ 60 s"]);
    assert!(limits[0].source.locator.contains("1 to 5 minutes"), "{:?}", limits[0].source);
    let flush = with(vec![for_each(Part::Circuit, hold("flush", 20))]);
    let lacking = |passed: &[PassedStep<'_>]| work.lacking(&flush, &operatory(10), passed, on(DAY));
    let lines = ["flush:handpiece-1", "flush:syringe"];
    for (first, second, lacks) in
        [(60, 60, None), (300, 61, None), (59, 60, Some("handpiece-1")), (60, 59, Some("syringe"))]
    {
        let said = lacking(&[held(lines[0], first), held(lines[1], second)]);
        assert_eq!(said.is_none(), lacks.is_none(), "{first} s and {second} s: {said:?}");
        assert!(lacks.is_none_or(|line| said.is_some_and(|said| said.ends_with(line))));
    }
    assert_eq!(lacking(&[held(lines[0], 60)]).as_deref(), Some("no such hold of syringe"), "a line was left out");
    assert_eq!(lacking(&[held("flush", 600)]).as_deref(), Some("no such hold of handpiece-1, syringe"));
}

#[test]
fn a_limit_that_is_not_in_force_yet_asks_for_nothing() {
    let later = Limit { effective_from: Some(on("2026-12-01")), ..limit(Operator::Ge, 300, "s") };
    let work = WorkShown::LineFlush { limits: vec![limit(Operator::Ge, 60, "s"), later] };
    let flush = with(vec![for_each(Part::Circuit, hold("flush", 20))]);
    let both = [held("flush:handpiece-1", 60), held("flush:syringe", 60)];
    assert_eq!(work.lacking(&flush, &operatory(10), &both, on(DAY)), None);
    assert!(work.lacking(&flush, &operatory(10), &both, on("2026-12-01")).is_some());
}

/// The wait for a product is no flush, whatever it lasts.
#[test]
fn contact_time_does_not_stand_for_a_flush_nor_a_flush_for_contact_time() {
    let (flush, disinfect) = (
        shipped_work(ChainKind::LinesAfterAdvisory, "flush"),
        shipped_work(ChainKind::LinesAfterAdvisory, "disinfect"),
    );
    let one_line = Subject { circuits: Vec::new(), ..operatory(10) };
    let soak = with(vec![fill("fill", AppliedTo::Waterlines), contact("soak", Some("fill"))]);
    let passed = [filled("fill"), held("soak", 600)];
    assert!(flush.lacking(&soak, &one_line, &passed, on(DAY)).is_some());
    assert_eq!(disinfect.lacking(&soak, &one_line, &passed, on(DAY)), None);
    let rinse = with(vec![hold("flush", 120)]);
    let passed = [held("flush", 120)];
    assert_eq!(flush.lacking(&rinse, &one_line, &passed, on(DAY)), None);
    assert_eq!(
        disinfect.lacking(&rinse, &one_line, &passed, on(DAY)).as_deref(),
        Some("no lot of a product in the waterlines")
    );
    assert!(flush.is_asked_by(&rinse) && !disinfect.is_asked_by(&rinse) && !disinfect.is_of(&rinse));
    assert!(disinfect.is_asked_by(&soak) && !flush.is_asked_by(&soak) && !flush.is_of(&soak));
    // A wait that belongs to one cycle with a product waits for it, whatever it takes its minimum from.
    let cycle = |name: &str, step: Step| Step { cycle: Some(name.to_owned()), ..step };
    let product = cycle("disinfection", fill("fill", AppliedTo::Waterlines));
    let in_cycle = with(vec![product.clone(), cycle("disinfection", contact("soak", None))]);
    assert!(flush.lacking(&in_cycle, &one_line, &[filled("fill"), held("soak", 600)], on(DAY)).is_some());
    assert!(!flush.is_asked_by(&in_cycle) && !flush.is_of(&in_cycle));
    // One of another cycle runs water, as the rinse after it does.
    let rinsed = with(vec![product, cycle("rinse", hold("flush", 120)), hold("again", 120)]);
    for key in ["flush", "again"] {
        assert_eq!(flush.lacking(&rinsed, &one_line, &[held(key, 120)], on(DAY)), None, "{key}");
    }
    // Twenty seconds between patients are no minute, though they are a flush.
    let between = with(vec![hold("flush", 20)]);
    assert!(!flush.is_asked_by(&between) && flush.is_of(&between));
}

#[test]
fn a_disinfection_names_a_lot_in_the_waterlines_and_the_hold_that_waits_for_it() {
    let work = shipped_work(ChainKind::WaterOverLimit, "disinfect");
    assert_eq!(work, shipped_work(ChainKind::WaterOverLimit, "disinfect-again"));
    let cycle = |step: Step| Step { cycle: Some("disinfection".to_owned()), ..step };
    let both = [filled("fill"), held("soak", 600)];
    let no_hold = Some("no hold of that product for its contact time".to_owned());
    let no_lot = Some("no lot of a product in the waterlines".to_owned());
    for (steps, passed, lacking) in [
        (vec![fill("fill", AppliedTo::Waterlines), contact("soak", Some("fill"))], &both[..], None),
        (vec![cycle(fill("fill", AppliedTo::Waterlines)), cycle(contact("soak", None))], &both, None),
        (vec![fill("fill", AppliedTo::Waterlines), contact("soak", None)], &both, no_hold.clone()),
        (vec![fill("fill", AppliedTo::Waterlines), contact("soak", Some("fill"))], &both[..1], no_hold),
        (vec![fill("fill", AppliedTo::Waterlines), contact("soak", Some("fill"))], &both[1..], no_lot.clone()),
        (vec![fill("fill", AppliedTo::Surfaces), contact("soak", Some("fill"))], &both, no_lot),
    ] {
        assert_eq!(work.lacking(&with(steps.clone()), &operatory(10), passed, on(DAY)), lacking, "{steps:?}");
    }
}

#[test]
fn the_limits_of_a_flush_are_in_seconds_and_at_least_one() {
    let pointers = |limits: Vec<Limit>| -> Vec<String> {
        WorkShown::LineFlush { limits }.faults().into_iter().map(|f| f.pointer).collect()
    };
    assert_eq!(pointers(vec![limit(Operator::Ge, 60, "s")]), [""; 0]);
    assert_eq!(pointers(Vec::new()), ["/limits"]);
    assert_eq!(pointers(vec![limit(Operator::Ge, 1, "min")]), ["/limits/0/unit"]);
}
