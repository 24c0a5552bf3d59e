"""The first of many causes: written out over small factors, and exact all the same."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from faultfinder.consultation.case import Case
from faultfinder.consultation.consult import consult
from faultfinder.decide.belief import belief_now
from faultfinder.decide.scenarios import scenario_values
from faultfinder.errors import ModelFileError
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.inference.elimination import joint_with_evidence
from faultfinder.inference.posterior import beliefs, evidence_from, posterior
from faultfinder.model.reading.reader import parse_model
from tests.brute_force import Joint, joint_of_model, mutual_information
from tests.leading_model import TEXT, leading_model

KNOWN = [
    {},
    {"light": "dark"},
    {"light": "dim", "lines": "no", "liquid": "yes"},
    {"crack": "yes", "cable_seen": "torn"},
    {"light": "dark", "wet_trace": "yes", "lines": "yes"},
]


@pytest.fixture(scope="module")
def compiled() -> CompiledModel:
    return compile_model(leading_model())


@pytest.fixture(scope="module")
def joint() -> Joint:
    return joint_of_model(leading_model())


HANGING = (
    TEXT.replace(
        "hinge]}\n\nfindings:\n",
        "hinge]}\n"
        "  course: {title: How it came, states: [at_once, slowly]}\n"
        "  runs: {title: How far it runs, states: [yes, half, no]}\n\nfindings:\n"
        "  began: {title: Began, states: [now, before]}\n"
        "  fan: {title: Fan, states: [still, turns]}\n"
        "  heard: {title: Heard, states: [no, yes]}\n",
    )
    .replace(
        "\nfigures:\n",
        "\nfigures:\n"
        "  course: {default: {slowly: 0.1}, given: {hinge: {slowly: 0.8}}}\n"
        "  runs:\n"
        "    default: {yes: 0.9, half: 0.06, no: 0.04}\n"
        "    given:\n"
        "      board: {yes: 0.1, half: 0.3, no: 0.6}\n"
        "      cable: {yes: 0.5, half: 0.4, no: 0.1}\n"
        "  began: {of: [course], default: {before: 0.2}, given: {course.slowly: {before: 0.9}}}\n"
        "  fan: {of: [runs], default: {turns: 0.9}, given: {runs.no: {turns: 0.1}}}\n"
        "  heard: {of: [runs], default: {yes: 0.95}, given: {runs.half: {yes: 0.4}}}\n",
    )
    .replace(
        "\nchecks:\n",
        "\nchecks:\n"
        "  ask_began: {title: Began, observes: [began, light], minutes: 1, stage: closed}\n"
        "  look_on: {title: On, observes: [fan, heard], minutes: 1, stage: closed}\n"
        "  look_fan: {title: Fan and course, observes: [fan, began], minutes: 1, stage: closed}\n",
    )
)
"""The same with two conditions that hang on what speaks, and findings that hang on those."""


@pytest.mark.parametrize(
    "known",
    [
        {},
        {"began": "before"},
        {"fan": "still", "heard": "yes", "light": "dim"},
        {"began": "now", "fan": "turns", "liquid": "yes"},
    ],
)
def test_what_hangs_on_the_speaking_cause_alone_stays_out_of_the_tree_and_counts_all_the_same(
    known: dict[str, str],
) -> None:
    whole = parse_model(HANGING.encode(), "leading.yaml")
    away = {"crack", "cable_seen", "wet_trace", "anything_else"}
    model = replace(
        whole,
        variables=tuple(v for v in whole.variables if v.name not in away),
        checks=tuple(check for check in whole.checks if away.isdisjoint(check.observes)),
        silence=None,
    )
    compiled, joint = compile_model(model), joint_of_model(model)
    index = compiled.network.index
    assert not any({index["course"], index["runs"]} & set(c) for c in compiled.tree.cliques)
    seen = beliefs(compiled, evidence_from(compiled, known))
    for name in ("board", "hinge", "cable", "lamp", "liquid", "course", "runs", "light"):
        if name in known:
            continue
        told = posterior(compiled, seen, index[name])[:, 0]
        true = joint.posterior(name, _with_complaint(known))
        assert told == pytest.approx(list(true.values()), abs=1e-12), name
    log = np.log(joint.probability(_with_complaint(known)))
    assert float(seen.log_evidence[0]) == pytest.approx(log, abs=1e-10)
    together = seen.marginal([index["runs"], index["course"]])[..., 0]
    weights = joint.weights(_with_complaint(known))
    away = {joint.axis("runs"), joint.axis("course")} ^ set(range(weights.ndim))
    true_table = weights.sum(axis=tuple(away))
    if joint.axis("runs") > joint.axis("course"):
        true_table = true_table.T
    assert together == pytest.approx(true_table / true_table.sum(), abs=1e-12)
    leading = joint.joint_labels(["leading"])
    for ranked in consult(Case(compiled, known)).order:
        if ranked.check in ("ask_began", "look_on", "look_fan"):
            observes = compiled.model.checks_by_name[ranked.check].observes
            left = [name for name in observes if name not in known]
            truth = joint.contingency(leading, joint.joint_labels(left), _with_complaint(known))
            assert ranked.gain_bits == pytest.approx(mutual_information(truth), abs=1e-9)


def _with_complaint(known: dict[str, str]) -> dict[str, str]:
    return {**known, "dark_screen": "yes"}


@pytest.mark.parametrize("known", KNOWN)
def test_every_belief_is_that_of_the_full_joint_table(
    compiled: CompiledModel, joint: Joint, known: dict[str, str]
) -> None:
    seen = beliefs(compiled, evidence_from(compiled, known))
    for variable in compiled.model.variables:
        if variable.name in known or variable.name == "dark_screen":
            continue
        told = posterior(compiled, seen, compiled.network.index[variable.name])[:, 0]
        true = joint.posterior(variable.name, _with_complaint(known))
        assert told == pytest.approx(list(true.values()), abs=1e-12), variable.name
    log = np.log(joint.probability(_with_complaint(known)))
    assert float(seen.log_evidence[0]) == pytest.approx(log, abs=1e-10)


def test_the_tree_leaves_the_many_states_out(compiled: CompiledModel) -> None:
    index = compiled.network.index
    assert all(index["leading"] not in clique for clique in compiled.tree.cliques)


@pytest.mark.parametrize("known", KNOWN)
def test_a_check_on_what_speaks_gains_what_the_joint_table_says(
    compiled: CompiledModel, joint: Joint, known: dict[str, str]
) -> None:
    causes = joint.joint_labels(["board", "hinge", "cable", "lamp"])
    for ranked in consult(Case(compiled, known)).order:
        check = compiled.model.checks_by_name[ranked.check]
        left = [name for name in check.observes if name not in known]
        if {"liquid", "wet_trace"} & set(left):
            continue
        table = joint.contingency(causes, joint.joint_labels(left), _with_complaint(known))
        assert ranked.gain_bits == pytest.approx(mutual_information(table), abs=1e-9)


@pytest.mark.parametrize("known", KNOWN)
def test_a_question_about_a_history_gains_what_it_tells_of_the_speaking_cause(
    compiled: CompiledModel, joint: Joint, known: dict[str, str]
) -> None:
    leading = joint.joint_labels(["leading"])
    for ranked in consult(Case(compiled, known)).order:
        check = compiled.model.checks_by_name[ranked.check]
        (name, *_) = check.observes
        if name == "liquid":
            table = joint.contingency(leading, joint.joint_labels([name]), _with_complaint(known))
            assert ranked.gain_bits == pytest.approx(mutual_information(table), abs=1e-9)


def test_elimination_agrees_with_the_tree(compiled: CompiledModel, joint: Joint) -> None:
    evidence = evidence_from(compiled, {"light": "dark", "board": "fine", "lines": "no"})
    index = compiled.network.index
    for name in ("cable", "liquid", "leading", "wet_trace"):
        told = joint_with_evidence(compiled.network, (index[name],), evidence.likelihoods)
        known = _with_complaint({"light": "dark", "board": "fine", "lines": "no"})
        true = list(joint.posterior(name, known).values())
        assert (told / told.sum()).tolist() == pytest.approx(true, abs=1e-12)


# --- silence


def _silenced(joint: Joint, known: dict[str, str]) -> np.ndarray:
    """The joint weights with "not mentioned" worked out state by state."""
    weights = joint.weights(_with_complaint(known)).copy()
    for name, mentioned in (("lines", 0.6), ("crack", 0.5)):
        if name not in known:
            moved = np.moveaxis(weights, joint.axis(name), 0)
            moved[joint.states[name].index("yes")] *= 1.0 - mentioned
    return weights


@pytest.mark.parametrize(
    "known", [{}, {"light": "dark"}, {"lines": "no"}, {"lines": "yes", "light": "dim"}]
)
def test_nothing_else_to_tell_weighs_what_nobody_mentioned(
    compiled: CompiledModel, joint: Joint, known: dict[str, str]
) -> None:
    known = {**known, "anything_else": "nothing"}
    seen = beliefs(compiled, evidence_from(compiled, known))
    weights = _silenced(joint, known)
    for name in ("board", "hinge", "cable", "lamp", "leading", "liquid"):
        away = tuple(a for a in range(weights.ndim) if a != joint.axis(name))
        true = weights.sum(axis=away) / weights.sum()
        told = posterior(compiled, seen, compiled.network.index[name])[:, 0]
        assert told == pytest.approx(true.tolist(), abs=1e-12), name


def test_a_look_after_silence_is_foretold_with_the_silence_in_it(
    compiled: CompiledModel, joint: Joint
) -> None:
    known = {"light": "dark", "anything_else": "nothing"}
    weights = _silenced(joint, known).reshape(-1)
    causes = joint.joint_labels(["board", "hinge", "cable", "lamp"])
    ranked = {r.check: r for r in consult(Case(compiled, known)).order}
    for check, name in (("look_lines", "lines"), ("look_crack", "crack")):
        table = np.zeros((int(causes.max()) + 1, 2))
        np.add.at(table, (causes, joint.joint_labels([name])), weights)
        table /= weights.sum()
        outcomes = list(ranked[check].outcomes.values())
        assert outcomes == pytest.approx(table.sum(axis=0).tolist(), abs=1e-12)
        assert ranked[check].gain_bits == pytest.approx(mutual_information(table), abs=1e-9)


def test_a_direct_answer_takes_the_place_of_the_silence(compiled: CompiledModel) -> None:
    asked = {"light": "dark", "lines": "yes", "crack": "no"}
    with_silence = consult(Case(compiled, {**asked, "anything_else": "nothing"}))
    assert with_silence.causes == pytest.approx(dict(consult(Case(compiled, asked)).causes))


# --- the words


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("      lamp: {lit", "      lampe: {lit", '"lampe", which is no cause'),
        ("board.hung: {lit", "board.hang: {lit", "has no such fault"),
        ("{lit: 0.1, dim: 0.8, dark: 0.1}", "{lit: 0.1, dim: 0.8, dark: 0.2}", "add up to 1.10"),
        ("    default: {yes: 0.03}\n", "", "have no row for"),
        ("  crack:\n    default", "  krack:\n    default", "which is no finding"),
        ("    of: [cable]", "    of: [cabel]", "which is no variable"),
        ("first_of: [board, cable", "first_of: [board, kable", "which is no variable"),
        ("result: nothing}", "result: none}", "which is not there"),
        ("mentioned: 0.5}", "mentioned: 1.0}", "at most 0.99"),
        ("      lamp: {lit", '      "lamp, board": {lit', "twice"),
    ],
)
def test_a_slip_is_told_at_its_line(old: str, new: str, said: str) -> None:
    assert TEXT.count(old) == 1
    line = TEXT[: TEXT.index(old)].count("\n") + 1
    with pytest.raises(ModelFileError) as refused:
        leading_model(TEXT.replace(old, new))
    told = [p for p in refused.value.problems if said in p.found + p.right]
    assert told, refused.value
    near = {line, line + 1, line - 1}
    assert any(problem.line in near for problem in told)


def test_printed_rows_may_miss_one_by_rounding() -> None:
    text = TEXT.replace("{lit: 0.1, dim: 0.8, dark: 0.1}", "{lit: 0.1, dim: 0.8, dark: 0.11}")
    table = leading_model(text).by_name["light"].distribution
    row = next(row for row in table.rows if row.key == "lamp")  # type: ignore[union-attr]
    assert sum(row.gives) == pytest.approx(1.0)
    assert row.gives[1] == pytest.approx(0.8 / 1.01)


def test_what_comes_first_in_the_order_hides_the_rest(joint: Joint) -> None:
    for board, cable in itertools.product(("fine", "dead"), ("whole", "cut")):
        told = joint.posterior("leading", {"board": board, "cable": cable, "lamp": "dead"})
        leader = max(told, key=lambda state: told[state])
        wanted = "board.dead" if board == "dead" else "cable.cut" if cable == "cut" else "lamp.dead"
        assert leader == wanted
        assert told[leader] == pytest.approx(1.0)


def test_the_repair_problem_weighs_silence_as_the_beliefs_do(compiled: CompiledModel) -> None:
    known = {"light": "dark", "anything_else": "nothing"}
    belief = belief_now(compiled, known, at_once=4)
    scenarios, _ = scenario_values(compiled, 4)
    assert belief.neglected == pytest.approx(0.0, abs=1e-12)
    told = consult(Case(compiled, known))
    for place, number in enumerate(compiled.causes):
        share = float(belief.weights @ (scenarios[:, place] > 0))
        assert share == pytest.approx(told.causes[compiled.network.names[number]], abs=1e-12)
    crack = compiled.network.index["crack"]
    ranked = {one.check: one for one in told.order}
    assert (belief.likelihoods[crack] @ belief.weights).tolist() == pytest.approx(
        list(ranked["look_crack"].outcomes.values()), abs=1e-12
    )
