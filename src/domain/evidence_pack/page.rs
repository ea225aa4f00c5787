//! The page of a pack: one file of HTML that opens without a network.
//!
//! The rule of this file: every word that somebody entered goes through `escape`; there is no script, no address and
//! nothing that is fetched.

use std::fmt::Write as _;

use super::{Cover, Found, Summary, sections, tables};
use crate::domain::cautions;

/// Text as it stands in HTML, also within an attribute.
pub(super) fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            // HTML has no place for other control characters (WHATWG HTML, section 13.1.3).
            c if c.is_control() && !matches!(c, '\n' | '\t') => escaped.push('\u{fffd}'),
            c => escaped.push(c),
        }
    }
    escaped
}

const STYLE: &str = "
body{font:15px/1.45 sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#111;background:#fff}
h1{font-size:1.6rem}h2{font-size:1.2rem;margin-top:2rem;border-bottom:1px solid #888}
table{border-collapse:collapse;width:100%;font-size:.85rem}th,td{border:1px solid #aaa;padding:.25rem .4rem;text-align:left;vertical-align:top}
td{overflow-wrap:anywhere;min-width:2.5em}td.day{white-space:nowrap}th{background:#eee}dt{font-weight:bold}dd{margin:0 0 .4rem 1.2rem}ul.follow{margin:0;padding-left:1rem}code{font-size:.85em;word-break:break-all}
svg{width:100%;height:auto;font:11px sans-serif;background:#fff}svg .axis{stroke:#111}svg .grid{stroke:#ddd}svg .limit{stroke:#111;stroke-width:2;stroke-dasharray:4 2}
svg .done{fill:#9ab}svg .late{fill:#567}svg .missed{fill:#fff;stroke:#111}svg .within{fill:#567;stroke:#123}svg .over{fill:#fff;stroke:#a00;stroke-width:2}svg .undecided{fill:#ccc;stroke:#666}svg .replaced{fill:#fff;stroke:#999}
.cautions,.differs{border:2px solid #111;padding:.5rem 1rem}.part{font-style:italic}
@media print{body{margin:0;max-width:none}h2{break-after:avoid}tr,svg,.cautions{break-inside:avoid}thead{display:table-header-group}}
";

const STATES: [(&str, &str); 9] = [
    ("done", "A completion was recorded that kept the rules of the routine."),
    ("done late", "The same, and the work was done after it was due."),
    ("missed", "Its window passed and no record came: a record is missing. What came later is kept beside it."),
    (
        "not required",
        "The plan or a person said, with a reason, that it was not needed: a closed day, a subject out of service.",
    ),
    (
        "failed",
        "It was recorded and did not keep a rule: a hold too short, a reading beyond its limit. It is kept as it was entered.",
    ),
    ("void", "A test that is not valid, for example because its control did not grow. It must be repeated."),
    ("result awaited", "A sample was taken and its result is not recorded yet."),
    ("late entry", "It was entered after the window had closed, whenever the work was done."),
    (
        "released",
        "A trained person, who is named, ended a time out of use, with a reason. The decision is that person's.",
    ),
];

/// The page.
#[must_use]
pub fn page(cover: &Cover, summary: &Summary, found: &Found) -> String {
    let mut html = String::with_capacity(64 * 1024);
    let of = cover.narrowed_to.as_ref().map_or_else(String::new, |of| format!(" · {}", escape(of)));
    let title = format!("{}{of}: records from {} to {}", escape(&cover.clinic), cover.from_on, cover.to_on);
    let _ = write!(
        html,
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{title}</title><style>{STYLE}</style></head><body>\
         <h1>{title}</h1><p>Clinic days and times of day are those of the time zone {}, each time with how far its clocks were ahead of UTC. Made \
         at {} with the key <code>{}</code>. In the files instants are UTC. \
         The folders <code>csv</code> and <code>json</code> hold every record that is told here and more; \
         <code>columns.csv</code> says what each column means, <code>manifest.json</code> which files belong to this \
         pack. <code>python3 check_pack.py</code> checks them and their seals, without the service.</p>",
        escape(cover.zone.name()),
        cover.minute(cover.made_at),
        cover.key_id
    );
    sections::not_as_sealed(&mut html, found);
    html.push_str("<section class=\"cautions\"><h2>Read this first</h2><ul>");
    for caution in cautions::RECORDS {
        let _ = write!(html, "<li>{}</li>", escape(caution));
    }
    html.push_str("</ul></section>");
    sections::weeks(&mut html, &summary.weeks);
    sections::water(&mut html, &summary.water, cover);
    sections::readings(&mut html, summary, cover);
    sections::failures(&mut html, &summary.failures, cover);
    sections::open_actions(&mut html, &summary.open_actions, cover);
    sections::gaps(&mut html, &summary.gaps, cover);
    sections::corrections(&mut html, &summary.corrections, cover);
    sections::flagged(&mut html, &summary.flagged, cover);
    for table in &summary.tables {
        tables::write(&mut html, table, cover);
    }
    sections::seals(&mut html, &summary.sealed, found, cover);
    html.push_str("<h2>What the words mean</h2><dl>");
    for (word, meaning) in STATES {
        let _ = write!(html, "<dt>{word}</dt><dd>{meaning}</dd>");
    }
    html.push_str("</dl></body></html>\n");
    html
}
