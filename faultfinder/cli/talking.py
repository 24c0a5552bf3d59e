"""Conversations at a terminal: about a machine without a ticket, and on a ticket to its close."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import click

from faultfinder.cli.asking import BACK, DONE, HOW, NOTHING_BACK, Place, Session
from faultfinder.cli.bench_words import refuse_corrections
from faultfinder.cli.lines import named_model
from faultfinder.cli.on_ticket import (
    case_of,
    found_by,
    keep_model,
    now,
    remember,
    the_store,
    view_of,
    who,
    write,
)
from faultfinder.cli.screens import Screen, screen_for
from faultfinder.cli.terminal import bold_allowed, columns, stoppable
from faultfinder.cli.typed import command_of, number_of, pick_model
from faultfinder.consultation.bench import look_stage
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation
from faultfinder.decide.shop_file import read_shop
from faultfinder.errors import MisuseError
from faultfinder.inference.target import TargetSpec
from faultfinder.model.answers import fold
from faultfinder.model.locate import available_models
from faultfinder.model.parts import FaultModel, Proof, Repair
from faultfinder.report.consultation.ask import (
    choice_page,
    helped_page,
    not_cured,
    proof_page,
    proved_page,
)
from faultfinder.report.consultation.how import how_page
from faultfinder.report.consultation.short import (
    NO_TICKET,
    known_lines,
    no_ticket_head,
    screens,
)
from faultfinder.report.consultation.view import View
from faultfinder.report.ticket.text import failed_page, over_limit, ticket_head, ticket_screens
from faultfinder.report.wording import unbroken, wrapped
from faultfinder.tickets.as_typed import amount_of
from faultfinder.tickets.events import (
    ERASED_TEXT,
    Agreed,
    Arrived,
    Closed,
    Entry,
    Found,
    Held,
    Intake,
    Judged,
    Moved,
    Ordered,
    Outcome,
    Proved,
    Repaired,
    Resumed,
    TakenBack,
    Tried,
    Waiting,
)
from faultfinder.tickets.store import Store
from faultfinder.tickets.ticket import Ticket
from faultfinder.written import sum_up

CAUSES = 9
"""Causes offered by number: a number is one key."""

PAGE = 17
"""Lines of a page below which a question has room."""


@dataclass
class OnTicket:
    """Writes answers on a ticket as they come; what is taken back is an entry of its own."""

    store: Store
    state: Ticket
    by: str | None
    ended: bool = False
    """Whether the last questions were ended by hand."""
    written: list[range] = field(default_factory=list)
    """The entries written in this sitting, those together that are taken back together."""

    def write(self, *entries: Entry) -> None:
        """Write entries that `undo` takes back together."""
        first = self.state.last + 1
        self.state = write(self.store, self.state, self.by, entries)
        self.written.append(range(first, self.state.last + 1))

    def keep(self, name: str, result: str | None, stage: str | None) -> None:
        moved = [] if stage is None else [Moved(stage)]
        self.write(Found(name, result, self.state.version), *moved)

    def judge(self, cause: str, state: str) -> None:
        self.write(Judged(cause, state, self.state.version))

    def check(self, told: Consultation, name: str, result: str | None) -> None:
        refuse_corrections(told, [(name, result)], found_by(self.state), self.state.number)

    def undo(self) -> None:
        back = [TakenBack(number) for number in reversed(self.written.pop())]
        self.state = write(self.store, self.state, self.by, back)


def family_of(named: str | None) -> str:
    """The model of the machine: as named or set in the shop's settings, else asked."""
    if named is None and not read_shop().model and len(available_models()) > 1:
        with stoppable():
            return which_family(screen_for(None))
    return pick_model(named)


def which_family(screen: Screen) -> str:
    """The model of the machine, by its number."""
    names = list(available_models())
    # Models that have changed are worked out anew, which takes seconds.
    click.echo("One moment.")
    titles = [f"{named_model(name).model.title} ({name})" for name in names]
    while True:
        screen.show("Which machine is it?", choice_page(titles))
        typed = screen.read("> ", len(names))
        if 1 <= (number_of(typed) or 0) <= len(names):
            return names[int(typed) - 1]
        if typed in names:
            return typed
        screen.say(f"Type 1 to {len(names)}.")


