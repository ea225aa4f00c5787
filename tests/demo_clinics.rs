//! The demo's clinics are there to show three kinds of week, each at a clinic of its own.

use std::collections::BTreeSet;

use serde_json::Value;

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}")).to_owned()
}

#[test]
fn three_clinics_of_the_demo_have_a_split_day_a_saturday_and_a_closed_monday() {
    let clinics: Vec<Value> = serde_json::from_str(include_str!("../seed-demo/clinics.json")).expect("a list");
    let with = |is: &dyn Fn(&Value) -> bool| -> BTreeSet<String> {
        clinics.iter().filter(|c| is(&c["week"])).map(|c| text(&c["clinic"]["name"])).collect()
    };
    let name = |place: &str| BTreeSet::from([format!("Saltmarrow {place}")]);
    let split_daily = |week: &Value| {
        ["monday", "tuesday", "wednesday", "thursday", "friday"]
            .iter()
            .all(|day| week[*day].as_array().is_some_and(|sessions| sessions.len() == 2))
    };
    assert_eq!(with(&split_daily), name("Marrowby Fold"));
    assert_eq!(with(&|week| week["saturday"].is_array()), name("Quillet Sound"));
    assert_eq!(with(&|week| !week["monday"].is_array()), name("Lanternwell"));
}
