"""The nine ways to say a conditional probability, turned into the parts of a model.

`chance`, `table` and `rule` become a Table; `noisy_or`, `noisy_max`, `worst_of` and
`any_of` a NoisyMax (the last two with links of zeros and ones, and no leak); `test` a
SimpleTest; `first_of` a FirstOf.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from faultfinder.model.parts import (
    Distribution,
    FirstOf,
    Kind,
    Link,
    NoisyMax,
    Row,
    SimpleTest,
    Table,
)
from faultfinder.model.reading import keys
from faultfinder.model.reading.family_names import FamilyNames
from faultfinder.model.reading.faults import listed
from faultfinder.model.reading.fields import Fields, described, read_number, read_words
from faultfinder.model.reading.read_variables import FORMS, Head, read_basis
from faultfinder.model.reading.yaml_nodes import Items, Node, Pairs, Text


@dataclass(frozen=True)
class Family:
    """What was read for one variable. Only a `sound` one is free of problems."""

    distribution: Distribution
    sound: bool


def read_family(head: Head, heads: Mapping[str, Head]) -> Family:
    """The distribution of one variable.

    An unsound family still carries the parents it names, for the checks of the network.
    """
    return _FamilyReader(head, heads).read()


class _FamilyReader(FamilyNames):
    # --- choosing the form

    def read(self) -> Family:
        before = self.faults.told
        distribution = self._read_form()
        sound = self.sound and self.faults.told == before and distribution is not None
        return Family(distribution or Table(tuple(self.parents), ()), sound)

    def _read_form(self) -> Distribution | None:
        fields = self.head.fields
        if not fields.usable:
            return None
        allowed: tuple[str, ...] = FORMS if self.head.kind is Kind.CONDITION else FORMS[:-1]
        if self.head.kind is Kind.COMPLAINT:
            allowed = ("any_of",)
        given = [form for form in fields.keys if form in allowed]
        one_of = f"Give exactly one of {', '.join(allowed)}."
        if self.head.kind in (Kind.FINDING, Kind.CONDITION):
            one_of = f"{one_of[:-1]}, or an entry under figures."
        if len(allowed) == 1:
            one_of = "Give any_of: the conditions or causes that make the customer complain."
        if not given:
            self._add(self.head.variable.line, "says nothing about its probabilities.", one_of)
            return None
        if len(given) > 1:
            said = f"says its probabilities twice: {listed(given)}."
            self._add(fields.line_of(given[1]), said, one_of)
        form = given[0]
        node = fields.node(form, one_of)
        if node is None:
            return None
        if self.head.kind is Kind.HISTORY and form != "chance":
            self._add(
                fields.line_of(form),
                f"says its probabilities by {form}.",
                "A history depends on nothing; give its base rate with chance.",
            )
        line = fields.line_of(form)
        readers = {
            "chance": self._chance,
            "table": self._table,
            "rule": self._rule,
            "noisy_or": self._noisy_or,
            "noisy_max": self._noisy_max,
            "worst_of": self._worst_of,
            "any_of": self._any_of,
            "test": self._test,
            "first_of": self._first_of,
        }
        return readers[form](node, line)

    # --- chance, table, rule

    def _chance(self, node: Node, line: int) -> Distribution | None:
        gives, basis = self._gives(node, line, f"the chance of {self.head.name}")
        return None if gives is None else Table((), (Row({}, gives, basis, line),))

    def _rows(self, node: Node, line: int, form: str, key: str) -> list[tuple[Fields, str]] | None:
        if not isinstance(node, Items) or not node.items:
            self._add(
                line,
                f"has {described(node)} for its {form}.",
                f"It must be rows, each beginning with a dash: - when: ... {key}: ...",
            )
            return None
        rows = []
        for number, item in enumerate(node.items, 1):
            label = f"row {number} of the {form} of {self.head.name}"
            known = keys.ROW if key == "gives" else keys.RULE_ROW
            rows.append((Fields(self.faults, item, item.line, label, known), label))
        return rows

    def _when(self, row: Fields, key: str) -> dict[str, tuple[str, ...]] | None:
        """What a row asks of the parents: empty for `otherwise`, None when unusable."""
        if not row.usable:
            return None
        if "otherwise" in row:
            for extra in ("when", key):
                if extra in row:
                    self.faults.add(
                        row.line_of(extra),
                        f"{row.label} has {extra} and otherwise.",
                        f"Either when with {key}, or otherwise alone.",
                    )
            return {}
        before = self.faults.told
        when: dict[str, tuple[str, ...]] = {}
        for word, node in row.entries("when", "Say when it holds, or write otherwise: ..."):
            parent = self._parent(word)
            label = f"{row.label}, {word.value}"
            states = read_words(self.faults, node, label, word.line, "Name at least one state.")
            if parent is not None:
                when[word.value] = self._states_of(parent, states, faulty=False)
        return None if self.faults.told > before else when

    def _table(self, node: Node, line: int) -> Distribution | None:
        rows: list[Row] = []
        for fields, label in self._rows(node, line, "table", "gives") or ():
            when = self._when(fields, "gives")
            key = "otherwise" if "otherwise" in fields else "gives"
            value = fields.node(key, f"Give the probabilities: {key}: {{state: 0.9, ...}}.")
            basis = read_basis(fields)
            if value is None:
                continue
            gives, among = self._gives(value, fields.line_of(key), label)
            if when is not None and gives is not None:
                rows.append(Row(when, gives, basis or among, fields.line))
        return Table(tuple(self.parents), tuple(rows)) if rows else None

    def _rule(self, node: Node, line: int) -> Distribution | None:
        rows: list[Row] = []
        for fields, _ in self._rows(node, line, "rule", "then") or ():
            when = self._when(fields, "then")
            key = "otherwise" if "otherwise" in fields else "then"
            word = fields.word(key, f"Give the state that follows: {key}: state.")
            basis = read_basis(fields)
            state = None if word is None else self._own_state(word)
            if when is not None and state is not None:
                rows.append(Row(when, self._sure(state), basis, fields.line))
        return Table(tuple(self.parents), tuple(rows)) if rows else None

    # --- noisy-OR and noisy-MAX

    def _noisy_or(self, node: Node, line: int) -> Distribution | None:
        self._two_states("noisy_or", line)
        return self._noisy(node, line, "noisy_or")

    def _noisy_max(self, node: Node, line: int) -> Distribution | None:
        return self._noisy(node, line, "noisy_max")

    def _noisy(self, node: Node, line: int, form: str) -> Distribution | None:
        label = f"{form} of {self.head.name}"
        fields = Fields(self.faults, node, line, label, keys.NOISY)
        value = fields.node("leak", "Give the chance without any of the links: leak: 0.002.")
        leak = None
        if value is not None:
            leak = self._influence(value, fields.line_of("leak"), f"the leak of {self.head.name}")
        links: dict[str, dict[str, Link]] = {}
        for word, inner in fields.entries(
            "links", "Name what it depends on: links: {parent: ...}."
        ):
            parent = self._parent(word)
            if parent is not None:
                links[word.value] = self._links_of(parent, word, inner, form)
        if leak is None:
            return None
        return NoisyMax(tuple(links), leak, links)

    def _influence(self, node: Node, line: int, label: str) -> Link | None:
        """A leak or link: a bare number is the chance of the second of two states."""
        if isinstance(node, Text) and len(self.head.states) <= 2:
            chance = read_number(self.faults, node, label, 0.0, 1.0)
            return None if chance is None else Link(self._second(chance))
        gives, basis = self._gives(node, line, label)
        return None if gives is None else Link(gives, basis)

    def _links_of(self, parent: Head, word: Text, node: Node, form: str) -> dict[str, Link]:
        label = f"the link of {self.head.name} from {parent.name}"
        if isinstance(node, Text):
            return self._bare_link(parent, word, node, label, form)
        if not isinstance(node, Pairs) or not node.pairs:
            self.faults.add(
                word.line,
                f"{label} is {described(node)}.",
                "It must name the states of the parent that have an influence.",
            )
            return {}
        shared = self._basis_among(node, label)
        links: dict[str, Link] = {}
        for key, value in node.pairs:
            if key.value == "basis":
                continue
            states = self._states_of(parent, (key,), faulty=True)
            link = self._influence(value, key.line, f"{label} = {key.value}")
            if states and link is not None:
                links[key.value] = Link(link.gives, link.basis or shared)
        return links

    def _bare_link(
        self, parent: Head, word: Text, node: Text, label: str, form: str
    ) -> dict[str, Link]:
        if len(parent.states) > 2 or len(self.head.states) > 2:
            many = parent if len(parent.states) > 2 else self.head
            self.faults.add(
                word.line,
                f"{label} is {described(node)}, but {many.name} has {len(many.states)} states.",
                "Name the states: "
                + ("{state: 0.1}." if form == "noisy_or" else "{state: {...}}."),
            )
            return {}
        link = self._influence(node, word.line, label)
        if link is None or not parent.states:
            return {}
        return {parent.states[1]: link}

    # --- worst_of, any_of: certain influences and no leak

    def _worst_of(self, node: Node, line: int) -> Distribution | None:
        if not isinstance(node, Pairs) or not node.pairs:
            self._add(
                line,
                f"has {described(node)} for worst_of.",
                "It must name parents, each with {parent state: own state}.",
            )
            return None
        links: dict[str, dict[str, Link]] = {}
        for word, inner in node.pairs:
            parent = self._parent(word)
            label = f"worst_of of {self.head.name}, {word.value}"
            if not isinstance(inner, Pairs) or not inner.pairs:
                self.faults.add(
                    word.line,
                    f"{label} is {described(inner)}.",
                    "It must say what each state of it brings: {its state: own state}.",
                )
                continue
            effects: dict[str, Link] = {}
            for key, value in inner.pairs:
                named = () if parent is None else self._states_of(parent, (key,), faulty=True)
                if not isinstance(value, Text):
                    self.faults.add(
                        key.line,
                        f"{label} = {key.value} is {described(value)}.",
                        "It must be one state.",
                    )
                    continue
                state = self._own_state(value)
                if named and state is not None:
                    effects[key.value] = Link(self._sure(state))
            links[word.value] = effects
        return self._certain(links)

    def _any_of(self, node: Node, line: int) -> Distribution | None:
        self._two_states("any_of", line)
        items = node.items if isinstance(node, Items) else (node,)
        if not items:
            self._add(line, "has an empty list for any_of.", "Name what counts: any_of: [a, b].")
            return None
        links: dict[str, dict[str, Link]] = {}
        for item in items:
            for word, inner in self._any_of_item(item):
                parent = self._parent(word)
                if word.value in links:
                    self._add(word.line, f"lists {word.value} twice.", "Once is enough.")
                label = f"any_of of {self.head.name}, {word.value}"
                named: tuple[Text, ...] | None = None
                if inner is not None:
                    named = read_words(
                        self.faults, inner, label, word.line, "Name at least one state."
                    )
                if parent is None:
                    continue
                counts = parent.states[1:]
                if named is not None:
                    counts = self._states_of(parent, named, faulty=True)
                links[word.value] = {state: Link(self._sure(1)) for state in counts}
        return self._certain(links)

    def _any_of_item(self, item: Node) -> list[tuple[Text, Node | None]]:
        if isinstance(item, Text):
            return [(item, None)]
        if isinstance(item, Pairs) and item.pairs:
            return list(item.pairs)
        self._add(
            item.line,
            f"has {described(item)} in any_of.",
            "An item is a name, or {name: [the states that count]}.",
        )
        return []

    def _certain(self, links: Mapping[str, Mapping[str, Link]]) -> Distribution | None:
        if not links or not self.head.states:
            return None
        return NoisyMax(tuple(links), Link(self._sure(0)), links)

    def _first_of(self, node: Node, line: int) -> Distribution | None:
        # Its members were read with the heads, since its states follow from theirs.
        return FirstOf(self.head.first_of) if self.head.first_of else None

    # --- a simple test

    def _test(self, node: Node, line: int) -> Distribution | None:
        self._two_states("test", line)
        fields = Fields(self.faults, node, line, f"test of {self.head.name}", keys.TEST)
        of = fields.word("of", "Name the variable it tests: of: data_connector.")
        parent = None if of is None else self._parent(of)
        rates = [
            fields.number(rate, f"Give it as a number from 0 to 1: {rate}: 0.9.", 0.0, 1.0)
            for rate in ("sensitivity", "specificity")
        ]
        named = fields.words("shows", "Name the states it shows." if "shows" in fields else "")
        basis = read_basis(fields)
        sensitivity, specificity = rates
        if parent is None or sensitivity is None or specificity is None:
            return None
        shows = parent.states[1:]
        if named:
            shows = self._states_of(parent, named, faulty=False)
            if len(shows) == len(parent.states):
                self._add(
                    fields.line_of("shows"),
                    f"shows every state of {parent.name}.",
                    "Leave out those in which the test should be in its first state.",
                )
        return SimpleTest(parent.name, shows, sensitivity, specificity, basis)
