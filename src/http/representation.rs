//! JSON or CSV: which one a caller gets, and how rows become CSV.
//!
//! The rule of this file: the caller's `Accept` decides (RFC 9110, section 12.5.1) and nothing else does; what cannot
//! be served as wished is 406, never something the caller did not ask for.

use axum::Json;
use axum::extract::FromRequestParts;
use axum::http::header::{ACCEPT, CONTENT_TYPE, HeaderValue, VARY};
use axum::http::request::Parts;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, SecondsFormat, Utc};
use serde::Serialize;

use super::AppState;
use super::problem::{ApiError, ApiResult};

/// How an answer is written down. As an extractor: the one the request's `Accept` prefers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// `application/json`.
    Json,
    /// `text/csv` with a header row (RFC 4180).
    Csv,
}

/// What is offered; of two that are equally welcome the first is served.
const OFFERED: [(Format, &str, &str); 2] = [(Format::Json, "application", "json"), (Format::Csv, "text", "csv")];

impl FromRequestParts<AppState> for Format {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, _state: &AppState) -> ApiResult<Self> {
        // Several lines of the field mean the same as one with commas (RFC 9110, section 5.3).
        let lines: Vec<_> = parts.headers.get_all(ACCEPT).iter().map(|v| v.to_str().unwrap_or_default()).collect();
        negotiate(&lines.join(","), &OFFERED).ok_or_else(|| ApiError::not_acceptable("application/json or text/csv"))
    }
}

/// How rows that are streamed are written down. As an extractor: the one the request's `Accept` prefers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowFormat {
    /// `application/x-ndjson`: a JSON object a line.
    Lines,
    /// `text/csv` with a header row (RFC 4180).
    Csv,
}

const OFFERED_OF_ROWS: [(RowFormat, &str, &str); 2] =
    [(RowFormat::Lines, "application", "x-ndjson"), (RowFormat::Csv, "text", "csv")];

impl FromRequestParts<AppState> for RowFormat {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, _state: &AppState) -> ApiResult<Self> {
        let lines: Vec<_> = parts.headers.get_all(ACCEPT).iter().map(|v| v.to_str().unwrap_or_default()).collect();
        negotiate(&lines.join(","), &OFFERED_OF_ROWS)
            .ok_or_else(|| ApiError::not_acceptable("application/x-ndjson or text/csv"))
    }
}

/// The most welcome of what is offered; `None` when none is. No wish at all welcomes everything.
fn negotiate<T: Copy>(accept: &str, offered: &[(T, &str, &str)]) -> Option<T> {
    if accept.trim().is_empty() {
        return offered.first().map(|(format, ..)| *format);
    }
    let ranges: Vec<Range<'_>> = split_unquoted(accept, ',').filter_map(Range::parse).collect();
    let mut best: Option<(u16, T)> = None;
    for (format, kind, subtype) in offered {
        // The most specific range that matches speaks for a type, even to refuse it.
        let weight = ranges
            .iter()
            .filter_map(|range| range.specificity(kind, subtype).map(|specificity| (specificity, range.weight)))
            .max()
            .map_or(0, |(_, weight)| weight);
        if weight > best.map_or(0, |(most, _)| most) {
            best = Some((weight, *format));
        }
    }
    best.map(|(_, format)| format)
}

/// One media range with its weight in thousandths. Other parameters are passed over: our types have none that a
/// caller could choose by.
struct Range<'a> {
    kind: &'a str,
    subtype: &'a str,
    weight: u16,
}

impl<'a> Range<'a> {
    /// A range that cannot be read welcomes nothing.
    fn parse(text: &'a str) -> Option<Self> {
        let mut parts = split_unquoted(text, ';').map(str::trim);
        let (kind, subtype) = parts.next()?.split_once('/')?;
        let mut weight = 1000;
        for parameter in parts {
            if let Some((name, value)) = parameter.split_once('=')
                && name.trim().eq_ignore_ascii_case("q")
            {
                weight = read_weight(value.trim())?;
            }
        }
        Some(Self { kind, subtype, weight })
    }

    fn specificity(&self, kind: &str, subtype: &str) -> Option<u8> {
        match (self.kind, self.subtype) {
            ("*", "*") => Some(0),
            (k, "*") if k.eq_ignore_ascii_case(kind) => Some(1),
            (k, s) if k.eq_ignore_ascii_case(kind) && s.eq_ignore_ascii_case(subtype) => Some(2),
            _ => None,
        }
    }
}

/// A weight in thousandths: 0 to 1 with at most three decimals (RFC 9110, section 12.4.2).
fn read_weight(text: &str) -> Option<u16> {
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    if !matches!(whole, "0" | "1") || decimals.len() > 3 || !decimals.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let weight: u16 = format!("{whole}{decimals:0<3}").parse().ok()?;
    (weight <= 1000).then_some(weight)
}

/// Splits at a separator that does not stand in a quoted string.
fn split_unquoted(text: &str, separator: char) -> impl Iterator<Item = &str> {
    let (mut quoted, mut escaped) = (false, false);
    text.split(move |c| {
        if escaped {
            escaped = false;
            return false;
        }
        match c {
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            _ => {}
        }
        c == separator && !quoted
    })
}

/// A row of a CSV answer.
pub trait CsvRow {
    /// Names of the columns: those of the JSON fields.
    const COLUMNS: &'static [&'static str];

    /// Its cells, one for each column. What people typed goes through [`text_cell`].
    fn cells(&self) -> Vec<String>;
}

