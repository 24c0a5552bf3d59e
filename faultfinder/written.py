"""What this process has made to stand, so that nobody is told "nothing was written" when it was.

The last step of a write (a commit, a rename) and the note of it are one: Ctrl-C waits until both
are done. A second Ctrl-C breaks the wait off, and then it is said that nobody knows.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

_STANDS: list[str] = []
UNSURE = "It was stopped while it was being written: look whether it stands."


def stands() -> tuple[str, ...]:
    """Sentences on what was written since `forget`, oldest first."""
    return tuple(_STANDS)


def forget() -> None:
    """A new command begins."""
    _STANDS.clear()


def sum_up(sentence: str) -> None:
    """Let one sentence say all that stands, where it is many entries of one thing."""
    if _STANDS and UNSURE not in _STANDS:
        _STANDS[:] = [sentence]


@contextmanager
def lasting(sentence: str) -> Iterator[None]:
    """For a last step: once it is left without an error, `sentence` is among what `stands`.

    Ctrl-C meanwhile is raised as KeyboardInterrupt at the end.
    """
    pressed = 0

    def wait(_signal: int, _frame: object) -> None:
        nonlocal pressed
        pressed += 1
        if pressed > 1:
            _STANDS.append(UNSURE)
            raise KeyboardInterrupt

    before = signal.getsignal(signal.SIGINT)
    try:
        holding = before is not None and bool(signal.signal(signal.SIGINT, wait) or True)
    except ValueError:
        # Not the main thread, which alone is interrupted.
        holding = False
    try:
        yield
        _STANDS.append(sentence)
    finally:
        if holding:
            signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt
