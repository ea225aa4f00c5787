//! Cautions that belong beside records, whoever reads them: said once, in our own words.
//!
//! The rule of this file: a caution tells who decides or what to keep in mind. It is never a limit: limits are data, with
//! their source.

/// What every reader of records must know.
pub const CAUTIONS: [&str; 12] = [
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
    "Work that is not recorded may have been done, and work that was done on paper may be entered late: both are shown as \
     what they are, and neither is a judgement of the people.",
    "Nothing about patients or anybody's health belongs here. This is no legal or clinical advice; the licensed practice \
     stays responsible.",
];
