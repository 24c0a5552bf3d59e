"""Which column of a table means what: our own tables, or another's told by a small YAML file."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from faultfinder.errors import MisuseError, ModelFileError, Problem, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.answers import find_result, fold
from faultfinder.model.parts import FaultModel, Kind, Variable
from faultfinder.model.reading.faults import Faults, TooManyProblems, shown
from faultfinder.model.reading.fields import Fields, described, is_empty
from faultfinder.model.reading.yaml_nodes import Node, Text, read_nodes
from faultfinder.tickets.events import Outcome
from faultfinder.tickets.limits import STAMP

VERSION = 1
"""The version of the file's form that is read."""

COULD_NOT_TELL = "unknown"
"""How a table says that a finding was looked for and could not be told."""

_KEYS = ["faultfinder_columns", "model", "key", "opened", "closed", "outcome", "causes", "tried"]
_KEYS += ["bench_minutes", "billed", "complaint", "findings", "ignore"]
_FIRST = f"This program reads version {VERSION}: write faultfinder_columns: {VERSION}."


@dataclass(frozen=True)
class Dates:
    """A column of times; `form` as for strptime, None for ISO 8601."""

    column: str
    form: str | None = None


@dataclass(frozen=True)
class Words:
    """A column of words; `results`: the shop's word, folded -> the model's (None: could not
    tell). `split` parts several words in one cell."""

    column: str
    results: Mapping[str, str | None] = field(default_factory=dict)
    split: str = ";"


@dataclass(frozen=True)
class ColumnMap:
    """What each column means. `lines`: where a column is named in the file of the map."""

    model: str
    key: str
    opened: Dates
    closed: Dates | None = None
    outcome: Words | None = None
    causes: Words | None = None
    tried: Words | None = None
    complaint: str | None = None
    bench_minutes: str | None = None
    billed: str | None = None
    findings: tuple[tuple[str, Words], ...] = ()
    ignore: frozenset[str] = frozenset()
    lines: Mapping[str, int] = field(default_factory=dict)
    file: str = ""

    def columns(self) -> frozenset[str]:
        """The columns that are read."""
        words = [self.outcome, self.causes, self.tried, *(words for _, words in self.findings)]
        dates = [self.opened, self.closed]
        named = {one.column for one in [*words, *dates] if one is not None}
        plain = {self.key, self.complaint, self.bench_minutes, self.billed} - {None}
        return frozenset(named.union(filter(None, plain)))

    def check_header(self, header: Sequence[str], table: str) -> None:
        """Raise ModelFileError unless the columns of the table are those of the map."""
        problems = []
        for column in sorted(self.columns(), key=lambda one: (self.lines.get(one, 1), one)):
            if column not in header:
                problems.append(
                    Problem(
                        self.file,
                        self.lines.get(column, 1),
                        f"{table} has no column {shown(column)}.",
                        did_you_mean(column, [name[:100] for name in header]),
                    )
                )
        known = self.columns() | self.ignore
        for column in dict.fromkeys(header):
            if column not in known:
                problems.append(
                    Problem(
                        self.file,
                        self.lines.get("", 1),
                        f"The column {shown(column)} of {table} is neither mapped nor ignored.",
                        "Say what it means, or name it under ignore.",
                    )
                )
            elif header.count(column) > 1 and column not in self.ignore:
                problems.append(
                    Problem(
                        self.file,
                        self.lines.get(column, 1),
                        f"{table} has the column {shown(column)} {header.count(column)} times.",
                        "Rename all but one of them.",
                    )
                )
        if problems:
            raise ModelFileError(problems)


def askable(model: FaultModel) -> tuple[Variable, ...]:
    """The histories and findings of a model: the columns of its tables."""
    return tuple(one for one in model.variables if one.kind in (Kind.HISTORY, Kind.FINDING))


OWN = ("key", "model", "opened_at", "closed_at", "outcome", "causes", "bench_minutes",
       "billed", "complaint", "tried")  # fmt: skip
"""The first columns of our own tables; `complaint` only when texts are asked for."""
_MAY_LACK = ("bench_minutes", "billed", "complaint", "tried")


