"""What all ways to say a distribution share: naming parents and states, and probabilities
over a variable's own states.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from faultfinder.errors import did_you_mean, nearest
from faultfinder.model.parts import Basis, Kind
from faultfinder.model.reading import keys
from faultfinder.model.reading.faults import figure, listed, shown
from faultfinder.model.reading.fields import Fields, described, read_number
from faultfinder.model.reading.read_variables import PARENTS, PLURAL, Head, read_basis
from faultfinder.model.reading.yaml_nodes import Node, Pairs, Text

SUM_TOLERANCE = 1e-6
"""How far probabilities may miss one; what is missed is shared out in proportion."""

Gives = tuple[float, ...]
"""One probability per state of the variable; they sum to one."""


class FamilyNames:
    """The variable whose distribution is read, with the parents it has named so far.

    `sound` falls when something it depends on is told about elsewhere.
    """

    def __init__(self, head: Head, heads: Mapping[str, Head]) -> None:
        self.faults = head.fields.faults
        self.head = head
        self.heads = heads
        self.parents: dict[str, None] = {}
        self.sound = bool(head.states)

    def _add(self, line: int, found: str, right: str) -> None:
        self.faults.add(line, f"{self.head.label} {found}", right)

    # --- names

    def _parent(self, word: Text) -> Head | None:
        """The head of a variable named here, if this one may depend on it."""
        kinds = PARENTS[self.head.kind]
        parent = self.heads.get(word.value)
        if parent is None:
            names = [n for n, h in self.heads.items() if h.kind in kinds and n != self.head.name]
            right = did_you_mean(word.value, names)
            self._add(word.line, f"names {shown(word.value)}, which is no variable.", right)
            if meant := nearest(word.value, names):
                self.parents[meant] = None
            return None
        self.parents[word.value] = None
        if parent.kind not in kinds:
            self._add(
                word.line,
                f"depends on {parent.name}, which is a {parent.kind}.",
                _allowed(self.head.kind),
            )
            return None
        if not parent.states:
            self.sound = False  # its own states are already complained about
        return parent

    def _own_state(self, word: Text) -> int | None:
        if not self.head.states:
            return None
        if word.value in self.head.states:
            return self.head.states.index(word.value)
        self._no_state(word, self.head)
        return None

    def _no_state(self, word: Text, owner: Head) -> None:
        whose = "its own state" if owner is self.head else f"the state {owner.name} ="
        self._add(
            word.line,
            f"names {whose} {shown(word.value)}, which does not exist.",
            did_you_mean(word.value, owner.states),
        )

    def _states_of(self, parent: Head, words: Sequence[Text], faulty: bool) -> tuple[str, ...]:
        """The states of a parent as named; with `faulty` the normal one is refused."""
        states: list[str] = []
        for word in words:
            if not parent.states:
                continue
            if word.value not in parent.states:
                self._no_state(word, parent)
            elif faulty and word.value == parent.states[0]:
                self._add(
                    word.line,
                    f"gives {parent.name} = {word.value} an influence, but that is its normal "
                    "state.",
                    "Only the other states have one; what happens without any is the leak.",
                )
            else:
                states.append(word.value)
        return tuple(states)

    def _two_states(self, form: str, line: int) -> None:
        if len(self.head.states) > 2:
            better = {"noisy_or": "noisy_max", "any_of": "worst_of or rule"}.get(form, "table")
            self._add(
                line,
                f"has {len(self.head.states)} states, and {form} is for two.",
                f"Use {better} instead.",
            )

    # --- distributions over the variable's own states

    def _gives(self, node: Node, line: int, label: str) -> tuple[Gives | None, Basis | None]:
        """Probabilities over the own states, and the basis that stands among them."""
        states = self.head.states
        example = f"{{{states[-1]}: 0.1}}" if states else "{yes: 0.1}"
        if not isinstance(node, Pairs):
            self.faults.add(
                line,
                f"{label} is {described(node)}.",
                f"It must name states with their probabilities, such as {example}.",
            )
            return None, None
        before = self.faults.told
        basis = self._basis_among(node, label)
        given: dict[int, float] = {}
        for key, value in node.pairs:
            if key.value == "basis":
                continue
            index = self._own_state(key)
            chance = read_number(self.faults, value, f"{label}: {key.value}", 0.0, 1.0)
            if index is not None and chance is not None:
                given[index] = chance
        if self.faults.told > before or not states:
            return None, basis
        return self._complete(given, line, label), basis

    def _basis_among(self, node: Pairs, label: str) -> Basis | None:
        """The basis beside the entries of `node`."""
        for key, value in node.pairs:
            if key.value == "basis":
                only = Pairs(((key, value),), node.line)
                return read_basis(Fields(self.faults, only, node.line, label, keys.AMONG))
        return None

    def _complete(self, given: Mapping[int, float], line: int, label: str) -> Gives | None:
        """All states' probabilities: the first takes the rest when it is left out."""
        states = self.head.states
        total = math.fsum(given.values())
        named = listed([states[index] for index in given])
        sums = f"{label}: the chances of {named} add up to {figure(total)}."
        if len(given) == 1:
            sums = f"{label}: the chance of {named} is {figure(total)}."
        if 0 not in given:
            if total > 1 + SUM_TOLERANCE:
                self.faults.add(
                    line, sums, f"They must leave room for {shown(states[0])}: at most 1."
                )
                return None
            given = {**given, 0: max(0.0, 1.0 - total)}
            total = math.fsum(given.values())
        elif abs(total - 1) > SUM_TOLERANCE:
            self.faults.add(
                line,
                sums,
                f"With {shown(states[0])} among them they must add up to 1; leave "
                f"{shown(states[0])} out, and it takes the rest.",
            )
            return None
        scale = 1.0 if total == 1.0 else 1.0 / total
        return tuple(given.get(index, 0.0) * scale for index in range(len(states)))

    def _second(self, chance: float) -> Gives:
        return (1.0 - chance, chance)

    def _sure(self, state: int) -> Gives:
        return tuple(1.0 if index == state else 0.0 for index in range(len(self.head.states)))


def _allowed(kind: Kind) -> str:
    names = " and ".join(PLURAL[parent] for parent in PARENTS[kind])
    return f"A {kind} may depend on {names} only." if names else f"A {kind} depends on nothing."
