//! What the project is built from: licences, and a reason for each dependency.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn metadata(arguments: &[&str]) -> Value {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(arguments)
        .current_dir(root())
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("cargo writes JSON")
}

fn allowed() -> Vec<String> {
    let text = fs::read_to_string(root().join(".deny.toml")).expect("a readable file");
    let list = text.split_once("allow = [").and_then(|(_, rest)| rest.split_once(']')).expect("a list").0;
    list.split(',').map(|name| name.trim().trim_matches('"').to_owned()).filter(|name| !name.is_empty()).collect()
}

/// Licence expressions are read by the `spdx` crate, as cargo-deny does.
#[test]
fn every_dependency_has_a_licence_from_the_list() {
    let allowed = allowed();
    let metadata = metadata(&["--filter-platform", "x86_64-unknown-linux-gnu"]);
    let packages = metadata["packages"].as_array().expect("a list");
    assert!(packages.len() > 100, "cargo named {} packages only", packages.len());
    for package in packages {
        let name = &package["name"];
        let licence = package["license"].as_str().unwrap_or_else(|| panic!("{name} names no licence"));
        let expression = spdx::Expression::parse_mode(licence, spdx::ParseMode::LAX)
            .unwrap_or_else(|error| panic!("{name}: {licence}: {error}"));
        let accepted = expression
            .evaluate(|required| required.license.id().is_some_and(|id| allowed.iter().any(|name| name == id.name)));
        assert!(accepted, "{name} is under {licence}, which .deny.toml does not list");
    }
}

#[test]
fn developers_md_says_why_each_dependency_is_there() {
    let guide = fs::read_to_string(root().join("DEVELOPERS.md")).expect("a readable file");
    let metadata = metadata(&["--no-deps"]);
    for dependency in metadata["packages"][0]["dependencies"].as_array().expect("a list") {
        let name = dependency["name"].as_str().expect("a name");
        assert!(guide.contains(&format!("| `{name}` |")), "DEVELOPERS.md gives no reason for {name}");
    }
}
