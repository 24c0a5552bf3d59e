"""Models held against real machines: words, exact chances of groups, scores, situations."""

from __future__ import annotations

import itertools
import json
import math
import re
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from faultfinder.assess.casebook.advisers import agreement, asked, jaccard
from faultfinder.assess.casebook.books import (
    Mapped,
    RealCase,
    Vocabulary,
    book_file,
    read_cases,
    read_mapping,
    read_rounds,
    read_situations,
    read_vocabulary,
)
from faultfinder.assess.casebook.expectations import OF_CHANCES, judged_for, variations
from faultfinder.assess.casebook.judging import Judge, chances_of_any
from faultfinder.assess.casebook.leaving_out import leaving_out, ranked_with_unlisted
from faultfinder.assess.casebook.playing import MOST, play
from faultfinder.assess.casebook.scores import normalised, runs, settling_rank
from faultfinder.assess.casebook.whole_book import Book, book_of
from faultfinder.assess.casebook.wording import Wording
from faultfinder.assess.casebook.writing_out import as_case, case_text
from faultfinder.assess.intervals import bootstrap, wilson
from faultfinder.cli.main import commands
from faultfinder.inference.compiled import compile_model
from faultfinder.inference.loading import load_model
from faultfinder.inference.posterior import evidence_from
from faultfinder.inference.unlisted import average, unlisted_share
from faultfinder.model.reading.reader import parse_model
from tests.brute_force import joint_of_model
from tests.leading_model import leading_model

ROOT = Path(__file__).parent.parent
BOOK = ROOT / "models" / "casebook"
BUILDS = ("bezel_clamshell", "thin_clamshell", "folding_touch", "onepiece_desktop")

TORCH = ROOT / "tests" / "casebook" / "torch"
"""An invented machine with words, mapping, cases and situations of its own."""


@pytest.fixture
def files(tmp_path: Path) -> Path:
    return Path(shutil.copytree(TORCH, tmp_path / "torch"))


@pytest.fixture
def torch(files: Path) -> Judge:
    compiled = compile_model(parse_model((files / "torch.yaml").read_bytes(), "torch.yaml"))
    words, mapped = read_vocabulary(files / "words.yaml"), read_mapping(files / "mapping.yaml")
    return Judge(Wording(compiled, words, mapped))


@pytest.fixture
def torch_book(files: Path, torch: Judge) -> Book:
    judges: dict[str, Judge] = {"torch": torch}
    return book_of(read_cases(files / "cases.yaml"), judges.get, torch.mapped)


# By hand: P(cause states, findings | it stays dark), over 2 x 3 x 2 joint states.
PRIORS = {
    "bulb": {"fine": 0.8, "burnt": 0.2},
    "cell": {"full": 0.7, "flat": 0.25, "leaking": 0.05},
    "switch": {"fine": 0.9, "worn": 0.1},
}
GROUPS: dict[str, Callable[[str, str, str], bool]] = {
    "light": lambda bulb, cell, switch: bulb == "burnt",
    "power": lambda bulb, cell, switch: cell != "full",
    "contact": lambda bulb, cell, switch: switch == "worn",
}


def by_hand(glow: str | None = None, volts: str | None = None) -> dict[str, float]:
    weights = {}
    for bulb, cell, switch in itertools.product(*PRIORS.values()):
        if (bulb, cell, switch) == ("fine", "full", "fine"):
            continue
        weight = PRIORS["bulb"][bulb] * PRIORS["cell"][cell] * PRIORS["switch"][switch]
        faint = 0.6 if cell == "flat" else 0.2
        low = 0.1 if cell == "full" else 0.9
        weight *= {None: 1.0, "faint": faint, "none": 1 - faint}[glow]
        weight *= {None: 1.0, "low": low, "good": 1 - low}[volts]
        weights[bulb, cell, switch] = weight
    total = sum(weights.values())
    return {
        group: sum(w for states, w in weights.items() if holds(*states)) / total
        for group, holds in GROUPS.items()
    }


