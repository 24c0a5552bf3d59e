"""A model file -> FaultModel, or all that is wrong with it at once.

The order: text -> nodes (`yaml_nodes`), what they include (`include`, `word_lists`), heads
of the variables (`read_variables`), distributions (`read_distributions`), the shop
(`read_parts`, `read_repairs`), and last what only the whole can show (`validate`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from faultfinder.errors import ModelFileError
from faultfinder.files import read_some, reading
from faultfinder.model.parts import FaultModel, Kind, Row, Silence, Table, Variable
from faultfinder.model.reading import keys
from faultfinder.model.reading.faults import Faults, TooManyProblems, shown
from faultfinder.model.reading.fields import Fields, good_name
from faultfinder.model.reading.include import MARK, ReadFile, with_included
from faultfinder.model.reading.read_distributions import Family, read_family
from faultfinder.model.reading.read_figures import Figures, read_figures, with_first_of
from faultfinder.model.reading.read_former import check_former
from faultfinder.model.reading.read_parts import (
    read_checks,
    read_kits,
    read_moves,
    read_needs,
    read_phrases,
    read_precautions,
    read_silence,
    read_stages,
    read_start,
    read_stops,
    read_suggestions,
    read_unlisted,
    read_worth,
)
from faultfinder.model.reading.read_repairs import read_proofs, read_repairs, read_retest
from faultfinder.model.reading.read_variables import Head, read_heads
from faultfinder.model.reading.validate import validate
from faultfinder.model.reading.word_lists import with_words_written_out
from faultfinder.model.reading.yaml_nodes import SIZE_LIMIT, Node, Pairs, read_nodes

SCHEMA = 1
"""The version of the file's form that is read."""

VARIABLE_LIMIT = 600
"""Variables above which a model is refused."""

STAGE_LIMIT = 100
"""Teardown stages above which a model is refused: the ways between all pairs are kept."""


def read_model(path: Path) -> FaultModel:
    """Read a model file.

    Raises MisuseError when there is no such file or it cannot be read, and
    ModelFileError with every problem found in it.
    """
    with reading(path, "Name a model file (*.yaml).", "a model file (*.yaml)"):
        content = read_content(path)
    return parse_model(content, str(path))


def read_content(path: Path) -> bytes:
    """A file's content. Raises OSError, or ValueError for a path that cannot be one."""
    # One byte more than allowed is enough to know that it is too long.
    return read_some(path, SIZE_LIMIT + 1)


def parse_model(text: str | bytes, file: str, read_included: ReadFile = read_content) -> FaultModel:
    """Read the content of a model file; `file` is its name in messages.

    Included files are looked up from the folder of `file`, and read by `read_included`.
    Raises ModelFileError with every problem found.
    """
    content = text.encode("utf-8", "surrogatepass") if isinstance(text, str) else bytes(text)
    document = read_nodes(content, file)
    faults = Faults(file, document.problems)
    try:
        if _is_part_file(document.root):
            faults.add(1, "This is a part file.", "Name a model that includes it.")
            raise ModelFileError(faults.problems)
        whole = with_included(document.root, faults, read_included)
        root, used_lists = with_words_written_out(whole.root, faults)
        model = _read_all(root, faults, file) if whole.complete else None
        if whole.complete:
            whole.tell_unused(faults, used_lists)
    except TooManyProblems:
        model = None
    if faults.problems or model is None:
        raise ModelFileError(faults.problems)
    digest = digest_of(content, whole.digests)
    return replace(model, digest=digest, included=whole.digests)


def digest_of(content: bytes, included: Sequence[tuple[str, str]]) -> str:
    """What identifies a model: the SHA-256 of its file, or of that and of what it includes."""
    own = hashlib.sha256(content).hexdigest()
    if not included:
        return own
    lines = [own, *(f"{digest} {path}" for path, digest in included)]
    return hashlib.sha256("\n".join(lines).encode("utf-8", "surrogatepass")).hexdigest()


def _is_part_file(root: Node) -> bool:
    return isinstance(root, Pairs) and MARK in {key.value for key, _ in root.pairs}


