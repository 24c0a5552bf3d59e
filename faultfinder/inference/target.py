"""What a diagnosis wants to know: the target of the information gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.frozen import frozen
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.separation import determined
from faultfinder.model.parts import Dense, Kind, Variable

SUM_OF_SINGLE_CAUSES = "sum-of-single-causes"
ALL_CAUSES = "causes"

TargetSpec = str | Sequence[str] | Sequence[Sequence[str]]


@frozen
class Target:
    """Variables whose joint state is to be told, in a (possibly extended) model.

    `variables` are numbers in `compiled.network`. With `summed`, the gain is the
    sum over the single variables instead, which counts shared information more
    than once and can exceed the joint gain.
    """

    compiled: CompiledModel
    variables: tuple[int, ...]
    closed: frozenset[int]
    title: str
    summed: bool = False


def resolve_target(compiled: CompiledModel, spec: TargetSpec) -> Target:
    """Turn what was asked for into a target.

    `spec` is "causes" (the joint state of all causes), "sum-of-single-causes", a
    sequence of cause names (their joint state), or a sequence of sequences: a
    partition whose blocks are told apart only by whether any cause in them is
    present (IEEE 1522 calls what need not be told apart an ambiguity group).
    Raises MisuseError for a name that is no cause, or one named twice.
    """
    if isinstance(spec, str):
        if spec in (ALL_CAUSES, SUM_OF_SINGLE_CAUSES):
            summed = spec == SUM_OF_SINGLE_CAUSES
            title = "sum of single-cause gains" if summed else "joint state of all causes"
            return Target(compiled, compiled.causes, compiled.closed_causes, title, summed)
        spec = [spec]
    blocks = [(item,) if isinstance(item, str) else tuple(item) for item in spec]
    named = [name for block in blocks for name in block]
    known = [variable.name for variable in compiled.model.of_kind(Kind.CAUSE)]
    for name in named:
        if name not in known:
            raise MisuseError(f'There is no cause "{name}". {did_you_mean(name, known)}')
    if len(set(named)) != len(named) or not all(blocks) or not blocks:
        raise MisuseError("A target names each of its causes once, and at least one cause.")
    if all(isinstance(item, str) for item in spec):
        variables = tuple(compiled.network.index[name] for name in named)
        title = "joint state of " + ", ".join(named)
        return Target(compiled, variables, determined(compiled.network, variables), title)
    return _partition(compiled, tuple(blocks))


@lru_cache(maxsize=16)
def _partition(compiled: CompiledModel, blocks: tuple[tuple[str, ...], ...]) -> Target:
    extended, names = with_blocks(compiled, blocks)
    variables = tuple(extended.network.index[name] for name in names)
    title = "which of " + "; ".join(" or ".join(block) for block in blocks)
    return Target(extended, variables, determined(extended.network, variables), title)


def with_blocks(
    compiled: CompiledModel, blocks: Sequence[Sequence[str]]
) -> tuple[CompiledModel, tuple[str, ...]]:
    """The model with one more variable per block: whether any cause in it is present.

    Returns the compiled model and the names of the new variables, block by block.
    """
    model = compiled.model
    more: list[Variable] = []
    tops: list[str] = []
    for number, block in enumerate(blocks):
        below: str | None = None
        for place, cause in enumerate(block):
            states = model.by_name[cause].states
            present = [float(state in model.faulty_states(cause)) for state in states]
            parents: tuple[str, ...]
            if below is None:
                parents, table = (cause,), np.array([[1 - p, p] for p in present])
            else:
                parents = (below, cause)
                table = np.array([[[1 - p, p] for p in present], [[0.0, 1.0] for _ in present]])
            below = f"~block{number}~{place}"
            more.append(
                Variable(below, Kind.CONDITION, below, ("no", "yes"), Dense(parents, table))
            )
        assert below is not None
        tops.append(below)
    extended = replace(model, variables=(*model.variables, *more))
    return compile_model(extended), tuple(tops)
