//! How long records are kept, as shipped, against what the sources publish.
//!
//! The rule of this file: each figure stands in this table with its source and how that was seen, written down apart
//! from the shipped file; a rule that is not in it fails, and so does a row that no rule needs.

use chairtide::domain::limit::{Operator, Seen};
use chairtide::domain::retention::{CountedFrom, RecordClass, shipped};

struct Published {
    key: &'static str,
    classes: &'static [RecordClass],
    place: &'static str,
    years: u32,
    counted_from: CountedFrom,
    legal: bool,
    title: &'static str,
    seen: Seen,
}

use CountedFrom::{EndOfEmployment, EndOfUse, Recording, Replacement};
use RecordClass::{Amalgam, Equipment, PremisesWater, RoutineWork, Sterilisation, Training, WaterlineTests};

#[rustfmt::skip]
const PUBLISHED: [Published; 15] = [
    // 40 CFR 441.50(b): at least 3 years. Read.
    Published { key: "us-amalgam", classes: &[Amalgam], place: "US", years: 3, counted_from: Recording, legal: true,
        title: "40 CFR Part 441", seen: Seen::Read },
    // US OSHA, records of training about bloodborne pathogens: 3 years. Read.
    Published { key: "us-training", classes: &[Training], place: "US", years: 3, counted_from: Recording, legal: true,
        title: "29 CFR 1910.1030", seen: Seen::Read },
    // WAC 246-817-660, effective 2021-01-23: the log of waterline tests, 5 years. Read.
    Published { key: "us-wa-waterline-tests", classes: &[WaterlineTests], place: "US-WA", years: 5, counted_from: Recording,
        legal: true, title: "WAC 246-817-660", seen: Seen::Read },
    // Washington, spore tests and sterilisers: 5 years. From memory: the text that was seen breaks off.
    Published { key: "us-wa-sterilisation", classes: &[Sterilisation], place: "US-WA", years: 5, counted_from: Recording,
        legal: true, title: "chapter 246-817", seen: Seen::FromMemory },
    // Other states of the US, logs of spore tests: 1 to 6 years, often unstated. From memory; told, no law.
    Published { key: "us-spore-logs", classes: &[Sterilisation], place: "US", years: 6, counted_from: Recording,
        legal: false, title: "states of the US", seen: Seen::FromMemory },
    // California, autoclaves of primary-care clinics: 1 year. Read.
    Published { key: "us-ca-clinic-autoclave", classes: &[Sterilisation], place: "US-CA", years: 1, counted_from: Recording,
        legal: true, title: "primary-care clinics", seen: Seen::Read },
    // California, spore tests of dental practices: 12 months. From memory.
    Published { key: "us-ca-dental-spore-tests", classes: &[Sterilisation], place: "US-CA", years: 1, counted_from: Recording,
        legal: true, title: "16 CCR 1005", seen: Seen::FromMemory },
    // HSE L8, paragraphs 66-67: results of monitoring, 5 years. Read.
    Published { key: "gb-premises-water", classes: &[PremisesWater], place: "GB", years: 5, counted_from: Recording,
        legal: true, title: "code of practice L8", seen: Seen::Read },
    // HTM 01-05: records of sterilisation and decontamination, at least 2 years. From memory.
    Published { key: "gb-decontamination", classes: &[Sterilisation, RoutineWork], place: "GB", years: 2,
        counted_from: Recording, legal: true, title: "HTM 01-05", seen: Seen::FromMemory },
    // Ontario: as dental records, 10 years. From memory.
    Published { key: "ca-on-sterilisation", classes: &[Sterilisation], place: "CA-ON", years: 10, counted_from: Recording,
        legal: true, title: "Ontario", seen: Seen::FromMemory },
    // Germany: device book and reprocessing, 5 years after the end of use. Practice, from memory.
    Published { key: "de-reprocessing", classes: &[Sterilisation, Equipment], place: "DE", years: 5, counted_from: EndOfUse,
        legal: false, title: "practice in Germany", seen: Seen::FromMemory },
    // Australia: cycles of sterilisers, 7 years typical. Practice, from memory.
    Published { key: "au-steriliser-cycles", classes: &[Sterilisation], place: "AU", years: 7, counted_from: Recording,
        legal: false, title: "practice in Australia", seen: Seen::FromMemory },
    // US OSHA: exposure and medical records, employment and 30 years. Read. Not kept here.
    Published { key: "us-exposure", classes: &[], place: "US", years: 30, counted_from: EndOfEmployment, legal: true,
        title: "29 CFR 1910.1030", seen: Seen::Read },
    // US OSHA: the log of injuries, 5 years. Read. Not kept here.
    Published { key: "us-injury-log", classes: &[], place: "US", years: 5, counted_from: Recording, legal: true,
        title: "29 CFR Part 1904", seen: Seen::Read },
    // HSE L8, paragraphs 66-67: assessment and scheme while current and 2 years. Read. Not kept here.
    Published { key: "gb-water-assessment", classes: &[], place: "GB", years: 2, counted_from: Replacement, legal: true,
        title: "code of practice L8", seen: Seen::Read },
];

#[test]
fn each_time_of_keeping_is_one_its_source_publishes_seen_as_it_says() {
    let rules: Vec<_> = shipped().rules.iter().chain(&shipped().elsewhere).collect();
    for row in &PUBLISHED {
        let rule = rules.iter().find(|rule| rule.key == row.key).unwrap_or_else(|| panic!("no rule {}", row.key));
        assert_eq!((rule.operator, rule.value, rule.unit.as_str()), (Operator::Ge, row.years, "a"), "{}", row.key);
        let said =
            (rule.classes.as_slice(), rule.jurisdiction.as_str(), rule.counted_from, rule.legal, rule.source.seen);
        assert_eq!(said, (row.classes, row.place, row.counted_from, row.legal, row.seen), "{}", row.key);
        assert!(rule.source.title.contains(row.title), "{}: {}", row.key, rule.source.title);
    }
    assert_eq!(rules.len(), PUBLISHED.len(), "a rule that is not in the table");
    // Washington's rule has been in force since 2021-01-23 (WAC 246-817-660, read).
    let dated: Vec<_> = rules.iter().filter_map(|rule| Some((rule.key.as_str(), rule.effective_from?))).collect();
    assert_eq!(dated, [("us-wa-waterline-tests", "2021-01-23".parse().expect("a date"))]);
    // Ten years where nobody set anything: no published source.
    assert_eq!((shipped().default.value, shipped().default.source.seen), (10, Seen::CommonPractice));
}
