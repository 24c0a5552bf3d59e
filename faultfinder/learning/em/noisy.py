"""Noisy-OR and noisy-MAX learnt as such: each influence's own draw is a hidden variable.

The child is the highest of independent draws z_0 (leak), z_1, ... (one per parent).
Given the parents and the child's state y the draws are known in expectation:

    P(z_i = z, max = y) = c_i(z) [G_i(y) - G_i(y-1)]  for z < y,   c_i(y) G_i(y)  for z = y,

where c_i is the distribution of draw i and G_i the product of the cumulative
distributions of all other draws (from the cumulative form of Diez 1993).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.model.network import Array, Ints


@dataclass(frozen=True, eq=False)
class NoisyTables:
    """One noisy family, whole or as a chain of steps.

    `which[i]` has shape (states of parent i,): the figure group that parent state draws
    from; the number of groups where it has no influence. Group 0 is the leak. `steps`
    are the network's variables of the chain, the child last; with a single one the
    table has all parents, otherwise step i takes in parent i.
    """

    steps: tuple[int, ...]
    which: tuple[Ints, ...]

    @property
    def numbers(self) -> tuple[int, ...]:
        return self.steps

    def tables(self, figures: Array) -> dict[int, Array]:
        draws = _with_none(figures)
        if len(self.steps) == 1:
            return {self.steps[0]: _Whole(draws, self.which).table}
        tables = {self.steps[0]: _Whole(draws, self.which[:1]).table}
        for step, which in zip(self.steps[1:], self.which[1:], strict=True):
            tables[step] = _step_table(draws[which])
        return tables

    def counts(self, figures: Array, joints: Mapping[int, Array]) -> Array:
        draws = _with_none(figures)
        batch = joints[self.steps[0]].shape[-1] if self.steps[0] in joints else 1
        added = np.zeros((len(draws), figures.shape[1], batch))
        if len(self.steps) == 1:
            if self.steps[0] in joints:
                _Whole(draws, self.which).add(joints[self.steps[0]], added)
            return added[:-1]
        if self.steps[0] in joints:
            _Whole(draws, self.which[:1]).add(joints[self.steps[0]], added)
        for step, which in zip(self.steps[1:], self.which[1:], strict=True):
            if step in joints:
                _add_step(draws[which], which, joints[step], added)
        return added[:-1]


def _with_none(figures: Array) -> Array:
    """The figures and, last, the draw of a parent without influence."""
    none = np.zeros((1, figures.shape[1]))
    none[0, 0] = 1.0
    return np.concatenate([figures, none])


class _Whole:
    """All draws of a family over every joint state of its parents."""

    def __init__(self, draws: Array, which: Sequence[Ints]) -> None:
        self.shape = tuple(len(row) for row in which)
        grid = np.indices(self.shape).reshape(len(which), -1)
        cells = int(np.prod(self.shape, dtype=np.int64))
        self.group = [np.zeros(cells, dtype=np.int64)]
        self.group += [row[grid[axis]] for axis, row in enumerate(which)]
        self.draw = [draws[group] for group in self.group]
        self.sums = [_cumulative(draw) for draw in self.draw]
        self.child = np.diff(np.prod(self.sums, axis=0), axis=1, prepend=0.0)
        # A difference of products can fall a rounding error below zero.
        self.child = np.maximum(self.child, 0.0)

    @property
    def table(self) -> Array:
        table: Array = self.child / self.child.sum(axis=1, keepdims=True)
        return np.asarray(table.reshape(*self.shape, table.shape[1]))

    def add(self, joint: Array, added: Array) -> None:
        """Add the expected counts of every draw to `added` (groups, states, batch)."""
        card = self.child.shape[1]
        lower = np.tril(np.ones((card, card)), -1)
        safe = np.where(self.child > 0.0, self.child, 1.0)
        for place, (group, draw) in enumerate(zip(self.group, self.draw, strict=True)):
            others = [s for other, s in enumerate(self.sums) if other != place]
            rest = np.prod(others, axis=0) if others else np.ones_like(self.child)
            rise = np.maximum(np.diff(rest, axis=1, prepend=0.0), 0.0)
            # share[cell, y, z] = P(draw = z | parents, child = y)
            share = draw[:, None, :] * (rise[:, :, None] * lower + rest[:, :, None] * np.eye(card))
            share *= np.where(self.child > 0.0, 1.0 / safe, 0.0)[:, :, None]
            drawn = np.einsum("cyb,cyz->czb", joint, share, optimize=True)
            chosen = (group == np.arange(len(added))[:, None]).astype(np.float64)
            added += (chosen @ drawn.reshape(len(drawn), -1)).reshape(added.shape)


def _cumulative(draw: Array) -> Array:
    sums = np.cumsum(draw, axis=1)
    sums[:, -1] = 1.0
    return np.minimum(sums, 1.0)


def _step_table(draw: Array) -> Array:
    """P(max(before, z) | before, parent): shape (states, parent states, states)."""
    card = draw.shape[1]
    table = np.zeros((card, len(draw), card))
    sums = _cumulative(draw)
    for before in range(card):
        table[before, :, before] = sums[:, before]
        table[before, :, before + 1 :] = draw[:, before + 1 :]
    whole: Array = table / table.sum(axis=2, keepdims=True)
    return whole


def _add_step(draw: Array, which: Ints, joint: Array, added: Array) -> None:
    """Add the draws of one step; `joint` is (before and parent, after, batch)."""
    card = draw.shape[1]
    cells = joint.reshape(card, len(draw), card, -1)
    sums = _cumulative(draw)
    safe = np.where(sums > 0.0, sums, 1.0)
    for before in range(card):
        # It stayed: the draw was at most `before`.
        share = draw[:, : before + 1] / safe[:, before, None]
        stayed = cells[before, :, before, :]
        drawn = np.zeros((len(draw), card, cells.shape[-1]))
        drawn[:, : before + 1] = share[:, :, None] * stayed[:, None, :]
        # It rose: the draw is what it rose to.
        drawn[:, before + 1 :] = cells[before, :, before + 1 :]
        np.add.at(added, which, drawn)