def test_the_chance_of_a_group_is_that_of_any_of_its_causes_by_hand(torch: Judge) -> None:
    case = RealCase("x", "torch", (("shines", ("weak",)), ("cell_reading", ("0.9",))))
    judged = torch.judge(case, "intake")
    assert {g: judged.groups[g] for g in GROUPS} == pytest.approx(by_hand("faint", "low"))
    assert judged.groups["rest"] == 0.0
    assert {g: judged.prior_groups[g] for g in GROUPS} == pytest.approx(by_hand())
    # A state of a cause is a word of its own.
    assert judged.chances["cell_empty"] > judged.chances["cell_spilt"] > 0.0


def test_a_groups_chance_equals_the_sum_over_all_joint_states() -> None:
    model = leading_model()
    compiled = compile_model(model)
    joint = joint_of_model(model)
    told = {"light": "dim", "cable_seen": "torn"}
    wanted = {
        "mixed": {"board": ("dead",), "cable": ("worn", "cut"), "lamp": ("dead",)},
        "one": {"hinge": ("torn",)},
    }
    found, _ = chances_of_any(compiled, evidence_from(compiled, told), wanted)
    assert model.complaint is not None
    seen = {**told, model.complaint: model.by_name[model.complaint].states[-1]}
    weights = joint.weights(seen)
    for name, causes in wanted.items():
        none = weights.copy()
        for cause, states in causes.items():
            moved = np.moveaxis(none, joint.axis(cause), 0)
            for state in states:
                moved[joint.states[cause].index(state)] = 0.0
        assert found[name] == pytest.approx(1.0 - none.sum() / weights.sum(), abs=1e-12)


def test_words_are_said_or_counted_as_unsaid(torch_book: Book) -> None:
    one, two, three = torch_book.lines
    assert one.unsaid_facts == ("colour",)
    assert (one.unsaid_faults, two.unsaid_faults) == ((), ("nothing_found",))
    assert three.judged["all"].findings == {"else": "nothing"}


def test_a_later_result_replaces_an_earlier_one_and_nothing_else_counts_as_asked(
    torch_book: Book,
) -> None:
    line = torch_book.lines[0]
    assert line.judged["intake"].findings == {"glow": "faint", "else": "nothing"}
    assert line.judged["all"].findings == {"glow": "faint", "volts": "low", "else": "nothing"}


def test_scores_of_a_book_of_three_by_hand(torch_book: Book) -> None:
    # The third holds nothing that is an answer, and is not scored.
    rows = torch_book.scored["all"]
    assert [row.case.id for row in rows] == ["one", "two"]
    first, second = by_hand("faint", "low"), by_hand("none")
    bits = []
    for row, hand, truth in zip(rows, (first, second), ("power", "contact"), strict=True):
        chance = hand[truth] / sum(hand.values())
        assert row.groups[truth] == pytest.approx(chance)
        bits.append(-math.log2(chance))
    prior = by_hand()
    before = [-math.log2(prior[truth] / sum(prior.values())) for truth in ("power", "contact")]
    scores = torch_book.scores("all cases", "all")
    assert scores is not None
    assert scores.bits == pytest.approx(sum(bits) / 2)
    assert scores.gain == pytest.approx((sum(before) - sum(bits)) / 2)
    # "power" leads both: right in the first, wrong in the second, where contact comes third.
    assert (scores.count, scores.nameable, scores.top1, scores.top3) == (2, 2, 1, 2)
    leaders = [first["power"] / sum(first.values()), second["power"] / sum(second.values())]
    assert scores.promise == pytest.approx((leaders[0] - 1 + leaders[1]) / 2)
    assert sum(one.count for one in scores.calibration) == 2


def test_a_group_that_cannot_be_named_counts_with_the_floor() -> None:
    chances = normalised({"seen": 0.998}, ("seen", "unseen"))
    assert chances["unseen"] == pytest.approx(0.002)
    assert sum(chances.values()) == pytest.approx(1.0)


def test_the_interval_of_a_mean_comes_from_the_drawn_means_and_is_drawn_alike_each_time() -> None:
    assert bootstrap([2.0, 2.0, 2.0]) == (2.0, 2.0)
    low, high = bootstrap([0.0, 1.0] * 50)
    # Of 100 coins the mean lies within 1.96 standard errors of a half.
    assert low == pytest.approx(0.5 - 1.96 * 0.05, abs=0.02)
    assert high == pytest.approx(0.5 + 1.96 * 0.05, abs=0.02)
    assert bootstrap([0.0, 1.0] * 50) == (low, high)


