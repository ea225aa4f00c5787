#!/usr/bin/env python3
"""check_proof.py FILE... checks proofs that the service gave out, and prints the head of the chain that each leads to:
compare it with one that you kept. Needs Python 3.8 and nothing else."""
import glob, hashlib, json, sys
def refuse(what):
    raise ValueError("proves nothing: " + what)
def whole(text):  # RFC 7493, section 2.2
    return int(text) if str(int(text)) == text and abs(int(text)) < 2**53 else refuse(text)
def members(pairs):  # in the order of RFC 8785, section 3.2.3
    sorted_pairs = sorted(pairs, key=lambda pair: pair[0].encode("utf-16-be"))
    return dict(sorted_pairs) if len(dict(pairs)) == len(pairs) else refuse("a name stands twice")
def leaf(value):  # of RFC 8785's text: its members are sorted already, and its numbers whole
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(b"\0" + text.encode()).hexdigest()
def node(left, right):  # RFC 9162, section 2.1.1
    both = bytes.fromhex(left + right)
    return hashlib.sha256(b"\1" + both).hexdigest() if both.hex() == left + right else refuse("another form")
def whole_tree(leaves):  # the root of all leaves of a day: section 2.1.1
    if len(leaves) < 2:
        return leaves[0] if leaves else hashlib.sha256().hexdigest()
    left = 1 << (len(leaves) - 1).bit_length() - 1
    return node(whole_tree(leaves[:left]), whole_tree(leaves[left:]))
def included(at, index, size, path):  # the root that leaf `at` leads to: section 2.1.3
    if size == 1 or not path:
        return at if (index, size, path) == (0, 1, []) else refuse("a path of another length")
    left, side, rest = 1 << (size - 1).bit_length() - 1, path[-1], path[:-1]
    if index < left:
        return node(included(at, index, left, rest), side)
    return node(side, included(at, index - left, size - left, rest))
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
    ids = [[of[name] for name in ("group_id", "clinic_id")] for of in (was, head)]
    counted = "leaves" not in proof or len(proof["leaves"]) == was["record_count"]
    return head if counted and ids[0] == ids[1] and roots == [was["root"], head["root"]] else refuse("it leads to other roots")
if __name__ == "__main__":
    for file in [file for name in sys.argv[1:] for file in sorted(glob.glob(name)) or [name]] or refuse("no file is named"):
        print(json.dumps(check(open(file, encoding="utf-8").read())))
