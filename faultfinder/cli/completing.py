"""Names completed by the shell: models, findings with their results, checks, stages.

Whatever goes wrong here (no model, a faulty file) completes nothing and says nothing:
a shell in the middle of a line is no place for messages.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Collection, Iterable

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class

from faultfinder.errors import FaultfinderError
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import FaultModel, Kind, Variable

_Completer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _quiet(names: Callable[[click.Context, str], Iterable[str]]) -> _Completer:
    @functools.wraps(names)
    def complete(
        ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        with contextlib.suppress(FaultfinderError, OSError, ValueError):
            found = names(ctx, incomplete)
            # What cannot be typed is not offered: it would reach the terminal as it is.
            return [
                CompletionItem(name)
                for name in found
                if name.startswith(incomplete) and name.isprintable()
            ]
        return []

    return complete


def _model(ctx: click.Context) -> CompiledModel:
    from faultfinder.cli.lines import named_model
    from faultfinder.cli.typed import pick_model

    return named_model(pick_model(ctx.params.get("model")))


@_quiet
def models(ctx: click.Context, incomplete: str) -> Iterable[str]:
    from faultfinder.model.locate import available_models

    return available_models()


@_quiet
def findings(ctx: click.Context, incomplete: str) -> Iterable[str]:
    """`NAME=` while several names fit, and `NAME=RESULT` once one is clear."""
    given = {typed.partition("=")[0] for typed in ctx.params.get("saw") or ()}
    return _begun(_model(ctx).model, incomplete, given)


def _begun(model: FaultModel, incomplete: str, given: Collection[str] = ()) -> list[str]:
    askable = [
        variable
        for variable in model.variables
        if variable.kind in (Kind.HISTORY, Kind.FINDING) and variable.name not in given
    ]
    name, sign, _ = incomplete.partition("=")
    if sign:
        return [one for variable in askable if variable.name == name for one in _results(variable)]
    begun = [variable for variable in askable if variable.name.startswith(name)]
    return _results(begun[0]) if len(begun) == 1 else [f"{one.name}=" for one in begun]


def _results(variable: Variable) -> list[str]:
    words = [word for said in variable.words.values() for word in said if word.isalnum()]
    return [f"{variable.name}={result}" for result in (*variable.states, *words, "unknown")]


@_quiet
def at_bench(ctx: click.Context, incomplete: str) -> Iterable[str]:
    """The results of the ticket's next checks first, then those of all findings."""
    number = ctx.params.get("ticket")
    if not isinstance(number, int):
        return []
    from faultfinder.cli.on_ticket import case_of, open_ticket
    from faultfinder.consultation.consult import consult

    case = case_of(*open_ticket(number))
    model = case.model.model
    name, sign, _ = incomplete.partition("=")
    if sign:
        # A cause as well, which is named by its state.
        return _results(model.by_name[name]) if name in model.by_name else []
    told = consult(case)
    turn = [one for check in told.round for one in model.checks_by_name[check].observes]
    first = [one for one in turn if one.startswith(incomplete) and one not in case.latest]
    if first:
        # The results of the next look, then the other names of its round.
        return [*_results(model.by_name[first[0]]), *(f"{one}=" for one in first[1:])]
    return _begun(model, incomplete)


@_quiet
def checks(ctx: click.Context, incomplete: str) -> Iterable[str]:
    return _model(ctx).model.checks_by_name


@_quiet
def repairs(ctx: click.Context, incomplete: str) -> Iterable[str]:
    return _model(ctx).model.repairs_by_name


@_quiet
def causes(ctx: click.Context, incomplete: str) -> Iterable[str]:
    return [variable.name for variable in _model(ctx).model.of_kind(Kind.CAUSE)]


@_quiet
def stages(ctx: click.Context, incomplete: str) -> Iterable[str]:
    return _model(ctx).model.stages_by_name


class BashAroundEquals(BashComplete):
    """Bash takes NAME=RESULT apart at the "=": put it together, and answer for the last piece."""

    _before = ""

    def get_completion_args(self) -> tuple[list[str], str]:
        args, incomplete = super().get_completion_args()
        if incomplete == "=":
            args, incomplete = [*args, "="], ""
        whole: list[str] = []
        for word in args:
            if whole and (word == "=" or whole[-1].endswith("=")):
                whole[-1] += word
            else:
                whole.append(word)
        if whole and whole[-1].endswith("="):
            self._before = whole.pop()
        return whole, self._before + incomplete

    def format_completion(self, item: CompletionItem) -> str:
        value = str(item.value)
        # "--saw=backlight=" is before the piece, but the name completed is "backlight=off".
        for before in (self._before, self._before.partition("=")[2]):
            value = value.removeprefix(before)
        return f"{item.type},{value}"


def register() -> None:
    """Let click use the bash class above."""
    add_completion_class(BashAroundEquals)