def test_a_bin_fits_when_wilsons_interval_holds_its_mean_chance(torch_book: Book) -> None:
    scores = torch_book.scores("all cases", "all")
    assert scores is not None
    for one in scores.calibration:
        low, high = wilson(one.happened, one.count, 0.9)
        assert one.interval == (low, high)
        assert one.fits == (low <= one.mean_forecast <= high)


def test_places_in_the_order_count_from_one(torch_book: Book) -> None:
    line = torch_book.lines[0]
    order = [one.check for one in line.judged["intake"].order]
    assert sorted(order) == ["measure", "shake", "sniff"]
    assert settling_rank(line.case, line.judged["intake"]) == order.index("measure") + 1
    assert runs(line.case, line.judged["intake"].judge)
    assert not runs(torch_book.lines[1].case, line.judged["intake"].judge)
    assert torch_book.ranks().running == 1


def test_a_play_is_answered_by_the_case_and_ends_with_the_settling_check(torch: Judge) -> None:
    case = RealCase(
        "x", "torch", (("shines", ("weak",)),), (("cell_reading", ("1.5",)),),
        ("bulb_burnt",), "cell_reading",
    )  # fmt: skip
    played = play(case, torch)
    assert played is not None
    assert played.end in ("settled", "mended")
    assert played.steps == len(played.made) <= MOST
    assert (played.made[-1] == "measure") == (played.end == "settled")
    # What was known at the counter settles nothing later.
    assert play(RealCase("y", "torch", (("cell_reading", ("1",)),), (), (), "cell_reading"),
                torch) is None  # fmt: skip


def test_agreement_is_first_among_three_and_the_overlap_of_rounds(torch_book: Book) -> None:
    line = torch_book.lines[0]
    judged = line.judged["intake"]
    brought = {fact for one in judged.round for fact in one.facts}
    rounds = {"one": (("cell_reading",), ("colour",))}
    found = agreement([(line.case, judged)], rounds)
    assert found is not None
    expected = jaccard(brought, {"cell_reading"}) / 2
    assert (found.count, found.first, found.overlap) == (2, 0.5, pytest.approx(expected))
    skipped = frozenset({"odd"})
    assert asked(("odd", "b"), skipped) == ("b",)
    assert asked(("odd",), skipped) == ()


# What is not listed


def test_what_fits_no_listed_cause_raises_the_unlisted_share_by_hand(torch: Judge) -> None:
    compiled = torch.compiled
    machine = average(compiled)

    def share(**told: str) -> float:
        evidence = evidence_from(compiled, told)
        log = chances_of_any(compiled, evidence, {})[1]
        return unlisted_share(compiled, evidence, log, machine)

    assert share() == pytest.approx(0.1)
    # The average machine: P(low) over the states in which it stays dark; half spread evenly.
    dark = 1 - 0.8 * 0.7 * 0.9
    power = 0.3 / dark
    low = power * 0.9 + (1 - power) * 0.1
    faint = (0.25 * 0.6 + (dark - 0.25) * 0.2) / dark
    rival = (0.5 * low + 0.25) * (0.5 * faint + 0.25)
    both = (0.25 * 0.9 * 0.6 + 0.05 * 0.9 * 0.2 + (dark - 0.3) * 0.1 * 0.2) / dark
    expected = 0.1 * rival / (0.1 * rival + 0.9 * both)
    assert share(volts="low", glow="faint") == pytest.approx(expected)
    assert share(volts="good", glow="faint", smoke="yes") > 0.1


def test_the_unlisted_share_is_ranked_among_the_groups() -> None:
    assert ranked_with_unlisted({"a": 0.7, "b": 0.3}, 0.4) == ["a", "unlisted", "b"]


def test_groups_with_too_few_cases_are_not_left_out(torch_book: Book) -> None:
    found = leaving_out(torch_book)
    assert (found.groups, found.whole) == ((), 2)


