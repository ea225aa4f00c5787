//! The arrows between the parts, read from the `use crate::` lines, and the store's monopoly of SQL.

use std::fs;
use std::path::{Path, PathBuf};

/// Part -> the parts it may know.
const MAY_KNOW: [(&str, &[&str]); 9] = [
    ("domain", &["domain"]),
    ("store", &["domain", "store"]),
    ("jobs", &["domain", "store", "jobs", "clock", "progress"]),
    ("http", &["domain", "store", "http", "clock"]),
    ("clock", &[]),
    ("cluster", &["cluster"]),
    ("config", &["http", "domain"]),
    ("database", &["store", "cluster", "progress"]),
    ("progress", &[]),
];

fn files(under: &Path) -> Vec<PathBuf> {
    if under.is_file() {
        return vec![under.to_owned()];
    }
    let Ok(entries) = fs::read_dir(under) else { return Vec::new() };
    entries.flat_map(|e| files(&e.expect("a readable folder").path())).collect()
}

fn parts_named(text: &str) -> Vec<String> {
    text.split("crate::")
        .skip(1)
        .map(|rest| rest.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect())
        .filter(|name: &String| !name.is_empty())
        .collect()
}

#[test]
fn the_arrows_go_from_http_and_jobs_to_store_to_domain_and_nowhere_else() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut looked_at = 0;
    for (part, may_know) in MAY_KNOW {
        let mut found = files(&source.join(part));
        found.extend(files(&source.join(format!("{part}.rs"))));
        for file in found {
            looked_at += 1;
            let text = fs::read_to_string(&file).expect("a readable file");
            for name in parts_named(&text) {
                assert!(may_know.contains(&name.as_str()), "{} knows {name}", file.display());
            }
        }
    }
    assert!(looked_at > 40, "only {looked_at} files were found: the test looks in the wrong place");
}

/// How a statement is written or sent, by whichever way of `sqlx`.
const SPEAKS_SQL: [&str; 9] = [
    "sqlx::query",
    "raw_sql",
    "QueryBuilder",
    "AssertSqlSafe",
    ".execute(",
    ".fetch(",
    ".fetch_all(",
    ".fetch_one(",
    ".fetch_optional(",
];

#[test]
fn no_sql_stands_outside_the_store() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let store = source.join("store");
    let (inside, outside): (Vec<_>, Vec<_>) = files(&source).into_iter().partition(|file| file.starts_with(&store));
    let speaks_sql = |file: &PathBuf| {
        let text = fs::read_to_string(file).expect("a readable file");
        SPEAKS_SQL.iter().any(|word| text.contains(word))
    };
    assert!(inside.iter().any(speaks_sql), "the store speaks SQL: the test looks in the wrong place");
    let strangers: Vec<_> = outside.iter().filter(|file| speaks_sql(file)).collect();
    assert_eq!(strangers, Vec::<&PathBuf>::new());
}
