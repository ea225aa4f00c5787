//! What is refused. What is written is held against RFC 8785 in `tests/oracles/sealing.rs`.

use serde_json::json;

use super::*;

#[test]
fn numbers_keep_to_the_range_that_rfc_7493_calls_exact() {
    // RFC 7493, section 2.2: whole numbers from -(2^53)+1 to (2^53)-1.
    for (text, exact) in [
        ("0", true),
        ("9007199254740991", true),
        ("-9007199254740991", true),
        ("9007199254740992", false),
        ("-9007199254740992", false),
        ("18446744073709551615", false),
        ("100000000000000000000", false),
        ("1.0", false),
        ("-0", false),
        ("1e2", false),
    ] {
        let value: Value = serde_json::from_str(text).unwrap();
        assert_eq!(canonical(&json!([{ "deep": [value] }])).is_ok(), exact, "{text}");
        assert_eq!(read(&format!("[{{\"deep\":[{text}]}}]")).is_ok(), exact, "{text}");
    }
}

#[test]
fn a_name_that_stands_twice_is_refused_at_any_depth() {
    let told = |text: &str| read(text).map_err(|error| error.to_string());
    assert_eq!(told(r#"{"a":1,"b":[true,null,"x"]}"#), Ok(json!({ "a": 1, "b": [true, null, "x"] })));
    for text in [r#"{"a":1,"a":1}"#, r#"[{"b":{"a":1,"c":2,"\u0061":3}}]"#] {
        assert!(told(text).unwrap_err().starts_with("the name \"a\" stands twice"), "{:?}", told(text));
    }
}

#[test]
fn nesting_without_end_is_refused() {
    assert!(read(&"[".repeat(100_000)).is_err());
}