def own_map(model: FaultModel, name: str, header: Sequence[str], table: str) -> ColumnMap:
    """The map of a table as this program writes it. Raises MisuseError for any other."""
    findings = {variable.name for variable in askable(model)}
    for column in header:
        if column not in findings and column not in OWN:
            hint = did_you_mean(column[:100], [*OWN, *sorted(findings)])
            raise MisuseError(
                f"{table} has a column {shown(column)}, which is none of {name}. {hint} Tables "
                "of other programs are read with --map."
            )
        if header.count(column) > 1:
            raise MisuseError(f"{table} has the column {shown(column)} twice. Keep one of them.")
    for column in OWN:
        if column not in header and column not in _MAY_LACK:
            raise MisuseError(
                f"{table} has no column {column}. Tables of other programs are read with --map."
            )
    return ColumnMap(
        model=name,
        key="key",
        opened=Dates("opened_at", STAMP),
        closed=Dates("closed_at", STAMP),
        outcome=Words("outcome"),
        causes=Words("causes"),
        tried=Words("tried") if "tried" in header else None,
        complaint="complaint" if "complaint" in header else None,
        bench_minutes="bench_minutes" if "bench_minutes" in header else None,
        billed="billed" if "billed" in header else None,
        findings=tuple((column, Words(column)) for column in header if column in findings),
        ignore=frozenset({"model"}),
        file=table,
    )


def parse_map(
    content: bytes, file: str, load: Callable[[str], CompiledModel]
) -> tuple[ColumnMap, CompiledModel]:
    """A map from the content of its file, and the model it speaks of.

    Raises ModelFileError with every fault found.
    """
    if not content.strip():
        raise ModelFileError([Problem(file, 1, "The file is empty.", _FIRST)])
    document = read_nodes(content, file)
    faults = Faults(file, document.problems)
    made = None
    with contextlib.suppress(TooManyProblems):
        made = _Reader(faults, document.root, load).read(file)
    if faults.problems or made is None:
        raise ModelFileError(faults.problems)
    return made


