//! Rules of the routine document, its versions, and which subjects it picks.

use super::*;
use crate::domain::anchor::ClosedDayRule;
use crate::domain::fixtures::*;
use crate::domain::ladder::{Audience, CountedIn, Rung};
use crate::domain::step::Part;

fn flush() -> Routine {
    routine(Anchor::Opening {})
}

fn on_kind(subject_kind: SubjectKind, anchor: Anchor) -> Routine {
    Routine { subject_kind, ..routine(anchor) }
}

fn in_window(may_start_minutes: i32, due_by_minutes: i32, overdue_minutes: i32, missed_minutes: i32) -> Routine {
    Routine { window: Window { may_start_minutes, due_by_minutes, overdue_minutes, missed_minutes }, ..flush() }
}

fn selecting(selection: Selection) -> Routine {
    Routine { selection, ..flush() }
}

/// On clinics, which are subjects under their own ids.
fn clinic_of(clinics: &[u128], subjects: &[u128]) -> Routine {
    let ids = |numbers: &[u128]| Some(numbers.iter().copied().map(id).collect());
    let selection = Selection { clinic_ids: ids(clinics), subject_ids: ids(subjects), ..Selection::default() };
    Routine { subject_kind: SubjectKind::Clinic, ..selecting(selection) }
}

fn by_rule(rule: &str) -> Routine {
    routine(calendar(rule, "2026-12-01", noon(), ClosedDayRule::NextOpenDay))
}

