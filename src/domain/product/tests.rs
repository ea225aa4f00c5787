use super::*;
use crate::domain::dilution::{Strength, StrengthUnit};
use crate::domain::limit::Seen;

fn product() -> Product {
    let source = Source {
        title: "invented for the test".to_owned(),
        edition: "none".to_owned(),
        locator: String::new(),
        seen: Seen::FromMemory,
    };
    let product_use = ProductUse {
        key: "fill".to_owned(),
        purpose: "Filled into lines".to_owned(),
        contact_minimum_seconds: Some(600),
        contact_maximum_seconds: Some(1200),
        made_up: None,
        life_after_mixing: None,
        source,
    };
    Product {
        name: "Product of the test".to_owned(),
        instructions: Instructions { ifu_reference: "leaflet".to_owned(), edition: "1".to_owned() },
        uses: vec![product_use],
        oxidising: false,
        ph: Some(7.into()),
        ph_class: Some(PhClass::Neutral),
        life_after_opening: Some(InUseLife::Days { days: 28 }),
        cautions: Vec::new(),
        in_use: true,
    }
}

fn pointers(product: &Product) -> Vec<String> {
    product.faults().into_iter().map(|fault| fault.pointer).collect()
}

#[test]
fn a_product_as_it_should_be_has_no_faults() {
    assert_eq!(pointers(&product()), [] as [String; 0]);
}

/// What is wrong, how it comes to be so, and where it is told.
type Case = (&'static str, fn(&mut Product), &'static [&'static str]);

#[test]
fn each_broken_rule_is_named_where_it_stands() {
    let strength = |value: i64| Strength { value: value.into(), unit: StrengthUnit::Percent };
    let cases: [Case; 7] = [
        ("no use", |p| p.uses.clear(), &["/uses"]),
        ("one key twice", |p| p.uses.push(p.uses[0].clone()), &["/uses/1/key"]),
        (
            "maximum below minimum",
            |p| p.uses[0].contact_maximum_seconds = Some(599),
            &["/uses/0/contact_maximum_seconds"],
        ),
        (
            "life of a mixture that is none",
            |p| p.uses[0].life_after_mixing = Some(InUseLife::Hours { hours: 8 }),
            &["/uses/0/life_after_mixing"],
        ),
        ("acidic at pH 9", |p| (p.ph, p.ph_class) = (Some(9.into()), Some(PhClass::Acidic)), &["/ph_class"]),
        ("pH off the scale", |p| p.ph = Some(15.into()), &["/ph"]),
        ("no days", |p| p.life_after_opening = Some(InUseLife::Days { days: 0 }), &["/life_after_opening/days"]),
    ];
    for (what, break_it, expected) in cases {
        let mut broken = product();
        break_it(&mut broken);
        assert_eq!(pointers(&broken), expected, "{what}");
    }
    let mut stronger = product();
    stronger.uses[0].made_up = Some(Recipe::Strength { stock: strength(1), wanted: strength(3) });
    assert_eq!(pointers(&stronger), ["/uses/0/made_up/wanted/value"]);
}

#[test]
fn the_version_of_a_day_is_the_newest_that_had_begun() {
    let version = |number, effective: &str| ProductVersion {
        product_id: Uuid::nil(),
        version: number,
        effective_on: effective.parse().expect("a date"),
        product: product(),
    };
    let versions = [version(1, "2026-11-01"), version(2, "2026-12-01"), version(3, "2026-11-20")];
    for (on, expected) in [("2026-10-01", 1), ("2026-11-19", 1), ("2026-11-20", 3), ("2026-12-24", 3)] {
        let found = version_on(&versions, on.parse().expect("a date")).map(|v| v.version);
        assert_eq!(found, Some(expected), "{on}");
    }
}
