"""The command `faultfinder`: its subcommands, and the one place where refusals become words.

Whatever is refused ends as one sentence on standard error and an exit status: 2 for
misuse, 1 for a refused operation.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, NoReturn

import click

from faultfinder.cli.terminal import guarded, heed_no_more, heed_stops, pressed
from faultfinder.errors import FaultfinderError, ModelFileError
from faultfinder.report.wording import harmless, wrapped
from faultfinder.written import forget, stands

COMMANDS = {
    "next": "faultfinder.cli.next_command:next_command",
    "ask": "faultfinder.cli.ask_command:ask_command",
    "how": "faultfinder.cli.how_command:how_command",
    "intake": "faultfinder.cli.ticket_commands:intake",
    "person": "faultfinder.cli.ticket_commands:person",
    "found": "faultfinder.cli.ticket_commands:found",
    "tried": "faultfinder.cli.ticket_commands:tried",
    "repaired": "faultfinder.cli.repair_commands:repaired",
    "proved": "faultfinder.cli.repair_commands:proved",
    "ordered": "faultfinder.cli.repair_commands:ordered",
    "arrived": "faultfinder.cli.repair_commands:arrived",
    "hold": "faultfinder.cli.repair_commands:hold",
    "resume": "faultfinder.cli.repair_commands:resume",
    "note": "faultfinder.cli.ticket_commands:note",
    "takeback": "faultfinder.cli.ticket_commands:takeback",
    "close": "faultfinder.cli.repair_commands:close",
    "ticket": "faultfinder.cli.list_commands:show",
    "tickets": "faultfinder.cli.list_commands:listing",
    "triage": "faultfinder.cli.list_commands:triage",
    "sheet": "faultfinder.cli.list_commands:sheet",
    "slip": "faultfinder.cli.list_commands:slip",
    "erase": "faultfinder.cli.repair_commands:erase",
    "remodel": "faultfinder.cli.ticket_commands:remodel",
    "tune": "faultfinder.cli.learning_commands:tune",
    "replay": "faultfinder.cli.replay_command:replay",
    "review": "faultfinder.cli.lead_command:lead",
    "doubts": "faultfinder.cli.doubt_command:doubts",
    "adopt": "faultfinder.cli.learning_commands:adopt",
    "rollback": "faultfinder.cli.learning_commands:rollback",
    "export": "faultfinder.cli.exchange_commands:hand_out",
    "import": "faultfinder.cli.exchange_commands:bring_in",
    "store": "faultfinder.cli.store_commands:store_group",
    "plan": "faultfinder.cli.plan_command:plan_command",
    "prove": "faultfinder.cli.prove_command:prove_command",
    "model": "faultfinder.cli.model_command:model_group",
}
"""Where each subcommand lives; it is imported only when it is used."""


class LazyGroup(click.Group):
    """A group that imports a subcommand when it is asked for, and words every refusal."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        home = COMMANDS.get(cmd_name)
        if home is None:
            return None
        module, _, name = home.partition(":")
        command = getattr(import_module(module), name)
        assert isinstance(command, click.Command)
        return command

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> NoReturn:
        """Run a command; its end is a status, and every refusal a sentence."""
        if os.environ.get("_FAULTFINDER_COMPLETE"):
            from faultfinder.cli.completing import register

            register()
        forget()
        with guarded():
            status = self._run(args, prog_name, complete_var, extra)
        sys.exit(status)

    def _run(
        self, args: Sequence[str] | None, name: str | None, complete: str | None, extra: Any
    ) -> int:
        try:
            status = super().main(args, name, complete, standalone_mode=False, **extra)
            # A full disk or a closed pipe shows only here.
            sys.stdout.flush()
            return status if isinstance(status, int) else 0
        except FaultfinderError as error:
            return _refuse([*_sentences(error), *stands()], error.exit_status)
        except click.ClickException as error:
            return _refuse([*_usage(error), *stands()], error.exit_code)
        except (click.Abort, KeyboardInterrupt, EOFError):
            return _refuse(stopped(), 2)
        except BrokenPipeError:
            return _give_up_output(_refuse(list(stands()), 1))
        except SystemExit as ended:
            # A closed pipe, which click has met itself.
            status = ended.code if isinstance(ended.code, int) else 1
            return _refuse(list(stands()), status) if status else 0
        except OSError as error:
            said = f"The system refused: {error.strerror or error}."
            return _give_up_output(_refuse([said, *stands()], 1))
        except Exception:
            # A library may have made something else of it.
            if not pressed():
                raise
            return _refuse(stopped(), 2)


