"""A model file begun from a network: what the network knows, and a list of what it does not."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from faultfinder.errors import FaultfinderError, MisuseError, ModelFileError, did_you_mean
from faultfinder.interchange.formats import Node, check_node
from faultfinder.model.parts import Kind

GUESSED_MINUTES = 5
"""Written for every check, and said to be a guess."""

NORMAL = ("no", "normal", "none", "false", "ok", "okay", "absent", "healthy", "fine", "good")
"""States taken for the normal one where a node has one of them; else its first state."""

NAME_LENGTH = 60


@dataclass(frozen=True)
class Skeleton:
    """The text of a model file, and what a lead must still fill in, a sentence each."""

    text: str
    todo: tuple[str, ...]


@dataclass(frozen=True)
class _Part:
    """A node with its role and its names in the model; its normal state comes first."""

    node: Node
    kind: Kind
    name: str
    states: tuple[str, ...]
    order: tuple[int, ...]


def skeleton(
    nodes: Sequence[Node],
    name: str,
    origin: str,
    *,
    causes: Iterable[str] = (),
    histories: Iterable[str] = (),
    complaint: str | None = None,
    normal: Mapping[str, str] | None = None,
) -> Skeleton:
    """A model file called `name` from the nodes of the network file `origin`.

    Nodes named in `causes` and `histories` become that. Other roots are causes where no
    causes are named, histories where causes alone are named, else conditions; other leaves
    are findings with a check each, and the rest are conditions. `complaint` is the node whose
    states other than its normal one the customer complains of; without it the file gets a
    complaint that tells nothing. `normal` names the normal state of a node.

    Raises MisuseError for names the network does not have, or roles it does not allow.
    """
    by_name = {node.name: node for node in nodes}
    kinds = _roles(nodes, list(causes), list(histories), complaint)
    normal = dict(normal or {})
    for wanted in normal:
        check_node(wanted, by_name, "--normal")
    names = _plain_names((node.name for node in nodes), "n")
    parts: dict[str, _Part] = {}
    assumed = []
    for node in nodes:
        place, sure = _normal_state(node, normal.get(node.name))
        if not sure:
            assumed.append(f"{names[node.name]} ({node.states[place]})")
        order = (place, *(i for i in range(len(node.states)) if i != place))
        own = _plain_names(node.states, "s", hyphens=True)
        parts[node.name] = _Part(
            node,
            kinds[node.name],
            names[node.name],
            tuple(own[node.states[i]] for i in order),
            order,
        )
    _refuse_wrong_parents(parts)
    text = _File(parts, name, origin, complaint).write()
    _refuse_unsound(text, name)
    return Skeleton(text, _todo(parts, complaint, assumed))


def _roles(
    nodes: Sequence[Node], causes: list[str], histories: list[str], complaint: str | None
) -> dict[str, Kind]:
    by_name = {node.name: node for node in nodes}
    for wanted, option in (
        *((cause, "--causes") for cause in causes),
        *((history, "--histories") for history in histories),
        *(((complaint, "--complaint"),) if complaint is not None else ()),
    ):
        check_node(wanted, by_name, option)
    both = [wanted for wanted in causes if wanted in histories]
    if both:
        raise MisuseError(f"{both[0]} is named as a cause and as a history. Name it once.")
    if complaint is not None and complaint in histories:
        raise MisuseError(f"The complaint {complaint} cannot be a history: it follows from causes.")
    for history in histories:
        if by_name[history].parents:
            raise MisuseError(
                f"{history} cannot be a history: it depends on "
                f"{', '.join(by_name[history].parents)}. A history depends on nothing."
            )
    other = Kind.HISTORY if not histories else Kind.CONDITION
    if not causes:
        other = Kind.CAUSE
    has_children = {parent for node in nodes for parent in node.parents}
    kinds = {}
    for node in nodes:
        if node.name in causes:
            kinds[node.name] = Kind.CAUSE
        elif node.name in histories:
            kinds[node.name] = Kind.HISTORY
        elif node.name == complaint:
            kinds[node.name] = Kind.CONDITION
        elif not node.parents and node.name in has_children:
            kinds[node.name] = other
        else:
            kinds[node.name] = Kind.CONDITION if node.name in has_children else Kind.FINDING
    if Kind.CAUSE not in kinds.values():
        raise MisuseError("No node is left to be a cause. Name some with --causes.")
    if Kind.FINDING not in kinds.values():
        raise MisuseError(
            "No node is left to be a finding: those that nothing depends on are, unless they are "
            "named as something else."
        )
    return kinds


def _refuse_wrong_parents(parts: Mapping[str, _Part]) -> None:
    for part in parts.values():
        for parent in part.node.parents:
            if part.kind is Kind.CAUSE and parts[parent].kind is Kind.CONDITION:
                raise MisuseError(
                    f"{part.node.name} cannot be a cause: it depends on {parent}, which is a "
                    f"condition. Name {parent} as a cause or history too, or leave "
                    f"{part.node.name} out of the causes."
                )


def _normal_state(node: Node, named: str | None) -> tuple[int, bool]:
    """The place of the normal state, and whether that is sure."""
    if named is not None:
        if named not in node.states:
            raise MisuseError(
                f'{node.name} has no state "{named}" (--normal). {did_you_mean(named, node.states)}'
            )
        return node.states.index(named), True
    for word in NORMAL:
        for place, state in enumerate(node.states):
            if state.lower() == word:
                return place, True
    return 0, False


def _plain_names(words: Iterable[str], letter: str, hyphens: bool = False) -> dict[str, str]:
    """Names a model file allows: small letters, digits, underscores; each once."""
    allowed = r"[^a-z0-9_-]+" if hyphens else r"[^a-z0-9_]+"
    found: dict[str, str] = {}
    taken: set[str] = {"basis"}
    for word in words:
        base = re.sub(allowed, "_", word.lower()).strip("_-")
        if not re.match(r"[a-z]", base):
            base = f"{letter}{base}"
        base = base[: NAME_LENGTH - 10]
        plain, number = base, 2
        while plain in taken:
            plain, number = f"{base}_{number}", number + 1
        taken.add(plain)
        found[word] = plain
    return found


@dataclass(frozen=True)
class _File:
    parts: Mapping[str, _Part]
    name: str
    origin: str
    complaint: str | None

    def write(self) -> str:
        origin = " ".join(self.origin.split())
        about = (
            f"Begun from the network file {origin}. The probabilities are those of that file; "
            "minutes are guesses without a basis, and questions, ways to make the checks, "
            "cautions, stages and repairs are still missing."
        )
        lines = [
            "# Begun from a network. The chances are the network's; every figure marked as a",
            "# guess is a placeholder for the lead to replace.",
            "faultfinder_model: 1",
            f"name: {self.name}",
            f"title: {_quoted(self.name.replace('_', ' ').capitalize())}",
            f"about: {_quoted(about)}",
            "start: bench",
            "",
        ]
        lines += self._complaint()
        for kind, section in (
            (Kind.HISTORY, "histories"),
            (Kind.CAUSE, "causes"),
            (Kind.CONDITION, "conditions"),
            (Kind.FINDING, "findings"),
        ):
            members = self._of(kind)
            extra = kind is Kind.CONDITION and self.complaint is None
            if members or extra:
                lines += ["", f"{section}:"]
            for part in members:
                lines += self._variable(part)
            if extra:
                lines += self._neutral()
        lines += ["", "stages:", "  bench: {title: Bench, powered: yes}", "", "checks:"]
        for place, part in enumerate(self._of(Kind.FINDING), start=1):
            lines += [
                f"  check_{place}_{part.name}"[: NAME_LENGTH - 1] + ":",
                f"    title: {_quoted('Look at ' + part.node.name)}",
                f"    observes: [{part.name}]",
                f"    minutes: {GUESSED_MINUTES}  # a guess, no basis: time it at the bench",
                "    stage: bench",
            ]
        return "\n".join(lines) + "\n"

    def _of(self, kind: Kind) -> list[_Part]:
        return [part for part in self.parts.values() if part.kind is kind]

    @property
    def _reported(self) -> tuple[str, str]:
        """Names for the complaint, and for what brings it about where no node does."""
        taken = {part.name for part in self.parts.values()}
        words = []
        for base in ("complaint", "reported"):
            word = base
            while word in taken:
                word += "_x"
            words.append(word)
        return words[0], words[1]

    def _complaint(self) -> list[str]:
        name, reported = self._reported
        if self.complaint is None:
            return [
                "# A placeholder that tells nothing: as likely with every cause as without.",
                "complaint:",
                f"  name: {name}",
                "  title: Complaint not described yet",
                f"  any_of: [{reported}]",
            ]
        part = self.parts[self.complaint]
        return [
            "complaint:",
            f"  name: {name}",
            f"  title: {_quoted(part.node.name + ' not normal')}",
            f"  any_of: [{{{part.name}: [{', '.join(part.states[1:])}]}}]",
        ]

    def _neutral(self) -> list[str]:
        """Depends on every cause by name and on none by number, so that it changes nothing."""
        links = ", ".join(f"{p.name}: {{{p.states[1]}: 0}}" for p in self._of(Kind.CAUSE))
        return [
            f"  {self._reported[1]}:",
            "    title: Reported, whatever the cause",
            "    states: [no, yes]",
            f"    noisy_or: {{leak: 0.5, links: {{{links}}}}}",
            '    basis: {guess: "placeholder, tells nothing"}',
        ]

    def _variable(self, part: _Part) -> list[str]:
        lines = [f"  {part.name}:", f"    title: {_quoted(part.node.name)}"]
        if part.kind is Kind.HISTORY:
            lines.append(f"    ask: {_quoted(f'Which is it for {part.node.name}?')}")
        lines.append(f"    states: [{', '.join(part.states)}]")
        table = part.node.table[..., list(part.order)]
        if not part.node.parents:
            lines.append(f"    chance: {_gives(part, table)}")
        else:
            lines += ["    table:"]
            family = [self.parts[parent] for parent in part.node.parents]
            for index in product(*(range(len(p.states)) for p in family)):
                when = ", ".join(
                    f"{p.name}: {p.states[p.order.index(i)]}"
                    for p, i in zip(family, index, strict=True)
                )
                lines.append(f"      - {{when: {{{when}}}, gives: {_gives(part, table[index])}}}")
        lines.append(f"    basis: {{source: {_quoted(f'network file {self.origin}')}}}")
        return lines


def _gives(part: _Part, chances: np.ndarray) -> str:
    pairs = zip(part.states, chances.tolist(), strict=True)
    return "{" + ", ".join(f"{state}: {chance!r}" for state, chance in pairs if chance > 0) + "}"


def _quoted(text: str) -> str:
    """A double-quoted YAML scalar; JSON's strings are among them."""
    return json.dumps(" ".join(text.split()))


