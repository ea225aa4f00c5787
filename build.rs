//! Tells cargo that the binary embeds the migrations, since a new file there changes no Rust source.

fn main() {
    println!("cargo::rerun-if-changed=migrations");
}