/// A cell that people's words go into. A spreadsheet takes a cell that begins with one of these characters for a
/// formula and would run it, so such a cell is led by an apostrophe (OWASP ASVS 5.0, 1.2.10; carriage return added).
#[must_use]
pub fn text_cell(text: &str) -> String {
    let guard = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\0']);
    if guard { format!("'{text}") } else { text.to_owned() }
}

/// A cell with an instant, as JSON shows it.
#[must_use]
pub fn instant_cell(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// The answer in the wished format: the document as JSON, or its rows as CSV.
///
/// # Errors
/// 500 when the rows cannot be written, which a row with as many cells as columns never causes.
pub fn answer<D: Serialize, R: CsvRow>(format: Format, document: &D, rows: &[R]) -> ApiResult<Response> {
    let mut response = match format {
        Format::Json => Json(document).into_response(),
        Format::Csv => {
            let body = write_csv(rows).map_err(|error| {
                tracing::error!(%error, "rows could not be written as CSV");
                ApiError::internal()
            })?;
            ([(CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], body).into_response()
        }
    };
    response.headers_mut().insert(VARY, HeaderValue::from_static("Accept"));
    Ok(response)
}

fn write_csv<R: CsvRow>(rows: &[R]) -> csv::Result<Vec<u8>> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(R::COLUMNS)?;
    for row in rows {
        writer.write_record(row.cells())?;
    }
    writer.into_inner().map_err(|error| error.into_error().into())
}

#[cfg(test)]
mod tests {
    use super::{CsvRow, Format, OFFERED, negotiate, read_weight, text_cell, write_csv};

    #[test]
    fn the_accept_field_chooses_the_format() {
        // RFC 9110, sections 12.4.2 and 12.5.1: weights, precedence of the more specific range, q=0 refuses.
        let cases = [
            ("", Some(Format::Json)),
            ("*/*", Some(Format::Json)),
            ("application/json", Some(Format::Json)),
            ("text/csv", Some(Format::Csv)),
            ("TEXT/CSV", Some(Format::Csv)),
            ("text/*", Some(Format::Csv)),
            ("text/csv;charset=utf-8", Some(Format::Csv)),
            ("text/csv, application/json", Some(Format::Json)),
            ("text/csv, application/json;q=0.9", Some(Format::Csv)),
            ("text/csv ; q=0.5 , application/json ; q=0.500", Some(Format::Json)),
            ("text/csv;q=0.2, */*;q=0.1", Some(Format::Csv)),
            ("application/json;q=0, */*", Some(Format::Csv)),
            ("*/*, application/json;q=0", Some(Format::Csv)),
            ("text/*;q=0.9, text/csv;q=0.1, application/json;q=0.5", Some(Format::Json)),
            ("text/html;level=\"1,text/csv\", application/json;q=0.1", Some(Format::Json)),
            ("text/html, text/csv;q=0.001", Some(Format::Csv)),
            ("text/html", None),
            ("text/html;level=\"1, text/csv\"", None),
            ("application/json;q=0", None),
            ("*/*;q=0", None),
            ("json", None),
            ("text/csv;q=2", None),
        ];
        for (accept, wanted) in cases {
            assert_eq!(negotiate(accept, &OFFERED), wanted, "{accept}");
        }
    }

    #[test]
    fn a_weight_has_at_most_three_decimals_and_is_at_most_one() {
        // qvalue = ( "0" [ "." 0*3DIGIT ] ) / ( "1" [ "." 0*3("0") ] ), RFC 9110, section 12.4.2.
        let cases = [
            ("0", Some(0)),
            ("0.", Some(0)),
            ("0.5", Some(500)),
            ("0.125", Some(125)),
            ("1", Some(1000)),
            ("1.000", Some(1000)),
            ("1.001", None),
            ("0.1234", None),
            (".5", None),
            ("-1", None),
            ("", None),
            ("0.+1", None),
        ];
        for (text, wanted) in cases {
            assert_eq!(read_weight(text), wanted, "{text}");
        }
    }

    struct Pair(&'static str, &'static str);

    impl CsvRow for Pair {
        const COLUMNS: &'static [&'static str] = &["name", "note"];

        fn cells(&self) -> Vec<String> {
            vec![text_cell(self.0), text_cell(self.1)]
        }
    }

    #[test]
    fn cells_with_commas_quotes_and_line_breaks_are_quoted_and_lines_end_in_crlf() {
        // RFC 4180, section 2, points 1, 6 and 7.
        let body =
            write_csv(&[Pair("North, 2nd floor", "say \"when\""), Pair("plain", "two\r\nlines")]).expect("written");
        let expected = "name,note\r\n\"North, 2nd floor\",\"say \"\"when\"\"\"\r\nplain,\"two\r\nlines\"\r\n";
        assert_eq!(String::from_utf8(body).expect("text"), expected);
    }

    #[test]
    fn no_rows_still_have_a_header() {
        assert_eq!(write_csv::<Pair>(&[]).expect("written"), b"name,note\r\n");
    }

    #[test]
    fn a_cell_that_a_spreadsheet_would_run_is_disarmed() {
        // The characters of OWASP ASVS 5.0, 1.2.10, and the carriage return.
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\0=1"] {
            assert_eq!(text_cell(text), format!("'{text}"));
        }
        for text in ["", "Flush", "a=b", "2-chair clinic", "'quoted"] {
            assert_eq!(text_cell(text), text);
        }
    }
}
