"""How a conversation is shown and read: plain lines, or one screen a question and single keys.

prompt-toolkit is imported here and nowhere else, when a terminal can show it.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Protocol

import click

from faultfinder.cli.searching import offered
from faultfinder.cli.terminal import raw_output, watched
from faultfinder.model.parts import FaultModel
from faultfinder.report.wording import harmless_lines, wrapped

KEYS = {
    "?": "unknown",
    "<": "back",
    ">": "skip",
    "!": "why",
    "+": "how",
    ".": "done",
    "*": "keep",
    "=": "cured",
}
"""Signs that stand for a word while nothing else is typed."""

LABELS = {
    "?": "could not tell",
    "<": "back",
    ">": "skip for now",
    "!": "why?",
    "+": "how?",
    ".": "end",
    "*": "keep as a ticket",
    "=": "picture is back",
}
ALWAYS = "?<>!+."

GO_ON = "Enter: go on "
MENU = 6
"""Lines of what a search offers."""


class Screen(Protocol):
    """Where a conversation takes place."""

    keyed: bool
    """Whether the keys stand on the last line all the time."""

    def say(self, *pieces: str) -> None:
        """Tell something, before the next question. A screen may end between two pieces."""

    def show(self, *pieces: str) -> None:
        """Put the question that is read an answer to, until the next one; the last piece is
        what is asked."""

    def read(self, prompt: str, choices: int = 0, keys: str = "") -> str:
        """What was typed. `choices` numbers are answers; `keys` are signs of KEYS that may be
        pressed. Raises EOFError and KeyboardInterrupt."""

    def end(self, *pieces: str) -> None:
        """The last words, which stay on the screen."""

    def look_in(self, model: FaultModel) -> None:
        """Let words be searched for in this model from now on."""


class Lines:
    """Plain questions and answers, one after the other."""

    keyed = False

    def __init__(self, read: Callable[[str], str], say: Callable[[str], None]) -> None:
        self._read, self._say = read, say

    def say(self, *pieces: str) -> None:
        for piece in pieces:
            self._say(piece)

    def show(self, *pieces: str) -> None:
        self.say("\n".join(pieces))

    def read(self, prompt: str, choices: int = 0, keys: str = "") -> str:
        typed = self._read(prompt).strip()
        return KEYS[typed] if typed in KEYS and typed in keys else typed

    def end(self, *pieces: str) -> None:
        self.say("\n".join(pieces))

    def look_in(self, model: FaultModel) -> None:
        """Lines are searched when they are complete, by whoever reads them."""


def key_line(keys: str) -> str:
    """The keys as one line of at most 80 columns."""
    return "  ".join(f"{key} {LABELS[key]}" for key in keys)


def screen_for(model: FaultModel | None) -> Screen:
    """The screen of this terminal; `model` is what a search looks in. Plain lines where there is
    no terminal, or one that cannot move its cursor."""
    if not watched() or os.environ.get("TERM", "dumb") in ("", "dumb"):
        return Lines(_read_line, click.echo)
    return Keys(model)


def _read_line(prompt: str) -> str:
    if hasattr(sys.stdin, "reconfigure"):
        # A pipe takes it before its first line only.
        with contextlib.suppress(io.UnsupportedOperation):
            sys.stdin.reconfigure(errors="backslashreplace")
    return input(prompt)


class Keys:
    """One screen a question; a number is an answer by itself, other words are searched for."""

    keyed = True

    def __init__(self, model: FaultModel | None) -> None:
        from prompt_toolkit.output.defaults import create_output

        self.model = model
        self._said: list[str] = []
        self._question: tuple[str, ...] = ()
        self._output = create_output(stdout=raw_output())

    def say(self, *pieces: str) -> None:
        self._said += pieces

    def show(self, *pieces: str) -> None:
        self._question = pieces

    def read(self, prompt: str, choices: int = 0, keys: str = "") -> str:
        # The prompt takes a line, and so do the keys.
        room = shutil.get_terminal_size((80, 24)).lines - 2
        lines = self._last_screen(self._question, room)
        # Asked again, after a slip, only the screen with the question comes again.
        columns = shutil.get_terminal_size((80, 24)).columns
        self._question = ("\n".join(_packed(_folded(self._question, columns), room)[-1]),)
        self._fresh(lines)
        typed: str = self._prompt(prompt, choices, keys, max(0, min(MENU, room - len(lines))))
        return typed.strip()

    def end(self, *pieces: str) -> None:
        room = shutil.get_terminal_size((80, 24)).lines - 1
        self._fresh(self._last_screen(pieces, room))

    def _last_screen(self, pieces: Sequence[str], room: int) -> list[str]:
        """What the last of the screens holds; those before it are shown and read."""
        columns = shutil.get_terminal_size((80, 24)).columns
        said, self._said = self._said, []
        pages = _packed(_folded([*said, *pieces], columns), room)
        for page in pages[:-1]:
            self._fresh(page)
            self._prompt(GO_ON, 0, "", 0)
        return pages[-1]

    def look_in(self, model: FaultModel) -> None:
        self.model = model

    def _fresh(self, lines: Sequence[str]) -> None:
        self._output.erase_screen()
        self._output.cursor_goto(0, 0)
        self._output.flush()
        if lines:
            click.echo(harmless_lines("\n".join(lines)))

    def _prompt(self, prompt: str, choices: int, keys: str, menu: int) -> Any:
        from prompt_toolkit import PromptSession
        from prompt_toolkit.completion import Completer, Completion
        from prompt_toolkit.filters import Condition
        from prompt_toolkit.formatted_text import StyleAndTextTuples
        from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent

        model = self.model if keys else None

        class Found(Completer):
            def get_completions(self, document: Any, _event: Any) -> Iterable[Completion]:
                begun = document.text
                if model is not None and "=" not in begun:
                    for hit in offered(model, begun)[:MENU]:
                        yield Completion(hit.name, -len(begun), hit.title, hit.kind)

        bindings = KeyBindings()
        session: PromptSession[str] = PromptSession(output=self._output)
        empty = Condition(lambda: not session.default_buffer.text)
        begun = Condition(
            lambda: (
                choices > 9
                and session.default_buffer.text.isdecimal()
                and len(session.default_buffer.text) == 1
            )
        )

        for key in keys:
            bindings.add(key, filter=empty)(
                lambda event, word=KEYS[key]: event.app.exit(result=word)
            )

        def number(event: KeyPressEvent) -> None:
            digit = int(event.data)
            if digit and digit <= choices < digit * 10:
                event.app.exit(result=event.data)
            else:
                event.current_buffer.insert_text(event.data)

        def second(event: KeyPressEvent) -> None:
            event.app.exit(result=session.default_buffer.text + event.data)

        if prompt == GO_ON:
            # A key meant for the question that comes must not wait here unseen.
            bindings.add(" ")(lambda event: event.app.exit(result=""))
            bindings.add("<any>")(lambda _event: None)
        for digit in "0123456789" if choices else "":
            bindings.add(digit, filter=empty)(number)
            bindings.add(digit, filter=begun)(second)
        line: StyleAndTextTuples = []
        for key in keys:
            line += [("reverse", key), ("", f" {LABELS[key]} ")]

        def bar() -> StyleAndTextTuples:
            if begun():
                return [("", f"Enter for {session.default_buffer.text}, or its second digit")]
            return line

        return session.prompt(
            prompt,
            completer=Found() if menu and model is not None else None,
            complete_while_typing=True,
            reserve_space_for_menu=menu if model is not None else 0,
            key_bindings=bindings,
            bottom_toolbar=bar if keys else None,
            style=_plain_bar(),
        )


def _folded(pieces: Iterable[str], columns: int) -> list[list[str]]:
    """Pieces as lines that no terminal of so many columns folds by itself."""
    return [
        [
            short
            for line in piece.split("\n")
            for short in (
                wrapped(line, width=columns)
                if len(line) > columns and "\x1b" not in line
                else [line]
            )
        ]
        for piece in pieces
    ]


def _packed(pieces: Sequence[list[str]], room: int) -> list[list[str]]:
    """Pieces on as few screens of `room` lines as can be; one that is longer by itself is cut."""
    pages: list[list[str]] = [[]]
    for piece in pieces:
        if pages[-1] and len(pages[-1]) + len(piece) > room:
            pages.append([])
        while len(piece) > room:
            pages[-1], piece = piece[:room], piece[room:]
            pages.append([])
        pages[-1] += piece
    return pages


def _plain_bar() -> Any:
    from prompt_toolkit.styles import Style

    return Style.from_dict({"bottom-toolbar": "noreverse"})
