//! Checking a proof that the service gave out, with nothing but the file.
//!
//! The rule of this file: a proof is worth as much as its head, and heads are compared whole. Without one to compare
//! with, the head is printed and nothing is claimed of it.

use std::io::Read as _;
use std::path::Path;

use anyhow::{Context as _, bail, ensure};

use crate::domain::seal::ChainHead;
use crate::domain::seal::day_proof::DayLeaf;
use crate::domain::seal::proof::Proof;
use crate::domain::seal::tree::TreeHash;

/// Checks the proof in a file; answers what to print.
pub(super) fn check(file: &Path, wanted: Option<&str>) -> anyhow::Result<String> {
    let text = read(file)?;
    let shown = file.display();
    let proof = Proof::read(&text).with_context(|| format!("{shown} proves nothing"))?;
    let head = proof.check().with_context(|| format!("{shown} proves nothing"))?;
    let of = match &proof {
        Proof::Record(proof) => {
            let name = proof.record.name();
            format!("record     {name}, as it was sealed\nclinic day {}\n", proof.seal.clinic_day)
        }
        Proof::Consistency(proof) => {
            let old = proof.old_head;
            format!("only added to since {}:{}\n", old.size, old.root)
        }
        Proof::Day(proof) => {
            let told = proof.leaves.iter().filter(|leaf| matches!(leaf, DayLeaf::Record(_))).count();
            let (all, day) = (proof.leaves.len(), proof.seal.clinic_day);
            format!("records    {told} of {all}, as they were sealed\nclinic day {day}\n")
        }
    };
    let kept = match wanted {
        None => "compare it, size and root, with one that you kept",
        Some(wanted) => {
            must_be(&head, wanted)?;
            "it is the one you gave"
        }
    };
    Ok(format!("{of}clinic     {}\nhead       {}:{} ({kept})\n", head.clinic_id, head.size, head.root))
}

fn read(file: &Path) -> anyhow::Result<String> {
    if file == Path::new("-") {
        let mut text = String::new();
        std::io::stdin().read_to_string(&mut text).context("standard input cannot be read")?;
        return Ok(text);
    }
    std::fs::read_to_string(file).with_context(|| format!("{} cannot be read", file.display()))
}

/// Refuses another head than the wanted one, which is `SIZE:ROOT` or a file.
fn must_be(head: &ChainHead, wanted: &str) -> anyhow::Result<()> {
    if let Some((size, root)) = wanted.split_once(':')
        && let (Ok(size), Ok(root)) = (size.parse::<usize>(), root.parse::<TreeHash>())
    {
        ensure!((size, root) == (head.size, head.root), "it leads to another head: {}:{}", head.size, head.root);
        return Ok(());
    }
    let text = std::fs::read_to_string(wanted);
    let Ok(text) = text else { bail!("--head must be SIZE:ROOT or a file that can be read: {wanted}") };
    let kept: ChainHead = serde_json::from_str(&text).with_context(|| format!("{wanted} holds no head"))?;
    ensure!(kept == *head, "it leads to another head: {}:{} of clinic {}", head.size, head.root, head.clinic_id);
    Ok(())
}
