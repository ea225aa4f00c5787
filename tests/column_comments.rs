//! What `reporting` says of its columns, against the words that can stand in them.

use sqlx::PgPool;

/// The kinds come from the API document, which is made from the type that reads and writes them.
#[sqlx::test]
async fn the_comment_on_a_routines_anchor_names_every_kind_of_anchor(pool: PgPool) {
    let document = serde_json::to_value(chairtide::http::openapi::document()).expect("plain JSON");
    let kinds: Vec<&str> = document["components"]["schemas"]["Anchor"]["oneOf"]
        .as_array()
        .expect("one schema a kind")
        .iter()
        .filter_map(|variant| variant["properties"]["kind"]["enum"][0].as_str())
        .collect();
    assert!(kinds.contains(&"opening") && kinds.len() >= 12, "the search finds what is there: {kinds:?}");
    let comment: String = sqlx::query_scalar(
        "select col_description(a.attrelid, a.attnum) from pg_attribute a
         where a.attrelid = 'reporting.routines'::regclass and a.attname = 'anchor'",
    )
    .fetch_one(&pool)
    .await
    .expect("the catalogue");
    let words: Vec<&str> = comment.split(|c: char| !c.is_ascii_lowercase() && c != '_').collect();
    let missing: Vec<&str> = kinds.into_iter().filter(|kind| !words.contains(kind)).collect();
    assert!(missing.is_empty(), "{missing:?} not in {comment:?}");
}