# Situations


def test_clauses_are_judged_or_left_open(files: Path, torch: Judge) -> None:
    weak, smelly, red = read_situations(files / "situations.yaml")
    assert (weak.builds, red.builds) == ((), ("torch",))
    found = [one.holds for one in judged_for(weak, "torch", torch)]
    # What is known is no longer in the order; an unknown clause is never said to hold.
    assert found == [True, False, True, True, False, True, True, None, False, None]
    assert [one.holds for one in judged_for(smelly, "torch", torch)] == [True, False]
    assert [one.holds for one in judged_for(red, "torch", torch)] == [None]


def test_variations_add_only_facts_that_change_nothing(files: Path, torch: Judge) -> None:
    weak = read_situations(files / "situations.yaml")[0]
    drawn = variations(weak, "torch", torch, 20, seed=1, kinds=("leads",))
    found = [one for one in drawn if one.kind == "leads"]
    # Rattle says the same of all causes; smoke too, and its "yes" would stop the work.
    assert {one.added for one in found} == {("rattle", "no"), ("rattle", "yes"), ("smoke", "no")}
    assert [one.holds for one in found] == [True, False] * 3


# The commands


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words], prog_name="faultfinder")


def own(files: Path) -> tuple[str, ...]:
    named = ("-m", "torch.yaml", "--vocabulary", "words.yaml", "--mapping", "mapping.yaml")
    return tuple(str(files / w) if w.endswith(".yaml") else w for w in named)


def test_the_command_prints_words_chances_steps_and_scores(files: Path) -> None:
    told = run("model", "cases", files / "cases.yaml", *own(files), "--json")
    assert told.exit_code == 0, told.output
    form = json.loads(told.stdout)
    assert (form["form"], [case["id"] for case in form["cases"]]) == (1, ["one", "two", "three"])
    intake, known = form["cases"][0]["moments"]
    assert (intake["moment"], known["moment"]) == ("intake", "all")
    assert known["groups"]["power"] == pytest.approx(by_hand("faint", "low")["power"])
    assert {"check": "measure", "facts": ["cell_reading"]} in intake["order"]
    assert {"check": "measure", "facts": ["cell_reading"]} not in known["order"]
    words = {"check": {"cell_reading", "rattles"}, "action": {"fit_cell", "fit_bulb", "give_back"}}
    assert intake["next"]["word"] in words[intake["next"]["kind"]]
    assert form["scores"]["parts"]["all cases"]["all"]["top1"] == 1


def test_the_page_is_80_columns_wide_and_names_what_could_not_be_said(files: Path) -> None:
    told = run("model", "cases", files / "cases.yaml", *own(files), "--play", "--leave-out")
    assert told.exit_code == 0, told.output
    assert max(map(len, told.stdout.splitlines())) <= 80
    assert "one colour" in told.stdout
    assert "Played:" in told.stdout


def test_other_chances_stand_beside_the_models_paired(files: Path, torch_book: Book) -> None:
    said = {"cases": [{"id": line.case.id, "moments": [{"moment": "all", "groups": {"power": 0.9}}]}
                      for line in torch_book.lines]}  # fmt: skip
    (files / "other.json").write_text(json.dumps(said), encoding="utf-8")
    command = ("model", "cases", files / "cases.yaml", *own(files))
    told = run(*command, "--json", "--beside", files / "other.json")
    assert told.exit_code == 0, told.output
    (other,) = json.loads(told.stdout)["scores"]["besides"]
    found = {one["figure"]: one for one in other["differences"]}
    assert (other["name"], set(found)) == ("other.json", {"top1", "top3", "bits"})
    rows = torch_book.scored["all"]
    whole = 0.9 + 0.002 * (len(rows[0].groups) - 1)
    there = [-math.log2((0.9 if "power" in row.truth else 0.002) / whole) for row in rows]
    assert found["bits"]["there"] == pytest.approx(sum(there) / len(there))
    assert found["bits"]["here"] == pytest.approx(sum(row.bits for row in rows) / len(rows))
    less = [row.bits - one for row, one in zip(rows, there, strict=True)]
    assert found["bits"]["interval"] == pytest.approx([min(less), max(less)])  # of two cases

    (files / "same.json").write_text(told.stdout, encoding="utf-8")
    page = run(*command, "--beside", files / "same.json", "--beside", files / "other.json").stdout
    assert max(map(len, page.splitlines())) <= 80
    assert page.count("+0.00 to +0.00") == 2  # the same chances, at both moments


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("not: json", "does not hold chances"),
        ('{"cases": [{"id": "one", "moments": [{"moment": "all", "groups": {"power": 1.5}}]}]}',
         "does not hold chances"),
        ('{"cases": [{"id": "zzz", "moments": [{"moment": "all", "groups": {}}]}]}',
         "holds no chances for any of these cases"),
    ],
)  # fmt: skip
def test_what_holds_no_chances_is_refused_in_a_sentence(files: Path, text: str, says: str) -> None:
    (files / "other.json").write_text(text, encoding="utf-8")
    told = run(
        "model", "cases", files / "cases.yaml", *own(files), "--beside", files / "other.json"
    )
    assert told.exit_code == 2
    assert says in told.stderr


