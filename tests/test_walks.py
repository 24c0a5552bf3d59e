"""Walks through drawn cases of each family: nothing that cannot be made or is out of turn.

FAULTFINDER_WALKS sets how many cases of a family are drawn.
"""

from __future__ import annotations

import os
import random
from functools import cache
from pathlib import Path

import pytest
import yaml

from faultfinder.consultation.bench import look_stage
from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import Consultation, consult
from faultfinder.consultation.safety import called_for, can_be_made
from faultfinder.errors import ImpossibleEvidence
from faultfinder.inference.loading import load_model
from faultfinder.model.reading.read_repairs import TRAINED

SHIPPED = Path(__file__).parent.parent / "models"
BUILDS = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")
WALKS = int(os.environ.get("FAULTFINDER_WALKS", "3"))
STEPS = 8


@cache
def for_trained(build: str) -> frozenset[str]:
    """The checks that the files of a family keep for trained hands."""
    files = [*sorted((SHIPPED / "common").glob("*.yaml")), SHIPPED / f"{build}.yaml"]
    found = [yaml.safe_load(file.read_text(encoding="utf-8")).get("checks") or {} for file in files]
    return frozenset(n for checks in found for n, said in checks.items() if said.get("hands"))


@pytest.mark.parametrize("build", BUILDS)
def test_no_step_is_out_of_turn(build: str) -> None:
    compiled = load_model(SHIPPED / f"{build}.yaml")
    states = 0
    for number in range(WALKS):
        draw = random.Random(f"{build} {number}")
        case = Case(compiled)
        for _ in range(STEPS):
            told = consult(case)
            states += 1
            hold_to_account(told)
            step = told.next_step
            if step is None or step.kind != "check":
                break
            # Liquid and marks are rare: every third walk begins with one of them.
            seen = first_of(draw, told, case) if number % 3 or case.results else begun(draw, case)
            try:
                consult(seen)
            except ImpossibleEvidence:
                break
            case = seen
    print(f"{build}: {states} states seen")
    assert states >= WALKS


def first_of(draw: random.Random, told: Consultation, case: Case) -> Case:
    """The case after the next check, its results drawn as they are likely; now and then it could
    not be told."""
    check = told.open_check(told.next_step.name if told.next_step else "")
    open_ones = [finding for finding in check.observes if finding not in case.latest]
    for finding in open_ones:
        if draw.random() < 0.1:
            case = case.with_result(finding, None)
            continue
        states = told.case.model.model.by_name[finding].states
        ranked = told.ranked(check.name)
        drawn = draw.choices(list(ranked.outcomes), list(ranked.outcomes.values()))[0]
        result = next((s for s in states if s in drawn.replace("=", " ").replace(",", " ").split()),
                      states[0])  # fmt: skip
        case = case.with_result(finding, result)
    return case


def begun(draw: random.Random, case: Case) -> Case:
    """A case of which something that calls for a look is told."""
    named = [
        (finding, result)
        for one in case.model.model.precautions
        for finding, results in one.when.items()
        for result in results
    ]
    return case.with_result(*draw.choice(sorted(named)))


def hold_to_account(told: Consultation) -> None:
    """Fail where something offered here cannot be made or comes before its turn."""
    case, model = told.case, told.case.model.model
    if told.stop:
        assert told.next_step is None
        assert told.cautions == (told.stop,)
        return
    makeable = can_be_made(model, case.latest)
    offered = {one.check for one in told.order}
    assert offered <= makeable
    for name in (*offered, *told.round):
        check = model.checks_by_name[name]
        assert any(finding not in case.latest for finding in check.observes), name
    step = told.next_step
    assert step is not None
    for repair in model.repairs:
        assert not model.stages_by_name[look_stage(case.model, repair)].live
    if step.kind != "check":
        return
    pressing = called_for(model, case.latest)
    made: set[str] = set()
    for name in told.round:
        check = model.checks_by_name[name]
        for before in check.behind:
            free = model.checks_by_name[before]
            known = all(finding in case.latest for finding in free.observes)
            assert known or before in made or before not in makeable, (name, before)
        if any(one.unpowered for one in pressing):
            assert check.off or not model.stages_by_name[check.stage].powered, name
        made.add(name)
    assert step.name in made
    check = model.checks_by_name[step.name]
    assert not check.caution or check.caution.strip() in told.cautions
    assert any(TRAINED in one for one in told.cautions) == (check.name in for_trained(model.name))
    if pressing and told.first_look is not None:
        assert step.name == told.first_look.look
        assert told.cautions[0] == told.first_look.say