def talk(case: Case, name: str, by: str | None = None, target: TargetSpec = "causes") -> None:
    """Ask about a machine without a ticket, then print the page and how to get it again.

    `name` is the model's, as it was typed. Kept as a ticket, it goes on there.
    """
    screen = screen_for(case.model.model)
    screen.say(NO_TICKET)
    session = Session(Place(case), screen, target)
    try:
        with stoppable():
            view = session.run()
    except (KeyboardInterrupt, EOFError):
        if session.place.case.results:
            screen.end("\nTo go on from here:\n" + command_of(session.place.case, name))
        raise
    if session.keep_asked:
        store, state = keep_as_ticket(session.place.case, name, by)
        screen.say(f"Kept as ticket {state.number}.")
        talk_on(store, state, by, screen)
        return
    known = session.place.case.results or session.place.case.tried
    again = (
        f"\nThis page again, or with --keep as a ticket:\n{command_of(session.place.case, name)}"
    )
    pages = screens(view, [no_ticket_head(columns())], columns(), bold=bold_allowed())
    screen.end(*pages, *([again] if known else []))


def keep_as_ticket(case: Case, name: str, by: str | None) -> tuple[Store, Ticket]:
    """A new ticket that holds all that is known of a case."""
    store = the_store(make=True)
    version = keep_model(store, case.model, name)
    entries: list[Entry] = [Intake(name, version, worth=case.worth)]
    entries += [Found(one, result, version) for one, result in case.results.items()]
    for step in case.tried:
        made = case.model.model.repairs_by_name[step.repair]
        entries.append(Tried(step.repair, look_stage(case.model, made), version))
        entries += [Found(one, result, version) for one, result in step.results_since.items()]
    if case.stage not in (None, case.model.model.start):
        entries.append(Moved(str(case.stage)))
    number = store.intake(name, now(), who(by), entries, None)
    return store, store.ticket(number)


def talk_on(
    store: Store,
    state: Ticket,
    by: str | None,
    screen: Screen | None = None,
    counter_only: str = "",
) -> bool:
    """Ask on a ticket until it is closed, rests, or somebody ends it; each answer is written at
    once. With `counter_only` only what is asked at the counter: the command that goes on there.
    Whether it was ended by hand."""
    case = case_of(store, state)
    screen = screen or screen_for(case.model.model)
    screen.look_in(case.model.model)
    keeper = OnTicket(store, state, by)
    opening = ["Each answer is written down at once."]
    if not counter_only:
        # What it may cost takes time to tell: only where somebody set a limit.
        view = None if state.intake.limit is None else view_of(store, state)
        head = ticket_head(state, now(), columns(), view)
        told = [line for part in head for line in part.lines]
        opening = [*told, *known_lines(case), *opening]
    try:
        with stoppable():
            going = bool(counter_only) or _wait(keeper, screen, opening)
            while going and _one_round(keeper, screen, bool(counter_only), opening):
                opening = []
    except (KeyboardInterrupt, EOFError):
        screen.end(f"\nTo go on from here: {counter_only or f'faultfinder ask {state.number}'}")
        sum_up(f"Every answer given stands on ticket {state.number}.")
        raise
    state = keeper.state
    if counter_only:
        return keeper.ended
    if not state.open:
        screen.end(f"Ticket {state.number} closed: {state.outcome}.")
    else:
        view = view_of(store, state)
        screen.end(*ticket_screens(state, view, now(), (), columns(), bold_allowed()))
        remember(store, state, view)
    return keeper.ended


def _wait(keeper: OnTicket, screen: Screen, opening: list[str]) -> bool:
    """Ask whether what the ticket waits for has come; whether to go on. What was said of the
    `opening` is taken out of it."""
    answers = [("yes", "yes: work goes on"), ("no", "not yet: on with what can be done meanwhile")]
    hold = keeper.state.hold
    waits: list[tuple[str, Entry]] = []
    if hold is not None:
        why = f": {hold.why}" if hold.why else ""
        said = f"It waits for {hold.waiting_for} since {hold.since[:10]}{why}. Has that come?"
        waits.append((said, Resumed()))
    for part in keeper.state.awaited:
        said = f"On order: {part.what or ERASED_TEXT}. Is it here?"
        waits.append((said, Arrived(part.entry)))
    for said, entry in waits:
        screen.say(*opening)
        opening.clear()
        answer = _choose(screen, wrapped(said), answers)
        if answer in DONE:
            keeper.ended = True
            return False
        if answer == "yes":
            keeper.write(entry)
            if isinstance(entry, Resumed) and hold and hold.waiting_for == Waiting.APPROVAL:
                _approved(keeper, screen, read_shop().currency)
    return True


