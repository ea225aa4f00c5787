//! Laws of the tree. Its values are held against published ones in `tests/oracles/sealing.rs`.

use proptest::prelude::*;

use super::*;

fn leaves(size: usize) -> Vec<TreeHash> {
    (0..size).map(|leaf| TreeHash::of_leaf(&leaf.to_be_bytes())).collect()
}

#[test]
fn every_leaf_of_every_tree_leads_to_its_root_and_to_no_other_place() {
    for size in 1..=40 {
        let leaves = leaves(size);
        let root = root(&leaves);
        for (index, leaf) in leaves.iter().enumerate() {
            let path = inclusion(&leaves, index).unwrap();
            for claimed in 0..=size {
                let leads = root_by_inclusion(*leaf, claimed, size, &path) == Some(root);
                assert_eq!(leads, claimed == index, "leaf {index} of {size} as leaf {claimed}");
            }
        }
        assert_eq!(inclusion(&leaves, size), None);
    }
}

#[test]
fn every_tree_is_proved_to_begin_with_every_earlier_one_and_with_no_other() {
    for size in 1..=40 {
        let leaves = leaves(size);
        let new_root = root(&leaves);
        for old_size in 1..=size {
            let path = consistency(&leaves, old_size).unwrap();
            let old_root = root(&leaves[..old_size]);
            assert!(is_consistent(old_size, old_root, size, new_root, &path), "{old_size} of {size}");
            let mut other = leaves.clone();
            other[old_size - 1] = TreeHash::of_leaf(b"another");
            let (other_old, other_new) = (root(&other[..old_size]), root(&other));
            assert!(!is_consistent(old_size, other_old, size, new_root, &path));
            assert!(!is_consistent(old_size, old_root, size, other_new, &path));
            // Not even with the path that whoever changed the tree would make.
            let forged = consistency(&other, old_size).unwrap();
            assert!(!is_consistent(old_size, old_root, size, other_new, &forged), "{old_size} of {size}");
        }
    }
}

#[test]
fn a_path_with_a_hash_more_or_less_leads_nowhere() {
    let more = |path: &[TreeHash], at: usize| {
        let mut path = path.to_vec();
        path.insert(at, TreeHash::of_leaf(b"another"));
        path
    };
    for size in 1..=9 {
        let leaves = leaves(size);
        for index in 0..size {
            let path = inclusion(&leaves, index).unwrap();
            let leads = |path: &[TreeHash]| root_by_inclusion(leaves[index], index, size, path) == Some(root(&leaves));
            assert!((0..=path.len()).all(|at| !leads(&more(&path, at))), "leaf {index} of {size}");
            assert!(path.is_empty() || !leads(&path[1..]) && !leads(&path[..path.len() - 1]));

            let (old_size, path) = (index + 1, consistency(&leaves, index + 1).unwrap());
            let old_root = root(&leaves[..old_size]);
            let holds = |path: &[TreeHash]| is_consistent(old_size, old_root, size, root(&leaves), path);
            assert!((0..=path.len()).all(|at| !holds(&more(&path, at))), "{old_size} of {size}");
            assert!(path.is_empty() || !holds(&path[1..]) && !holds(&path[..path.len() - 1]));
        }
    }
}

#[test]
fn the_roots_of_one_pass_are_those_of_each_tree() {
    let leaves = leaves(70);
    let expected: Vec<TreeHash> = (0..=leaves.len()).map(|size| root(&leaves[..size])).collect();
    assert_eq!(roots(&leaves), expected);
}

#[test]
fn of_a_tree_without_leaves_nothing_is_proved() {
    assert_eq!((inclusion(&[], 0), consistency(&[], 0), consistency(&leaves(2), 0)), (None, None, None));
    assert_eq!(consistency(&leaves(2), 3), None);
    let nothing = root(&[]);
    assert_eq!(root_by_inclusion(nothing, 0, 0, &[]), None);
    assert!(!is_consistent(0, nothing, 0, nothing, &[]));
    assert!(!is_consistent(3, nothing, 2, nothing, &[]));
}

#[test]
fn sizes_as_large_as_can_be_written_are_answered_and_not_walked() {
    let path = leaves(64);
    assert_eq!(root_by_inclusion(path[0], usize::MAX - 1, usize::MAX, &path[..3]), None);
    assert!(!is_consistent(usize::MAX - 1, path[0], usize::MAX, path[1], &path));
}

#[test]
fn a_hash_is_64_lower_case_hex_digits() {
    let text = root(&[]).to_string();
    assert_eq!(text.parse(), Ok(root(&[])));
    for text in [text.to_uppercase(), text[2..].to_owned(), format!("{text}00"), text.replace('e', " ")] {
        assert_eq!(text.parse::<TreeHash>(), Err(NotAHash));
    }
}

proptest! {
    #[test]
    fn a_bit_changed_anywhere_in_a_path_leads_elsewhere(
        size in 2_usize..200, old_size in 1_usize..200, at in any::<prop::sample::Index>(), bit in 0_usize..256,
    ) {
        let leaves = leaves(size);
        let old_size = old_size % (size - 1) + 1;
        let flipped = |mut path: Vec<TreeHash>| {
            let at = at.index(path.len());
            path[at].0[bit / 8] ^= 1 << (bit % 8);
            path
        };
        let path = flipped(inclusion(&leaves, old_size - 1).unwrap());
        prop_assert_ne!(root_by_inclusion(leaves[old_size - 1], old_size - 1, size, &path), Some(root(&leaves)));
        let path = flipped(consistency(&leaves, old_size).unwrap());
        prop_assert!(!is_consistent(old_size, root(&leaves[..old_size]), size, root(&leaves), &path));
    }
}
