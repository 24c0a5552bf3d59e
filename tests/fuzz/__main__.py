"""python -m tests.fuzz TARGET --count N --seed S, or --guided SECONDS with atheris installed.

Each input that breaks something is kept in --keep, named by what it raised.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

SECONDS = 2.0
"""An input that takes longer is a failure."""

PATIENCE = 20
"""Seconds after which an input is broken off."""


class TooLong(BaseException):
    """Raised in an input that does not end."""


@contextmanager
def broken_off_after(seconds: int) -> Iterator[None]:
    def stop(*_: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def failure(run: object, data: bytes) -> tuple[str, float]:
    """What went wrong ("" when nothing did), and the seconds it took."""
    assert callable(run)
    begin = time.perf_counter()
    said = ""
    try:
        with broken_off_after(PATIENCE):
            run(data)
    except TooLong:
        said = f"no end within {PATIENCE} s"
    except Exception as error:
        last = traceback.extract_tb(error.__traceback__)[-1]
        own = [
            one
            for one in traceback.extract_tb(error.__traceback__)
            if "faultfinder/" in one.filename
        ]
        place = own[-1] if own else last
        said = f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}: {error}"[
            :160
        ]
    took = time.perf_counter() - begin
    if not said and took > SECONDS:
        said = f"slow: more than {SECONDS:g} s"
    return said, took


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("target")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after this time")
    parser.add_argument("--guided", type=int, metavar="SECONDS", help="follow coverage (atheris)")
    parser.add_argument("--memory", type=int, default=3000, help="megabytes it may take")
    parser.add_argument("--keep", type=Path, default=None, help="folder for what breaks it")
    given = parser.parse_args()
    if given.guided:
        return guided(given.target, given.guided, given.keep)
    resource.setrlimit(resource.RLIMIT_AS, (given.memory << 20, given.memory << 20))
    from tests.fuzz.mutate import mutated
    from tests.fuzz.targets import TARGETS

    target = TARGETS[given.target]
    seeds = target.seeds()
    for seed in {*seeds}:
        target.run(seed)
    random = Random(given.seed)
    found: Counter[str] = Counter()
    slowest, done, begin = 0.0, 0, time.perf_counter()
    while done < given.count and time.perf_counter() - begin < given.seconds:
        data = mutated(random, seeds, target.binary)
        said, took = failure(target.run, data)
        done += 1
        slowest = max(slowest, took)
        if said:
            found[said] += 1
            if found[said] == 1:
                print(f"FAIL {said}", flush=True)
                if given.keep is not None:
                    given.keep.mkdir(parents=True, exist_ok=True)
                    name = hashlib.sha256(said.encode()).hexdigest()[:10]
                    (given.keep / f"{given.target}-{name}").write_bytes(data)
    seconds = time.perf_counter() - begin
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{given.target}: {done:,} inputs in {seconds:.0f} s ({done / seconds:.0f}/s), slowest "
        f"{slowest:.2f} s, memory at most {megabytes:.0f} MB, failures {sum(found.values())} of "
        f"{len(found)} kinds, seed {given.seed}"
    )
    return 1 if found else 0


def guided(name: str, seconds: int, keep: Path | None) -> int:
    """Let atheris follow coverage; it prints edges (cov) and writes what breaks to a file."""
    import atheris

    with atheris.instrument_imports(include=["faultfinder"]):
        from tests.fuzz.targets import SCRATCH, TARGETS
    target = TARGETS[name]
    corpus = SCRATCH / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(dict.fromkeys(target.seeds())):
        (corpus / str(number)).write_bytes(seed)
    folder = keep or Path.cwd()
    folder.mkdir(parents=True, exist_ok=True)
    words = [
        *(sys.argv[0], str(corpus), f"-max_total_time={seconds}", "-timeout=10", "-max_len=60000"),
        *("-rss_limit_mb=3000", "-print_final_stats=1", f"-artifact_prefix={folder}{os.sep}"),
    ]
    atheris.Setup(words, target.run)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
