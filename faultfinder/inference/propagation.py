"""Two passes over a junction tree, for many evidence sets at once.

Collect and distribute as in Jensen, Lauritzen & Olesen (1990). Every table
carries a last axis for the batch, so that 100 evidence sets cost one pass over
larger arrays and not 100 passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache

import numpy as np

from faultfinder.frozen import frozen
from faultfinder.inference.firsts import (
    Factor,
    factors_of_first,
    first_in,
    marginal_of_first,
)
from faultfinder.inference.tree import JunctionTree
from faultfinder.model.network import Array

_LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
"""Names of axes for `einsum`."""


@frozen
class Calibrated:
    """Beliefs of every clique: normalised tables with a last batch axis.

    `log_evidence` is the natural log of the evidence probability, shape (batch,);
    minus infinity where the evidence is impossible (the beliefs there are zeros).
    """

    tree: JunctionTree
    tables: tuple[Array, ...]
    log_evidence: Array

    @cached_property
    def others(self) -> dict[tuple[int, ...], Array]:
        """P(scope | evidence) of scopes that no clique holds, where they were worked out."""
        return {}

    def marginal(self, scope: Sequence[int]) -> Array:
        """P(scope | evidence), axes in the given order, then the batch axis.

        Raises KeyError when no clique holds the whole scope.
        """
        home = self.tree.home(scope)
        if home is None:
            raise KeyError(f"no clique holds {scope}")
        if any(twig.number in scope for twig in self.tree.twigs):
            return self._beside_twigs(scope)
        first = first_in(scope, self.tree.firsts)
        if first is not None:
            return marginal_of_first(scope, first, self.tree.firsts[first], self.marginal)
        clique = self.tree.cliques[home]
        wanted = set(scope)
        away = tuple(axis for axis, v in enumerate(clique) if v not in wanted)
        table: Array = self.tables[home]
        if away:
            table = _summed(table, away)
        kept = [v for v in clique if v in wanted]
        if kept == list(scope):
            return table
        return table.transpose([kept.index(v) for v in scope] + [len(kept)])

    def _beside_twigs(self, scope: Sequence[int]) -> Array:
        """The same with twigs in the scope: each times what its first says of it."""
        axes = list(self.tree.without_twigs(scope))
        table: Array = self.marginal(axes)
        for place, twig in enumerate(self.tree.twigs, start=len(self.tree.cliques)):
            if twig.number in scope:
                given = self.tables[place]
                view = [1] * len(axes) + [twig.shape[1], given.shape[-1]]
                view[axes.index(twig.first)] = twig.shape[0]
                table = table[..., None, :] * given.reshape(view)
                axes.append(twig.number)
        table = table.sum(axis=tuple(axis for axis, v in enumerate(axes) if v not in scope))
        kept = [v for v in axes if v in scope]
        return table.transpose([kept.index(v) for v in scope] + [len(kept)])


def multiply_in(
    tree: JunctionTree, tables: list[Array], factors: Sequence[Factor], scale: bool = True
) -> Array:
    """Multiply each factor into its home clique, in place of the list's entries.

    Returns the natural log of what was scaled out, shape (batch,) or (1,): with `scale`
    every factor by its largest value, and a clique's product now and then, so that
    hundreds of findings on one cause do not underflow.
    """
    scaled = np.zeros(1)
    taken: dict[int, int] = {}
    if tree.firsts:
        factors, scaled = _written_out(tree, factors, scale)
    for scope, values in factors:
        home = tree.home(scope)
        assert home is not None, f"no clique holds {scope}"
        members = set(scope)
        log = np.zeros(1)
        if scale:
            values, log = _scaled(values)
        view = (*(n if v in members else 1 for v, n in _axes(tree, home)), values.shape[-1])
        tables[home] = tables[home] * values.reshape(view)
        scaled = scaled + log
        taken[home] = taken.get(home, 0) + 1
        if scale and taken[home] % 16 == 0:
            tables[home], log = _scaled(tables[home])
            scaled = scaled + log
    return scaled


def _on_twigs(
    tree: JunctionTree, tables: list[Array], factors: Sequence[Factor], scale: bool = True
) -> tuple[list[Factor], list[int], Array]:
    """Multiply the factors on twigs into their tables, in place of the list's entries.

    Returns the other factors, the places of the tables that have changed, and the log of what
    was scaled out.
    """
    places = {twig.number: place for place, twig in enumerate(tree.twigs, len(tree.cliques))}
    plain: list[Factor] = []
    changed: dict[int, None] = {}
    scaled = np.zeros(1)
    for scope, values in factors:
        number = next((v for v in scope if v in places), None)
        if number is None:
            plain.append((scope, values))
            continue
        place = places[number]
        twig = tree.twigs[place - len(tree.cliques)]
        assert {number, twig.first}.issuperset(scope), "a twig hangs on its first alone"
        if scale:
            values, log = _scaled(values)
            scaled = scaled + log
        if scope == (number, twig.first):
            values = values.swapaxes(0, 1)
        tables[place] = tables[place] * (values if len(scope) == 2 else values[None])
        changed[place] = None
    return plain, list(changed), scaled


def _take_in(tree: JunctionTree, tables: list[Array], factors: Sequence[Factor]) -> Array:
    """Multiply evidence into the tables; returns the log of what was scaled out.

    The tables of twigs become P(twig | first, evidence), and what is known of them a factor
    over their first.
    """
    if not tree.twigs:
        return multiply_in(tree, tables, factors)
    plain, changed, scaled = _on_twigs(tree, tables, factors)
    for place in changed:
        message = tables[place].sum(axis=1)
        tables[place] = tables[place] / np.where(message > 0.0, message, 1.0)[:, None]
        plain.append(((tree.twigs[place - len(tree.cliques)].first,), message))
    return scaled + multiply_in(tree, tables, plain)


def _written_out(
    tree: JunctionTree, factors: Sequence[Factor], scale: bool
) -> tuple[list[Factor], Array]:
    """The factors with those over a first of others written out, all of one scope at once."""
    plain: list[Factor] = []
    joined: dict[tuple[int, ...], Array] = {}
    scaled = np.zeros(1)
    for scope, values in factors:
        if first_in(scope, tree.firsts) is None:
            plain.append((scope, values))
            continue
        if scope in joined:
            values = joined[scope] * values
        if scale:
            values, log = _scaled(values)
            scaled = scaled + log
        joined[scope] = values
    for scope, values in joined.items():
        plain += factors_of_first((scope, values), tree.firsts, tree.cards)
    return plain, scaled


def _scaled(values: Array) -> tuple[Array, Array]:
    """Values divided by their largest, and its log, per batch column; zeros stay zeros."""
    peak = values.reshape(-1, values.shape[-1]).max(axis=0)
    safe = np.where(peak > 0.0, peak, 1.0)
    return values / safe, np.log(safe)


def _axes(tree: JunctionTree, number: int) -> list[tuple[int, int]]:
    return list(zip(tree.cliques[number], tree.shapes[number], strict=True))


def initial_tables(tree: JunctionTree, factors: Sequence[Factor]) -> tuple[Array, ...]:
    """Product of all factors, clique by clique, with a batch axis of one."""
    shapes = (*tree.shapes, *(twig.shape for twig in tree.twigs))
    tables: list[Array] = [np.ones((*shape, 1)) for shape in shapes]
    factors, _, _ = _on_twigs(tree, tables, factors, scale=False)
    # Families sum to one over their child, so that a clique's product keeps its size.
    multiply_in(tree, tables, factors, scale=False)
    return tuple(tables)


def _summed(table: Array, away: tuple[int, ...]) -> Array:
    """The table with some axes summed out: in half the time of `np.add.reduce`, which is slow
    where axes are short."""
    if table.ndim > len(_LETTERS):
        return np.asarray(np.add.reduce(table, axis=away))
    summed: Array = np.einsum(_subscripts(table.ndim, away), table)
    return summed


@lru_cache(maxsize=4096)
def _subscripts(axes: int, away: tuple[int, ...]) -> str:
    kept = (letter for axis, letter in enumerate(_LETTERS[:axes]) if axis not in away)
    return f"{_LETTERS[:axes]}->{''.join(kept)}"


def collect(tree: JunctionTree, tables: list[Array]) -> tuple[list[Array], Array]:
    """Pass messages to the root, in place; returns the messages and log evidence.

    Each message is scaled to sum to one, so that hundreds of findings do not
    underflow; the scales add up in the log evidence, shape (batch,).
    """
    batch = max(table.shape[-1] for table in tables)
    log_evidence = np.zeros(batch)
    messages: list[Array] = []
    for edge in tree.edges:
        message = tables[edge.child]
        if edge.sum_child:
            message = _summed(message, edge.sum_child)
        total = message.reshape(-1, message.shape[-1]).sum(axis=0)
        if total.min() > 0.0:
            message = message / total
            log_evidence += np.log(total)
        else:
            message, log_evidence = _scale_with_zeros(message, total, log_evidence)
        messages.append(message)
        tables[edge.parent] = tables[edge.parent] * message.reshape(edge.view_parent)
    top = tables[tree.root]
    total = top.reshape(-1, top.shape[-1]).sum(axis=0)
    top, log_evidence = _scale_with_zeros(top, total, log_evidence)
    tables[tree.root] = top
    return messages, log_evidence


def _scale_with_zeros(message: Array, total: Array, log_evidence: Array) -> tuple[Array, Array]:
    possible = total > 0.0
    safe = np.where(possible, total, 1.0)
    return message / safe, log_evidence + np.where(possible, np.log(safe), -np.inf)


def calibrate(tree: JunctionTree, start: Sequence[Array], factors: Sequence[Factor]) -> Calibrated:
    """Beliefs of all cliques after multiplying `factors` into the `start` tables."""
    tables = list(start)
    scaled = _take_in(tree, tables, factors)
    messages, log_evidence = collect(tree, tables)
    log_evidence = log_evidence + scaled
    for edge, message in zip(reversed(tree.edges), reversed(messages), strict=True):
        above = tables[edge.parent]
        if edge.sum_parent:
            above = _summed(above, edge.sum_parent)
        # 0/0 is 0: what the child holds impossible stays impossible.
        ratio = np.divide(above, message, out=np.zeros_like(above), where=message > 0.0)
        child = tables[edge.child] * ratio.reshape(edge.view_child)
        total = child.reshape(-1, child.shape[-1]).sum(axis=0)
        child /= np.where(total > 0.0, total, 1.0)
        tables[edge.child] = child
    return Calibrated(tree, tuple(tables), log_evidence)


def evidence_probability(
    tree: JunctionTree, start: Sequence[Array], factors: Sequence[Factor]
) -> Array:
    """Natural log of P(evidence), shape (batch,); one pass only."""
    tables = list(start)
    scaled = _take_in(tree, tables, factors)
    return collect(tree, tables)[1] + scaled
