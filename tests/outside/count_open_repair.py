"""Count records whose note says that there is no picture, by fault type.

    python -m tests.outside.count_open_repair compcat_laptops.csv

The file is the Open Repair Alliance's ("CompCat" quest, 2021; CC BY-SA 4.0) and is not part
of this project. Prints counts only.
"""

from __future__ import annotations

import csv
import re
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import yaml

COUNTS = Path(__file__).with_name("open_repair_counts.yaml")


def load_counts() -> dict[str, Any]:
    """The counts, and the patterns they were counted with."""
    found: dict[str, Any] = yaml.safe_load(COUNTS.read_text(encoding="utf-8"))
    return found


def pattern(kinds: tuple[str, ...]) -> re.Pattern[str]:
    """One pattern out of all languages of the given kinds ("strict", "wide")."""
    patterns = load_counts()["patterns"]
    parts = [one for kind in kinds for some in patterns[kind].values() for one in some]
    return re.compile("|".join(f"(?:{part})" for part in parts), re.IGNORECASE)


def main() -> None:
    with open(sys.argv[1], encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    print(f"records: {len(rows)}")
    for name, kinds in {"strict": ("strict",), "wide": ("strict", "wide")}.items():
        wanted = pattern(kinds)
        found = Counter(row["fault_type"] for row in rows if wanted.search(row["problem"]))
        print(f"{name}: {found.total()}")
        for label, count in found.most_common():
            print(f"  {label}: {count}")


if __name__ == "__main__":
    main()