def _approved(keeper: OnTicket, screen: Screen, currency: str) -> None:
    """What may be spent now."""
    while True:
        screen.show(f"What may be spent now without asking again, in {currency}?")
        typed = screen.read("Enter: as before > ")
        if not typed:
            return
        try:
            keeper.write(Agreed(limit=amount_of(typed, currency)))
        except MisuseError as error:
            screen.say(*wrapped(str(error)))
        else:
            return


def _one_round(
    keeper: OnTicket, screen: Screen, counter_only: bool, opening: Sequence[str]
) -> bool:
    """Checks until a repair is due, then the repair, or its proof; whether to go on. `opening` is
    said before a question."""
    state = keeper.state
    if state.repaired is not None:
        return _prove(keeper, screen)
    session = Session(
        Place(case_of(keeper.store, state), at_bench=state.stage is not None),
        screen,
        keeper=keeper,
        counter_only=counter_only,
        opening=opening,
    )
    view = session.run()
    state, keeper.ended = keeper.state, session.ended
    if session.leaving:
        _back(keeper, screen)
        return True
    if session.cured:
        return _what_helped(keeper, screen, view)
    if counter_only or session.ended or view.told.stop:
        return False
    if session.repair:
        return _repair(keeper, screen, View(view.told, state.number), session.repair)
    step = view.told.next_step
    if step is None or step.kind == "check":
        return False
    return _repair(keeper, screen, View(view.told, state.number), step.name)


def _repair(keeper: OnTicket, screen: Screen, view: View, name: str) -> bool:
    """The repair that is due: made or not, and whether the picture is back."""
    state, model = keeper.state, view.model
    head = ticket_head(state, now(), columns(), view)
    page = screens(view, head, columns(), PAGE, bold_allowed(), commands=False)
    chosen = bool(name) and not (view.told.next_step and view.told.next_step.name == name)
    if chosen:
        # Somebody's own choice: its way and cautions, not those of what is advised.
        price = f"faultfinder next {state.number} --instead {name}"
        own = [line for part in head for line in part.lines]
        own += [line for line in over_limit(state, view, name) if line not in own]
        own += wrapped(f"This is not what is advised; its price: {unbroken(price)}")
        page = ["\n".join(own).replace("\N{NO-BREAK SPACE}", " "), *how_page(view, name).pieces()]
    while True:
        keys = "+<." if name else "<."
        ends = _ends(model, name)
        if over_limit(state, view, name if chosen else ""):
            ends.append((str(Waiting.APPROVAL), "Ask the customer first: the ticket waits for it"))
        answer = _choose(screen, page, ends, model.repairs_by_name, keys)
        if answer not in (HOW, *model.repairs_by_name):
            break
        name, chosen = (name, chosen) if answer == HOW else (answer, True)
        page = how_page(view, name).pieces()
    if answer == BACK:
        if not chosen:
            _back(keeper, screen)
        return True
    if answer in DONE:
        return False
    if answer in set(Outcome):
        keeper.write(Closed(answer, (), state.version))
        return False
    if answer == Waiting.APPROVAL:
        keeper.write(Held(answer, "it may cost more than the limit"))
        return False
    if answer == "sent":
        keeper.write(Held(str(Waiting.SPECIALIST)))
        return False
    repair = model.repairs_by_name[name]
    if answer == "ordered":
        keeper.write(Ordered(repair.title, name))
        return False
    stage = look_stage(case_of(keeper.store, state).model, repair)
    if answer == "cured":
        keeper.write(Repaired(name, stage, state.version))
    else:
        keeper.write(Tried(name, stage, state.version))
        screen.say(*wrapped(not_cured(repair)))
    return True


def _what_helped(keeper: OnTicket, screen: Screen, view: View) -> bool:
    """The picture is back: which work it was; its proof comes next."""
    model, told = view.model, view.told
    made = {step.repair for step in view.tried}
    chances = {
        repair.name: sum(
            told.causes[cause] * max(states.values(), default=0.0)
            for cause, states in repair.mends.items()
        )
        for repair in model.repairs
        if repair.name not in made and not repair.hand_over
    }
    likely = sorted(chances, key=lambda name: -chances[name])[:CAUSES]
    choices = [(name, model.repairs_by_name[name].title) for name in likely]
    answer = _choose(screen, [helped_page()], choices, chances)
    if answer in DONE or answer == BACK:
        return answer == BACK
    stage = look_stage(told.case.model, model.repairs_by_name[answer])
    keeper.write(Repaired(answer, stage, keeper.state.version))
    return True


