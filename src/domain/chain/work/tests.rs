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

fn done(key: &str) -> PassedStep<'_> {
    PassedStep { key, elapsed_seconds: None, has_lot: false }
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
    let soak = with(vec![fill("fill", AppliedTo::Waterlines), contact("soak", Some("fill")), confirmation("rinse")]);
    let passed = [filled("fill"), held("soak", 600), done("rinse")];
    assert!(flush.lacking(&soak, &one_line, &passed, on(DAY)).is_some());
    assert_eq!(disinfect.lacking(&soak, &one_line, &passed, on(DAY)), None);
    let rinse = with(vec![hold("flush", 120)]);
    let passed = [held("flush", 120)];
    assert_eq!(flush.lacking(&rinse, &one_line, &passed, on(DAY)), None);
    assert_eq!(
        disinfect.lacking(&rinse, &one_line, &passed, on(DAY)).as_deref(),
        Some("no lot of a product in the waterlines")
    );
    let asked = |work: &WorkShown, routine: &Routine| work.is_asked_by(routine, &one_line);
    assert!(asked(&flush, &rinse) && !asked(&disinfect, &rinse) && !disinfect.is_of(&rinse));
    assert!(asked(&disinfect, &soak) && !asked(&flush, &soak) && !flush.is_of(&soak));
    // A wait that belongs to one cycle with a product waits for it, whatever it takes its minimum from.
    let cycle = |name: &str, step: Step| Step { cycle: Some(name.to_owned()), ..step };
    let product = cycle("disinfection", fill("fill", AppliedTo::Waterlines));
    let in_cycle = with(vec![product.clone(), cycle("disinfection", contact("soak", None))]);
    assert!(flush.lacking(&in_cycle, &one_line, &[filled("fill"), held("soak", 600)], on(DAY)).is_some());
    assert!(!asked(&flush, &in_cycle) && !flush.is_of(&in_cycle));
    // One of another cycle runs water, as the rinse after it does.
    let rinsed = with(vec![product, cycle("rinse", hold("flush", 120)), hold("again", 120)]);
    for key in ["flush", "again"] {
        assert_eq!(flush.lacking(&rinsed, &one_line, &[held(key, 120)], on(DAY)), None, "{key}");
    }
    // Twenty seconds between patients are no minute, though they are a flush.
    let between = with(vec![hold("flush", 20)]);
    assert!(!asked(&flush, &between) && flush.is_of(&between));
}

