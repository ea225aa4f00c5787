//! The record of a cycle: what a steriliser or washer-disinfector wrote down of time, temperature and pressure.
//!
//! The rule of this file: a record is read whole or not at all, and every fault of it is named by line and column, so
//! that the file can be mended where it is wrong. Nothing is guessed: no missing value, no other unit, no decimal comma.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fault::Fault;
use super::limit::{decimal_text, optional_decimal_text};

/// The largest file that is read, in bytes.
pub const MOST_BYTES: usize = 1_048_576;

/// The most readings of one cycle: more than a day at one in five seconds.
pub const MOST_READINGS: usize = 20_000;

/// The most faults that are told at once.
pub const MOST_FAULTS: usize = 20;

/// The columns of the file, in this order; the last may be left out.
pub const COLUMNS: [&str; 3] = ["elapsed_seconds", "temperature_celsius", "pressure_kilopascal"];

/// What each column can hold, ends included.
const RANGES: [(i64, i64); 3] = [(0, 604_800), (-50, 300), (0, 1_000)];

/// One line of a cycle's record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CycleReading {
    /// Seconds since the record began, by the equipment's own count: 0 to 604800 (a week).
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "480")]
    pub elapsed_seconds: Decimal,
    /// Temperature in degrees Celsius: -50 to 300.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "134.5")]
    pub temperature_celsius: Decimal,
    /// Absolute pressure in kPa, where it was recorded: 0 to 1000.
    #[serde(default, with = "optional_decimal_text", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "312")]
    pub pressure_kilopascal: Option<Decimal>,
}

/// What is wrong at one place of the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct CsvFault {
    /// The line, from 1; a file without any lines is wrong at line 1.
    pub line: u64,
    /// The column, from 1; absent when the line as a whole is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<usize>,
    /// The rule, as a sentence a user can act on.
    pub rule: String,
}

/// Reads a file of readings: comma-separated as RFC 4180 says, UTF-8, a head that names [`COLUMNS`], one reading a
/// line, the seconds rising.
///
/// # Errors
/// Every fault, up to [`MOST_FAULTS`], in the order of the file.
///
/// # Examples
/// ```
/// use chairtide::domain::cycle_reading::read_csv;
/// let readings = read_csv(b"elapsed_seconds,temperature_celsius\n0,133.9\n60,134.6\n").unwrap();
/// assert_eq!(readings[1].temperature_celsius, "134.6".parse().unwrap());
///
/// let faults = read_csv(b"elapsed_seconds,temperature_celsius\n0,133.9\n60,hot\n").unwrap_err();
/// assert_eq!((faults[0].line, faults[0].column), (3, Some(2)));
/// assert_eq!(faults[0].rule, "temperature_celsius must be a plain decimal number with a point, such as 134.5");
/// ```
pub fn read_csv(bytes: &[u8]) -> Result<Vec<CycleReading>, Vec<CsvFault>> {
    let whole = |line, rule: String| CsvFault { line, column: None, rule };
    if bytes.len() > MOST_BYTES {
        return Err(vec![whole(1, format!("the file must have at most {MOST_BYTES} bytes"))]);
    }
    // Spreadsheets put a mark before UTF-8 text.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut lines = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bytes);
    let mut faults = Vec::new();
    let mut readings: Vec<CycleReading> = Vec::new();
    let mut columns = 0;
    let mut record = csv::ByteRecord::new();
    loop {
        match lines.read_byte_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                let line = error.position().map_or(1, csv::Position::line);
                faults.push(whole(line, "the line cannot be read as comma-separated values".to_owned()));
                break;
            }
        }
        let line = record.position().map_or(1, |position| line_of(position, bytes));
        if columns == 0 {
            columns = head(&record).ok_or_else(|| {
                let [seconds, celsius, pressure] = COLUMNS;
                vec![whole(line, format!("the head must be {seconds},{celsius} or {seconds},{celsius},{pressure}"))]
            })?;
            continue;
        }
        if readings.len() == MOST_READINGS {
            faults.push(whole(line, format!("a cycle has at most {MOST_READINGS} readings")));
            break;
        }
        match reading(&record, columns, readings.last()) {
            Ok(reading) => readings.push(reading),
            Err(found) => faults.extend(found.into_iter().map(|(column, rule)| CsvFault { line, column, rule })),
        }
        if faults.len() >= MOST_FAULTS {
            faults.truncate(MOST_FAULTS);
            break;
        }
    }
    if faults.is_empty() && readings.is_empty() {
        faults.push(whole(1, "the file holds no reading".to_owned()));
    }
    if faults.is_empty() { Ok(readings) } else { Err(faults) }
}

