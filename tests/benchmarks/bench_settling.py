"""Steps to the check that settled a case: today's policy beside that of an earlier commit.

    python tests/benchmarks/bench_settling.py MAPPING [COMMIT]

All cases whose settling check was not known at intake are played in one run: by today's models
and policy, and by those of COMMIT (d5e2a2f) in a git worktree that is thrown away, each on its
own models; MAPPING says what the words stand for in the earlier ones. Facts that a case does
not tell are answered by "could not tell". A play that neither settles nor mends counts as
MOST steps. Intervals are 95 % bootstrap intervals over cases, of medians.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from statistics import median

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from faultfinder.assess.casebook.books import RealCase, read_cases  # noqa: E402
from faultfinder.assess.casebook.playing import MOST, Played, play  # noqa: E402
from faultfinder.assess.intervals import bootstrap  # noqa: E402
from tests.benchmarks import settling_before  # noqa: E402
from tests.benchmarks.bench_cases import judge_of  # noqa: E402
from tests.casebook.baselines import BOOK, read_yaml  # noqa: E402

BEFORE = "d5e2a2f"
Ended = tuple[int, str]
"""(steps, how it ended)."""


def played_before(cases: Sequence[RealCase], mapping: Path, commit: str) -> dict[str, Ended]:
    """Case -> how its play ended under the policy and the models of a commit."""
    ages = {one["id"]: one.get("age_years", "") for one in read_yaml(BOOK / "cases.yaml")}
    told = [
        {
            "id": case.id,
            "build": case.build,
            "age": ages[case.id],
            "intake": case.told("intake"),
            "all": case.told("all"),
            "at_fault": case.at_fault,
            "settled_by": case.settled_by,
        }
        for case in cases
    ]
    with tempfile.TemporaryDirectory() as folder:
        tree, git = Path(folder) / "tree", ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "--quiet", "--detach", str(tree), commit], check=True)
        try:
            own = {"PYTHONPATH": str(tree)}
            own |= {f"XDG_{kind}_HOME": f"{folder}/{kind}" for kind in ("CACHE", "CONFIG", "DATA")}
            kept = {k: v for k, v in os.environ.items() if not k.startswith("FAULTFINDER")}
            done = subprocess.run(
                [sys.executable, settling_before.__file__, str(mapping)],
                input=json.dumps(told),
                stdout=subprocess.PIPE,
                text=True,
                check=True,
                env={**kept, **own},
            )
        finally:
            subprocess.run([*git, "remove", "--force", str(tree)], check=True)
    return {case: (steps, end) for case, (steps, end) in json.loads(done.stdout).items()}


def row(name: str, ended: Sequence[Ended]) -> str:
    """The median and how the plays ended."""
    steps = [count for count, _ in ended]
    low, high = bootstrap(steps, np.median)
    ends = ", ".join(f"{n} {end}" for end, n in Counter(e for _, e in ended).most_common())
    return f"  {name:<12} {median(steps):5g} ({low:g} to {high:g}): {ends}"


def main() -> None:
    mapping = Path(sys.argv[1])
    commit = sys.argv[2] if len(sys.argv) > 2 else BEFORE
    assert settling_before.MOST == MOST, "both count a play that is given up alike"
    now: dict[str, Played] = {}
    cases = []
    for case in read_cases(BOOK / "cases.yaml"):
        one = play(case, judge_of(case.build))
        if one is not None:
            cases.append(case)
            now[case.id] = one
    before = played_before(cases, mapping, commit)
    said = [case.id for case in cases if before[case.id][1] != "cannot be said"]
    for title, ids in (
        ("all cases", [case.id for case in cases]),
        (f"those whose settling check the models of {commit} have", said),
    ):
        print(f"Steps to the settling check, median, {title}: {len(ids)}")
        print(row(commit, [before[i] for i in ids]))
        print(row("now", [(now[i].steps, now[i].end) for i in ids]))
        fewer = [before[i][0] - now[i].steps for i in ids]
        low, high = bootstrap(fewer, np.median)
        mean, (least, most) = float(np.mean(fewer)), bootstrap(fewer)
        print(f"  fewer now, paired: median {median(fewer):g} ({low:g} to {high:g}), ", end="")
        print(f"mean {mean:.1f} ({least:.1f} to {most:.1f}); ", end="")
        print(f"fewer in {sum(d > 0 for d in fewer)}, more in {sum(d < 0 for d in fewer)}")


if __name__ == "__main__":
    main()
