"""A small invented clinic over HTTP, so that a sweep finds something behind the ids it asks for.

Stands in the zone UTC and never closes, so that the checks do not depend on the hour they run at.
"""

import datetime as dt
import json
import urllib.request
import uuid

COMMON_PRACTICE = {"title": "common practice", "edition": "none", "seen": "common_practice"}
# At least 20 s between patients.
HTM_FLUSH = {"title": "HTM 01-05", "edition": "2013", "locator": "para 6.85", "seen": "read_in_quotation"}
# For a figure that stands for no published one.
INVENTED = {"title": "invented for the test", "edition": "none", "seen": "from_memory"}
PIN = "802613"
WEEKDAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


class Caller:
    """One key at one service."""

    def __init__(self, url: str, key: str) -> None:
        self.url, self.key = url, key

    def ask(self, method: str, path: str, body: object = None, **headers: str) -> dict:
        request = urllib.request.Request(
            self.url + path,
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"} | headers,
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            text = answer.read()
            return json.loads(text) if text else {}


def hold(key: str, seconds: int, **more: object) -> dict:
    evidence = {"kind": "hold", "minimum_seconds": seconds, "source": HTM_FLUSH}
    return {"key": key, "instruction": "Run it for the whole time.", "evidence": evidence} | more


def window(may_start: int, due_by: int, overdue: int, missed: int) -> dict:
    return {
        "may_start_minutes": may_start,
        "due_by_minutes": due_by,
        "overdue_minutes": overdue,
        "missed_minutes": missed,
    }


def routines(today: dt.date) -> list[dict]:
    """A turnover task, and work that is overdue at any time of today: its day began two days before."""
    confirm = {"key": "wipe", "instruction": "Wipe it down.", "evidence": {"kind": "confirmation"}}
    read = {
        "key": "residual",
        "instruction": "Read the residual at an outlet.",
        "evidence": {
            "kind": "reading",
            "unit": "mg/L",
            "on_failure": "repeat",
            "limits": [{"operator": "le", "value": "5", "unit": "mg/L", "source": INVENTED}],
        },
    }
    always_overdue = {
        "kind": "calendar",
        "dates": {"rule": "FREQ=DAILY", "starts_on": str(today - dt.timedelta(days=7))},
        "place": {"kind": "local_time", "at": "00:00"},
        "closed_day": "not_required",
    }
    common = {"sources": [COMMON_PRACTICE], "cautions": ["Aim away from faces."], "rough_minutes": 5}
    return [
        common
        | {
            "name": "Flush after a patient",
            "subject_kind": "operatory",
            "anchor": {"kind": "turnover"},
            "window": window(0, 10, 15, 600),
            "blocks_from": "may_start",
            "steps": [hold("flush", 20, for_each="circuit"), confirm],
        },
        common
        | {
            "name": "Residual reading",
            "subject_kind": "operatory",
            "anchor": always_overdue,
            "window": window(-2880, -2160, -1500, 5760),
            "blocks_from": "due_by",
            "steps": [read],
        },
        common
        | {
            "name": "Daily control test",
            "subject_kind": "steriliser",
            "anchor": always_overdue,
            "window": window(-2880, -2160, -1500, 5760),
            "steps": [confirm],
        },
    ]


def fresh() -> str:
    return str(uuid.uuid4())


def choose_ids() -> dict[str, list[str]]:
    """Ids by kind. Clients make them, so two groups can have the same ones and one list serves both."""
    counts = {"clinic": 2, "closure": 1, "operatory": 1, "equipment": 1, "routine": 3, "key": 1, "hold": 1, "feed": 1}
    # So many people that wrong PINs of a sweep lock only some of them; and each act below can be done once.
    counts |= {"staff": 12, "quarantine": 8, "action": 1, "worked_action": 1, "signed_clinic": 1, "legal_hold": 8}
    counts |= {"advisory": 8}
    return {kind: [fresh() for _ in range(count)] for kind, count in (counts | {"completion": 1}).items()}


def configure(admin: Caller, tablet: Caller, ids: dict[str, list[str]], left_at: str) -> dict[str, list[str]]:
    """Makes the clinic with these ids and answers those the service made, and the names of the steps."""
    clinic_id, second_id = ids["clinic"]
    operatory_id, equipment_id, hold_id = ids["operatory"][0], ids["equipment"][0], ids["hold"][0]
    for an_id, name in [(clinic_id, "Lantern Street"), (second_id, "Mill Lane")]:
        admin.ask("PUT", f"/v1/clinics/{an_id}", {"name": name, "zone": "Etc/UTC"})
        # A session that closes at the time it opens lasts a whole day.
        week = {day: [{"opens": "00:00", "closes": "00:00"}] for day in WEEKDAYS}
        admin.ask("PUT", f"/v1/clinics/{an_id}/hours", {"week": week})
    closure = {"from_local": "2026-12-24T14:00", "until_local": "2026-12-27T00:00", "reason": "public holidays"}
    admin.ask("PUT", f"/v1/clinics/{clinic_id}/closures/{ids['closure'][0]}", closure)
    admin.ask(
        "PUT",
        f"/v1/operatories/{operatory_id}",
        {
            "clinic_id": clinic_id,
            "name": "Room 2",
            "water_source": "own_reservoir",
            "circuits": ["handpiece-1", "syringe"],
            "suction_lines": ["suction-high"],
            "service": {"state": "in_service"},
        },
    )
    admin.ask(
        "PUT",
        f"/v1/equipment/{equipment_id}",
        {"clinic_id": clinic_id, "kind": "steriliser", "name": "Steriliser", "service": {"state": "in_service"}},
    )
    today = dt.datetime.now(dt.timezone.utc).date()
    for routine_id, routine in zip(ids["routine"], routines(today), strict=True):
        body = {"effective_on": str(today - dt.timedelta(days=7)), "routine": routine}
        admin.ask("PUT", f"/v1/routines/{routine_id}", body)
    key = {"key_id": ids["key"][0], "label": "spare", "role": "reader", "reach": {"kind": "group"}}
    admin.ask("POST", "/v1/keys", key)
    # A post of the desk plans at once, so there is nothing to wait for.
    admin.ask("POST", f"/v1/clinics/{clinic_id}/day-start", {})
    path = f"/v1/operatories/{operatory_id}/left"
    turnover = admin.ask("POST", path, {"at": left_at}, **{"Idempotency-Key": fresh()})["task_ids"]
    due = admin.ask("GET", f"/v1/clinics/{clinic_id}/due?ahead_minutes=60")
    tasks = [task["task_id"] for task in due["tasks"]]
    assert len(turnover) == 1 and set(turnover) < set(tasks) and len(tasks) >= 3, due
    # A first completion that falls short: kept, and the task stays open.
    hold = {"hold_id": hold_id, "step": "flush:syringe", "performed_by": "KV"}
    tablet.ask("POST", f"/v1/tasks/{turnover[0]}/holds", hold)
    tablet.ask("POST", f"/v1/tasks/{turnover[0]}/holds/{hold_id}/end", {"performed_by": "KV"})
    completion = {
        "completion_id": ids["completion"][0],
        "task_id": turnover[0],
        "performed_at": left_at,
        "performed_by": "KV",
        "steps": [{"step": "flush:syringe", "status": "done", "hold_id": hold_id}],
    }
    kept = tablet.ask("POST", "/v1/completions", completion)
    assert kept["verdict"] == "failed", kept
    # One that a sweep may revoke, and one of each kind whose path is read.
    files = []
    for feed_id, component in [(ids["feed"][0], "task"), (fresh(), "task"), (fresh(), "event")]:
        feed = {"feed_id": feed_id, "label": f"feed of {component}s", "audience": "chairside", "component": component}
        path = admin.ask("POST", f"/v1/clinics/{clinic_id}/feeds", feed)["path"]
        files.append(path.removeprefix("/feeds/"))
    steps = [step["step"] for task in due["tasks"] for step in task["steps"]]
    people(admin, ids["staff"], str(today - dt.timedelta(days=7)))
    # The last of the leads, whose PIN a sweep locks least.
    signature = {"staff_id": ids["staff"][-1], "pin": PIN}
    for legal_hold_id in ids["legal_hold"]:
        hold_back = {"reason": "an inquiry", "signature": signature}
        admin.ask("PUT", f"/v1/clinics/{clinic_id}/legal-holds/{legal_hold_id}", hold_back)
    notice = {"authority": "Saltmarrow Water", "started_at": left_at, "opened_by": "KV", "clinic_ids": [ids["clinic"][1]]}
    for advisory_id in ids["advisory"]:
        tablet.ask("PUT", f"/v1/water-advisories/{advisory_id}", notice)
    return failures(admin, tablet, ids) | day_to_sign(admin, ids["signed_clinic"][0], today) | {
        "pin": [PIN],
        "reading_routine": [ids["routine"][1]],
        "reading_step": ["residual"],
        "reading_unit": ["mg/L"],
        "task": tasks,
        "turnover_task": turnover,
        "step": sorted(set(steps)),
        "subject": [operatory_id, equipment_id],
        "day": [str(today)],
        "first_clinic": [clinic_id],
        "feed_file": files[1:],
    }


def day_to_sign(admin: Caller, clinic_id: str, today: dt.date) -> dict[str, list[str]]:
    """A day of a clinic without subjects: it is over, and has no gaps to explain."""
    admin.ask("PUT", f"/v1/clinics/{clinic_id}", {"name": "Chandler Row", "zone": "Etc/UTC"})
    week = {day: [{"opens": "08:00", "closes": "17:00"}] for day in WEEKDAYS}
    admin.ask("PUT", f"/v1/clinics/{clinic_id}/hours", {"week": week})
    day = str(today - dt.timedelta(days=2))
    review = admin.ask("GET", f"/v1/clinics/{clinic_id}/days/{day}/review")
    assert review["state"] == "unsigned" and not review["gaps"], review
    return {"past_day": [day], "review_digest": [review["review_digest"]]}


def people(admin: Caller, staff: list[str], since: str) -> None:
    """Leads who may release, all with one PIN."""
    for number, staff_id in enumerate(staff):
        person = {"name": f"Lead {number}", "initials": f"L{number}", "role": "clinic_lead", "active_from": since}
        admin.ask("PUT", f"/v1/staff/{staff_id}", person)
        admin.ask("PUT", f"/v1/staff/{staff_id}/pin", {"pin": PIN})
        trained = {"for_what": {"kind": "family", "family": "release"}, "valid_from": since, "signed_off_by": "MO"}
        admin.ask("PUT", f"/v1/staff/{staff_id}/competences/{fresh()}", trained)


def failures(admin: Caller, tablet: Caller, ids: dict[str, list[str]]) -> dict[str, list[str]]:
    """Quarantines to release, and actions of one step: one to be worked, one to be closed by a second person."""
    chain = admin.ask("GET", "/v1/corrective-chains/separator_full_or_faulty")["chain"]
    note = next(step for step in chain["steps"] if step["evidence"]["kind"] == "note")
    admin.ask("PUT", "/v1/corrective-chains/separator_full_or_faulty", chain | {"steps": [note]})
    for quarantine_id in ids["quarantine"]:
        out = {"subject_id": ids["operatory"][0], "reason": "a hose drips", "begun_by": "KV"}
        tablet.ask("PUT", f"/v1/quarantines/{quarantine_id}", out)
    # Of one kind, a subject has one open action at most.
    for action_id, subject_id in zip(ids["action"] + ids["worked_action"], ids["clinic"], strict=True):
        opening = {"kind": "separator_full_or_faulty", "subject_id": subject_id, "reason": "alarm on", "opened_by": "KV"}
        tablet.ask("PUT", f"/v1/corrective-actions/{action_id}", opening)
    done_at = dt.datetime.now(dt.timezone.utc).isoformat()
    for action_id in ids["worked_action"]:
        record = {"record_id": fresh(), "performed_by": "KV", "note": "stopped", "performed_at": done_at}
        tablet.ask("PUT", f"/v1/corrective-actions/{action_id}/steps/{note['key']}", record)
    return {"action_step": [note["key"]], "performed_at": [done_at]}
