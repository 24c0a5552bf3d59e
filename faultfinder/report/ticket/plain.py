"""The plain forms of a ticket, of lists of tickets, and of the morning's work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.consultation.triage import Turn
from faultfinder.decide.belief import Tried
from faultfinder.plain import Form, Key, within
from faultfinder.report.ticket.standing import Row, Standing, blocked_by
from faultfinder.tickets.events import Event
from faultfinder.tickets.state import Part
from faultfinder.tickets.ticket import Ticket


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
    Key("repair", "word", "its name"),
    Key("findings", "word for each finding", "what was found since"),
    Key("unclear", "list of words", "what could not be told since"),
)

PART = Form[Part](
    "A part on order",
    Key("entry", "count", "of the log, to say that it arrived"),
    Key("part", "text", "what it is", lambda p: p.what),
    Key("repair", "word or null", "what it is for"),
    Key("price", "money or null", "agreed with the supplier"),
    Key("due", "day or null", "when it should come"),
    Key("ordered_at", "time", "when it was ordered"),
    Key("arrived_at", "time or null", "when it came"),
)

ENTRY = Form[tuple[Event, Ticket]](
    "An entry of the log",
    *within(
        lambda pair: pair[0],
        Key("entry", "count", "its number", lambda event: event.number),
        Key("kind", "word", "what happened"),
        Key("at", "time", "when"),
        Key("who", "text", "who wrote it"),
        Key("data", "object", "what the kind of entry holds", lambda e: e.entry.as_data()),
        Key(
            "texts",
            "text for each name",
            "what people wrote themselves",
            lambda e: e.entry.as_texts(),
        ),
        Key("flaw", "text or null", "what is wrong in it", lambda e: e.flaw or None),
    ),
    Key("taken_back", "true or false", "counts no more", lambda p: p[0].number in p[1].gone),
)

BASICS: tuple[Key[Ticket], ...] = (
    Key("ticket", "count", "its number", lambda ticket: ticket.number),
    Key("opened_at", "time", "when it was taken in"),
    Key("closed_at", "time or null", "when it was closed"),
    Key("model", "word", "the model it goes by"),
    Key("stage", "word or null", "teardown stage, if one was named"),
    Key("outcome", "word or null", "how it ended", lambda ticket: ticket.outcome or None),
    Key("causes", "list of words", "confirmed"),
    Key("repaired", "word or null", "the repair that cured"),
    Key("bench_minutes", "minutes or null", "bench time of the job, as said at closing"),
    Key("billed", "money or null", "what the customer was to pay, as said at closing"),
)

TICKET = Form[Kept](
    "One ticket",
    *within(
        lambda kept: kept.ticket,
        *BASICS,
        Key("key", "text", "what tells it from tickets of other stores"),
        Key("model_version", "text or null", "digest of the model", lambda t: t.version or None),
        Key("first_ticket", "count or null", "the ticket it came back from"),
        Key("person", "text for each name", "who the customer is"),
        Key(
            "findings",
            "word or null for each finding",
            "found before any repair; null: could not tell",
        ),
        Key("tried", "objects", "repairs in order", form=TRIED),
        Key("proofs", "true or false for each test", "whether it passed"),
        Key("parts", "objects", "parts ordered", form=PART),
        Key("blocked_by", "list of texts", "why it waits", blocked_by),
        Key("damage", "list of texts", "what is wrong in its log"),
        Key("log", "objects", "all that happened", lambda t: [(e, t) for e in t.events], ENTRY),
    ),
    *within(
        lambda kept: kept.ticket.intake,
        Key("complaint", "text", "the customer's words"),
        Key("condition", "text", "what can be seen"),
        Key("left", "text", "what was left at the desk"),
        Key("consent", "list of words", "what the customer agrees to"),
        Key("data_copy", "word or null", "yes, no or unknown: a copy of the data"),
        Key("limit", "money or null", "to spend without asking"),
        Key("worth", "money or null", "lost to the owner if it goes back unrepaired"),
    ),
    Key("comebacks", "list of counts", "tickets it came back as"),
)


def _standing(row: Row) -> Standing:
    return row[1] or Standing()


def _told(row: Row) -> bool:
    return row[1] is not None and not row[1].trouble


def _blocked(row: Row) -> tuple[str, ...]:
    return blocked_by(row[0], _standing(row).stop)


ROW = Form[Row](
    "A list of tickets, for each",
    *within(lambda row: row[0], *BASICS),
    *within(
        _standing,
        Key("problem", "text", "why there is no diagnosis", lambda s: s.trouble),
        when=lambda row: bool(_standing(row).trouble),
    ),
    *within(
        _standing,
        Key("cause", "word", "most likely, where there is a diagnosis; so all that follow"),
        Key("probability", "probability", "of that cause"),
        Key("next_check", "word or null", "the check to make next", lambda s: s.next_check or None),
        Key("advice", "word or null", "check, repair or hand over", lambda s: s.advice or None),
        Key("stop", "text or null", "the safety rule that ends work", lambda s: s.stop or None),
        when=_told,
    ),
    Key("blocked_by", "list of texts", "why it waits", _blocked, when=_told),
)

STEP = Form[Standing](
    "The next step",
    Key("kind", "word", "check, repair or hand over", lambda s: s.next_kind),
    Key("name", "word or null", "the check or repair", lambda s: s.next_name or None),
)


SAID: tuple[Key[Standing], ...] = (
    Key(
        "next",
        "object or null",
        "what to do now; null after a stop, and without a diagnosis",
        lambda standing: standing if standing.next_kind else None,
        STEP,
    ),
    Key("causes", "probability for each cause", "the most likely first"),
)

TURN = Form[tuple[Turn, Standing]](
    "A ticket dealt out",
    *within(
        lambda pair: pair[0],
        Key("ticket", "count", "its number"),
        Key("minutes", "minutes", "until it is decided what to repair"),
        Key("bench", "count", "from 1"),
        Key("begins", "minutes", "from now"),
    ),
    *within(lambda pair: pair[1], *SAID),
)

WAITING = Form[Row](
    "A ticket that has to wait",
    Key("ticket", "count", "its number", lambda row: row[0].number),
    Key("blocked_by", "list of texts", "why it waits", _blocked),
    Key("stop", "true or false", "a safety rule ends the work", lambda r: bool(_standing(r).stop)),
    *within(_standing, *SAID),
)


def _dealt(morning: Morning) -> list[tuple[Turn, Standing]]:
    standings = {row[0].number: _standing(row) for row in morning.rows}
    return [(turn, standings[turn.ticket]) for turn in morning.turns]


def _left(morning: Morning) -> list[Row]:
    dealt = {turn.ticket for turn in morning.turns}
    return [row for row in morning.rows if row[0].number not in dealt]


MORNING = Form[Morning](
    "The morning's work",
    Key("turns", "objects", "in order of expected minutes", _dealt, TURN),
    Key("blocked", "objects", "what cannot be gone on with", _left, WAITING),
)
