"""Runs the service on a free port and holds it against the document: the three clients, then a sweep for each role.

Called with DATABASE_URL set to an empty database that was migrated. Arguments: the folder for what is made, and the
document.
"""

import contextlib
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import threading

import clinic

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
    """The ids as libFuzzer dictionaries, which schemathesis.toml binds to parameters."""
    folder = WORK / "ids"
    folder.mkdir(exist_ok=True)
    for kind, values in ids.items():
        folder.joinpath(f"{kind}.dict").write_text("".join(f'"{value}"\n' for value in values))


def start_sweep(url: str, role: str, key: str) -> subprocess.Popen:
    """Starts a sweep with the key of a role; its output goes to a file."""
    return subprocess.Popen(
        [
            *[sys.executable, "-m", "schemathesis.cli", "--config-file", HERE / "schemathesis.toml", "run", DOCUMENT],
            *["--url", url, "--seed", SEED, "--max-examples", str(EXAMPLES[role])],
            *["--report", "ndjson,junit", "--report-dir", WORK / "reports" / role],
        ],
        stdout=(WORK / f"sweep-{role}.txt").open("w"),
        stderr=subprocess.STDOUT,
        env=os.environ | {"CHAIRTIDE_KEY": key},
        cwd=WORK,
    )


def end_sweep(role: str, sweep: subprocess.Popen) -> bool:
    """Waits for a sweep and shows what it found: all of it when it failed, else its summary."""
    passed = sweep.wait() == 0
    text = (WORK / f"sweep-{role}.txt").read_text()
    shown = text if not passed else text[text.rfind("SUMMARY") :]
    counts = re.findall(r"^.*(?:Test cases|generated|passed).*$", shown, re.MULTILINE)
    print(f"   as {role}:", *(counts if passed else [shown]), sep="\n   ", flush=True)
    return passed


def main() -> None:
    group = command("group", "create", "--name", "Contract")
    group_id, admin_key = group["group_id"], group["key"]

    def make_key(role: str) -> str:
        return command("key", "create", "--group-id", group_id, "--role", role, "--label", f"sweep {role}")["key"]

    others = ["front_desk", "chairside", "manager"]
    with service() as url:
        ids = clinic.configure(clinic.Caller(url, admin_key))
        write_dictionaries(ids)
        run_clients(url, ids, {role: make_key(role) for role in others})
        # The others' keys are made after the administrator's sweep, which revokes what keys it finds; and without an
        # administrator in between, none of theirs is revoked.
        passed = [end_sweep("administrator", start_sweep(url, "administrator", admin_key))]
        sweeps = [(role, start_sweep(url, role, make_key(role))) for role in others]
        passed += [end_sweep(role, sweep) for role, sweep in sweeps]
    if not all(passed):
        raise SystemExit(1)


main()
