"""Runs the service on a free port and holds it against the document: the three clients, then a sweep for each role.

Called with DATABASE_URL set to an empty database that was migrated. Arguments: the folder for what is made, and the
document.
"""

import concurrent.futures
import contextlib
import datetime as dt
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import threading

import clinic
import feeds

WORK, DOCUMENT = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
HERE = pathlib.Path(__file__).parent
CHAIRTIDE = os.environ["CHAIRTIDE_BIN"]
# Fixed, so that a sweep that finds something finds it again.
SEED = "20261125"
# Most generated requests for an operation in the phase "fuzzing"; the others follow from the document.
EXAMPLES = {"administrator": 40, "front_desk": 10, "chairside": 10, "manager": 10}


def command(*words: str) -> dict[str, str]:
    """Runs a command of ours; its lines are pairs of a name and a value."""
    done = subprocess.run([CHAIRTIDE, *words], check=True, stdout=subprocess.PIPE, text=True)
    return dict(line.split(" ", 1) for line in done.stdout.splitlines())


@contextlib.contextmanager
def service():
    """The running service; answers its address. It must end cleanly when it is told to."""
    environment = os.environ | {
        "CHAIRTIDE_LISTEN": "127.0.0.1:0",
        "CHAIRTIDE_LOG": "warn,chairtide::command=info",
        "CHAIRTIDE_LOG_FORMAT": "json",
    }
    log = WORK / "service.log"
    process = subprocess.Popen([CHAIRTIDE, "serve"], stderr=subprocess.PIPE, text=True, env=environment)
    try:
        with log.open("w") as kept:
            address = None
            for line in process.stderr:
                kept.write(line)
                # The port is bound before this line is written: requests wait, none is refused.
                if '"message":"serving"' in line:
                    address = json.loads(line)["address"]
                    break
            if address is None:
                raise SystemExit(f"the service did not start: see {log}")
            reader = threading.Thread(target=lambda: kept.writelines(process.stderr))
            reader.start()
            try:
                yield f"http://{address}"
            finally:
                process.send_signal(signal.SIGTERM)
                status = process.wait(timeout=60)
                reader.join()
        if status != 0:
            raise SystemExit(f"the service ended with {status}: see {log}")
        errors = [line for line in log.read_text().splitlines() if '"level":"ERROR"' in line]
        if errors:
            raise SystemExit(f"the service logged {len(errors)} errors, the first: {errors[0]}")
    finally:
        process.kill()


def run_clients(url: str, ids: dict[str, list[str]], keys: dict[str, str]) -> None:
    environment = os.environ | {
        "CHAIRTIDE_URL": url,
        "CLINIC_ID": ids["clinic"][0],
        "OPERATORY_ID": ids["operatory"][0],
        "TURNOVER_ROUTINE_ID": ids["routine"][0],
        "FRONT_DESK_KEY": keys["front_desk"],
        "CHAIRSIDE_KEY": keys["chairside"],
        "MANAGER_KEY": keys["manager"],
    }
    for sample in ["front-desk", "tablet", "manager"]:
        print(f"   {sample}.ts", flush=True)
        subprocess.run(["node", WORK / "typescript" / f"{sample}.ts"], check=True, env=environment)


def write_dictionaries(ids: dict[str, list[str]]) -> None:
    """The values as libFuzzer dictionaries, which schemathesis.toml binds to parameters."""
    folder = WORK / "ids"
    folder.mkdir(exist_ok=True)
    for kind, values in ids.items():
        folder.joinpath(f"{kind}.dict").write_text("".join(f'"{value}"\n' for value in values))


