//! Rows of a view as lines of JSON or of CSV.
//!
//! The rule of this file: the same cell is the same value in both. In JSON decimals are strings, as everywhere in this
//! API, and what is not there is null; in CSV it is an empty cell, and what people typed is kept from being run as a
//! formula.

use super::representation::{RowFormat, text_cell};
use crate::store::exports::{Cells, Column, Form};

/// The header row of CSV; nothing in JSON.
pub(super) fn write_head(to: &mut Vec<u8>, format: RowFormat, columns: &[Column]) -> csv::Result<()> {
    match format {
        RowFormat::Lines => Ok(()),
        RowFormat::Csv => write_record(to, columns.iter().map(|column| column.name.as_str())),
    }
}

/// One row.
pub(super) fn write_row(to: &mut Vec<u8>, format: RowFormat, columns: &[Column], cells: &Cells) -> csv::Result<()> {
    match format {
        RowFormat::Lines => {
            write_object(to, columns, cells);
            Ok(())
        }
        RowFormat::Csv => write_record(
            to,
            columns.iter().zip(cells).map(|(column, cell)| match cell {
                None => String::new(),
                Some(text) if column.form() == Form::Text => text_cell(text),
                Some(text) => text.clone(),
            }),
        ),
    }
}

fn write_object(to: &mut Vec<u8>, columns: &[Column], cells: &Cells) {
    for (place, (column, cell)) in columns.iter().zip(cells).enumerate() {
        to.extend(if place == 0 { b"{" } else { b"," });
        to.extend(quoted(&column.name).as_bytes());
        to.push(b':');
        match (cell, column.form()) {
            (None, _) => to.extend(b"null"),
            (Some(text), Form::Bare | Form::Json) => to.extend(text.as_bytes()),
            (Some(text), Form::Text | Form::Plain) => to.extend(quoted(text).as_bytes()),
        }
    }
    to.extend(b"}\n");
}

/// A JSON string (RFC 8259, section 7).
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// A line of CSV, as RFC 4180 says.
pub(super) fn write_record<T: AsRef<[u8]>>(to: &mut Vec<u8>, cells: impl Iterator<Item = T>) -> csv::Result<()> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to);
    writer.write_record(cells)?;
    writer.flush()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn column(name: &str, sql_type: &str) -> Column {
        Column { name: name.to_owned(), sql_type: sql_type.to_owned(), meaning: String::new() }
    }

    #[test]
    fn a_cell_is_the_same_value_as_json_and_as_csv() {
        let columns = [
            column("note", "text"),
            column("value", "numeric"),
            column("late", "boolean"),
            column("limits", "jsonb"),
            column("lines", "text[]"),
            column("gone", "uuid"),
        ];
        let cells = ["=1+1, \"said\"\n", "-0.50", "true", "[{\"a\": 1}]", "[\"x\"]"];
        let cells: Cells = cells.iter().map(|text| Some((*text).to_owned())).chain([None]).collect();
        let (mut json, mut csv) = (Vec::new(), Vec::new());
        write_row(&mut json, RowFormat::Lines, &columns, &cells).expect("written");
        write_head(&mut csv, RowFormat::Csv, &columns).expect("written");
        write_row(&mut csv, RowFormat::Csv, &columns, &cells).expect("written");
        let read: serde_json::Value = serde_json::from_slice(&json).expect("JSON");
        let expected = serde_json::json!({ "note": "=1+1, \"said\"\n", "value": "-0.50", "late": true,
            "limits": [{ "a": 1 }], "lines": ["x"], "gone": null });
        assert_eq!(read, expected);
        assert_eq!(String::from_utf8(json).expect("text").lines().count(), 1, "a row is a line");
        let mut reader = csv::Reader::from_reader(csv.as_slice());
        assert_eq!(reader.headers().expect("a header").iter().next(), Some("note"));
        let row: Vec<String> =
            reader.records().next().expect("a row").expect("readable").iter().map(str::to_owned).collect();
        assert_eq!(row, ["'=1+1, \"said\"\n", "-0.50", "true", "[{\"a\": 1}]", "[\"x\"]", ""]);
    }
}