def test_a_build_without_a_model_is_said_and_the_rest_judged(files: Path) -> None:
    with (files / "cases.yaml").open("a", encoding="utf-8") as book:
        book.write("- {id: four, build: unheard_of, at_fault: [contact]}\n")
    judge = own(files)
    told = run("model", "cases", files / "cases.yaml", *judge[2:], "--json")
    assert told.exit_code == 0, told.output
    assert "no model for the build unheard_of" in told.stderr
    assert [case["model"] for case in json.loads(told.stdout)["cases"]] == [None] * 4


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("not: a list\n", "no list of cases"),
        ("- {id: x}\n", "no id or no build"),
        ("- {id: x, build: torch, intake: [1]}\n", "word: value"),
        ("- {id: [\n", "not YAML"),
        ("[]\n", "no case"),
    ],
)
def test_a_book_that_cannot_be_read_is_refused_in_a_sentence(
    text: str, said: str, files: Path
) -> None:
    (files / "cases.yaml").write_text(text, encoding="utf-8")
    told = run("model", "cases", files / "cases.yaml", *own(files))
    assert told.exit_code == 2
    assert said in told.stderr
    assert "Traceback" not in told.stderr


# The book that is shipped


@cache
def shipped() -> tuple[Vocabulary, Mapped]:
    return read_vocabulary(BOOK / "vocabulary.yaml"), read_mapping(BOOK / "mapping.yaml")


@cache
def judge_of(build: str) -> Judge:
    return Judge(Wording(load_model(ROOT / "models" / f"{build}.yaml"), *shipped()))


def test_the_shipped_files_lie_beside_the_models() -> None:
    assert book_file("cases.yaml") == BOOK / "cases.yaml"


def test_every_word_of_the_shipped_book_is_in_its_vocabulary() -> None:
    words, _ = shipped()
    for case in read_cases(BOOK / "cases.yaml"):
        for fact, values in case.told("all").items():
            known = words.facts[fact]
            assert not known or set(values) <= set(known), (case.id, fact, values)
        assert set(case.at_fault) <= set(words.at_fault), case.id
        assert case.settled_by in {"none", *words.facts}, case.id
    grouped = [word for held in words.groups.values() for word in held]
    assert sorted(grouped) == sorted(words.at_fault)


def test_every_cause_of_the_shipped_cases_is_named_by_the_model_of_its_build() -> None:
    words, mapped = shipped()
    loose = {w for group in mapped.unscored for w in words.groups[group]}
    for case in read_cases(BOOK / "cases.yaml"):
        assert set(case.at_fault) - loose <= set(judge_of(case.build).wording.causes), case.id


def test_only_a_source_holds_an_address() -> None:
    for name in ("cases", "vocabulary", "expectations", "mapping", "pooled"):
        for line in (BOOK / f"{name}.yaml").read_text(encoding="utf-8").splitlines():
            if not line.strip().startswith("source:"):
                assert not re.search(r"https?:|www\.|\.com\b|@", line), line


