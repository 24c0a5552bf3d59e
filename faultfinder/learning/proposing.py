"""From tuned figures to a kept proposal."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.errors import FaultfinderError
from faultfinder.inference.loading import read_kept
from faultfinder.learning.beliefs import bench_learnt, learnt_from
from faultfinder.learning.bench.figures import bench_values, same_values
from faultfinder.learning.bench.learn import BenchLearnt
from faultfinder.learning.bench.written import put_values
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.em.parameters import to_learn
from faultfinder.learning.proposal import check_same, figure_in, propose
from faultfinder.learning.versions import Base, Evidence, Line


def keep_proposal(
    line: Line,
    base: Base,
    figures: Sequence[Figure],
    evidence: Evidence,
    at: str,
    bench: BenchLearnt | None = None,
) -> tuple[str, tuple[Figure, ...]]:
    """Write figures into the files and keep them as the proposal; without figures the beliefs.
    `bench` is what the bench teaches beside.

    Returns where it lies, and the figures that moved. Raises FaultfinderError when it came out
    with another structure or other figures.
    """
    states = [variable.states for variable in base.believed.variables]
    everything = figures or [
        Figure(one.place, states[number], one.gives, one.gives, one.gives, one.gives, 0)
        for number, stated in to_learn(base.believed)
        for one in stated
    ]
    done = propose(
        base.text,
        base.parts,
        everything,
        at[:10],
        lambda figure: figure_in(base.model, figure.place),
    )
    moved = bench.changed if bench is not None else ()
    wanted = {**bench_values(base.believed), **{one.spot: one.after for one in moved}}
    files = put_values(
        ((base.files[0][0], done.text), *base.files[1:]),
        wanted,
        bench_values(base.model),
        {one.spot: one.count for one in moved},
        at[:10],
    )
    after = read_kept(files)
    check_same(base.model, after, done.changed)
    told = bench_values(after)
    for spot, values in wanted.items():
        if not same_values(told[spot], values):
            raise FaultfinderError(
                f"The proposal came out with another figure at {' '.join(spot)}; it was not "
                "written."
            )
    learnt = (*learnt_from(done.changed, base.model, after), *bench_learnt(moved, after))
    return line.propose(base, files, learnt, evidence, at), done.changed
