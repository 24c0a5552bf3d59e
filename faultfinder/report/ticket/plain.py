"""The plain forms of a ticket, of lists of tickets, and of the morning's work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.consultation.triage import Turn
from faultfinder.decide.belief import Tried
from faultfinder.plain import (
    COUNT,
    FLAG,
    MINUTES,
    MONEY,
    OR_NULL,
    PROBABILITY,
    TEXT,
    TIME,
    WORD,
    WORDS,
    Form,
    Key,
)
from faultfinder.report.ticket.standing import Row, Standing, blocked_by
from faultfinder.tickets.events import Event
from faultfinder.tickets.ticket import Part, Ticket


@dataclass(frozen=True)
class Kept:
    """A ticket with the numbers of those it came back as."""

    ticket: Ticket
    comebacks: Sequence[int]


@dataclass(frozen=True)
class Morning:
    """The work dealt out, and all open tickets."""

    turns: Sequence[Turn]
    rows: Sequence[Row]


TRIED = Form[Tried](
    "A repair that did not cure",
    Key("repair", WORD, "its name"),
    Key("findings", "word for each finding", "what was found since"),
    Key("unclear", WORDS, "what could not be told since"),
)

PART = Form[Part](
    "A part on order",
    Key("entry", COUNT, "of the log, to say that it arrived"),
    Key("part", TEXT, "what it is", lambda p: p.what),
    Key("repair", WORD + OR_NULL, "what it is for"),
    Key("price", MONEY + OR_NULL, "agreed with the supplier"),
    Key("due", "day, YYYY-MM-DD, or null", "when it should come"),
    Key("ordered_at", TIME, "when it was ordered"),
    Key("arrived_at", TIME + OR_NULL, "when it came"),
)

ENTRY = Form[tuple[Event, Ticket]](
    "An entry of the log",
    Key("entry", COUNT, "its number", lambda pair: pair[0].number),
    Key("kind", WORD, "what happened", lambda pair: pair[0].kind),
    Key("at", TIME, "when", lambda pair: pair[0].at),
    Key("who", TEXT, "who wrote it", lambda pair: pair[0].who),
    Key("data", "object", "what the kind of entry holds", lambda pair: pair[0].data),
    Key("texts", "text for each name", "what people wrote themselves", lambda pair: pair[0].texts),
    Key("taken_back", FLAG, "counts no more", lambda pair: pair[0].number in pair[1].gone),
)

TICKET = Form[Kept](
    "One ticket",
    Key("ticket", COUNT, "its number", lambda k: k.ticket.number),
    Key("key", TEXT, "what tells it from tickets of other stores", lambda k: k.ticket.key),
    Key("model", WORD, "the model it goes by", lambda k: k.ticket.model),
    Key("model_version", TEXT + OR_NULL, "digest of the model", lambda k: k.ticket.version or None),
    Key("opened_at", TIME, "when it was taken in", lambda k: k.ticket.opened_at),
    Key("closed_at", TIME + OR_NULL, "when it was closed", lambda k: k.ticket.closed_at),
    Key("complaint", TEXT, "the customer's words", lambda k: k.ticket.intake.complaint),
    Key("condition", TEXT, "what can be seen", lambda k: k.ticket.intake.condition),
    Key("left", TEXT, "what was left at the desk", lambda k: k.ticket.intake.left),
    Key("consent", WORDS, "what the customer agrees to", lambda k: k.ticket.intake.consent),
    Key(
        "data_copy",
        WORD + OR_NULL,
        "yes, no or unknown: a copy of the data",
        lambda k: k.ticket.intake.data_copy,
    ),
    Key("limit", MONEY + OR_NULL, "to spend without asking", lambda k: k.ticket.intake.limit),
    Key("person", "text for each name", "who the customer is", lambda k: k.ticket.person),
    Key("first_ticket", COUNT + OR_NULL, "it came back from that", lambda k: k.ticket.first_ticket),
    Key("stage", WORD + OR_NULL, "teardown stage, if one was named", lambda k: k.ticket.stage),
    Key(
        "findings",
        "word or null for each finding",
        "what was found before any repair; null: could not tell",
        lambda k: k.ticket.findings,
    ),
    Key("tried", "list of objects", "repairs in order", lambda k: k.ticket.tried, TRIED),
    Key("repaired", WORD + OR_NULL, "the repair that cured", lambda k: k.ticket.repaired),
    Key("proofs", "true or false for each test", "whether it passed", lambda k: k.ticket.proofs),
    Key("parts", "list of objects", "parts ordered", lambda k: k.ticket.parts, PART),
    Key("blocked_by", "list of texts", "why it waits", lambda k: blocked_by(k.ticket)),
    Key("outcome", WORD + OR_NULL, "how it ended", lambda k: k.ticket.outcome or None),
    Key("causes", WORDS, "confirmed", lambda k: k.ticket.causes),
    Key(
        "log",
        "list of objects",
        "all that happened",
        lambda k: [(event, k.ticket) for event in k.ticket.events],
        ENTRY,
    ),
    Key("comebacks", "list of whole numbers", "tickets it came back as"),
)


def _told(row: Row) -> bool:
    return row[1] is not None and not row[1].trouble


def _trouble(row: Row) -> bool:
    return row[1] is not None and bool(row[1].trouble)


def _blocked(row: Row) -> tuple[str, ...]:
    return blocked_by(row[0], row[1].stop if row[1] else "")


ONLY_OPEN = "; only of open tickets with a diagnosis"

ROW = Form[Row](
    "A list of tickets, for each",
    Key("ticket", COUNT, "its number", lambda row: row[0].number),
    Key("opened_at", TIME, "when it was taken in", lambda row: row[0].opened_at),
    Key("closed_at", TIME + OR_NULL, "when it was closed", lambda row: row[0].closed_at),
    Key("model", WORD, "the model it goes by", lambda row: row[0].model),
    Key("stage", WORD + OR_NULL, "teardown stage, if one was named", lambda row: row[0].stage),
    Key("outcome", WORD + OR_NULL, "how it ended", lambda row: row[0].outcome or None),
    Key("causes", WORDS, "confirmed", lambda row: row[0].causes),
    Key("repaired", WORD + OR_NULL, "the repair that cured", lambda row: row[0].repaired),
    Key(
        "problem",
        TEXT,
        "why there is no diagnosis; only where there is none",
        lambda row: row[1] and row[1].trouble,
        when=_trouble,
    ),
    Key("cause", WORD, f"most likely{ONLY_OPEN}", lambda row: row[1] and row[1].cause, when=_told),
    Key(
        "probability",
        PROBABILITY,
        f"of that cause{ONLY_OPEN}",
        lambda row: row[1] and row[1].probability,
        when=_told,
    ),
    Key(
        "next_check",
        WORD + OR_NULL,
        f"the check to make next{ONLY_OPEN}",
        lambda row: (row[1] and row[1].next_check) or None,
        when=_told,
    ),
    Key(
        "advice",
        WORD + OR_NULL,
        f"check, repair or hand over{ONLY_OPEN}",
        lambda row: (row[1] and row[1].advice) or None,
        when=_told,
    ),
    Key(
        "stop",
        TEXT + OR_NULL,
        f"the safety rule that ends the work{ONLY_OPEN}",
        lambda row: (row[1] and row[1].stop) or None,
        when=_told,
    ),
    Key("blocked_by", "list of texts", f"why it waits{ONLY_OPEN}", _blocked, when=_told),
)

STEP = Form[Standing](
    "The next step",
    Key("kind", WORD, "check, repair or hand over", lambda s: s.next_kind),
    Key("name", WORD + OR_NULL, "the check or repair", lambda s: s.next_name or None),
)


def _step(standing: Standing | None) -> Standing | None:
    return standing if standing is not None and standing.next_kind else None


def _causes(standing: Standing | None) -> dict[str, float]:
    return {} if standing is None else standing.causes


NEXT = "what to do now; null after a stop, and without a diagnosis"
CAUSES = "the most likely first"
EACH_CAUSE = "number from 0 to 1 for each cause"

TURN = Form[tuple[Turn, Standing | None]](
    "A ticket dealt out",
    Key("ticket", COUNT, "its number", lambda t: t[0].ticket),
    Key("minutes", MINUTES, "until it is decided what to repair", lambda t: t[0].minutes),
    Key("bench", COUNT, "from 1", lambda t: t[0].bench),
    Key("begins", MINUTES, "from now", lambda t: t[0].begins),
    Key("next", "object or null", NEXT, lambda t: _step(t[1]), STEP),
    Key("causes", EACH_CAUSE, CAUSES, lambda t: _causes(t[1])),
)

WAITING = Form[Row](
    "A ticket that has to wait",
    Key("ticket", COUNT, "its number", lambda row: row[0].number),
    Key("blocked_by", "list of texts", "why it waits", _blocked),
    Key("stop", FLAG, "a safety rule ends the work", lambda row: bool(row[1] and row[1].stop)),
    Key("next", "object or null", NEXT, lambda row: _step(row[1]), STEP),
    Key("causes", EACH_CAUSE, CAUSES, lambda row: _causes(row[1])),
)


def _dealt(morning: Morning) -> list[tuple[Turn, Standing | None]]:
    standings = {ticket.number: standing for ticket, standing in morning.rows}
    return [(turn, standings[turn.ticket]) for turn in morning.turns]


def _left(morning: Morning) -> list[Row]:
    dealt = {turn.ticket for turn in morning.turns}
    return [row for row in morning.rows if row[0].number not in dealt]


MORNING = Form[Morning](
    "The morning's work",
    Key("turns", "list of objects", "in order of expected minutes", _dealt, TURN),
    Key("blocked", "list of objects", "what cannot be gone on with", _left, WAITING),
)
