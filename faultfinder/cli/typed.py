"""From what was typed to a case, and back."""

from __future__ import annotations

from collections.abc import Sequence

from faultfinder.consultation.case import Case, read_results, worth_of
from faultfinder.consultation.safety import stop_sentence
from faultfinder.decide.belief import Tried
from faultfinder.decide.shop_file import read_shop, shop_path
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.inference.target import SUM_OF_SINGLE_CAUSES, TargetSpec
from faultfinder.model.answers import find_result, find_variable
from faultfinder.model.parts import Variable

Typed = tuple[str, str | None]
"""A finding and its result; None when it could not be told."""

DIGITS = 12
"""Digits of a number that counts something, at most."""


def pick_model(named: str | None) -> str:
    """The model to use: the named one, the one in the shop's settings, or the only one there is.

    Raises MisuseError when that leaves several, or the settings name one that is not there.
    """
    if named is not None:
        return named
    from faultfinder.model.locate import available_models

    names = list(available_models())
    usual = read_shop().model
    if usual:
        if usual not in names:
            raise MisuseError(
                f"The shop settings {shop_path()} name the model {usual}, which is not there. "
                f"{did_you_mean(usual, names)}"
            )
        return usual
    if len(names) != 1:
        raise MisuseError(
            f"There are several models: {', '.join(names)}. Name one with --model, or the one "
            "that is mostly used in shop.yaml (model: NAME)."
        )
    return names[0]


def read_typed(compiled: CompiledModel, typed: str) -> Typed:
    """ "backlight=dark" as a finding of the model and its result. Raises MisuseError."""
    name, sign, result = typed.partition("=")
    if not sign or not name.strip():
        raise MisuseError(
            f'"{typed}" is no finding with its result. Type it as NAME=RESULT, '
            "as in backlight=off; the result may be unknown."
        )
    if not result.strip():
        raise MisuseError(f'"{typed}" has no result after the "=". If it is not known: unknown.')
    variable = find_variable(compiled.model, name)
    return variable.name, read_result(variable, result.strip())


def read_result(variable: Variable, typed: str) -> str | None:
    """A result by its number on the page, or as `find_result` takes it."""
    number = number_of(typed)
    if number is None or variable.reading is not None or typed in variable.states:
        return find_result(variable, typed)
    if not 1 <= number <= len(variable.states):
        listed = ", ".join(f"{n} {s}" for n, s in enumerate(variable.states, start=1))
        raise MisuseError(f"{variable.name} has no result {number}. It can be {listed}.")
    return variable.states[number - 1]


def number_of(typed: str) -> int | None:
    """A number of something as typed; None for words, and for more digits than anything counts."""
    return int(typed) if typed.isdecimal() and len(typed) <= DIGITS else None


def ticket_and_names(words: Sequence[str]) -> tuple[int | None, Sequence[str]]:
    """The arguments "[TICKET] [NAME]..." apart."""
    number = number_of(words[0]) if words else None
    return number, words if number is None else words[1:]


def read_all_typed(compiled: CompiledModel, typed: Sequence[str]) -> dict[str, str | None]:
    """All of them together. Raises MisuseError when one finding has two different results."""
    return read_results(compiled, [read_typed(compiled, one) for one in typed])


def read_case(
    compiled: CompiledModel,
    saw: Sequence[str],
    tried: Sequence[str] = (),
    now: Sequence[str] = (),
    stage: str | None = None,
    worth: float | None = None,
    age: float | None = None,
) -> Case:
    """The case of --saw, --tried (in the order made), --now (seen after the last of them) and
    --stage."""
    if now and not tried:
        raise MisuseError("--now says what is seen since a repair: name that with --tried.")
    since = read_all_typed(compiled, now)
    steps = [Tried(repair) for repair in tried[:-1]] + [Tried(one, since) for one in tried[-1:]]
    seen = read_all_typed(compiled, saw)
    worth = worth_of(compiled, worth, age)
    return Case(compiled, seen, stage, tuple(steps), worth, read_shop())


def spoken(name: str, result: str | None) -> str:
    """A result as it is typed."""
    return f"{name}={result or 'unknown'}"


def command_of(case: Case, name: str) -> str:
    """The command that shows what comes next on a case; `name` is the model's, as typed."""
    model = case.model.model
    words = ["faultfinder", "next", "-m", name]
    if case.stage not in (None, model.start):
        words += ["--stage", str(case.stage)]
    if case.worth is not None:
        words += ["--worth", f"{case.worth:g}"]
    for name, result in case.results.items():
        words += ["-s", spoken(name, result)]
    for number, step in enumerate(case.tried):
        words += ["--tried", step.repair]
        if number == len(case.tried) - 1:
            for name, result in step.results_since.items():
                words += ["--now", spoken(name, result)]
    import shlex

    return shlex.join(words)


def read_target(typed: str) -> TargetSpec:
    """ "causes", "each", a list "a,b" or a partition "a+b,c" as the engine's target."""
    if typed.strip() == "causes":
        return "causes"
    if typed.strip() == "each":
        return SUM_OF_SINGLE_CAUSES
    blocks = [[name.strip() for name in block.split("+")] for block in typed.split(",")]
    if not all(name for block in blocks for name in block):
        raise MisuseError(
            f'"{typed}" is no target. Type causes, each, causes to tell apart as "a,b", '
            'or groups that need no telling apart as "a+b,c".'
        )
    return blocks if "+" in typed else [block[0] for block in blocks]


def refuse_stopped(case: Case) -> None:
    """Raise FaultfinderError with the safety rule's words where a finding ends the job."""
    stop = stop_sentence(case.model.model, case.everything, case.tried)
    if stop:
        raise FaultfinderError(f"STOP. {stop.removeprefix('Stop.').strip()}")
