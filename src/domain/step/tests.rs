//! Rules of steps, and what a task asks of the parts of its subject.

use super::*;
use crate::domain::fixtures::*;
use crate::domain::limit::Operator;

fn pointers(faults: &[Fault]) -> Vec<&str> {
    faults.iter().map(|f| f.pointer.as_str()).collect()
}

#[test]
fn a_step_for_each_part_is_asked_once_for_each_in_order() {
    let steps = [
        confirmation("attach"),
        for_each(Part::Circuit, hold("flush", 20)),
        for_each(Part::SuctionLine, confirmation("rinse")),
    ];
    let chair = operatory(10);
    let asked = wanted(&steps, &chair);
    let keys: Vec<_> = asked.iter().map(|w| (w.key.as_str(), w.part)).collect();
    assert_eq!(
        keys,
        [
            ("attach", None),
            ("flush:handpiece-1", Some("handpiece-1")),
            ("flush:syringe", Some("syringe")),
            ("rinse:suction-high", Some("suction-high")),
        ]
    );
    assert_eq!(asked[1].step, &steps[1]);
}

#[test]
fn a_step_for_each_of_no_parts_asks_for_nothing() {
    let steps = [for_each(Part::Circuit, hold("flush", 20))];
    let chair = Subject { circuits: Vec::new(), ..operatory(10) };
    assert!(wanted(&steps, &chair).is_empty());
}

/// 20 s: HTM 01-05, 6.85, between patients (read in a quotation), and CDC, MMWR 52(RR-17) 2003 (partly from memory).
/// 120 s: HTM 01-05, 6.85, start and end of the day (read). 600 s: contact time of a line disinfection (common
/// practice, no source).
#[test]
fn the_holds_of_the_trade_are_within_the_rules() {
    for seconds in [20, 120, 600] {
        assert_eq!(faults(&[hold("flush", seconds)]), []);
    }
}

#[test]
fn a_step_names_each_broken_rule_and_its_place() {
    let keyed = |key: &str| vec![confirmation(key)];
    let mut bad_source = common_practice();
    bad_source.title = " ".to_owned();
    let reading = |unit: &str| sample("hpc", vec![limit(Operator::Le, 500, unit)], OnFailure::Record);
    let numbered = |count: usize| (0..count).map(|n| confirmation(&format!("step-{n}"))).collect::<Vec<_>>();
    for (steps, expected) in [
        (keyed("a"), vec![]),
        (keyed("flush-2"), vec![]),
        (keyed(&"k".repeat(40)), vec![]),
        (keyed(&"k".repeat(41)), vec!["/0/key"]),
        (keyed(""), vec!["/0/key"]),
        (keyed("Flush"), vec!["/0/key"]),
        (keyed("-flush"), vec!["/0/key"]),
        (keyed("flush:all"), vec!["/0/key"]),
        (keyed("flüsh"), vec!["/0/key"]),
        (vec![confirmation("a"), confirmation("b"), confirmation("a")], vec!["/2/key"]),
        (vec![hold("flush", 0)], vec!["/0/evidence/minimum_seconds"]),
        (vec![hold("flush", 1)], vec![]),
        (vec![hold("flush", 86_400)], vec![]),
        (vec![hold("flush", 86_401)], vec!["/0/evidence/minimum_seconds"]),
        (
            vec![Step {
                evidence: StepEvidence::Hold {
                    minimum_seconds: 20,
                    maximum_seconds: None,
                    source: bad_source,
                    minimum_from: None,
                },
                ..confirmation("flush")
            }],
            vec!["/0/evidence/source/title"],
        ),
        (vec![reading("[CFU]/mL")], vec![]),
        (vec![reading("mg/L")], vec!["/0/evidence/limits/0/unit"]),
        (vec![Step { instruction: String::new(), ..confirmation("a") }], vec!["/0/instruction"]),
        (vec![Step { instruction: "x".repeat(601), ..confirmation("a") }], vec!["/0/instruction"]),
        (vec![Step { instruction: "a\0b".to_owned(), ..confirmation("a") }], vec!["/0/instruction"]),
        (numbered(40), vec![]),
        (numbered(41), vec![""]),
        (Vec::new(), vec![""]),
    ] {
        assert_eq!(pointers(&faults(&steps)), expected, "{steps:?}");
    }
}

#[test]
fn parts_have_distinct_names_under_the_rule_for_keys() {
    let parts = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>();
    for (names, expected) in [
        (parts(&["handpiece-1", "syringe"]), vec![]),
        (parts(&["handpiece-1", "handpiece-1"]), vec!["/1"]),
        (parts(&["Hand piece"]), vec!["/0"]),
        (parts(&[""]), vec!["/0"]),
        ((0..31).map(|n| format!("line-{n}")).collect(), vec![""]),
    ] {
        assert_eq!(pointers(&part_faults(&names)), expected, "{names:?}");
    }
}

#[test]
fn a_step_is_required_unless_it_says_otherwise() {
    let read = |text: &str| serde_json::from_str::<Step>(text);
    let step = read(r#"{"key":"a","instruction":"Do it","evidence":{"kind":"confirmation"}}"#).unwrap();
    assert!(step.required);
    assert!(read(r#"{"key":"a","instruction":"Do it","evidence":{"kind":"photo"}}"#).is_err());
    assert!(read(r#"{"key":"a","instruction":"Do it","evidence":{"kind":"confirmation"},"safe":true}"#).is_err());
}