/// Empty, fill, hold, empty, rinse: common practice, no source. The fixture's chair has two lines, and product that stays in
/// one of them reaches whoever sits down next.
#[test]
fn a_disinfection_names_a_lot_in_the_waterlines_the_hold_that_waits_for_it_and_the_rinse_of_each_line() {
    let work = shipped_work(ChainKind::WaterOverLimit, "disinfect");
    assert_eq!(work, shipped_work(ChainKind::WaterOverLimit, "disinfect-again"));
    let cycle = |step: Step| Step { cycle: Some("disinfection".to_owned()), ..step };
    let rinse = || for_each(Part::Circuit, confirmation("rinse"));
    let fill = |applied_to: AppliedTo| fill("fill", applied_to);
    let lines = AppliedTo::Waterlines;
    let whole = [filled("fill"), held("soak", 600), done("rinse:handpiece-1"), done("rinse:syringe")];
    let (no_lot, no_hold, unrinsed) = (
        "no lot of a product in the waterlines",
        "no hold of that product for its contact time",
        "no rinse of handpiece-1, syringe after that hold",
    );
    for (steps, passed, lacking) in [
        (vec![fill(lines), contact("soak", Some("fill")), rinse()], &whole[..], None),
        (vec![cycle(fill(lines)), cycle(contact("soak", None)), cycle(rinse())], &whole, None),
        (vec![fill(lines), contact("soak", None), rinse()], &whole, Some(no_hold)),
        (vec![fill(lines), contact("soak", Some("fill")), rinse()], &whole[..1], Some(no_hold)),
        (vec![fill(lines), contact("soak", Some("fill")), rinse()], &whole[1..], Some(no_lot)),
        (vec![fill(AppliedTo::Surfaces), contact("soak", Some("fill")), rinse()], &whole, Some(no_lot)),
        // A rinse is behind the hold, in its cycle, and of each line.
        (vec![fill(lines), contact("soak", Some("fill"))], &whole[..2], Some(unrinsed)),
        (vec![rinse(), fill(lines), contact("soak", Some("fill"))], &whole, Some(unrinsed)),
        (vec![cycle(fill(lines)), cycle(contact("soak", None)), rinse()], &whole, Some(unrinsed)),
        (vec![fill(lines), contact("soak", Some("fill")), confirmation("rinse")], &whole, Some(unrinsed)),
        (
            vec![fill(lines), contact("soak", Some("fill")), rinse()],
            &whole[..3],
            Some("no rinse of syringe after that hold"),
        ),
    ] {
        let routine = with(steps.clone());
        assert_eq!(work.lacking(&routine, &operatory(10), passed, on(DAY)).as_deref(), lacking, "{steps:?}");
        let asks = passed.len() < whole.len() && steps.len() == 3 || lacking.is_none();
        assert_eq!(work.is_asked_by(&routine, &operatory(10)), asks, "{steps:?}");
    }
    // A rinse that is timed is one as well, and so is the only one of a chair without circuits.
    let timed = with(vec![fill(lines), contact("soak", Some("fill")), for_each(Part::Circuit, hold("rinse", 60))]);
    assert_eq!(work.lacking(&timed, &operatory(10), &whole, on(DAY)), None);
    let one_line = Subject { circuits: Vec::new(), ..operatory(10) };
    let bare = with(vec![fill(lines), contact("soak", Some("fill")), confirmation("rinse")]);
    let passed = [filled("fill"), held("soak", 600), done("rinse")];
    assert_eq!(work.lacking(&bare, &one_line, &passed, on(DAY)), None);
    assert_eq!(work.lacking(&bare, &one_line, &passed[..2], on(DAY)).as_deref(), Some("no rinse after that hold"));
    // Filled line by line, each line names its lot.
    let by_line = with(vec![for_each(Part::Circuit, fill(lines)), contact("soak", Some("fill")), rinse()]);
    let mut passed = vec![filled("fill:handpiece-1")];
    passed.extend(&whole[1..]);
    assert_eq!(work.lacking(&by_line, &operatory(10), &passed, on(DAY)).as_deref(), Some(no_lot));
    passed.push(filled("fill:syringe"));
    assert_eq!(work.lacking(&by_line, &operatory(10), &passed, on(DAY)), None);
}

/// Rinse, repeat with the right lot: common practice, no source. A lot stands for it wherever it was applied.
#[test]
fn work_that_is_done_again_with_the_right_lot_names_one() {
    let work = shipped_work(ChainKind::WrongOrExpiredProduct, "repeat-with-right-lot");
    assert!(work.is_of_same_routine() && !WorkShown::LineDisinfection {}.is_of_same_routine());
    let wipe = with(vec![fill("wipe", AppliedTo::Surfaces), confirmation("dry")]);
    let lacking = |passed: &[PassedStep<'_>]| work.lacking(&wipe, &operatory(10), passed, on(DAY));
    assert_eq!(lacking(&[filled("wipe"), done("dry")]), None);
    assert_eq!(lacking(&[done("wipe"), done("dry")]).as_deref(), Some("no lot of a product that its steps take"));
    assert!(lacking(&[filled("dry")]).is_some(), "no step of that name takes a product");
    let plain = with(vec![confirmation("dry")]);
    assert!(work.is_asked_by(&wipe, &operatory(10)) && work.is_of(&wipe));
    assert!(!work.is_asked_by(&plain, &operatory(10)) && !work.is_of(&plain));
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
