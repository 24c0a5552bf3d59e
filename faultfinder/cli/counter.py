"""The conversation at the counter: a ticket opened with the first answer, and all that only the
customer can say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import (
    compiled_of,
    keep_model,
    now,
    open_ticket,
    the_store,
    view_of,
    who,
    write,
)
from faultfinder.cli.screens import Screen, screen_for
from faultfinder.cli.talking import talk_on, which_family
from faultfinder.cli.terminal import stoppable
from faultfinder.cli.typed import number_of
from faultfinder.consultation.case import worth_of
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError, MisuseError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.report.consultation.ask import choice_page
from faultfinder.report.ticket.slip import slip_lines
from faultfinder.tickets.as_typed import amount_of, is_age, years_of
from faultfinder.tickets.events import Agreed, Entry, Intake, Person
from faultfinder.tickets.searching import Wanted, find_tickets
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket
from faultfinder.written import sum_up


@dataclass(frozen=True)
class _Asked:
    """A question of the desk: what is written down for what was typed, and whether that is on the
    ticket already."""

    question: str
    entries: Callable[[str, Ticket], list[Entry]]
    known: Callable[[Ticket], object]
    answers: tuple[str, ...] = ()
    keys: str = "<."


def at_the_counter(named: str | None, by: str | None, going_on: int | None = None) -> None:
    """Take a machine in, question by question, and print the intake slip; or go on with a ticket
    whose taking in was broken off.

    The ticket is opened once the family is known; each answer is written at once. Raises
    KeyboardInterrupt and EOFError, with the way on said, where it is broken off.
    """
    screen = screen_for(None)
    with stoppable():
        if going_on is not None:
            store, state = open_ticket(going_on)
            compiled = compiled_of(store, state)
        else:
            name = named or which_family(screen)
            compiled = named_model(name)
            store = the_store(make=True)
            first = _earlier(screen, store)
            taken = Intake(name, keep_model(store, compiled, name), comeback_of=first)
            state = store.ticket(store.intake(name, now(), who(by), [taken], first))
            screen.say(f"Ticket {state.number} opened.")
        on = f"faultfinder intake {state.number}"
        try:
            state, ended = _desk(screen, store, state, compiled, by)
        except (KeyboardInterrupt, EOFError):
            screen.end(f"\nTo go on from here: {on}")
            sum_up(f"Every answer given stands on ticket {state.number}.")
            raise
    if not ended:
        ended = talk_on(store, state, by, screen, counter_only=on)
        state = store.ticket(state.number)
    finish = slip_lines(state, view_of(store, state))
    last = [f"More to ask: {on}"] if ended else []
    last.append(f"To print: faultfinder slip {state.number} --html FILE")
    last.append(f"At the bench: faultfinder ask {state.number}")
    screen.end(*finish, "\n" + "\n".join(last))


def _earlier(screen: Screen, store: Store) -> int | None:
    """The closed ticket of a machine that came back; not asked where nothing was closed yet."""
    if not find_tickets(store, Wanted(open=False), 1)[1]:
        return None
    while True:
        screen.show("Was it here before? Type the number of its earlier ticket.")
        typed = screen.read("Enter: no > ")
        if not typed:
            return None
        try:
            number = number_of(typed)
            if number is None:
                raise MisuseError(f'"{typed}" is no number of a ticket.')
            earlier = store.ticket(number)
            if not earlier.open:
                return earlier.number
            raise MisuseError(f"Ticket {typed} is still open: go on with it.")
        except FaultfinderError as error:
            screen.say(str(error))


def _desk(
    screen: Screen, store: Store, state: Ticket, compiled: CompiledModel, by: str | None
) -> tuple[Ticket, bool]:
    """What is asked of the customer besides what the machine does; whether it was ended there."""
    asked = [one for one in _questions(compiled) if not one.known(state)]
    place = 0
    while place < len(asked):
        one = asked[place]
        screen.show(one.question, *([choice_page(one.answers)] if one.answers else []))
        typed = screen.read("Enter: not said > ", len(one.answers), one.keys)
        if typed == "done":
            return state, True
        if typed == "back":
            place = max(place - 1, 0)
            continue
        if typed not in ("", "?"):
            numbers = map(str, range(1, len(one.answers) + 1))
            if one.answers and typed not in (*numbers, "unknown"):
                screen.say(f"Type 1 to {len(one.answers)}, or Enter.")
                continue
            try:
                state = write(store, state, by, one.entries(typed, state))
            except FaultfinderError as error:
                screen.say(str(error))
                continue
        place += 1
    return state, False


def _questions(compiled: CompiledModel) -> list[_Asked]:
    """The desk's questions in their order."""
    currency = read_shop().currency
    copies = {"1": "yes", "2": "no", "unknown": "unknown"}
    consents = {"1": ("opening",), "2": ("opening", "data-loss")}

    def worth(typed: str, _state: Ticket) -> list[Entry]:
        if is_age(typed):
            return [Agreed(worth=worth_of(compiled, None, years_of(typed)))]
        return [Agreed(worth=amount_of(typed, currency))]

    def kept(person: Person, state: Ticket) -> list[Entry]:
        agreed = tuple(dict.fromkeys((*state.intake.consent, "contact-kept")))
        return [person, Agreed(consent=agreed)]

    return [
        _Asked(
            "What does the customer say is wrong, in their words?",
            lambda typed, _: [Agreed(complaint=typed)],
            lambda state: state.intake.complaint,
        ),
        _Asked(
            "What can be seen on it: scratches, dents, what is missing?",
            lambda typed, _: [Agreed(condition=typed)],
            lambda state: state.intake.condition,
        ),
        _Asked(
            "What is left here with it: charger, bag?",
            lambda typed, _: [Agreed(left=typed)],
            lambda state: state.intake.left,
        ),
        _Asked(
            "Is there a copy of the data?",
            lambda typed, _: [Agreed(data_copy=copies[typed])],
            lambda state: state.intake.data_copy,
            ("yes", "no"),
            "?<.",
        ),
        _Asked(
            "What do they agree to?",
            lambda typed, _: [Agreed(consent=consents[typed])],
            lambda state: state.intake.consent,
            ("opening it", "opening it and losing data"),
        ),
        _Asked(
            "Whose is it? Type the name only if they agree that it is kept.",
            lambda typed, state: kept(Person(customer=typed), state),
            lambda state: state.person.get("customer"),
        ),
        _Asked(
            "How are they reached, by phone or mail? Type it only if they agree that it is kept.",
            lambda typed, state: kept(Person(contact=typed), state),
            lambda state: state.person.get("contact"),
        ),
        _Asked(
            f"What is it worth to them, in {currency}? Or its age: 3y, 18 months.",
            worth,
            lambda state: state.intake.worth is not None,
        ),
        _Asked(
            f"What may be spent without asking again, in {currency}?",
            lambda typed, _: [Agreed(limit=amount_of(typed, currency))],
            lambda state: state.intake.limit is not None,
        ),
    ]
