//! The cautions the service itself says, each in the place where it matters; a group's routines, chains and products carry
//! further ones of their own, as data.
//!
//! The rule of this file: a caution tells who decides or what to keep in mind. It is never a limit: limits are data, with
//! their source.

/// With records that are handed to a reader: the page of an evidence pack.
pub const RECORDS: [&str; 13] = [
    "The maker's instructions, the product's label and the code of the place come first. A limit shown here is what was \
     entered, with the source that was named; where texts differ, the stricter lawful one counts, or the maker's.",
    "A record says that somebody recorded a step, who it was and when. Whether water, a chair or an instrument is fit to be \
     used is judged by a trained person who is named, from all the evidence there is. Nothing here judges or releases anything.",
    "An indicator that passed is one sign among several and proves nothing by itself.",
    "F0, A0, log reductions and intervals of counts are information. None of them outweighs an indicator that failed or \
     the cycle that was validated.",
    "A result of several lines in one bottle says less of each line than a result of its own; a result within its limit is of \
     the hour the water was drawn, and says nothing of control over Legionella, which takes a competent person.",
    "\"<\" before a number means that nothing was found at that dilution: it is not zero. \">\" or \"too many to count\" is no \
     number at all.",
    "Surgery takes water that comes over a path of its own and was made for it, never the unit's.",
    "After a notice about the public water, lines are flushed and then disinfected before they are used again; the utility \
     and the health department say when that is.",
    "Whether patients are told of a result is decided by the licensed dentist and the public health authority.",
    "Chemicals are never mixed, nobody sits in the chair while disinfectant is in the lines, and what is meant for lines \
     that discharge amalgam must not dissolve it.",
    "Sterilisers run hot and under pressure: only people trained on the machine work with it, and nobody forces its door. Lines \
     are flushed into the suction, away from faces, with burs and tips taken off; patients do not close their lips around a \
     low-volume ejector.",
    "Work that is not recorded may have been done, and work that was done on paper may be entered late: both are shown as \
     what they are, and neither is a judgement of the people.",
    "Nothing about patients or anybody's health belongs here. This is no legal or clinical advice; the licensed practice \
     stays responsible.",
];

/// With results of water samples.
pub const WATER_RESULTS: &str = "For people whose defences are weakened the dentist decides, and a stricter limit than the one \
     shown may apply.";

/// With what is missing.
pub const MISSED: &str = "This service is no alarm. A device without power or network may have shown a task late or not at all, \
     so work may stand on the clinic's paper sheet.";

/// With every product, lot and dilution, beside the cautions of the product's own label.
pub const PRODUCTS: [&str; 3] = [
    "The maker's instructions and local code come before anything entered here.",
    "Never mix products: finish with one and rinse before the next is filled in. Do not top up.",
    "Wear what the safety data sheet asks for; nobody is treated while product stands in the lines.",
];

/// With every notice about the mains water, in the order of how soon it hurts. CDC, MMWR 52(RR-17), 2003, and its fact
/// sheet on boil-water advisories, read.
pub const WATER_ADVISORIES: [&str; 4] = [
    "The authority that gave notice says what the water may be used for; the local code and the makers' instructions \
     come before this text.",
    "Let no mains water run through a unit, a scaler or other equipment while the notice stands. A unit is spared only \
     where its reservoir is apart from the mains; before one that was on the mains is switched over, its lines are \
     flushed and disinfected.",
    "Patients rinse with bottled or distilled water. No tap water for hands or to dilute products, unless it was boiled \
     as the notice tells and has cooled; rub hands with alcohol instead, or wash them with bottled water and soap.",
    "After it is lifted: flush first, then disinfect the lines, then a named person releases each unit.",
];

/// Where a release is refused.
pub const RELEASE: &str = "A release is the judgement of the trained person who signs it; a record says what was entered, not \
     that something is fit to be used";

/// Where a corrective action cannot be closed yet.
pub const CLOSING: &str = "Closing says that the records are there and were looked at by a second person; it says nothing \
     about what is fit to be used";

/// Where a day cannot be signed yet.
pub const DAY_SIGNATURE: &str =
    "A signature says that the day's records were looked at; it says nothing about what is fit to be used";

/// With what must be kept how long.
pub const RETENTION: &str = "Nothing is purged by itself. The local code and the clinic's contracts come before these figures; \
     a figure seen \"from_memory\" is to be confirmed by the clinic.";
