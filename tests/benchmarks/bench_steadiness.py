"""How often the next step stays when all figures move by what their basis allows.

    python tests/benchmarks/bench_steadiness.py [STATES] [SEED]

For each shipped family so many states are drawn: a machine with the complaint, of which up to five
findings are told. Prints, of ten tries each, in how many the next step is the same and in how many
it is that or another check of its round, as means with the 10th and 90th percentile over states.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.consultation.case import Case  # noqa: E402
from faultfinder.consultation.consult import consult  # noqa: E402
from faultfinder.inference.loading import load_model  # noqa: E402
from faultfinder.model.parts import Kind  # noqa: E402
from tests.drawn_machines import draw_machines  # noqa: E402

FAMILIES = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")


def main() -> None:
    states, seed = (int(word) for word in [*sys.argv[1:], "20", "1"][:2])
    for name in FAMILIES:
        compiled = load_model(ROOT / "models" / f"{name}.yaml")
        rng = np.random.default_rng(seed)
        seen = [
            v.name for kind in (Kind.FINDING, Kind.HISTORY) for v in compiled.model.of_kind(kind)
        ]
        seen = [one for one in seen if one not in {r.finding for r in compiled.model.stop_rules}]
        rows, begun = [], time.process_time()
        for machine in draw_machines(compiled, states, rng):
            told = rng.choice(seen, int(rng.integers(1, 6)), replace=False)
            index, names = compiled.network.index, compiled.network.states
            known = {str(one): names[index[one]][int(machine[index[one]])] for one in told}
            found = consult(Case(compiled, known)).steadiness
            if found is not None and found.draws:
                rows.append((found.same / found.draws, found.near / found.draws))
        took = (time.process_time() - begun) / max(len(rows), 1)
        same, near = np.array(rows).T * 10.0
        print(
            f"{name:17} {len(rows)} states, {took:.1f} s each: same {said(same)}, "
            f"of the round {said(near)} in ten"
        )


def said(tries: np.ndarray) -> str:
    low, high = np.quantile(tries, [0.1, 0.9])
    return f"{tries.mean():.1f} ({low:.0f} to {high:.0f})"


if __name__ == "__main__":
    main()
