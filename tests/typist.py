"""Somebody at a terminal of 80 x 24: types keys, reads the screen, counts both."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pyte

ROWS, COLUMNS = 24, 80
QUIET = 0.12
"""Seconds without output after which a screen is taken to be drawn."""


class _Screen(pyte.Screen):
    """A screen that counts the lines it lost at its top, and answers where its cursor is."""

    def __init__(self, answer: Any) -> None:
        self.lost = 0
        self._answer = answer
        super().__init__(COLUMNS, ROWS)

    def index(self) -> None:
        if self.cursor.y == self.lines - 1 and any(
            self.buffer[0][x].data.strip() for x in range(80)
        ):
            self.lost += 1
        super().index()

    def write_process_input(self, data: str) -> None:
        self._answer(data.encode())


class Typist:
    """One command at a time in a pseudo-terminal. `keys` counts the keys typed, `screens` the
    screens that were read and `scrolled` those of which lines were lost at the top."""

    def __init__(self, folder: Path, settings: Mapping[str, str]) -> None:
        self._folder = folder
        tree = str(Path(__file__).parents[1])
        self.settings = settings
        self._env = {**os.environ, "PYTHONPATH": tree, **settings, "TERM": "xterm"}
        self.keys = self.screens = self.scrolled = 0
        self.ended = True

    def start(self, *words: str) -> None:
        """Begin a command and wait for its first question, or its end."""
        self._main, side = pty.openpty()
        fcntl.ioctl(side, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self._process = subprocess.Popen(
            [sys.executable, "-m", "faultfinder.cli.main", *words],
            stdin=side, stdout=side, stderr=side, env=self._env, cwd=self._folder,
            start_new_session=True,
        )  # fmt: skip
        os.close(side)
        self._screen = _Screen(lambda data: os.write(self._main, data))
        self._stream = pyte.ByteStream(self._screen)
        self.ended = False
        self._wait()

    @property
    def text(self) -> str:
        """What stands on the screen, with its lines joined to words."""
        return " ".join(" ".join(self._screen.display).split())

    @property
    def lines(self) -> list[str]:
        return [line.rstrip() for line in self._screen.display]

    def lines_with(self, part: str) -> list[str]:
        return [line for line in self.lines if part in line]

    def press(self, keys: str) -> None:
        """Type keys that lead to one other screen."""
        self.keys += len(keys)
        os.write(self._main, keys.encode())
        self._wait()

    def read_on(self) -> str:
        """All that is said from this screen to the next question."""
        seen = self.text
        while self.lines_with("Enter: go on"):
            self.press("\r")
            seen += f" {self.text}"
        return seen

    def stop(self) -> int:
        """Press Ctrl-C and wait for the end; the exit status."""
        os.kill(self._process.pid, signal.SIGINT)
        self._wait()
        return self._process.wait(60)

    def _wait(self, seconds: float = 60.0) -> None:
        """Read until a question stands there, or the command has ended."""
        before, end = self._screen.lost, time.monotonic() + seconds
        came = False
        while time.monotonic() < end:
            if not select.select([self._main], [], [], QUIET)[0]:
                if came and self._asks():
                    break
                continue
            try:
                data = os.read(self._main, 65536)
            except OSError:
                data = b""
            if not data:
                self.ended = True
                self._process.wait(60)
                os.close(self._main)
                break
            came = True
            self._stream.feed(data)
        else:
            raise AssertionError("No question came:\n" + "\n".join(self.lines))
        self.screens += 1
        self.scrolled += self._screen.lost > before

    def _asks(self) -> bool:
        line = self.lines[self._screen.cursor.y]
        return line.endswith(">") or "> " in line or line.startswith("Enter: go on")