/// The line a record stands on. Its position is where the record before it ended, so that blank lines, and the second
/// half of a `\r\n`, lie in between.
fn line_of(position: &csv::Position, bytes: &[u8]) -> u64 {
    let rest = usize::try_from(position.byte()).ok().and_then(|start| bytes.get(start..)).unwrap_or_default();
    let ends = rest.iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).filter(|byte| **byte == b'\n');
    position.line() + ends.fold(0, |lines, _| lines + 1)
}

/// The same rules for a record that came as a document: the first [`MOST_FAULTS`] broken ones, with pointers into its
/// list of readings.
#[must_use]
pub fn record_faults(readings: &[CycleReading]) -> Vec<Fault> {
    if !(1..=MOST_READINGS).contains(&readings.len()) {
        return vec![Fault::new("", format!("must have 1 to {MOST_READINGS} readings"))];
    }
    let out_of_range = readings.iter().enumerate().flat_map(|(i, reading)| {
        let CycleReading { elapsed_seconds, temperature_celsius, pressure_kilopascal } = reading;
        let values = [Some(*elapsed_seconds), Some(*temperature_celsius), *pressure_kilopascal];
        COLUMNS.into_iter().zip(RANGES).zip(values).filter_map(move |((name, (lowest, highest)), value)| {
            let outside = value.is_some_and(|value| value < lowest.into() || value > highest.into());
            outside.then(|| Fault::new(format!("/{i}/{name}"), format!("must be from {lowest} to {highest}")))
        })
    });
    let not_rising = (1..).zip(readings.windows(2)).filter_map(|(i, two)| {
        let rises = two[0].elapsed_seconds < two[1].elapsed_seconds;
        (!rises).then(|| Fault::new(format!("/{i}/{}", COLUMNS[0]), "must be more than that of the reading before"))
    });
    out_of_range.chain(not_rising).take(MOST_FAULTS).collect()
}

/// How many columns the head names, if it names ours.
fn head(record: &csv::ByteRecord) -> Option<usize> {
    let known = record.iter().zip(COLUMNS).all(|(field, name)| field.trim_ascii() == name.as_bytes());
    (known && (2..=3).contains(&record.len())).then_some(record.len())
}

type ColumnFault = (Option<usize>, String);