def stopped() -> list[str]:
    """What is told to somebody who stopped a command: what stands, or that nothing does."""
    return ["Stopped.", *stands()] if stands() else ["Stopped. Nothing was written."]


def _refuse(sentences: list[str], status: int) -> int:
    """Tell them, come what may: from here on nothing is stopped any more."""
    heed_no_more()
    if sys.stderr.isatty():
        import shutil  # it brings compression along, which nobody needs where all goes well

        # A terminal would break the lines within words.
        width = shutil.get_terminal_size().columns
        sentences = [line for one in sentences for line in wrapped(harmless(one), width=width)]
    for sentence in sentences:
        # Where nobody listens any more the status still tells.
        with contextlib.suppress(OSError):
            click.echo(harmless(sentence), err=True)
    return status


def _sentences(error: FaultfinderError) -> list[str]:
    if isinstance(error, ModelFileError):
        return [str(problem) for problem in error.problems]
    return [str(error)]


def _usage(error: click.ClickException) -> list[str]:
    said = error.format_message().strip()
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        return said.splitlines()
    said = said if said.endswith((".", "?", "!", ")")) else f"{said}."
    context = getattr(error, "ctx", None)
    if not isinstance(context, click.Context):
        return [said]
    return [said, f'"{context.command_path} --help" shows what can be typed.']


def _give_up_output(status: int) -> int:
    """Let nothing more be written, so that Python does not complain about it at exit."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
    except (OSError, ValueError):
        pass
    return status


BEGIN = """\
What to check next on a portable computer that runs but shows nothing.

  faultfinder intake            take a machine in, one question at a time
  faultfinder ask 1             go on with ticket 1, to its close
  faultfinder ask               one question at a time, without a ticket
  faultfinder tickets           open tickets, what comes next, what blocks them

Or by single commands:
  faultfinder next 1            what comes next on ticket 1, on one screen
  faultfinder how 1             its steps
  faultfinder found 1 NAME=RESULT
  faultfinder ticket 1          all that is on ticket 1

All commands: faultfinder --help. One of them: faultfinder found --help.
"""
"""For somebody who types the name alone; the list of commands is longer than a screen."""


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
)
@click.version_option(package_name="faultfinder", message="%(prog)s %(version)s")
@click.pass_context
def commands(context: click.Context) -> None:
    """What to check next on a portable computer that runs but shows nothing."""
    if context.invoked_subcommand is None:
        click.echo(BEGIN, nl=False)


def run() -> NoReturn:
    """Entry point of the installed command."""
    try:
        # A command lives for a fraction of a second: looking for garbage costs more than it frees.
        gc.set_threshold(1_000_000)
        # The tables are small: threads cost more to start than they save, most of all on a
        # busy machine. Numpy reads this when it is first imported.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                # A terminal that cannot show a sign shows its code, never a traceback.
                stream.reconfigure(errors="backslashreplace")
        heed_stops()
        try:
            commands.main(prog_name="faultfinder")
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 0
        heed_no_more()
    except KeyboardInterrupt:
        # Before the command began, or after it was done.
        status = _refuse(stopped(), 2)
    _leave(status)


def _leave(status: int) -> NoReturn:
    """End the process at once: taking all modules down again would cost a tenth of the time.

    What commands opened is closed by then (their contexts close it).
    """
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            status = status or 1
    os._exit(status)


if __name__ == "__main__":
    run()
