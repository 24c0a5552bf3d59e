"""How well a model's checks tell its single faults apart, before any ticket is seen.

Ambiguity groups, which causes no check speaks on, and which check separates the rest, from
the signatures in `single_faults`; how far the one-step policy isolates each cause is in
`isolation`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from faultfinder.assess.isolation import Isolation, isolate
from faultfinder.assess.single_faults import Fault, Signatures, signatures
from faultfinder.decide.shop import Shop
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.network import Array, Ints

TOLERANCE = 0.01
"""Total-variation distance up to which two faults count as treated alike."""


@dataclass(frozen=True)
class Group:
    """Faults that no check tells apart within the tolerance.

    `check` comes nearest to telling two of them apart, at total-variation `distance` ("" when
    every check treats them exactly alike). `question` would do better at the counter, at
    `asked` ("" when none does, or questions were counted already).
    """

    faults: tuple[Fault, ...]
    check: str
    distance: float
    question: str = ""
    asked: float = 0.0

    @property
    def causes(self) -> tuple[str, ...]:
        """The causes in it, each once."""
        return tuple(dict.fromkeys(fault.cause for fault in self.faults))


@dataclass(frozen=True)
class Neighbour:
    """The fault of another cause that is hardest to tell from `fault`.

    `check` does it best, at total-variation `distance`; "" when none does at all.
    """

    fault: Fault
    other: Fault
    check: str
    distance: float


@dataclass(frozen=True)
class Assessment:
    """What `assess` finds.

    `groups` are what no check at the bench tells apart; `groups_asked` what stays together
    when questions for the counter count as well. `neighbours` has one entry per fault,
    `unseen` are faults on which no check at the bench differs from a machine without a fault,
    `silent` faults that alone do not bring the complaint about. `share` is
    P(fault | exactly one fault, complaint). `speaks[check][cause]` is how far the check's
    results with that cause alone (in its most telling state) are from those of a machine
    without a fault, as a total-variation distance; only those above the tolerance.
    """

    tolerance: float
    faults: tuple[Fault, ...]
    share: tuple[float, ...]
    groups: tuple[Group, ...]
    groups_asked: tuple[Group, ...]
    neighbours: tuple[Neighbour, ...]
    pairs: tuple[Neighbour, ...]
    unseen: tuple[Fault, ...]
    silent: tuple[Fault, ...]
    speaks: Mapping[str, Mapping[str, float]]
    isolation: Isolation | None = None

    def isolated_fraction(self, most: int) -> float:
        """The share of single faults that lie in an ambiguity group of at most `most` causes.

        What IEEE 1522 calls the fraction of faults isolated to `most` or fewer, weighed by
        how likely each fault is; the best that any order of the bench's checks can do.
        """
        size = {fault: len(group.causes) for group in self.groups for fault in group.faults}
        return sum(
            share
            for fault, share in zip(self.faults, self.share, strict=True)
            if size.get(fault, 1) <= most
        )


def assess(
    compiled: CompiledModel,
    *,
    tolerance: float = TOLERANCE,
    shop: Shop | None = None,
    tickets: int = 1000,
    isolating: bool = True,
) -> Assessment:
    """Groups, neighbours and unseen faults; with `isolating` how far each cause is isolated.

    `tickets` per cause are simulated where following every result is too much.
    """
    found = signatures(compiled)
    everything = tuple(found.shows)
    aside = tuple(check for check in everything if check in found.questions)
    lifted = {
        check: 0.5 * np.abs(found.shows[check] - found.normal[check][:, None]).sum(axis=0)
        for check in found.bench
    }
    unseen = tuple(
        fault
        for place, fault in enumerate(found.faults)
        if all(distance[place] <= tolerance for distance in lifted.values())
    )
    return Assessment(
        tolerance=tolerance,
        faults=found.faults,
        share=tuple(found.share.tolist()),
        groups=_groups(found, found.bench, aside, tolerance),
        groups_asked=_groups(found, everything, (), tolerance),
        neighbours=_neighbours(found),
        pairs=_pairs(found),
        unseen=unseen,
        silent=found.silent,
        speaks={check: _by_cause(found, far, tolerance) for check, far in lifted.items()},
        isolation=isolate(compiled, shop or Shop(), tickets) if isolating else None,
    )


def _by_cause(found: Signatures, distances: Array, tolerance: float) -> dict[str, float]:
    """The largest distance of each cause's faults, where above the tolerance, largest first."""
    best: dict[str, float] = {}
    for fault, distance in zip(found.faults, distances.tolist(), strict=True):
        if distance > max(tolerance, best.get(fault.cause, 0.0)):
            best[fault.cause] = distance
    return dict(sorted(best.items(), key=lambda item: -item[1]))


def _groups(
    found: Signatures, checks: Sequence[str], aside: Sequence[str], tolerance: float
) -> tuple[Group, ...]:
    """Groups of two and more faults, in the order of the model."""
    far, which = found.farthest(checks)
    asked, question = found.farthest(aside)
    groups = []
    for members in partition(far, tolerance):
        if len(members) < 2:
            continue
        inside = np.ix_(members, members)
        place, said = _largest(far[inside], which[inside])
        counter, best = _largest(asked[inside], question[inside])
        better = counter >= 0 and best > max(said, tolerance)
        groups.append(
            Group(
                tuple(found.faults[m] for m in members),
                checks[place] if place >= 0 else "",
                said,
                aside[counter] if better else "",
                best if better else 0.0,
            )
        )
    return tuple(groups)


def _largest(distances: Array, places: Ints) -> tuple[int, float]:
    at = np.unravel_index(int(distances.argmax()), distances.shape)
    return int(places[at]), float(distances[at])


def partition(distances: Array, tolerance: float) -> list[list[int]]:
    """Split 0..n-1 so that no two in a part are farther apart than `tolerance`.

    Complete linkage: the nearest parts are joined first, while their farthest members stay
    within the tolerance (nearness is not transitive, so that chains must not grow).
    """
    parts = [[number] for number in range(len(distances))]
    while len(parts) > 1:
        best = (np.inf, 0, 0)
        for first in range(len(parts)):
            for second in range(first + 1, len(parts)):
                far = float(distances[np.ix_(parts[first], parts[second])].max())
                if far < best[0]:
                    best = (far, first, second)
        if best[0] > tolerance:
            break
        parts[best[1]] = sorted(parts[best[1]] + parts[best[2]])
        del parts[best[2]]
    return parts


def _pairs(found: Signatures) -> tuple[Neighbour, ...]:
    far, which = found.farthest(found.bench)
    return tuple(
        _between(found, first, second, int(which[first, second]), float(far[first, second]))
        for first in range(len(found.faults))
        for second in range(first + 1, len(found.faults))
        if found.faults[first].cause != found.faults[second].cause
    )


def _between(found: Signatures, first: int, second: int, check: int, distance: float) -> Neighbour:
    name = found.bench[check] if check >= 0 else ""
    return Neighbour(found.faults[first], found.faults[second], name, distance)


def _neighbours(found: Signatures) -> tuple[Neighbour, ...]:
    far, which = found.farthest(found.bench)
    neighbours = []
    for place, fault in enumerate(found.faults):
        others = [i for i, other in enumerate(found.faults) if other.cause != fault.cause]
        if others:
            near = min(others, key=lambda i: (float(far[place, i]), i))
            neighbours.append(
                _between(found, place, near, int(which[place, near]), float(far[place, near]))
            )
    return tuple(neighbours)