#[test]
fn a_routine_names_each_broken_rule_and_its_place() {
    let ends_before_it_starts = |mut routine: Routine| {
        if let Anchor::Calendar { dates, .. } = &mut routine.anchor {
            dates.ends_on = Some(on("2026-11-30"));
        }
        routine
    };
    let late_rung = Rung { after_minutes: 100_001, counted_in: CountedIn::ElapsedTime, audience: Audience::Chairside };
    for (routine, expected) in [
        (flush(), vec![]),
        (Routine { name: " ".to_owned(), ..flush() }, vec!["/name"]),
        (Routine { name: "x".repeat(121), ..flush() }, vec!["/name"]),
        (in_window(-60, 0, 0, 240), vec![]),
        (in_window(0, 0, 0, 1), vec![]),
        (in_window(0, 0, 0, 0), vec!["/window/missed_minutes"]),
        (in_window(0, -1, 10, 20), vec!["/window/due_by_minutes"]),
        (in_window(0, 10, 5, 20), vec!["/window/overdue_minutes"]),
        (in_window(0, 0, 10, 9), vec!["/window/missed_minutes"]),
        (in_window(0, 0, 0, 129_600), vec![]),
        (in_window(0, 0, 0, 129_601), vec!["/window/missed_minutes"]),
        (in_window(-129_601, 0, 0, 1), vec!["/window/may_start_minutes"]),
        (on_kind(SubjectKind::Steriliser, Anchor::Opening {}), vec![]),
        (on_kind(SubjectKind::Steriliser, Anchor::Turnover {}), vec!["/anchor"]),
        (on_kind(SubjectKind::Operatory, Anchor::Turnover {}), vec![]),
        (by_rule("FREQ=MONTHLY;BYDAY=1MO"), vec![]),
        (by_rule("FREQ=HOURLY"), vec!["/anchor/dates/rule"]),
        (by_rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"), vec!["/anchor/dates/rule"]),
        (ends_before_it_starts(by_rule("FREQ=DAILY")), vec!["/anchor/dates/ends_on"]),
        (selecting(Selection { clinic_ids: Some([id(1)].into()), ..Selection::default() }), vec![]),
        (
            selecting(Selection { clinic_ids: Some(BTreeSet::new()), ..Selection::default() }),
            vec!["/selection/clinic_ids"],
        ),
        (
            selecting(Selection { subject_ids: Some((0..1001).map(id).collect()), ..Selection::default() }),
            vec!["/selection/subject_ids"],
        ),
        (
            Routine {
                subject_kind: SubjectKind::Eyewash,
                ..selecting(Selection { water_sources: Some(vec![WaterSource::MainsAirGap]), ..Selection::default() })
            },
            vec!["/selection/water_sources"],
        ),
        (clinic_of(&[1], &[1, 2]), vec![]),
        (clinic_of(&[1], &[2]), vec!["/selection/subject_ids"]),
        (Routine { steps: Vec::new(), ..flush() }, vec!["/steps"]),
        (
            Routine {
                steps: vec![for_each(Part::Circuit, hold("flush", 20))],
                ..on_kind(SubjectKind::Steriliser, Anchor::Opening {})
            },
            vec!["/steps/0/for_each"],
        ),
        (Routine { sources: Vec::new(), ..flush() }, vec!["/sources"]),
        (
            Routine { sources: vec![Source { edition: String::new(), ..common_practice() }], ..flush() },
            vec!["/sources/0/edition"],
        ),
        (Routine { cautions: vec!["Hot".to_owned(), String::new()], ..flush() }, vec!["/cautions/1"]),
        (Routine { cautions: vec!["Hot".to_owned(); 21], ..flush() }, vec!["/cautions"]),
        (Routine { rough_minutes: 1441, ..flush() }, vec!["/rough_minutes"]),
        (Routine { ladder: Some(Ladder { rungs: vec![late_rung] }), ..flush() }, vec!["/ladder/rungs/0/after_minutes"]),
    ] {
        let faults = routine.faults();
        assert_eq!(faults.iter().map(|f| f.pointer.as_str()).collect::<Vec<_>>(), expected, "{routine:?}");
    }
}

#[test]
fn a_document_with_several_faults_names_them_all() {
    let routine = Routine { name: String::new(), rough_minutes: 9_999, sources: Vec::new(), ..flush() };
    assert_eq!(routine.faults().len(), 3);
}

#[test]
fn a_selection_picks_what_meets_all_its_conditions() {
    let chair = operatory(10);
    let steriliser = subject(20, SubjectKind::Steriliser);
    let clinics = |ids: &[u128]| Some(ids.iter().copied().map(id).collect::<BTreeSet<_>>());
    let everything = Selection::default();
    let here = Selection { clinic_ids: clinics(&[1, 2]), ..Selection::default() };
    let elsewhere = Selection { clinic_ids: clinics(&[2]), ..Selection::default() };
    let this_one = Selection { subject_ids: clinics(&[10]), ..Selection::default() };
    let reservoirs = Selection { water_sources: Some(vec![WaterSource::OwnReservoir]), ..Selection::default() };
    let mains = Selection { water_sources: Some(vec![WaterSource::MainsAirGap]), ..Selection::default() };
    let this_one_elsewhere = Selection { clinic_ids: clinics(&[2]), ..this_one.clone() };
    for (selection, picks_chair, picks_steriliser) in [
        (everything, true, true),
        (here, true, true),
        (elsewhere, false, false),
        (this_one, true, false),
        (reservoirs, true, false),
        (mains, false, false),
        (this_one_elsewhere, false, false),
    ] {
        assert_eq!(selection.picks(&chair), picks_chair, "{selection:?}");
        assert_eq!(selection.picks(&steriliser), picks_steriliser, "{selection:?}");
    }
}

#[test]
fn the_highest_version_whose_date_has_come_is_in_force() {
    let dated = |number, effective_on: &str| RoutineVersion {
        version: number,
        effective_on: on(effective_on),
        ..version(100, flush())
    };
    // Version 3 was written later than 2 and takes effect earlier: from then on, 2 never is in force.
    let versions = [dated(1, "2026-01-01"), dated(2, "2026-12-01"), dated(3, "2026-11-15")];
    for (date, expected) in [
        ("2025-12-31", None),
        ("2026-01-01", Some(1)),
        ("2026-11-14", Some(1)),
        ("2026-11-15", Some(3)),
        ("2026-12-01", Some(3)),
    ] {
        assert_eq!(in_force(&versions, on(date)).map(|v| v.version), expected, "{date}");
    }
}

#[test]
fn a_subject_is_out_of_service_from_the_instant_it_was_taken_out_until_it_is_back() {
    let since = at("2026-11-30 10:00");
    let is_out = |chair: &Subject, at| chair.out_of_service_at(at).is_some();
    assert!(!is_out(&operatory(10), since));
    let mut chair = taken_out_of_service("no suction", since, operatory(10));
    assert!(!is_out(&chair, since - minutes(1)));
    assert!(is_out(&chair, since));
    assert!(is_out(&chair, since + minutes(1)));
    chair.spells[0].until = Some(since + minutes(1));
    assert!(is_out(&chair, since) && !is_out(&chair, since + minutes(1)));
}

#[test]
fn a_routine_comes_back_from_its_document() {
    let routine = Routine {
        steps: vec![for_each(Part::Circuit, hold("flush", 120)), confirmation("dry")],
        ladder: Some(Ladder::default()),
        cautions: vec!["Wear eye protection".to_owned()],
        ..by_rule("FREQ=WEEKLY;BYDAY=MO")
    };
    let text = serde_json::to_string(&routine).unwrap();
    assert_eq!(serde_json::from_str::<Routine>(&text).unwrap(), routine);
    let unknown_field = text.replacen('{', r#"{"colour":"blue","#, 1);
    assert!(serde_json::from_str::<Routine>(&unknown_field).is_err());
}

fn dated(anchor: serde_json::Value, season: Option<(&str, &str)>) -> Routine {
    let season = season.map(|(from, until)| serde_json::json!({ "from": from, "until": until }));
    let window = Window::default();
    let mut routine = routine(serde_json::from_value(anchor).expect("an anchor"));
    routine.season = season.map(|season| serde_json::from_value(season).expect("a season"));
    if routine.anchor.is_period() { Routine { window, ..routine } } else { routine }
}

fn pointers(routine: &Routine) -> Vec<String> {
    routine.faults().into_iter().map(|fault| fault.pointer).collect()
}

#[test]
fn dates_of_which_nothing_is_left_are_refused_where_they_are_taken_away() {
    for (dates, expected) in [
        (serde_json::json!({ "ends_on": "2026-12-06" }), vec!["/anchor/dates/ends_on"]),
        (serde_json::json!({ "ends_on": "2026-12-07" }), vec![]),
        (serde_json::json!({ "ends_on": "2026-12-07", "except_on": ["2026-12-07"] }), vec!["/anchor/dates/except_on"]),
        (serde_json::json!({ "also_on": ["2026-11-30", "2026-12-02"] }), vec!["/anchor/dates/also_on"]),
        (
            serde_json::json!({ "ends_on": "2026-12-07", "also_on": ["2026-12-02", "2026-12-08"] }),
            vec!["/anchor/dates/also_on"],
        ),
    ] {
        let mut all = serde_json::json!({ "rule": "FREQ=WEEKLY;BYDAY=MO", "starts_on": "2026-12-01" });
        for (name, value) in dates.as_object().expect("an object") {
            all[name] = value.clone();
        }
        let anchor = serde_json::json!({ "kind": "calendar", "dates": all, "place": { "kind": "opening" },
                                         "closed_day": "not_required" });
        assert_eq!(pointers(&dated(anchor, None)), expected, "{dates}");
    }
}

/// The last dates of months and quarters are those of the Gregorian calendar; the next Sunday on a 29 February after
/// 2000 is in 2004 (Python's `datetime`).
#[test]
fn a_season_that_holds_no_date_is_refused() {
    let rule = |rule: &str| {
        serde_json::json!({ "kind": "calendar", "dates": { "rule": rule, "starts_on": "2026-12-01" },
                            "place": { "kind": "opening" }, "closed_day": "not_required" })
    };
    let period = |each: &str| serde_json::json!({ "kind": "period", "each": each });
    let none: Vec<&str> = vec![];
    for (anchor, from, until, expected) in [
        (rule("FREQ=YEARLY;BYMONTH=12;BYMONTHDAY=24"), "05-01", "09-30", vec!["/season"]),
        (rule("FREQ=YEARLY;BYMONTH=12;BYMONTHDAY=24"), "11-01", "01-31", none.clone()),
        (rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29"), "02-29", "02-29", none.clone()),
        (rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"), "05-01", "09-30", vec!["/anchor/dates/rule"]),
        (period("year"), "01-01", "12-30", vec!["/season"]),
        (period("year"), "12-31", "01-31", none.clone()),
        (period("quarter"), "07-01", "09-29", vec!["/season"]),
        (period("quarter"), "07-01", "09-30", none.clone()),
        (period("month"), "05-02", "05-30", vec!["/season"]),
        (period("month"), "02-29", "02-29", none.clone()),
        (period("week"), "02-29", "02-29", none.clone()),
    ] {
        assert_eq!(pointers(&dated(anchor.clone(), Some((from, until)))), expected, "{anchor} {from} {until}");
    }
}

#[test]
fn whether_a_date_is_to_come_counts_its_end_and_its_season() {
    let mut ended = by_rule("FREQ=MONTHLY;BYMONTHDAY=1");
    if let Anchor::Calendar { dates, .. } = &mut ended.anchor {
        dates.ends_on = Some(on("2027-03-31"));
    }
    assert!(!ended.gives_no_date_from(on("2027-03-01")));
    assert!(ended.gives_no_date_from(on("2027-03-02")));
    ended.season = serde_json::from_value(serde_json::json!({ "from": "12-01", "until": "01-31" })).ok();
    assert!(!ended.gives_no_date_from(on("2027-01-01")));
    assert!(ended.gives_no_date_from(on("2027-01-02")));
    assert!(!flush().gives_no_date_from(on("2027-01-02")), "an opening is no date of a rule");
}

#[test]
fn a_routine_makes_nothing_of_another_kind_nor_strengthens_what_does_not_begin_a_day() {
    let names = |anchor: serde_json::Value| routine(serde_json::from_value(anchor).expect("an anchor"));
    let follow = names(serde_json::json!({ "kind": "follows", "routine_id": id(1), "when": "passed" }));
    let idle = names(serde_json::json!({ "kind": "idle", "unused_days": 3, "on": "open_days", "strengthens": id(2) }));
    assert_eq!(follow.names_routine(), Some((id(1), "/anchor/routine_id")));
    assert_eq!(idle.names_routine(), Some((id(2), "/anchor/strengthens")));
    assert_eq!(flush().names_routine(), None);
    for anchor in [Anchor::Opening {}, Anchor::FirstPatient {}, Anchor::Closing {}, Anchor::Turnover {}] {
        let begins = matches!(anchor, Anchor::Opening {} | Anchor::FirstPatient {});
        assert_eq!(follow.fault_with(&routine(anchor.clone())), None, "{anchor:?}");
        assert_eq!(idle.fault_with(&routine(anchor.clone())).is_none(), begins, "{anchor:?}");
    }
    let other = on_kind(SubjectKind::Steriliser, Anchor::Opening {});
    assert!(follow.fault_with(&other).is_some() && idle.fault_with(&other).is_some());
}
