"""The conversation at the counter: a ticket opened with the first answer, and all that only the
customer can say."""

from __future__ import annotations

from collections.abc import Callable

from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import keep_model, now, the_store, view_of, who, write
from faultfinder.cli.options import amount_of
from faultfinder.cli.screens import Screen, screen_for
from faultfinder.cli.talking import talk_on
from faultfinder.cli.terminal import stoppable
from faultfinder.consultation.case import worth_of
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.locate import available_models
from faultfinder.report.consultation.ask import choice_page
from faultfinder.report.ticket.slip import slip_lines
from faultfinder.tickets.events import Agreed, Intake
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket
from faultfinder.written import sum_up

DESK = "?<."
"""Keys at questions of the desk."""


def at_the_counter(named: str | None, by: str | None) -> None:
    """Take a machine in, question by question, and print the intake slip.

    The ticket is opened once the family is known; each answer is written at once. Raises
    KeyboardInterrupt and EOFError, with the way on said, where it is broken off.
    """
    screen = screen_for(None)
    with stoppable():
        name = named or _family(screen)
        compiled = named_model(name)
        store = the_store(make=True)
        taken = Intake(name, keep_model(store, compiled, name))
        number = store.intake(name, now(), who(by), [taken], None)
        state = store.ticket(number)
        screen.say(f"Ticket {number} opened. Enter where something is not said.")
        try:
            state = _desk(screen, store, state, compiled, by)
        except (KeyboardInterrupt, EOFError):
            screen.end(f"\nTo go on from here: faultfinder ask {number}")
            sum_up(f"Every answer given stands on ticket {number}.")
            raise
    state = talk_on(store, state, by, screen, counter_only=True)
    finish = "\n".join(slip_lines(state, view_of(store, state)))
    screen.end(f"{finish}\n\nTo print: faultfinder slip {number} --html FILE")


def _family(screen: Screen) -> str:
    """The model of the machine, by its number."""
    names = list(available_models())
    titles = [f"{named_model(name).model.title} ({name})" for name in names]
    while True:
        screen.show(f"Which machine is it?\n{choice_page(titles)}")
        typed = screen.read("> ", len(names))
        if typed.isdecimal() and 1 <= int(typed) <= len(names):
            return names[int(typed) - 1]
        if typed in names:
            return typed
        screen.say(f"Type 1 to {len(names)}.")


def _desk(
    screen: Screen, store: Store, state: Ticket, compiled: CompiledModel, by: str | None
) -> Ticket:
    """What is asked of the customer besides what the machine does."""
    currency = read_shop().currency

    def worth(typed: str) -> Agreed:
        years = typed.lower().rstrip("s").removesuffix("year").removesuffix("y").strip()
        if years != typed.lower().strip():
            return Agreed(worth=worth_of(compiled, None, amount_of(years)))
        return Agreed(worth=amount_of(typed))

    consents: tuple[tuple[str, ...], ...] = (
        ("opening",),
        ("opening", "data-loss"),
        ("opening", "data-loss", "contact-kept"),
    )
    copies = ("yes", "no")
    asked: tuple[tuple[str, tuple[str, ...], Callable[[str], Agreed]], ...] = (
        ("What does the customer say is wrong, in their words?", (),
         lambda typed: Agreed(complaint=typed)),
        ("Is there a copy of the data?", copies,
         lambda typed: Agreed(data_copy=copies[int(typed) - 1])),
        ("What do they agree to?",
         ("opening it", "opening it and losing data", "both, and name and contact are kept"),
         lambda typed: Agreed(consent=consents[int(typed) - 1])),
        (f"What is it worth to them, in {currency}? Or its age, as 3y.", (), worth),
        (f"What may be spent without asking again, in {currency}?", (),
         lambda typed: Agreed(limit=amount_of(typed))),
    )  # fmt: skip
    place = 0
    while place < len(asked):
        question, answers, entry = asked[place]
        screen.show(f"{question}\n{choice_page(answers)}".strip("\n"))
        typed = screen.read("> ", len(answers), DESK)
        if typed in ("done", "back"):
            if typed == "done":
                break
            place = max(place - 1, 0)
            continue
        place += 1
        if typed in ("", "unknown"):
            if answers == copies and typed:
                state = write(store, state, by, [Agreed(data_copy="unknown")])
            continue
        if answers and not (typed.isdecimal() and 1 <= int(typed) <= len(answers)):
            screen.say(f"Type 1 to {len(answers)}, or Enter.")
            place -= 1
            continue
        try:
            state = write(store, state, by, [entry(typed)])
        except FaultfinderError as error:
            screen.say(str(error))
            place -= 1
    return state
