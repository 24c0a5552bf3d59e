"""Repairs that were made already, as typed: --tried and --now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultfinder.cli.looking import findings_of, read_answer
from faultfinder.consultation.next_check import stop_sentence
from faultfinder.decide.belief import Tried
from faultfinder.errors import FaultfinderError, MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.model.parts import Repair


def find_repair(compiled: CompiledModel, typed: str) -> Repair:
    """The repair of that name. Raises MisuseError with the nearest name."""
    repairs = compiled.model.repairs_by_name
    name = typed.strip().replace("-", "_").replace(" ", "_").lower()
    if name in repairs:
        return repairs[name]
    raise MisuseError(f'This model has no repair "{typed}". {did_you_mean(typed, repairs)}')


def read_tried(
    compiled: CompiledModel, tried: Sequence[str], now: Sequence[str]
) -> tuple[Tried, ...]:
    """Repairs in the order made; what is seen `now` was seen after the last of them."""
    if now and not tried:
        raise MisuseError("--now says what is seen since a repair: name that with --tried.")
    repairs = [find_repair(compiled, typed).name for typed in tried]
    if len(set(repairs)) != len(repairs):
        raise MisuseError("A repair is named twice with --tried. Name each once.")
    answers = findings_of([read_answer(compiled, typed) for typed in now])
    seen = {name: result for name, result in answers.items() if result is not None}
    vain = tuple(name for name, result in answers.items() if result is None)
    last = len(repairs) - 1
    return tuple(
        Tried(name, seen, vain) if place == last else Tried(name, {})
        for place, name in enumerate(repairs)
    )


def refuse_stopped(
    compiled: CompiledModel, known: Mapping[str, str], tried: Sequence[Tried]
) -> None:
    """Raise FaultfinderError with the safety rule's words where a finding ends the job."""
    seen = dict(known)
    for step in tried:
        seen.update(step.findings)
    stop = stop_sentence(compiled, seen)
    if stop:
        said = stop.removeprefix("Stop.").strip()
        raise FaultfinderError(f"STOP. {said}")