class _Reader:
    def __init__(self, faults: Faults, root: Node, load: Callable[[str], CompiledModel]) -> None:
        self.faults = faults
        self.root = Fields(faults, root, 1, "the map of columns", _KEYS)
        self.load = load
        self.lines: dict[str, int] = {"": self.root.line_of("ignore")}

    def read(self, file: str) -> tuple[ColumnMap, CompiledModel] | None:
        root = self.root
        if not root.usable:
            return None
        root.version("faultfinder_columns", VERSION, _FIRST)
        name = root.word("model", "Say which model the tickets go by: model: NAME.")
        compiled = self._model(name)
        model = None if compiled is None else compiled.model
        opened = self._dates("opened", "Say which column tells when it came in: opened: COLUMN.")
        closed = self._dates("closed")
        outcome = self._words("outcome", root.node("outcome"), _known_outcome)
        if closed is None and outcome is not None:
            self.faults.add(
                root.line_of("outcome"), "outcome is mapped, and closed is not.", "Map both."
            )
        causes = self._words(
            "causes", root.node("causes"), lambda word: known_name(word, causes_of(model))
        )
        tried = self._words(
            "tried", root.node("tried"), lambda word: known_name(word, repairs_of(model))
        )
        key = self._column("key", root.node("key", "Say which column holds the key: key: COLUMN."))
        complaint = self._column("complaint", root.node("complaint"))
        took, billed = (self._column(said, root.node(said)) for said in ("bench_minutes", "billed"))
        for said, column in (("bench_minutes", took), ("billed", billed)):
            if closed is None and column is not None:
                self.faults.add(
                    root.line_of(said), f"{said} is mapped, and closed is not.", "Map both."
                )
        findings = self._findings(model)
        ignore = frozenset(word.value for word in root.words("ignore"))
        if compiled is None or name is None or key is None or opened is None:
            return None
        made = ColumnMap(
            name.value,
            key,
            opened,
            closed,
            outcome,
            causes,
            tried,
            complaint,
            took,
            billed,
            findings,
            ignore,
            self.lines,
            file,
        )
        for column in sorted(made.columns() & ignore):
            self.faults.add(
                self.lines[column], f"The column {shown(column)} is mapped and ignored.", "Choose."
            )
        return made, compiled

    def _model(self, name: Text | None) -> CompiledModel | None:
        if name is None:
            return None
        try:
            return self.load(name.value)
        except MisuseError as error:
            self.faults.add(name.line, str(error), "")
            return None

    def _column(self, label: str, node: Node | None) -> str | None:
        if node is None:
            return None
        if not isinstance(node, Text) or is_empty(node):
            self.faults.add(node.line, f"{label} is {described(node)}.", "Name one column.")
            return None
        self.lines.setdefault(node.value, node.line)
        return node.value

    def _dates(self, label: str, needed: str = "") -> Dates | None:
        node = self.root.node(label, needed)
        if node is None or isinstance(node, Text):
            column = self._column(label, node)
            return None if column is None else Dates(column)
        fields = Fields(self.faults, node, node.line, label, ["column", "format"])
        column = self._column(
            f"column of {label}", fields.node("column", "Name it: column: COLUMN.")
        )
        form = fields.word("format")
        if form is not None and not _tells_the_day(form.value):
            self.faults.add(
                form.line,
                f"The format {shown(form.value)} does not tell day, month and year.",
                'Write it as in "%d/%m/%Y" or "%Y-%m-%d %H:%M".',
            )
            return None
        return None if column is None else Dates(column, None if form is None else form.value)

    def _words(
        self, label: str, node: Node | None, meant: Callable[[str], str | None]
    ) -> Words | None:
        """`meant` turns a word of the model into its name, and raises MisuseError."""
        if node is None or isinstance(node, Text):
            column = self._column(label, node)
            return None if column is None else Words(column)
        several = label in ("causes", "tried")
        keys = ["column", "results", *(["split"] if several else [])]
        fields = Fields(self.faults, node, node.line, label, keys)
        column = self._column(
            f"column of {label}", fields.node("column", "Name it: column: COLUMN.")
        )
        results: dict[str, str | None] = {}
        for word, value in fields.entries("results"):
            if not isinstance(value, Text) or is_empty(value):
                self.faults.add(
                    word.line,
                    f"{shown(word.value)} under results of {label} is {described(value)}.",
                    "Give one word of the model.",
                )
                continue
            if fold(word.value) in results:
                self.faults.add(
                    word.line,
                    f"{shown(word.value)} stands under results of {label} twice.",
                    "Upper and lower case, spaces and hyphens do not count. Keep one.",
                )
            try:
                results[fold(word.value)] = meant(value.value)
            except MisuseError as error:
                self.faults.add(word.line, str(error), "")
        split = fields.word("split")
        if column is None:
            return None
        return Words(column, results, ";" if split is None else split.value)

    def _findings(self, model: FaultModel | None) -> tuple[tuple[str, Words], ...]:
        made = []
        known = {} if model is None else {one.name: one for one in askable(model)}
        for name, node in self.root.entries("findings"):
            variable = known.get(name.value)
            if model is not None and variable is None:
                self.faults.add(
                    name.line,
                    f"{model.name} has no finding {shown(name.value)}.",
                    did_you_mean(name.value, known),
                )
            label = f"finding {name.value}"
            words = self._words(label, node, _result_reader(variable))
            if words is not None:
                made.append((name.value, words))
        return tuple(made)


def _result_reader(variable: Variable | None) -> Callable[[str], str | None]:
    # Without the variable its own fault is told; what its words mean cannot be judged.
    return lambda word: None if variable is None else find_result(variable, word)


def _known_outcome(word: str) -> str:
    return known_name(word, {str(outcome): str(outcome) for outcome in Outcome})


def causes_of(model: FaultModel | None) -> Mapping[str, str]:
    """Names and titles of the causes -> names; empty without a model."""
    causes = () if model is None else model.of_kind(Kind.CAUSE)
    return {one.title: one.name for one in causes} | {one.name: one.name for one in causes}


def repairs_of(model: FaultModel | None) -> Mapping[str, str]:
    """Names and titles of the repairs -> names; empty without a model."""
    repairs = () if model is None else model.repairs
    return {one.title: one.name for one in repairs} | {one.name: one.name for one in repairs}


def known_name(word: str, names: Mapping[str, str]) -> str:
    """The name that was meant, whatever its case. Raises MisuseError."""
    if word in names or not names:
        return names.get(word, word)
    key = fold(word)
    for name, meant in names.items():
        if fold(name) == key:
            return meant
    hint = did_you_mean(word[:100], list(dict.fromkeys(names.values())))
    raise MisuseError(f"There is no {shown(word)}. {hint}")


def _tells_the_day(form: str) -> bool:
    day = datetime(2003, 11, 24)
    try:
        # A form with a zone needs one to be read back.
        written = day.strftime(re.sub("%z", "+0000", form))
        return datetime.strptime(written, form).date() == day.date()
    except (ValueError, re.error):
        return False
