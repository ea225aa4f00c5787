"""What the sweep must know that no configuration can say. A failure is dropped only for the answer that explains it."""

import schemathesis
from schemathesis import Case, CheckContext, HookContext, Response
from schemathesis.core.failures import Failure


@schemathesis.serializer("text/calendar")
def send_calendar(ctx: schemathesis.SerializationContext, value: object) -> bytes:
    """As it is. The document's example is a calendar; other texts of the schema are refused as none, with 422."""
    return value if isinstance(value, bytes) else str(value).encode()


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