def _refuse_unsound(text: str, name: str) -> None:
    # Read back at once: what is handed over must pass the check of model files.
    from faultfinder.model.reading.reader import parse_model

    try:
        parse_model(text, f"{name}.yaml")
    except ModelFileError as error:
        found = " ".join(f"{problem.found} {problem.right}" for problem in error.problems[:3])
        raise FaultfinderError(f"These roles do not make a model. {found}") from error


def _todo(
    parts: Mapping[str, _Part], complaint: str | None, assumed: Sequence[str]
) -> tuple[str, ...]:
    findings = [part for part in parts.values() if part.kind is Kind.FINDING]
    histories = [part.name for part in parts.values() if part.kind is Kind.HISTORY]
    todo = [
        f"The minutes of all {len(findings)} checks are a guess of {GUESSED_MINUTES} min, without "
        "a basis.",
        "Say how each check is made, with its tools, and the caution where it can hurt somebody.",
        "There is one stage, bench: give the stages of teardown, the moves between them, and "
        "the stage of each check.",
        "There are no repairs: without them checks are ranked by what they tell for their cost.",
        "There is no stop rule: a swollen or crushed battery must end the diagnosis.",
        "Titles are the network's names: say them as the bench does.",
    ]
    if complaint is None:
        todo.insert(0, "The complaint is a placeholder that tells nothing: say what it follows.")
    if histories:
        todo.append(f"Word the questions about {', '.join(histories)}.")
    if assumed:
        todo.append(
            "The first state was taken for the normal one, which may be wrong (--normal): "
            f"{', '.join(assumed)}."
        )
    return tuple(todo)
