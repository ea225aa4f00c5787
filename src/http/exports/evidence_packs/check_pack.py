#!/usr/bin/env python3
"""check_pack.py [PACK]... checks a pack of evidence, a ZIP file or the folder it was unpacked to (of its own, where none is
named): that its files are those of the manifest, that the proofs lead to one head, and that the completions in json and csv are
the records that the proofs vouch for. It prints what it looked at and that head: compare it with one that you kept. It ends
with 1 where something differs. Needs Python 3.8, and check_proof.py beside it."""
import csv, hashlib, io, json, os, re, sys, zipfile

sys.dont_write_bytecode = True
HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE)
from check_proof import check


def read_all(pack):
    """A function that reads a file of the pack, and the names of all."""
    if os.path.isfile(pack):
        archive = zipfile.ZipFile(pack)
        return archive.read, archive.namelist()
    names = [os.path.relpath(os.path.join(folder, name), pack).replace(os.sep, "/")
             for folder, _, files in os.walk(pack) for name in files]
    return lambda name: open(os.path.join(pack, *name.split("/")), "rb").read(), names


def told_alike(value, cell):
    """Whether a cell of CSV says what JSON says; words that a spreadsheet would run are led by an apostrophe."""
    if isinstance(value, str):
        led = value[:1] in ("=", "+", "-", "@", "\t", "\r", "'")
        return cell == value or led and cell == "'" + value
    return cell == "" if value is None else json.loads(cell) == value


def differences(pack):
    """What differs within a pack, and what was looked at."""
    read, names = read_all(pack)
    manifest = json.loads(read("manifest.json"))
    found = ["the service says: " + line for line in manifest["not_as_sealed"]]
    listed = {file["path"]: file for file in manifest["files"]}
    found += [name + " is not of this pack" for name in names if name not in listed and name != "manifest.json"]
    for path, file in listed.items():
        content = read(path) if path in names else None
        if content is None:
            found.append(path + " is missing")
        elif (len(content), hashlib.sha256(content).hexdigest()) != (file["bytes"], file["sha256"]):
            found.append(path + " is not as the manifest says")
    records, proofs = {}, sorted(name for name in names if re.fullmatch(r"proofs/.*\.json", name))
    for name in proofs:
        try:
            text = read(name).decode("utf-8")
            if check(text) != manifest["chain_head"]:
                found.append(name + " leads to another head than the manifest's")
                continue
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            found.append("%s: %s" % (name, error))
            continue
        for leaf in json.loads(text)["leaves"]:
            if isinstance(leaf, dict) and leaf["kind"] == "completion":
                records[leaf["id"]] = leaf["fields"]
    rows = [json.loads(line) for line in read("json/completions.ndjson").decode("utf-8").splitlines()]
    vouched = 0
    for row in rows:
        record = records.pop(row["completion_id"], None)
        if record is not None:
            vouched += 1
            # Whether another completion counts is worked out, and was sealed by earlier releases alone.
            asked = set(row) - ({"duplicate"} - set(record))
            wrong = sorted(name for name in asked if row[name] != record.get(name))
            found += ["json: completion %s: %s is not as it was sealed" % (row["completion_id"], name) for name in wrong]
    if manifest["narrowed_to"] is None:
        within = lambda record: manifest["from"] <= record["clinic_day"] <= manifest["to"]
        found += ["json: completion %s was sealed and is missing" % name for name in records if within(records[name])]
    cells = list(csv.DictReader(io.StringIO(read("csv/completions.csv").decode("utf-8"), newline="")))
    if len(cells) != len(rows):
        found.append("csv/completions.csv has %d rows and json has %d" % (len(cells), len(rows)))
    for row, cell in zip(rows, cells):
        wrong = [name for name, value in row.items() if not told_alike(value, cell.get(name) or "")]
        found += ["csv: completion %s: %s is not as in json" % (row["completion_id"], name) for name in wrong]
    looked = "%d files, %d proofs, %d completions, %d of them vouched for by a seal" % (
        len(listed), len(proofs), len(rows), vouched)
    return found, looked, manifest["chain_head"] if proofs else None


if __name__ == "__main__":
    csv.field_size_limit(2**31 - 1)
    differ = False
    for pack in sys.argv[1:] or [HERE]:
        found, looked, head = differences(pack)
        for line in found:
            print("DIFFERS: " + line)
        print(looked)
        print(json.dumps(head) if head else "no day of this pack is sealed: nothing vouches for its records yet")
        differ = differ or bool(found)
    sys.exit(1 if differ else 0)
