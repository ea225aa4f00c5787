"""What the sweep must know that no configuration can say. A failure is dropped only for the answer that explains it."""

import datetime as dt

import schemathesis
from hypothesis import strategies as st
from schemathesis import Case, CheckContext, HookContext, Response
from schemathesis.core.failures import Failure


DATES = st.dates(dt.date(2026, 1, 1), dt.date(2029, 12, 31)).map(lambda date: date.strftime("%Y%m%d"))
LINES = st.one_of(
    DATES.map("DTSTART;VALUE=DATE:{}".format),
    DATES.map("DTEND;VALUE=DATE:{}".format),
    DATES.map("RDATE;VALUE=DATE:{}".format),
    DATES.map("RECURRENCE-ID;VALUE=DATE:{}".format),
    DATES.map("DTSTART;TZID=Europe/London:{}T090000".format),
    st.sampled_from(["RRULE:FREQ=YEARLY", "RRULE:FREQ=WEEKLY;COUNT=3", "DURATION:P2D", "DURATION:PT3H"]),
    st.sampled_from(["UID:a", "UID:b", "SUMMARY:Feast", "STATUS:CANCELLED", "TRANSP:TRANSPARENT", "RRULE:", "DTSTART"]),
)


def write_calendar(events: list[list[str]]) -> bytes:
    inner = [line for lines in events for line in ["BEGIN:VEVENT", *lines, "END:VEVENT"]]
    return "".join(f"{line}\r\n" for line in ["BEGIN:VCALENDAR", *inner, "END:VCALENDAR"]).encode()


# A string by its schema; by its type a calendar, which no schema can say.
schemathesis.openapi.media_type("text/calendar", st.lists(st.lists(LINES, max_size=6), max_size=4).map(write_calendar))


@schemathesis.serializer("text/calendar")
def send_calendar(ctx: schemathesis.SerializationContext, value: object) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode()


@schemathesis.hook
def filter_failure(context: HookContext, failure: Failure, case: Case, response: Response) -> bool:
    return not (is_revoked_key(failure, case, response) or is_strange_cursor(failure, case, response))


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
        and case.operation.definition.raw.get("operationId") == "list_overdue"
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