def sweep(url: str, role: str, key: str) -> tuple[str, bool]:
    """Sweeps with the key of a role; answers what to show of it, and whether nothing was found."""
    kept = WORK / f"sweep-{role}.txt"
    with kept.open("w") as output:
        command = [
            *[sys.executable, "-m", "schemathesis.cli", "--config-file", HERE / "schemathesis.toml", "run", DOCUMENT],
            *["--url", url, "--seed", SEED, "--max-examples", str(EXAMPLES[role])],
            *["--report", "ndjson", "--report-ndjson-path", WORK / f"sweep-{role}.ndjson"],
        ]
        environment = os.environ | {"CHAIRTIDE_KEY": key, "SCHEMATHESIS_HOOKS": "sweep_hooks", "PYTHONPATH": str(HERE)}
        done = subprocess.run(command, stdout=output, stderr=subprocess.STDOUT, env=environment, cwd=WORK)
    text = kept.read_text()
    if done.returncode != 0:
        return text, False
    counts = re.search(r"\d+ generated.*", text)
    return counts.group() if counts else text, counts is not None


# A day is sealed when it is over, a task is missed when its window is, and the service of a sweep is minutes old:
# tests/proofs.rs, tests/corrective_actions/misses.rs and tests/retention.rs read what these answer.
OF_DAYS_GONE_BY = {
    ("GET", f"/v1/clinics/{{clinic_id}}/{what}") for what in ["chain-head", "consistency-proof", "record-proof"]
} | {
    ("PUT", "/v1/tasks/{task_id}/miss-reason"),
    ("PUT", "/v1/clinics/{clinic_id}/purges/{purge_id}"),
    ("GET", "/v1/clinics/{clinic_id}/purges/{purge_id}/records"),
}


def never_reached() -> list[str]:
    """Operations that no sweep got a wished-for answer from: a sweep that is always refused looks at nothing."""
    reached = set()
    for role in EXAMPLES:
        for line in (WORK / f"sweep-{role}.ndjson").open():
            recorder = json.loads(line).get("ScenarioFinished", {}).get("recorder") or {}
            for case_id, interaction in recorder.get("interactions", {}).items():
                if interaction["response"] and 200 <= interaction["response"]["status_code"] < 300:
                    case = recorder["cases"][case_id]["value"]
                    reached.add((case["method"], case["path"]))
    paths = json.loads(DOCUMENT.read_text())["paths"].items()
    documented = {(method.upper(), path) for path, item in paths for method in item} - OF_DAYS_GONE_BY
    return sorted(" ".join(operation) for operation in documented - reached)


def main() -> None:
    ids = clinic.choose_ids()
    left_at = (dt.datetime.now(dt.timezone.utc) - dt.timedelta(minutes=1)).isoformat()
    # The administrator's sweep revokes what keys it finds, so it has a group of its own. Both are configured alike.
    groups = [command("group", "create", "--name", name) for name in ["Sweep of roles", "Sweep of the administrator"]]

    def make_key(group: dict[str, str], role: str) -> str:
        words = ["--group-id", group["group_id"], "--role", role, "--label", f"sweep {role}"]
        return command("key", "create", *words)["key"]

    with service() as url:
        for group in groups:
            admin, tablet = (clinic.Caller(url, key) for key in [group["key"], make_key(group, "chairside")])
            made = clinic.configure(admin, tablet, ids, left_at)
        write_dictionaries(ids | made)
        keys = {role: make_key(groups[0], role) for role in EXAMPLES} | {"administrator": groups[1]["key"]}
        run_clients(url, ids, keys)
        paths = [f"/feeds/{file}" for file in made["feed_file"]]
        reader = clinic.Caller(url, keys["administrator"])
        feeds.check(url, reader, ids["clinic"][0], dict(zip(["task", "event"], paths, strict=True)))
        with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
            found = list(pool.map(lambda role: sweep(url, role, keys[role]), EXAMPLES))
    for role, (shown, _) in zip(EXAMPLES, found, strict=True):
        print(f"   as {role}: {shown}", flush=True)
    if not all(passed for _, passed in found):
        raise SystemExit("the service and its document disagree")
    if missed := never_reached():
        raise SystemExit(f"no sweep was answered as wished by {missed}")


if __name__ == "__main__":
    main()
