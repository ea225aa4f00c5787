#!/usr/bin/env python3
"""check_proof.py FILE... checks proofs that the service gave out, and prints the head of the chain that each leads to:
compare it with one that you kept. Needs Python 3.8 and nothing else."""
import glob, hashlib, json, sys
def refuse(what):
    raise ValueError("proves nothing: " + what)
def whole(text):  # RFC 7493, section 2.2
    return int(text) if str(int(text)) == text and abs(int(text)) < 2**53 else refuse(text)
def members(pairs):  # in the order of RFC 8785, section 3.2.3
    ordered = dict(sorted(pairs, key=lambda pair: pair[0].encode("utf-16-be")))
    return ordered if len(ordered) == len(pairs) else refuse("a name stands twice")
def leaf(value):  # of RFC 8785's text: its members are sorted already, and its numbers whole
    return hashlib.sha256(b"\0" + json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()).hexdigest()
def node(left, right):  # RFC 9162, section 2.1.1
    both = bytes.fromhex(left + right)
    return hashlib.sha256(b"\1" + both).hexdigest() if both.hex() == left + right else refuse("another form")
def whole_tree(leaves):  # the root of all leaves of a day: section 2.1.1
    left = 1 << max(len(leaves) - 1, 1).bit_length() - 1
    return node(*map(whole_tree, (leaves[:left], leaves[left:]))) if leaves[1:] else (leaves or [hashlib.sha256().hexdigest()])[0]
def included(at, index, size, path):  # the root that leaf `at` leads to: section 2.1.3
    if size == 1 or not path:
        return at if (index, size, path) == (0, 1, []) else refuse("a path of another length")
    left, side, rest = 1 << (size - 1).bit_length() - 1, path[-1], path[:-1]
    here = included(at, index, left, rest) if index < left else included(at, index - left, size - left, rest)
    return node(here, side) if index < left else node(side, here)
def grown(old, new, known, path):  # the roots, old and new: section 2.1.4
    if old == new or not path:
        return (known + path) * 2 if 0 < old == new and len(known + path) == 1 else refuse("a path of another length")
    left, side, rest = 1 << (new - 1).bit_length() - 1, path[-1], path[:-1]
    a, b = grown(old, left, known, rest) if old <= left else grown(old - left, new - left, [], rest)
    return [a, node(b, side)] if old <= left else [node(side, a), node(side, b)]
def check(text):
    proof = json.loads(text, parse_int=whole, parse_float=refuse, parse_constant=refuse, object_pairs_hook=members)
    head, was = proof["head"], proof[{"record": "seal", "day": "seal", "consistency": "old_head"}[proof["proof"]]]
    roots = proof["proof"] == "consistency" and grown(was["size"], head["size"], [was["root"]], proof["path"]) or [
        included(leaf(proof["record"]), proof["leaf_index"], was["record_count"], proof["day_path"])
        if proof["proof"] == "record" else whole_tree([of if isinstance(of, str) else leaf(of) for of in proof["leaves"]]),
        included(leaf(was), was["number"], head["size"], proof["chain_path"])]
    is_same = [was["group_id"], was["clinic_id"], was["root"]] == [head["group_id"], head["clinic_id"], roots[0]]
    counted = "leaves" not in proof or len(proof["leaves"]) == was["record_count"]
    return head if counted and is_same and roots[1] == head["root"] else refuse("it leads to other roots")
if __name__ == "__main__":
    for file in [file for name in sys.argv[1:] for file in sorted(glob.glob(name)) or [name]] or refuse("no file is named"):
        print(json.dumps(check(open(file, encoding="utf-8").read())))
