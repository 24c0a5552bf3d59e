"""From tuned figures to a kept proposal."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import read_kept
from faultfinder.learning.beliefs import learnt_from
from faultfinder.learning.em.estimates import Figure
from faultfinder.learning.em.parameters import read_families
from faultfinder.learning.proposal import check_same, figure_in, propose
from faultfinder.learning.versions import Base, Evidence, Line


def keep_proposal(
    line: Line, base: Base, figures: Sequence[Figure], evidence: Evidence, at: str
) -> tuple[str, tuple[Figure, ...]]:
    """Write figures into the files and keep them as the proposal; without figures the beliefs.

    Returns where it lies, and the figures that moved. Raises FaultfinderError when it came out
    with another structure or other figures.
    """
    everything = figures or [
        Figure(place, base.believed.variables[family.number].states, gives, gives, gives, gives, 0)
        for family in read_families(compile_model(base.believed))
        for place, gives in zip(family.places, map(tuple, family.file.tolist()), strict=True)
    ]
    done = propose(
        base.text,
        base.parts,
        everything,
        at[:10],
        lambda figure: figure_in(base.model, figure.place),
    )
    files = ((base.files[0][0], done.text), *base.files[1:])
    after = read_kept(files)
    check_same(base.model, after, done.changed)
    place = line.propose(
        base, done.text, learnt_from(done.changed, base.model, after), evidence, at
    )
    return place, done.changed
