//! Canonical JSON (RFC 8785): one value, one text, so that a hash of it means something.
//!
//! The rule of this file: numbers are whole and keep within ±(2^53 − 1), the range that RFC 7493, section 2.2, calls
//! exact. JSON has one number where others have many, and RFC 8785 writes `1`, `1.0` and, for large ones, their
//! neighbours alike: an edit from one to the other would leave the hash as it was. Whatever has a fraction, or may be
//! large, is text.

use std::fmt;

use serde::Serialize;
use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// The largest whole number that every reader of JSON keeps.
const LARGEST_EXACT: u64 = (1 << 53) - 1;

/// A number that JSON does not keep.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("holds the number {0}, which is not whole or lies outside ±(2^53 − 1): such a value must be text")]
pub struct NotExact(Number);

/// The canonical text of a value, in UTF-8.
///
/// # Errors
/// When it holds a number that is not exact.
///
/// # Examples
/// ```
/// use chairtide::domain::seal::canonical::canonical;
/// use serde_json::json;
///
/// assert_eq!(canonical(&json!({ "unit": "mg/L", "id": 7 })).unwrap(), br#"{"id":7,"unit":"mg/L"}"#);
/// assert!(canonical(&json!(0.5)).is_err());
/// ```
pub fn canonical(value: &Value) -> Result<Vec<u8>, NotExact> {
    check_numbers(value)?;
    Ok(written(value))
}

/// As [`canonical`], of a value whose numbers are known to be exact.
pub(super) fn written(value: &impl Serialize) -> Vec<u8> {
    serde_json_canonicalizer::to_vec(value).expect("a JSON value can be written")
}

pub(super) fn check_numbers(value: &Value) -> Result<(), NotExact> {
    match value {
        Value::Number(number) => check_number(number),
        Value::Array(items) => items.iter().try_for_each(check_numbers),
        Value::Object(members) => members.values().try_for_each(check_numbers),
        Value::Null | Value::Bool(_) | Value::String(_) => Ok(()),
    }
}

fn check_number(number: &Number) -> Result<(), NotExact> {
    match number.as_i64() {
        Some(whole) if whole.unsigned_abs() <= LARGEST_EXACT => Ok(()),
        _ => Err(NotExact(number.clone())),
    }
}

/// Reads JSON that somebody sent as evidence: a name that stands twice in an object is refused, since two readers may
/// take two values for it, and so is a number that is not exact.
///
/// # Errors
/// When it is not such JSON; the text says where.
pub fn read(text: &str) -> Result<Value, serde_json::Error> {
    serde_json::from_str(text).map(|Strict(value)| value)
}

struct Strict(Value);

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(StrictVisitor).map(Self)
    }
}

struct StrictVisitor;

impl StrictVisitor {
    fn number<E: de::Error>(number: Number) -> Result<Value, E> {
        check_number(&number).map_err(E::custom)?;
        Ok(Value::Number(number))
    }
}

impl<'de> Visitor<'de> for StrictVisitor {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_unit<E: de::Error>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E: de::Error>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Value, E> {
        Ok(Value::String(text.to_owned()))
    }

    fn visit_i64<E: de::Error>(self, number: i64) -> Result<Value, E> {
        Self::number(number.into())
    }

    fn visit_u64<E: de::Error>(self, number: u64) -> Result<Value, E> {
        Self::number(number.into())
    }

    fn visit_f64<E: de::Error>(self, number: f64) -> Result<Value, E> {
        Self::number(Number::from_f64(number).ok_or_else(|| E::custom("a number is not finite"))?)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut read = Vec::new();
        while let Some(Strict(item)) = items.next_element()? {
            read.push(item);
        }
        Ok(Value::Array(read))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut read = Map::new();
        while let Some((name, Strict(value))) = members.next_entry::<String, _>()? {
            if read.contains_key(&name) {
                return Err(de::Error::custom(format_args!("the name {name:?} stands twice")));
            }
            read.insert(name, value);
        }
        Ok(Value::Object(read))
    }
}

#[cfg(test)]
mod tests;
