"""What the sweep must know that no configuration can say. A failure is dropped only for the answer that explains it."""

import collections
import pathlib
from typing import Any

import schemathesis
from schemathesis import Case, CheckContext, HookContext, Response
from schemathesis.core.failures import Failure


@schemathesis.serializer("text/calendar")
def send_calendar(ctx: schemathesis.SerializationContext, value: object) -> bytes:
    """As it is. The document's example is a calendar; other texts of the schema are refused as none, with 422."""
    return value if isinstance(value, bytes) else str(value).encode()


def fitting_completion(case: Case) -> None:
    steps = [{"step": "wipe", "status": "done"}]
    told = {"kind": "performed", "performed_at": known("performed_at"), "performed_by": "KV", "steps": steps}
    case.body = {"completion_id": case.body["completion_id"], "task_id": known("turnover_task")} | told


def fitting_quarantine(case: Case) -> None:
    case.body = {"subject_id": known("operatory"), "reason": "a hose drips", "begun_by": "KV"}


def fitting_action(case: Case) -> None:
    case.path_parameters = {"action_id": known("action")}
    told = {"kind": "separator_full_or_faulty", "reason": "alarm on", "opened_by": "KV"}
    case.body = {"subject_id": known("clinic")} | told


def fitting_advisory(case: Case) -> None:
    told = {"authority": "Saltmarrow Water", "opened_by": "KV", "started_at": known("performed_at")}
    case.body = {"clinic_ids": [known("clinic")]} | told


def fitting_lifting(case: Case) -> None:
    # Each is lifted once, and again with the same words.
    advisory_id = known("advisory", counted["lift_water_advisory"] // 3)
    case.path_parameters = {"advisory_id": advisory_id}
    signature = {"staff_id": known("staff", -1), "pin": known("pin")}
    told = {"lifting_id": advisory_id, "reason": "letter", "lifted_at": known("performed_at")}
    case.body = {"signature": signature} | told


def fitting_competence(case: Case) -> None:
    case.path_parameters = {"staff_id": known("staff"), "competence_id": case.path_parameters["competence_id"]}
    told = {"for_what": {"kind": "family", "family": "release"}, "valid_from": known("performed_at")[:10]}
    case.body = told | {"signature": {"staff_id": known("staff", -1), "pin": known("pin")}}


# Generated bodies of these hardly ever keep all rules of the trade at once: every third fitting one is written here.
FITTING = {
    "record_completion": fitting_completion,
    "put_quarantine": fitting_quarantine,
    "put_corrective_action": fitting_action,
    "put_competence": fitting_competence,
    "put_water_advisory": fitting_advisory,
    "lift_water_advisory": fitting_lifting,
}
counted: collections.Counter[str] = collections.Counter()


@schemathesis.hook
def before_call(context: HookContext, case: Case, kwargs: dict[str, Any]) -> None:
    """Writes a body that the service can take over some of the generated ones."""
    operation_id = case.operation.definition.raw.get("operationId")
    if operation_id not in FITTING or case.meta is None or case.meta.generation.mode.is_negative:
        return
    if not isinstance(case.body, dict):
        return
    counted[operation_id] += 1
    if counted[operation_id] % 3 == 0:
        FITTING[operation_id](case)


def known(kind: str, place: int = 0) -> str:
    """A value of a dictionary that against_service.py wrote: the first, or the one at a place, counted round."""
    values = pathlib.Path(f"ids/{kind}.dict").read_text().splitlines()
    return values[place % len(values)].strip('"')


@schemathesis.hook
def filter_failure(context: HookContext, failure: Failure, case: Case, response: Response) -> bool:
    explained = (is_revoked_key, is_strange_cursor, is_no_uuid)
    return not any(explains(failure, case, response) for explains in explained)


def is_no_uuid(failure: Failure, case: Case, response: Response) -> bool:
    """The tool takes names of calendar events, which an import answers, for ids of ours: those are UUIDs, as the schema says."""
    return (
        type(failure).__name__ == "RejectedPositiveData"
        and response.status_code == 400
        and "UUID parsing failed" in response.json()["detail"]
    )


def is_revoked_key(failure: Failure, case: Case, response: Response) -> bool:
    """Keys are revoked and never deleted, since evidence names them: they stay readable, as revoked."""
    return (
        type(failure).__name__ == "UseAfterFree"
        and case.operation.definition.raw.get("operationId") == "get_key"
        and response.json()["revoked_at"] is not None
    )


def is_strange_cursor(failure: Failure, case: Case, response: Response) -> bool:
    """A cursor is a token that the service hands out: most texts of its form are none, and a schema cannot list it."""
    return (
        type(failure).__name__ == "RejectedPositiveData"
        and "cursor" in (case.query or {})
        and response.status_code == 400
        and response.json()["detail"].startswith("cursor ")
    )


@schemathesis.check
def a_bad_item_is_refused_by_itself(ctx: CheckContext, response: Response, case: Case) -> None:
    """A batch with a part that breaks the schema is refused whole, or that part is refused in its answer."""
    if case.operation.definition.raw.get("operationId") != "record_batch" or response.status_code != 200:
        return
    answers = response.json()["answers"]
    assert len(answers) == len(case.body["completions"]), "one answer for each item"
    for answer in answers:
        refused = answer["status"] == "refused"
        assert refused == ("problem" in answer) == ("completion" not in answer), "a problem or a completion"
    if case.meta is not None and case.meta.generation.mode.is_negative:
        assert any(answer["status"] == "refused" for answer in answers), "a bad item was recorded"