fn reading(
    record: &csv::ByteRecord,
    columns: usize,
    before: Option<&CycleReading>,
) -> Result<CycleReading, Vec<ColumnFault>> {
    if record.len() != columns {
        return Err(vec![(None, format!("the line has {} values, the head names {columns}", record.len()))]);
    }
    let mut faults = Vec::new();
    let mut number = |column: usize| {
        let (name, (lowest, highest)) = (COLUMNS[column], RANGES[column]);
        let found = std::str::from_utf8(record[column].trim_ascii()).ok().and_then(decimal_text::parse);
        let fault = match found {
            Some(value) if value >= lowest.into() && value <= highest.into() => return Some(value),
            Some(_) => format!("{name} must be from {lowest} to {highest}"),
            None => format!("{name} must be a plain decimal number with a point, such as 134.5"),
        };
        faults.push((Some(column + 1), fault));
        None
    };
    let elapsed = number(0);
    let celsius = number(1);
    let pressure_kilopascal = if columns == 3 { number(2) } else { None };
    if let (Some(elapsed), Some(before)) = (elapsed, before)
        && elapsed <= before.elapsed_seconds
    {
        let rule = format!("elapsed_seconds must be more than the {} of the reading before", before.elapsed_seconds);
        faults.push((Some(1), rule));
    }
    match (elapsed, celsius) {
        (Some(elapsed_seconds), Some(temperature_celsius)) if faults.is_empty() => {
            Ok(CycleReading { elapsed_seconds, temperature_celsius, pressure_kilopascal })
        }
        _ => Err(faults),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "elapsed_seconds,temperature_celsius\n";

    fn faults(text: &str) -> Vec<(u64, Option<usize>, String)> {
        let found = read_csv(text.as_bytes()).expect_err("a fault");
        found.into_iter().map(|fault| (fault.line, fault.column, fault.rule)).collect()
    }

    fn places(text: &str) -> Vec<(u64, Option<usize>)> {
        faults(text).into_iter().map(|(line, column, _)| (line, column)).collect()
    }

    #[test]
    fn a_file_of_a_spreadsheet_is_read_with_its_mark_its_line_ends_and_its_quotes() {
        let text = "\u{feff}elapsed_seconds,temperature_celsius,pressure_kilopascal\r\n0,\"100\",101.3\r\n1.5, 134.25 ,312\r\n";
        let readings = read_csv(text.as_bytes()).unwrap();
        let last = &readings[1];
        assert_eq!(readings.len(), 2);
        assert_eq!(last.elapsed_seconds.to_string(), "1.5");
        assert_eq!(last.temperature_celsius.to_string(), "134.25");
        assert_eq!(last.pressure_kilopascal, Some(312.into()));
    }

    #[test]
    fn every_fault_is_told_with_its_line_and_column() {
        let text = format!("{HEAD}0,100\n60,\n50;110\nx,900\n60,101\n60,102\n");
        assert_eq!(places(&text), [(3, Some(2)), (4, None), (5, Some(1)), (5, Some(2)), (7, Some(1))]);
    }

    /// Blank lines are passed over and counted, whatever ends them.
    #[test]
    fn lines_are_counted_as_an_editor_counts_them() {
        for end in ["\n", "\r\n"] {
            let text = ["", HEAD.trim_end(), "0,20", "", "10,hot", "20,\"2", "1\"", "30,hot"].join(end);
            assert_eq!(places(&text), [(5, Some(2)), (6, Some(2)), (8, Some(2))], "{end:?}");
        }
    }

    #[test]
    fn only_plain_decimals_are_numbers() {
        for value in ["", "1e2", "+100", "NaN", "0x10", "1_0", "\"121,5\"", "121.", ".5", "-", "1234567890123"] {
            assert_eq!(places(&format!("{HEAD}0,{value}\n")), [(2, Some(2))], "{value}");
        }
        let not_utf8 = [HEAD.as_bytes(), b"0,\xff\n"].concat();
        assert_eq!(read_csv(&not_utf8).unwrap_err()[0].column, Some(2));
    }

    #[test]
    fn values_that_no_cycle_has_are_faults() {
        let with_pressure = "elapsed_seconds,temperature_celsius,pressure_kilopascal\n";
        for line in ["604801,20,100", "-1,20,100", "0,300.1,100", "0,-51,100", "0,20,1001", "0,20,-1", "0,20,"] {
            assert_eq!(places(&format!("{with_pressure}{line}\n")).len(), 1, "{line}");
        }
    }

    #[test]
    fn a_file_without_our_head_or_without_readings_is_refused() {
        for text in ["seconds,celsius\n0,1\n", "elapsed_seconds\n0\n", "0,121\n", "a,b,c,d\n"] {
            assert!(faults(text)[0].2.starts_with("the head must be"), "{text}");
        }
        assert_eq!(faults(""), [(1, None, "the file holds no reading".to_owned())]);
        assert_eq!(faults(HEAD), [(1, None, "the file holds no reading".to_owned())]);
    }

    #[test]
    fn a_file_has_bounds() {
        let line = |i: usize| format!("{i},20\n");
        let full: String = std::iter::once(HEAD.to_owned()).chain((0..MOST_READINGS).map(line)).collect();
        assert_eq!(read_csv(full.as_bytes()).unwrap().len(), MOST_READINGS);
        let over = format!("{full}{}", line(MOST_READINGS));
        assert_eq!(faults(&over), [(20_002, None, "a cycle has at most 20000 readings".to_owned())]);
        let long = format!("{HEAD}{}", "x".repeat(MOST_BYTES));
        assert_eq!(faults(&long)[0].2, "the file must have at most 1048576 bytes");
        let wrong: String = std::iter::once(HEAD.to_owned()).chain((0..100).map(|_| "x,y\n".to_owned())).collect();
        assert_eq!(faults(&wrong).len(), MOST_FAULTS);
    }

    #[test]
    fn a_record_that_came_as_a_document_keeps_the_same_rules() {
        let reading = |seconds: i64, celsius: i64, kilopascal: i64| CycleReading {
            elapsed_seconds: seconds.into(),
            temperature_celsius: celsius.into(),
            pressure_kilopascal: Some(kilopascal.into()),
        };
        let pointers = |readings: &[CycleReading]| -> Vec<String> {
            record_faults(readings).into_iter().map(|fault| fault.pointer).collect()
        };
        assert_eq!(pointers(&[reading(0, -50, 0), reading(604_800, 300, 1000)]), [""; 0]);
        assert_eq!(
            pointers(&[reading(-1, 301, 1001), reading(-1, 20, 100)]),
            [
                "/0/elapsed_seconds",
                "/0/temperature_celsius",
                "/0/pressure_kilopascal",
                "/1/elapsed_seconds",
                "/1/elapsed_seconds",
            ]
        );
        assert_eq!(pointers(&[]), [""]);
        assert_eq!(pointers(&vec![reading(0, 20, 100); 100]).len(), MOST_FAULTS);
    }

    #[test]
    fn a_reading_of_a_document_carries_its_decimals_as_text() {
        let text = r#"{"elapsed_seconds":"0.5","temperature_celsius":"-1.25"}"#;
        let reading: CycleReading = serde_json::from_str(text).unwrap();
        assert_eq!(reading.pressure_kilopascal, None);
        assert_eq!(serde_json::to_string(&reading).unwrap(), text);
        assert!(serde_json::from_str::<CycleReading>(&text.replace("\"0.5\"", "0.5")).is_err());
    }
}
