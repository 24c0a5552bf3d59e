"""Repairs, the proofs after them, and the powered look (retest)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.model.parts import Kind, Price, Proof, Repair, Retest, Risk
from faultfinder.model.reading import keys
from faultfinder.model.reading.faults import Faults, figure
from faultfinder.model.reading.fields import (
    Fields,
    described,
    pick,
    picked_states,
    read_number,
)
from faultfinder.model.reading.read_former import read_former
from faultfinder.model.reading.read_variables import Head, default_title, read_basis
from faultfinder.model.reading.yaml_nodes import Node, Pairs, Text


def read_retest(complaint: Head | None) -> Retest | None:
    """The powered look after a repair, from under the complaint."""
    fields = None
    if complaint is not None:
        fields = complaint.fields.inner("retest", keys.RETEST, "the retest")
    if fields is None:
        return None
    minutes = fields.number("minutes", "Give its time: minutes: 3.")
    missed = fields.number(
        "missed", "Give the chance that a fault still there goes unnoticed: missed: 0.03.", 0.0, 1.0
    )
    # A faulty figure is told already; the retest itself is there.
    return Retest(minutes or 0.0, missed or 0.0)


def read_stage(fields: Fields, key: str, stages: Sequence[str], needed: str) -> str | None:
    """The stage that a key names; nothing is said of it where no stage could be read."""
    word = fields.word(key, needed)
    return pick(fields.faults, word, stages, fields.label, "stage") if word and stages else None


def read_proofs(root: Fields, heads: Mapping[str, Head]) -> tuple[Proof, ...]:
    """The tests that prove a repair, in file order."""
    causes = [name for name, head in heads.items() if head.kind is Kind.CAUSE]
    return tuple(
        Proof(
            name,
            title=fields.text("title", "Give it a title."),
            how=fields.texts("how"),
            passes=fields.text("passes", "Say what is seen when it passes: passes: Even light."),
            minutes=fields.number("minutes", "Give its time: minutes: 2.") or 0.0,
            before_cover=fields.yes_no("before_cover", True),
            line=fields.line,
            shares=fields.picked("shares", causes, "cause"),
        )
        for name, fields in root.each("proofs", "proof", keys.PROOF)
    )


def read_repairs(
    root: Fields,
    heads: Mapping[str, Head],
    stages: Sequence[str],
    proofs: Sequence[Proof],
    checks: Sequence[str],
) -> tuple[Repair, ...]:
    """The repairs, in file order; `checks` are the names of all checks."""
    return tuple(
        Repair(
            name=name,
            title=fields.text("title", "Give it a title.") or default_title(name),
            short=fields.text("short"),
            mends=_mends(fields, heads),
            stage=read_stage(fields, "stage", stages, "Name the stage the work is done in.") or "",
            minutes=fields.number("minutes", "Give its own time: minutes: 4.") or 0.0,
            part=_price(fields),
            lead_days=fields.number("lead_days") or 0.0,
            risk=read_risk(fields),
            hand_over=fields.yes_no("hand_over", False),
            tools=fields.texts("tools"),
            how=fields.texts("how"),
            caution=read_caution(fields),
            proof=fields.picked("proof", [proof.name for proof in proofs], "proof"),
            behind=fields.picked("behind", checks, "check"),
            made_by=fields.picked("made_by", checks, "check"),
            basis=read_basis(fields),
            line=fields.line,
            was=read_former(fields),
        )
        for name, fields in root.each("repairs", "repair", keys.REPAIR)
    )


def _mends(fields: Fields, heads: Mapping[str, Head]) -> dict[str, dict[str, float]]:
    causes = [name for name, head in heads.items() if head.kind is Kind.CAUSE]
    mends: dict[str, dict[str, float]] = {}
    needed = "Name what it mends and how surely: mends: {cause: 0.95}."
    for word, node in fields.entries("mends", needed):
        cause = pick(fields.faults, word, causes, f"mends of {fields.label}", "cause")
        label = f"mends of {fields.label}, {word.value}"
        faulty = () if cause is None else heads[cause].states[1:]
        chances = _chances(fields.faults, node, word, label, faulty)
        if cause is not None:
            mends[cause] = chances
    return mends


def _chances(
    faults: Faults, node: Node, word: Text, label: str, faulty: Sequence[str]
) -> dict[str, float]:
    if isinstance(node, Text):
        chance = read_number(faults, node, label, 0.0, 1.0, above=True)
        return {} if chance is None else dict.fromkeys(faulty, chance)
    if not isinstance(node, Pairs) or not node.pairs:
        faults.add(
            word.line,
            f"{label} is {described(node)}.",
            "It must be a number, or {state: number}.",
        )
        return {}
    chances: dict[str, float] = {}
    for key, value in node.pairs:
        chance = read_number(faults, value, f"{label} = {key.value}", 0.0, 1.0, above=True)
        picked_states(faults, [key], faulty, label, "faulty state")
        if chance is not None:
            chances[key.value] = chance
    return chances


def _price(fields: Fields) -> Price:
    inner = fields.inner("part", keys.PRICE)
    return Price() if inner is None else read_range(inner) or Price()


def read_range(fields: Fields) -> Price | None:
    """A price from its three figures, or None with a problem."""
    figures = [fields.number(key, f"Give all three: {key}: 40.") for key in keys.PRICE]
    if any(value is None for value in figures):
        return None
    low, likely, high = (value or 0.0 for value in figures)
    if not low <= likely <= high:
        fields.faults.add(
            fields.line,
            f"{fields.label} goes from {figure(low)} over {figure(likely)} to {figure(high)}.",
            "They must rise, or stay equal: low, likely, high.",
        )
        return None
    return Price(low, likely, high)


TRAINED = "For trained hands."
"""Said with what not everybody may do, wherever its caution is said."""


def read_caution(fields: Fields) -> str:
    """The caution of a check or repair, and that it is for trained hands where it is."""
    said = fields.text("caution")
    return f"{said} {TRAINED}".strip() if fields.pick("hands", ["trained"], "hands") else said


def read_risk(fields: Fields, harm_in_words: bool = True) -> Risk | None:
    """What can go wrong; of a check it need not be said in words."""
    inner = fields.inner("risk", keys.RISK)
    if inner is None:
        return None
    chance = inner.number("chance", "Give the chance of harm: chance: 0.01.", 0.0, 1.0)
    cost = inner.number("cost", "Give what the harm would cost: cost: 60.")
    needed = "Say what can happen: says: The latch can break." if harm_in_words else ""
    says = inner.text("says", needed)
    return None if chance is None or cost is None else Risk(chance, cost, says)