def test_advisers_speak_of_shipped_cases_in_its_words() -> None:
    words, _ = shipped()
    rounds = read_rounds(ROOT / "tests" / "casebook" / "rounds.yaml")
    assert set(rounds) <= {case.id for case in read_cases(BOOK / "cases.yaml")}
    for advisers in rounds.values():
        assert len(advisers) == 2
        for one in advisers:
            assert set(one) <= set(words.facts)


def test_no_code_names_a_case_an_expectation_or_a_fact() -> None:
    words, _ = shipped()
    told = set(words.facts) | {one.id for one in read_situations(BOOK / "expectations.yaml")}
    told |= {case.id for case in read_cases(BOOK / "cases.yaml")}
    # Words of the trade and of English that say something else where they stand in quotes.
    told -= {"place", "fan", "image", "after", "hinge", "battery", "camera", "coin_cell", "glass"}
    for place in (ROOT / "faultfinder").rglob("*.py"):
        text = place.read_text(encoding="utf-8")
        quoted = set(re.findall(r"[\"']([a-z0-9_-]+)[\"']", text))
        assert not quoted & told, (place, quoted & told)


def test_the_shipped_models_beat_the_complaint_alone_on_a_sample_of_the_book() -> None:
    cases = read_cases(BOOK / "cases.yaml")[::8]
    book = book_of(cases, judge_of, shipped()[1])
    for moment in ("intake", "all"):
        scores = book.scores("all cases", moment)
        assert scores is not None
        assert scores.count >= 10
        assert scores.impossible == 0
        assert scores.nameable == scores.count
        assert scores.gain > 0.3, moment


@pytest.mark.parametrize("build", BUILDS)
def test_what_must_follow_for_chances_holds_on_every_family(build: str) -> None:
    situations = read_situations(BOOK / "expectations.yaml")
    found = [
        one
        for situation in situations
        if not situation.builds or build in situation.builds
        for one in judged_for(situation, build, judge_of(build), OF_CHANCES)
    ]
    assert not [one for one in found if one.holds is False]
    assert sum(one.holds is None for one in found) <= 0.1 * len(found)


# A job of one's own as a case


def test_a_job_written_out_is_read_back_as_what_was_found(torch: Judge, tmp_path: Path) -> None:
    found = {"glow": "faint", "else": "nothing", "volts": "low", "hum": "yes"}
    case, unsaid = as_case(torch.wording, "ours", found, ("cell",))
    (tmp_path / "own.yaml").write_text(case_text(case, "2031", unsaid, True), encoding="utf-8")
    (back,) = read_cases(tmp_path / "own.yaml")
    assert back == case
    # No word for the hum; a cause whose state nobody wrote down is all of its words.
    assert unsaid == ("hum",)
    assert back.at_fault == ("cell_empty", "cell_spilt")
    assert torch.wording.results(back.told("all"))[0] == {"glow": "faint", "volts": "low"}


def test_a_closed_ticket_is_written_out_without_what_people_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_MODELS", str(ROOT / "models"))
    said = run("intake", "-m", "thin_clamshell", "--complaint", "Mrs Invented: dark.")
    number = re.search(r"icket (\d+)", said.output)
    assert number is not None, said.output
    open_still = run("model", "case-of", number[1])
    assert open_still.exit_code == 1
    run("found", number[1], "screen_light=dark", "torch=image_seen", "light_goes_after=3 s")
    closed = run("close", number[1], "--cause", "panel_light", "--without-proof")
    assert closed.exit_code == 0, closed.output
    told = run("model", "case-of", number[1], "--id", "own1")
    assert told.exit_code == 0, told.output
    assert "Invented" not in told.stdout
    (tmp_path / "own.yaml").write_text(told.stdout, encoding="utf-8")
    (case,) = read_cases(tmp_path / "own.yaml")
    assert (case.id, case.at_fault) == ("own1", ("panel_light",))
    assert case.told("all")["torch"] == ("image_seen",)
    scored = run("model", "cases", tmp_path / "own.yaml")
    assert scored.exit_code == 0, scored.output
    assert "none.\nCauses that could not be named: none." in scored.stdout