def _ends(model: FaultModel, name: str) -> list[tuple[str, str]]:
    """How a repair can end, or handing over as it is ("")."""
    if not name:
        return [
            (str(Outcome.UNECONOMIC), "Handed back: not worth repairing"),
            (str(Outcome.DECLINED), "Handed back: the customer does not want it repaired"),
            (str(Outcome.NOT_ESTABLISHED), "Handed back: the cause was not established"),
        ]
    repair = model.repairs_by_name[name]
    ends = [("cured", "Made: the picture is back"), ("not", "Made: the picture is not back")]
    if repair.hand_over:
        ends.append(("sent", "Sent away: the ticket rests until it is here again"))
    elif repair.part.high > 0.0:
        ends.append(("ordered", "The part is ordered: the ticket waits for it"))
    return ends


def _back(keeper: OnTicket, screen: Screen) -> None:
    """Take the last thing written in this sitting back."""
    if not keeper.written:
        screen.say(NOTHING_BACK)
        return
    keeper.undo()
    screen.say("Taken back: the last entry.")


def _choose(
    screen: Screen,
    page: Sequence[str],
    choices: list[tuple[str, str]],
    names: Collection[str] = (),
    keys: str = "<.",
) -> str:
    """The word of what was chosen by its number or by one of `keys`, or one of `names` typed."""
    screen.show(*page, choice_page([said for _, said in choices]))
    while True:
        typed = screen.read("> ", len(choices), keys).lower()
        if typed in DONE or typed == BACK or (typed == HOW and "+" in keys):
            return typed
        if 1 <= (number_of(typed) or 0) <= len(choices):
            return choices[int(typed) - 1][0]
        name = fold(typed).replace(" ", "_")
        if name in names:
            return name
        screen.say(f'Type 1 to {len(choices)}, "back", or "done" to go on later.')


def _prove(keeper: OnTicket, screen: Screen) -> bool:
    """The next proof test of the repair, or what it was once all are passed."""
    state = keeper.state
    view = view_of(keeper.store, state)
    model = view.model
    assert state.repaired is not None
    repair = model.repairs_by_name[state.repaired]
    tests = {proof.name: proof for proof in model.proofs}
    left = [name for name in repair.proof if name not in state.proofs]
    failed = [name for name, passed in state.proofs.items() if not passed]
    if failed:
        return _failed(keeper, screen, model, repair, tests, failed)
    if left:
        choices = [("pass", "passed"), ("fail", "failed")]
        answer = _choose(screen, [proof_page(repair, tests[left[0]], len(left))], choices)
        entries: dict[str, Entry] = {
            "pass": Proved(left[0], True),
            "fail": Proved(left[0], False),
        }
        return _written(keeper, screen, answer, entries)
    likely = [cause for cause in view.told.causes if cause in repair.mends]
    choices = [(one, f"{model.by_name[one].title} ({one})") for one in likely[:CAUSES]]
    answer = _choose(screen, [proved_page(repair, len(likely) > CAUSES)], choices, likely)
    closing: dict[str, Entry] = {
        cause: Closed(str(Outcome.REPAIRED), (cause,), state.version, False) for cause in likely
    }
    if answer in closing:
        keeper.write(closing[answer])
        return False
    return _written(keeper, screen, answer, closing)


def _failed(
    keeper: OnTicket,
    screen: Screen,
    model: FaultModel,
    repair: Repair,
    tests: dict[str, Proof],
    failed: list[str],
) -> bool:
    """After a failed proof: what shares its cable or plug, and the test again."""
    name = failed[0]
    page = failed_page(model, keeper.state, tests[name], commands=False)
    choices = [
        ("again", f"{tests[name].title} passes now"),
        ("fault", "The fault itself is there again"),
    ]
    answer = _choose(screen, [page], choices)
    stage = keeper.state.stage or model.start
    entries: dict[str, Entry] = {
        "again": Proved(name, True),
        "fault": Tried(repair.name, stage, keeper.state.version),
    }
    if answer == "fault":
        screen.say(*wrapped(not_cured(repair)))
    return _written(keeper, screen, answer, entries)


def _written(keeper: OnTicket, screen: Screen, answer: str, entries: Mapping[str, Entry]) -> bool:
    """Write the entry of an answer; whether to go on."""
    if answer == BACK:
        _back(keeper, screen)
        return True
    if answer in DONE:
        return False
    keeper.write(entries[answer])
    return True
