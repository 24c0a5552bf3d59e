"""The same work for many things, on all cores of the machine."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

FEW = 16
"""Pieces of work for which starting processes does not pay."""

AT_ONCE = 8
"""Pieces handed out together: few, so that no core waits long for another one's last."""

_job: tuple[Callable[[Any], Any], Sequence[Any]] | None = None
"""What is done, and to what: processes that are forked off find it here."""


def on_cores(work: Callable[[T], R], items: Sequence[T]) -> Iterator[R]:
    """`work` of each item, in order. It must leave no trace but its result: where there are
    many items it runs in other processes."""
    global _job
    if not pays(items):
        yield from map(work, items)
        return
    _job, count = (work, items), _cores()
    chunk = max(1, min(AT_ONCE, len(items) // (4 * count)))
    with multiprocessing.get_context("fork").Pool(count, _begin) as pool:
        yield from pool.imap(_piece, range(len(items)), chunk)
    _job = None


def pays(items: Sequence[Any]) -> bool:
    """Whether there are other processes for so many items."""
    return _cores() > 1 and len(items) >= FEW and sys.platform != "win32"


def _begin() -> None:
    # Ctrl-C is for the process that was started; it ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _piece(place: int) -> Any:
    assert _job is not None
    work, items = _job
    return work(items[place])


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
