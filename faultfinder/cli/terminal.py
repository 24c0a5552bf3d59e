"""What reaches the terminal, whatever command prints it: nothing that could steer it."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any

import click

from faultfinder.report.wording import harmless_lines

AGAIN = 0.05
"""Seconds after which a stop that was not seen is told again."""


class _Harmless:
    """A stream that shows control characters as escapes; lines and bold stay."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(harmless_lines(text))
        return len(text)

    def writelines(self, lines: Any) -> None:
        for line in lines:
            self.write(line)

    encoding = "utf-8"
    """Told for any: past one that says ASCII click writes into the buffer beneath. The stream
    beneath escapes what it cannot show."""

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def guarded() -> Iterator[None]:
    """Within it both output streams are harmless."""
    out, err = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = _Harmless(out), _Harmless(err)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = out, err


def raw_output() -> Any:
    """The output stream for what moves the cursor itself; only what is harmless goes there."""
    return sys.stdout._stream if isinstance(sys.stdout, _Harmless) else sys.stdout


def for_bars() -> Any:
    """The error stream for a progress bar, which moves the cursor itself."""
    return sys.stderr._stream if isinstance(sys.stderr, _Harmless) else sys.stderr


def watched() -> bool:
    """Whether somebody sits at a terminal, to read and to answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()


@contextmanager
def progress(label: str, shown: bool = True) -> Iterator[Callable[[float, float], None]]:
    """Tells how much of how much is done: a bar on the error stream, when somebody looks on."""
    if not (shown and sys.stderr.isatty()):
        yield lambda _done, _of: None
        return
    with click.progressbar(length=1000, label=label, file=for_bars()) as bar:
        yield lambda done, of: bar.update(int(1000.0 * done / max(of, 1e-9)) - bar.pos)


def bold_allowed() -> bool:
    """Bold headings only on a terminal that can show them, and never under NO_COLOR."""
    return (
        sys.stdout.isatty()
        and not os.environ.get("NO_COLOR")
        and os.environ.get("TERM", "dumb") != "dumb"
    )


NARROWEST, USUAL, WIDEST = 40, 80, 100
"""Columns of a page: at least, where nobody watches, and at most."""


def columns() -> int:
    """Columns that a page may use."""
    if not sys.stdout.isatty():
        return USUAL
    import shutil

    return min(max(shutil.get_terminal_size((USUAL, 24)).columns, NARROWEST), WIDEST)


def echo_lines(lines: Iterable[str]) -> None:
    """Print a page that may be very long, some of it at a time."""
    rest = iter(lines)
    while some := list(islice(rest, 5000)):
        click.echo("\n".join(some))


def echo_screens(pages: Sequence[str]) -> None:
    """Print a page; at a terminal the next screen waits until this one was read."""
    for number, page in enumerate(pages):
        if number and watched():
            click.prompt("Enter: go on", default="", show_default=False, prompt_suffix=" ")
        click.echo(page)


_pressed = False
_heeding = False


def pressed() -> bool:
    """Whether Ctrl-C was pressed since `heed_stops`."""
    return _pressed


def heed_stops() -> None:
    """Let no Ctrl-C get lost: where Python drops the exception (in what it runs while clearing
    up), it is told again a moment later.
    """

    global _heeding

    def stop(_signal: int, _frame: object) -> None:
        global _pressed
        _pressed = True
        raise KeyboardInterrupt

    def dropped(what: sys.UnraisableHookArgs) -> None:
        if _pressed and issubclass(what.exc_type, KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, AGAIN)
        else:
            sys.__unraisablehook__(what)

    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        # Started in the background: it is not to be stopped so.
        return
    _heeding = True
    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGALRM, lambda *_: signal.raise_signal(signal.SIGINT))
    sys.unraisablehook = dropped


def heed_no_more() -> None:
    """From here on nothing is stopped any more, in a process that heeds stops."""
    if _heeding:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def stoppable() -> Iterator[None]:
    """Within it Ctrl-C stops the wait for a line, whenever it is pressed.

    Python notices a signal between two steps of its own. One that comes after the prompt is
    shown and before the wait for a key begins is noticed at the next key only, which may never
    come; so it is told again until it is seen.
    """
    # Imported only here: most commands ask nothing.
    import socket
    import threading

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    seen, over = threading.Event(), threading.Event()
    reader, writer = socket.socketpair()
    writer.setblocking(False)
    main = threading.get_ident()

    def stop(_signal: int, _frame: object) -> None:
        if not seen.is_set():
            seen.set()
            raise KeyboardInterrupt

    def tell_again() -> None:
        while (told := reader.recv(1)) and told[0] != signal.SIGINT:
            pass
        while told and not seen.wait(AGAIN) and not over.is_set():
            signal.pthread_kill(main, signal.SIGINT)

    before = signal.signal(signal.SIGINT, stop)
    awake = signal.set_wakeup_fd(writer.fileno(), warn_on_full_buffer=False)
    thread = threading.Thread(target=tell_again, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        signal.set_wakeup_fd(awake)
        writer.close()
        thread.join()
        reader.close()
        signal.signal(signal.SIGINT, before)