def _read_all(node: Node, faults: Faults, file: str) -> FaultModel | None:
    """The model as far as it can be read; None when there is nothing to read."""
    root = Fields(faults, node, 1, "the model file", keys.ROOT)
    if not root.usable:
        return None
    right = f"This program reads version {SCHEMA}: write faultfinder_model: {SCHEMA}."
    root.version("faultfinder_model", SCHEMA, right)
    heads = with_first_of(read_heads(root))
    stages = read_stages(root)
    stage_names = [stage.name for stage in stages]
    for count, limit, what in (
        (len(heads), VARIABLE_LIMIT, "histories, causes, conditions and findings"),
        (len(stages), STAGE_LIMIT, "stages"),
    ):
        if count > limit:
            faults.add(1, f"The model has {count:,} {what}.", f"At most {limit:,} can be read.")
            return None
    figures = read_figures(root, heads)
    silence = read_silence(root, heads)
    variables, unsound = _variables(heads, figures, silence)
    complaint = next((head for head in heads.values() if head.kind is Kind.COMPLAINT), None)
    proofs = read_proofs(root, heads)
    needs = read_needs(root, heads)
    kits = read_kits(root)
    off = next((one.short for one in stages if one.short and not one.powered), "power off")
    checks = read_checks(
        root,
        heads,
        stage_names,
        [need.name for need in needs],
        [kit.name for kit in kits],
        off,
    )
    repairs = read_repairs(root, heads, stage_names, proofs, [check.name for check in checks])
    model = FaultModel(
        name=_read_name(root, file),
        title=root.text("title", "Give the machine family, such as title: Thin clamshell."),
        variables=variables,
        checks=checks,
        stages=stages,
        moves=read_moves(root, stage_names),
        start=read_start(root, stage_names),
        complaint=None if complaint is None else complaint.name,
        about=root.text("about"),
        stop_rules=read_stops(root, heads, [repair.name for repair in repairs]),
        repairs=repairs,
        proofs=proofs,
        retest=read_retest(complaint),
        silence=silence,
        unlisted=read_unlisted(root),
        needs=needs,
        kits=kits,
        precautions=read_precautions(root, heads, checks, [n.name for n in needs]),
        suggestions=read_suggestions(root, heads, off),
        phrases=read_phrases(root, heads),
        worth=read_worth(root),
        declined_above=root.number("declined_above", high=1.0),
        prices=root.text("prices"),
    )
    for entries in (model.variables, model.checks, model.repairs):
        check_former(faults, entries)
    validate(model, faults, unsound, _state_lines(heads))
    return model


def _variables(
    heads: dict[str, Head], figures: Figures, silence: Silence | None
) -> tuple[tuple[Variable, ...], frozenset[str]]:
    """All variables with their distributions, and those that were read with problems."""
    variables: list[Variable] = []
    unsound: set[str] = set()
    for head in heads.values():
        if head.name in figures.tables:
            sound = head.name not in figures.unsound
            family = Family(figures.tables[head.name], sound)
        elif silence is not None and head.name == silence.finding and not head.says_chances:
            # It tells by what was not mentioned; how often it is given tells nothing.
            even = tuple(1.0 / len(head.states) for _ in head.states)
            family = Family(
                Table((), (Row({}, even, None, head.variable.line),)), bool(head.states)
            )
        else:
            family = read_family(head, heads)
        if not family.sound:
            unsound.add(head.name)
        basis = head.variable.basis or figures.bases.get(head.name)
        variables.append(replace(head.variable, distribution=family.distribution, basis=basis))
    return (*variables, *figures.conditions), frozenset(unsound)


def _state_lines(heads: dict[str, Head]) -> dict[tuple[str, str], int]:
    return {
        (head.name, state): line
        for head in heads.values()
        for state, line in head.state_lines.items()
    }


def _read_name(root: Fields, file: str) -> str:
    path = Path(file)
    is_file = path.suffix in (".yaml", ".yml")
    needed = f"Give the name of the file: name: {path.stem if is_file else 'thin_clamshell'}."
    word = root.word("name", needed)
    if word is None or not good_name(root.faults, word, "The model"):
        return ""
    if is_file and word.value != path.stem:
        root.faults.add(
            word.line,
            f"The model is called {shown(word.value)}, and its file {path.name}.",
            f"Both must be the same: write name: {path.stem}, or rename the file.",
        )
    return word.value
