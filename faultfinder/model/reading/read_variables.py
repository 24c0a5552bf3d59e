"""The heads of the variables: name, kind, states, spoken words, meter reading.

Distributions come after all heads are known (`read_distributions`), because they
name other variables and their states.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

from faultfinder.model.answers import fold
from faultfinder.model.parts import Basis, Kind, Reading, Striking, Table, Variable
from faultfinder.model.reading import keys
from faultfinder.model.reading.faults import Faults, listed, shown
from faultfinder.model.reading.fields import (
    NAME_LENGTH,
    Fields,
    clean_text,
    good_name,
    good_state,
    picked_states,
    read_number,
    read_words,
)
from faultfinder.model.reading.read_former import read_former, read_states_were
from faultfinder.model.reading.yaml_nodes import Node, Text

UNREAD = Table((), ())
"""Stands in the place of a distribution until that is read."""

FORMS = tuple(keys.DISTRIBUTION)
"""The ways to say a distribution; a variable takes exactly one."""

SECTIONS = {
    "histories": Kind.HISTORY,
    "causes": Kind.CAUSE,
    "conditions": Kind.CONDITION,
    "findings": Kind.FINDING,
}

PARENTS = {
    Kind.HISTORY: (),
    Kind.CAUSE: (Kind.HISTORY, Kind.CAUSE),
    Kind.CONDITION: (Kind.HISTORY, Kind.CAUSE, Kind.CONDITION),
    Kind.COMPLAINT: (Kind.CAUSE, Kind.CONDITION),
    Kind.FINDING: tuple(Kind),
}
"""What each kind of variable may depend on."""

PLURAL = {
    Kind.HISTORY: "histories",
    Kind.CAUSE: "causes",
    Kind.CONDITION: "conditions",
    Kind.COMPLAINT: "the complaint",
    Kind.FINDING: "findings",
}


@dataclass(frozen=True)
class Head:
    """A variable before its distribution is read. Its states are empty when unreadable.

    `first_of` names the variables of which this is the first present; None for all others.
    """

    variable: Variable
    fields: Fields
    state_lines: Mapping[str, int] = field(default_factory=dict)
    first_of: tuple[str, ...] | None = None

    @property
    def name(self) -> str:
        return self.variable.name

    @property
    def kind(self) -> Kind:
        return self.variable.kind

    @property
    def states(self) -> tuple[str, ...]:
        return self.variable.states

    @property
    def says_chances(self) -> bool:
        """Whether it gives a distribution of its own."""
        return any(form in self.fields for form in FORMS)

    @property
    def label(self) -> str:
        return f"{self.kind} {self.name}" if self.kind is not Kind.COMPLAINT else "the complaint"


def read_heads(root: Fields) -> dict[str, Head]:
    """All variables of the four sections and the complaint, by name, in file order."""
    heads: dict[str, Head] = {}
    for section, kind in SECTIONS.items():
        needed = ""
        if kind in (Kind.CAUSE, Kind.FINDING):
            needed = f"Give at least one: {section}: and under it name: ..."
        for word, node in root.entries(section, needed):
            # A badly formed name is told, and still known to those that use it.
            good_name(root.faults, word, f"A {kind}")
            if _new_name(root.faults, word, heads):
                heads[word.value] = _read_head(root.faults, word, kind, node)
    complaint = _read_complaint(root, heads)
    if complaint is not None:
        heads[complaint.name] = complaint
    return heads


def default_title(name: str) -> str:
    """A title for what has none: its name with spaces."""
    return name.replace("_", " ").capitalize()


def _new_name(faults: Faults, word: Text, heads: Mapping[str, Head]) -> bool:
    if word.value not in heads:
        return True
    other = heads[word.value]
    faults.add(
        word.line,
        f"The name {shown(word.value)} is taken: a {other.kind} has it "
        f"({faults.place(other.variable.line, word.line)}).",
        "Give one of the two another name.",
    )
    return False


def _read_head(faults: Faults, word: Text, kind: Kind, node: Node) -> Head:
    observable = kind in (Kind.HISTORY, Kind.FINDING)
    known = [*keys.VARIABLE, *FORMS, *(keys.OBSERVED if observable else ())]
    if kind is not Kind.CONDITION:
        known.remove("first_of")
    if kind is Kind.FINDING:
        known += keys.FINDING
    fields = Fields(faults, node, word.line, f"{kind} {word.value}", known)
    first = "first_of" in fields
    if first and "states" in fields:
        faults.add(
            fields.line_of("states"),
            f"{fields.label} gives states beside first_of.",
            "Leave them out: they are none, and cause.state for each fault of each cause.",
        )
    state_lines = {} if first else _read_states(fields)
    states = tuple(state_lines)
    ask = ""
    if kind is Kind.HISTORY:
        ask = fields.text("ask", "Give the question to the customer, such as ask: Was it dropped?")
    elif kind is Kind.FINDING:
        ask = fields.text("ask")
    variable = Variable(
        name=word.value,
        kind=kind,
        title=fields.text("title") or default_title(word.value),
        states=states,
        distribution=UNREAD,
        line=word.line,
        ask=ask,
        words=_read_spoken(fields, states) if observable else {},
        reading=_read_reading(fields, states) if observable else None,
        note=fields.text("note"),
        basis=read_basis(fields),
        striking=_read_striking(fields, states),
        was=read_former(fields),
        states_were=read_states_were(fields, states),
    )
    return Head(variable, fields, state_lines, () if first else None)


def is_own(faults: Faults, line: int) -> bool:
    """Whether a line stands in the model file itself, not in an included one."""
    return faults.file_of(line) == faults.file


def _read_striking(fields: Fields, states: tuple[str, ...]) -> Striking | None:
    """The results that people mention unasked, and how likely they do."""
    inner = fields.inner("striking", keys.STRIKING, f"striking of {fields.label}")
    if inner is None:
        return None
    words = inner.words("values", "Name the results: values: [cracked].")
    values = picked_states(fields.faults, words, states, inner.label, "result")
    if states and len(values) == len(states):
        fields.faults.add(
            inner.line,
            f"{inner.label} names every result.",
            "Leave out those that nobody mentions unasked.",
        )
    mentioned = inner.number(
        "mentioned", "Give the chance that it is mentioned: mentioned: 0.5.", 0.0, 0.99, above=True
    )
    others: list[str] = []
    if "unless_told" in inner:
        others = [word.value for word in inner.words("unless_told", "Name findings.")]
    if not values or mentioned is None:
        return None
    return Striking(values, mentioned, tuple(others))


def _read_states(fields: Fields) -> dict[str, int]:
    """The states with their lines; none at all when one of them is unusable."""
    faults = fields.faults
    before = faults.told
    words = fields.words("states", "Give its states, the normal one first: states: [no, yes].")
    for word in words:
        good_state(faults, word, f"A state of {fields.label}")
    if faults.told == before and len(words) == 1:
        faults.add(
            fields.line_of("states"),
            f"{fields.label} has the single state {shown(words[0].value)}.",
            "It needs at least two, the normal one first.",
        )
    return {} if faults.told > before else {word.value: word.line for word in words}


def _read_complaint(root: Fields, heads: Mapping[str, Head]) -> Head | None:
    needed = "Give name, title and any_of: what makes the customer complain."
    # Where nothing is repaired, what is diagnosed need not be what somebody complained of.
    needed = needed if root.entries("repairs") else ""
    fields = root.inner("complaint", keys.COMPLAINT, "the complaint", needed)
    if fields is None:
        return None
    name = fields.word("name", "Give it a name, such as name: no_usable_picture.")
    title = fields.text("title", "Give it a title, such as title: No usable picture.")
    if name is None:
        return None
    good_name(root.faults, name, "The complaint")
    if len(name.value) > NAME_LENGTH:
        return None  # messages would repeat it without end
    if not _new_name(root.faults, name, heads):
        return None
    variable = Variable(
        name=name.value,
        kind=Kind.COMPLAINT,
        title=title or default_title(name.value),
        states=("no", "yes"),
        distribution=UNREAD,
        line=root.line_of("complaint"),
        note=fields.text("note"),
    )
    return Head(variable, fields)


def read_basis(fields: Fields) -> Basis | None:
    """Where a probability comes from: `basis` beside it, or None."""
    inner = fields.inner("basis", keys.BASIS)
    if inner is None or not inner.usable:
        return None
    given = [kind for kind in ("guess", "count", "source") if kind in inner]
    if len(given) != 1:
        said = f"gives {listed(given)}" if given else "does not say where the figure comes from"
        inner.faults.add(
            inner.line,
            f"{inner.label} {said}.",
            "Give exactly one of guess, count or source, with a text.",
        )
        return None
    worth = inner.number("worth", low=0.0, above=True)
    text = inner.text(given[0], "Say in a few words where the figure comes from.")
    return Basis(given[0], text, worth) if text else None


def _read_spoken(fields: Fields, states: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """What people say for a state; no word may stand for two states."""
    faults = fields.faults
    spoken: dict[str, tuple[str, ...]] = {}
    taken = {fold(state): state for state in states}
    for key, node in fields.entries("words"):
        picked_states(faults, [key], states, f"words of {fields.label}")
        kept: list[str] = []
        for word in read_words(faults, node, f"The list of words for {key.value}", key.line):
            text = clean_text(faults, word, f"A word for {key.value}")
            folded = fold(text)
            if text and not folded:
                faults.add(word.line, f"A word for {key.value} is {shown(text)}.", "Write a word.")
            if not folded:
                continue
            other = taken.get(folded)
            if other is not None and other != key.value:
                is_state = f"the name of the state {other}" if folded == fold(other) else ""
                faults.add(
                    word.line,
                    f"{fields.label}: the word {shown(word.value)} for {key.value} is also "
                    f"{is_state or f'a word for {other}'}.",
                    "One word can stand for one state only.",
                )
                continue
            taken[folded] = key.value
            kept.append(text)
        spoken[key.value] = tuple(kept)
    return spoken


def _read_reading(fields: Fields, states: tuple[str, ...]) -> Reading | None:
    """A meter reading: unit, ascending cut points, and the states in order of the reading."""
    if not any(key in fields for key in ("unit", "cuts", "reads")):
        return None
    faults, label = fields.faults, fields.label
    before = faults.told
    unit = fields.text("unit", "Give the unit of its cuts, such as unit: V.")
    cuts: list[float] = []
    for node in fields.items("cuts", f"Give {len(states) - 1 or 1} cut points: cuts: [1.0, ...]."):
        value = read_number(faults, node, f"A cut of {label}")
        if value is not None:
            cuts.append(value)
    for lower, upper in itertools.pairwise(cuts):
        if lower >= upper:
            faults.add(
                fields.line_of("cuts"),
                f"The cuts of {label} go from {lower:g} to {upper:g}.",
                "They must rise.",
            )
    reads = fields.words("reads")
    order = tuple(word.value for word in reads) or states
    picked_states(faults, reads, states, f"reads of {label}")
    missing = [state for state in states if state not in order]
    if missing and faults.told == before:
        faults.add(
            fields.line_of("reads"),
            f"reads of {label} leaves out {listed(missing)}.",
            "List all its states, in rising order of the reading.",
        )
    if states and faults.told == before and len(cuts) != len(states) - 1:
        faults.add(
            fields.line_of("cuts"),
            f"{label} has {len(states)} states and {_count(len(cuts), 'cut')}.",
            f"Between {len(states)} states there are {_count(len(states) - 1, 'cut')}.",
        )
    if faults.told > before or not states:
        return None
    return Reading(unit, tuple(cuts), order)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
