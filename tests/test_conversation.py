"""What the bench is told beyond the next step: limits, failed proofs, comebacks, habits."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import faultfinder
from faultfinder.cli.main import commands
from faultfinder.cli.searching import search
from faultfinder.consultation import habit
from faultfinder.consultation.case import Case
from faultfinder.consultation.comeback import likelier_after
from faultfinder.consultation.consult import consult
from faultfinder.consultation.judgement import SAID, WEIGHT
from faultfinder.decide.shop_file import shop_path
from faultfinder.errors import MisuseError, did_you_mean
from faultfinder.inference.compiled import CompiledModel
from faultfinder.tickets.address import store_address
from faultfinder.tickets.as_typed import amount_of, minutes_of, years_of
from tests.chromium import check_look
from tests.on_paper import check_paper


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    monkeypatch.setenv("FAULTFINDER_WHO", "lena")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.delenv("FAULTFINDER_MODELS", raising=False)
    return tmp_path


@pytest.fixture(scope="module")
def thin() -> CompiledModel:
    return faultfinder.load_model(str(MODELS / "thin_clamshell.yaml"))


MODELS = Path(__file__).parent.parent / "models"
OPENED = ("intake", "-m", str(MODELS / "thin_clamshell.yaml"), "-s", "screen_light=dark")


def run(*words: str, status: int = 0) -> Result:
    result = CliRunner().invoke(commands, words)
    assert result.exit_code == status, result.output
    return result


def said(*words: str, status: int = 0) -> str:
    return " ".join(run(*words, status=status).output.split())


def test_no_test_looks_where_the_user_keeps_tickets_and_settings(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    own = tmp_path_factory.getbasetemp()
    assert Path(store_address()).is_relative_to(own)
    assert shop_path().is_relative_to(own)


@pytest.mark.parametrize(
    ("typed", "amount"),
    [
        ("12,50", 12.5), ("12.5", 12.5), ("80", 80.0), (" 7,05 ", 7.05), ("80 EUR", 80.0),
        ("80eur", 80.0), ("€80", 80.0), ("EUR 12,50", 12.5), ("80 euro", 80.0), ("80,-", 80.0),
        ("1.200,50", 1200.5), ("1,200.50", 1200.5), ("1 200", 1200.0), ("1'200.50", 1200.5),
        ("1.234.567", 1234567.0), ("€ 1.200,5", 1200.5), ("1200,00 €", 1200.0),
    ],
)  # fmt: skip
def test_amounts_are_read_as_people_write_them(typed: str, amount: float) -> None:
    assert amount_of(typed, "EUR") == amount


@pytest.mark.parametrize(
    "typed",
    ["1.200", "1,200", "1.200 EUR", "€1,200", "-3", "much", "nan", "", "1e3", "12.345.6", "1,2,3"],
)
def test_an_amount_that_can_be_read_in_two_ways_or_in_none_is_refused(typed: str) -> None:
    with pytest.raises(MisuseError):
        amount_of(typed, "EUR")


@pytest.mark.parametrize(("typed", "currency"), [("80 USD", "EUR"), ("$80", "EUR"), ("€80", "CHF")])
def test_another_currency_than_the_shops_is_refused(typed: str, currency: str) -> None:
    with pytest.raises(MisuseError, match=currency):
        amount_of(typed, currency)


@pytest.mark.parametrize(
    ("typed", "minutes"),
    [
        ("45", 45.0), ("45min", 45.0), ("45 min", 45.0), ("7,5 min", 7.5), ("0:45", 45.0),
        ("1:20", 80.0), ("1h20", 80.0), ("1 h 20 min", 80.0), ("2h", 120.0), ("1,5h", 90.0),
        ("1.5 hours", 90.0),
    ],
)  # fmt: skip
def test_times_are_read_as_people_write_them(typed: str, minutes: float) -> None:
    assert minutes_of(typed) == minutes


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1.5", "may be hours or minutes"), ("1,20", "may be hours or minutes"),
        ("1h75", "75 minutes beside"), ("1:75", "75 minutes beside"), ("long", "no time of work"),
        ("", "no time of work"), ("-5", "no time of work"), ("0", "more than 0 min"),
        ("300h", "100 h at most"), ("1,5h20", "no time of work"),
    ],
)  # fmt: skip
def test_a_time_that_can_be_read_in_two_ways_or_in_none_is_refused(typed: str, said: str) -> None:
    with pytest.raises(MisuseError, match=said):
        minutes_of(typed)


def test_bench_time_and_bill_are_said_at_closing_and_kept(place: Path) -> None:
    run(*OPENED)
    words = ("close", "1", "--cause", "plug_board_end", "--without-proof")
    assert "hours or minutes" in said(*words, "--took", "1.5", status=2)
    assert "two ways" in said(*words, "--billed", "1.495", status=2)
    assert run(*words, "--took", "1h20", "--billed", "149,50").output.startswith(
        "Ticket 1 closed: repaired, 80 min at the bench."
    )
    assert "not all proved, 80 min at the bench, billed 149.50" in said("ticket", "1")
    told = json.loads(run("ticket", "1", "--json").output)
    assert (told["bench_minutes"], told["billed"]) == (80.0, 149.5)
    run("sheet", "1", "--html", str(place / "sheet.html"))
    assert "80 min" in (place / "sheet.html").read_text()


def test_a_quote_beyond_the_limit_is_said_at_once_with_the_way_to_ask(place: Path) -> None:
    assert "the limit is 20: faultfinder hold 1 approval" in said(*OPENED, "--limit", "20")
    assert "the limit is" in said("next", "1")
    run("hold", "1", "approval")
    assert "the limit is" not in said("resume", "1", "--limit", "5000,50")
    assert "limit 5000.5" in said("ticket", "1")


def test_a_failed_proof_points_at_what_shares_its_plug_and_never_at_the_panel_first(
    place: Path,
) -> None:
    run(*OPENED)
    run("repaired", "1", "reseat_board_plug")
    text = said("proved", "1", "camera_works=fail")
    shared = text.partition("It shares cable or plug with:")[2]
    assert "Display plug loose or off at the board" in shared
    assert "NEXT Reseat the display plug on the board" in shared
    assert "anel" not in shared.partition("When it passes")[0]
    assert "faultfinder proved 1 camera_works=pass" in text
    # A failed test and those still open have room on one screen.
    assert "How: faultfinder prove 1" in text
    assert len(run("next", "1").output.splitlines()) <= 23
    assert "Still to prove: Before" in said("proved", "1", "camera_works=pass")


def test_a_plug_reseated_before_is_looked_at_again_after_later_work(place: Path) -> None:
    run(*OPENED)
    run("tried", "1", "reseat_board_plug")
    run("repaired", "1", "replace_cable")
    assert "faultfinder how 1 reseat_board_plug" in said("proved", "1", "camera_works=fail")


def test_plan_and_prove_know_the_ticket(place: Path) -> None:
    run(*OPENED)
    assert "screen_light=dark" in said("plan", "1", "--fold", "60", "--depth", "2")
    assert "Type a ticket's number" in said("prove", status=2)
    run("tried", "1", "reseat_light_plug")
    run("repaired", "1", "reseat_board_plug")
    assert said("prove", "1").startswith("Reseat the display plug on the board")
    assert said("prove", "1", "reseat_light_plug").startswith("Reseat the light's own plug")


def test_the_steps_of_a_round_name_the_checks_that_go_with_it(place: Path) -> None:
    run(*OPENED, "-s", "after=own_repair")
    text = said("how", "1")
    assert "With it in this round: 2 " in text
    assert "Steps: faultfinder how 1 NUMBER" in text
    second = said("how", "1", "2")
    assert text.split("this round: 2 ")[1].split(";")[0] in second
    assert "in this round" not in second


def test_a_comeback_is_judged_by_what_was_done_before(thin: CompiledModel, place: Path) -> None:
    likelier = likelier_after(thin.model, ["reseat_board_plug"], ["plug_board_end"])
    first = consult(Case(thin, {"screen_light": "dark"}))
    again = consult(Case(thin, {"screen_light": "dark"}, likelier=likelier))
    assert likelier["plug_board_end"] > likelier["plug_light"] > 1.0
    for cause in ("plug_board_end", "plug_light"):
        assert again.causes[cause] > first.causes[cause]
    assert again.causes["panel"] < first.causes["panel"]
    # The scenarios that advice goes by say the same as the exact beliefs.
    place_of = again.problem.causes.index("plug_board_end")
    held = again.problem.weights[again.problem.scenarios[:, place_of] > 0].sum()
    assert held == pytest.approx(again.causes["plug_board_end"], abs=0.02)


def test_a_machine_that_comes_back_is_told_its_first_job(place: Path) -> None:
    run(*OPENED)
    run("repaired", "1", "reseat_board_plug")
    run("close", "1", "--cause", "plug_board_end", "--without-proof")
    run("intake", "--comeback-of", "1", "-s", "screen_light=dark")
    run(*OPENED)
    chances = [
        {
            one["cause"]: one["probability"]
            for one in json.loads(run("next", n, "--json").output)["causes"]
        }
        for n in ("2", "3")
    ]
    assert chances[0]["plug_board_end"] > 1.5 * chances[1]["plug_board_end"]
    assert "A comeback of ticket 1" in said("next", "2")


def test_a_habit_has_its_price_in_money_and_minutes(thin: CompiledModel) -> None:
    told = consult(Case(thin, {"screen_light": "dark", "after": "own_repair"}))
    price = habit.instead(told, "replace_panel")
    assert told.advice is not None
    assert price.cost_advised == pytest.approx(told.advice.cost)
    assert price.cost > price.cost_advised
    assert price.minutes > 0.0
    assert price.minutes_advised > 0.0
    assert 0.0 < price.right < 1.0
    now, then = price.teaches["panel"]
    assert then < now == told.causes["panel"]


def test_the_price_of_what_is_advised_is_its_own(thin: CompiledModel) -> None:
    told = consult(Case(thin, {"image": "normal", "brightness_keys": "helps"}))
    step = told.next_step
    if step is not None and step.kind == "repair":
        price = habit.instead(told, step.name)
        assert price.cost == pytest.approx(price.cost_advised, rel=0.02)
        assert price.minutes == pytest.approx(price.minutes_advised)


def test_instead_is_told_in_words_and_to_programs(place: Path) -> None:
    words = ("next", "-m", str(MODELS / "thin_clamshell.yaml"), "-s", "screen_light=dark")
    text = said(*words, "--instead", "replace_panel")
    for part in ("Money:", "Bench time:", "Right:", "It would teach"):
        assert part in text
    told = json.loads(run(*words, "--instead", "replace_panel", "--json").output)["instead"]
    assert told["repair"] == "replace_panel"
    assert "no repair" in said(*words, "--instead", "new_lid", status=2)


def test_own_words_find_what_they_speak_of(thin: CompiledModel) -> None:
    best = search(thin.model, "faint picture with torch")[:3]
    assert best[0].name == "torch"
    assert "image" in [hit.name for hit in best]
    assert search(thin.model, "hing")[0].title.lower().startswith("hinge")
    assert search(thin.model, "xyzzy") == []


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("backlight on, no picture", {"image", "screen_light"}),
        ("no backlight", {"screen_light"}),
        ("works on external monitor", {"external_monitor"}),
        ("flickers when I move the lid", {"flicker_when", "lid_angle"}),
        ("it beeps", {"fault_signal"}),
        ("keyboard light on", {"keyboard_answers"}),
    ],
)
def test_a_result_as_it_is_spoken_leads_to_its_finding(
    thin: CompiledModel, typed: str, meant: set[str]
) -> None:
    assert meant <= {hit.name for hit in search(thin.model, typed, ("finding",))[:2]}


def test_a_stop_says_the_command_that_takes_a_slip_back(place: Path) -> None:
    run(*OPENED)
    text = said("found", "1", "battery=swollen")
    assert text.count("STOP") == 1
    assert "estimate" not in said("slip", "1")
    assert "faultfinder takeback 1 3" in text


def test_what_is_no_finding_is_refused_with_the_way_on(place: Path) -> None:
    run(*OPENED)
    assert '"faultfinder repaired 1 REPAIR"' in said("found", "1", "Picture is back", status=2)
    other = said("found", "1", "screen_light=lit", status=1)
    assert '"faultfinder takeback 1 2"' in other
    assert "If work changed it" in other
    assert "Did you mean glass?" in said("found", "1", "galss=whole", status=2)
    nothing = said("found", "1", "zzzz=1", status=2)
    assert "A word of its name or title" in nothing
    assert len(nothing) < 160


def test_the_slip_says_what_was_taken_down_and_what_it_may_cost(place: Path) -> None:
    run(*OPENED, "--complaint", "dark since <Monday>", "--limit", "10", "--consent", "opening")
    text = said("slip", "1")
    for part in ("dark since <Monday>", "Agreed to: opening the machine", "It may cost:", "dark"):
        assert part in text
    page = place / "slip.html"
    run("slip", "1", "--html", str(page))
    told = page.read_text()
    assert "dark since &lt;Monday&gt;" in told
    check_look(told, place)
    check_paper(page, place, cautions=False)
    for small in ('<p style="font-size:6pt">small</p>', '<p style="font-size:6pt">Caution: x</p>'):
        page.write_text(told.replace("</body>", f"{small}</body>"))
        with pytest.raises(AssertionError, match="too small on paper"):
            check_paper(page, place, cautions="Caution" in small)


def test_a_caution_smaller_than_the_text_around_it_is_seen_on_paper(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(
        "<!DOCTYPE html><style>body{font:12pt sans-serif}.caution{font-size:10pt}</style>"
        "<body><p>A long text at the size of the body.</p><p class=caution>Caution: glass.</p>"
    )
    with pytest.raises(AssertionError, match="Caution: glass"):
        check_paper(page, tmp_path)


def test_a_cause_asks_for_what_proved_it_or_counts_as_judgement(
    thin: CompiledModel, place: Path
) -> None:
    run(*OPENED)
    asked = said("found", "1", "panel=black", status=2)
    assert "What proved it? Write that down. Most telling of it: " in asked
    assert '"faultfinder found 1 panel=black --judgement"' in asked
    assert SAID in asked
    assert "What proved it?" in said(*OPENED, "-s", "panel=black", status=2)
    page = said("found", "1", "panel=black", "--judgement")
    assert f"Own judgement, no proof: panel=black ({SAID})." in page
    assert "own judgement, not proof: panel=black" in said("ticket", "1")
    assert json.loads(run("next", "1", "--json").output)["judged"] == {"panel": "black"}
    run("takeback", "1", "3")
    assert "Own judgement" not in said("next", "1")


@pytest.mark.parametrize("state", ["black", "lit_blank"])
def test_a_judgement_moves_the_odds_of_what_it_names_by_its_weight(
    thin: CompiledModel, state: str
) -> None:
    """Bayes' rule in its form of odds, for two states of the panel and the beliefs of scenarios."""
    results = {"screen_light": "dark"}
    before = consult(Case(thin, results))
    after = consult(Case(thin, results, judged={"panel": state}))
    was, now = before.cause_states["panel"][state], after.cause_states["panel"][state]
    assert now / (1.0 - now) == pytest.approx(WEIGHT * was / (1.0 - was), rel=1e-9)
    place = after.problem.causes.index("panel")
    number = thin.network.states[thin.network.index["panel"]].index(state)
    held = after.problem.weights[after.problem.scenarios[:, place] == number].sum()
    assert held == pytest.approx(now, abs=0.02)


@pytest.mark.parametrize(
    ("typed", "years"),
    [("3", 3.0), ("2,5", 2.5), ("3y", 3.0), ("3 years", 3.0), ("18 months", 1.5), ("1y6m", 1.5)],
)
def test_an_age_is_read_as_people_write_it(typed: str, years: float) -> None:
    assert years_of(typed) == years


@pytest.mark.parametrize("typed", ["", "old", "-3", "3x", "300y", f"{'1' * 5000} months"])
def test_what_is_no_age_is_refused(typed: str) -> None:
    with pytest.raises(MisuseError):
        years_of(typed)


def test_first_letters_list_the_names_that_begin_so() -> None:
    names = [f"look_{number}" for number in range(70)]
    assert did_you_mean("look_1", names).startswith("It could be look_1, look_10")
    assert "type the first letters" in did_you_mean("zzz", names)
    assert did_you_mean("look_69", names) == "Did you mean look_69?"
    assert did_you_mean("cable", ["panel", "own_cable", "cables_of"]) == "Did you mean cables_of?"
    assert did_you_mean("able", ["panel", "a_cable", "table"]) == "It could be a_cable or table."


def test_a_question_never_asks_for_reassembly(thin: CompiledModel, place: Path) -> None:
    told = consult(Case(thin, {"screen_light": "dark"}, stage="isolated"))
    for name in ("ask_after", "ask_began", "ask_opened"):
        ranked = told.ranked(name)
        assert ranked.route.moves == ()
        assert ranked.minutes == thin.model.checks_by_name[name].minutes
    actions = {check.name: check.stage for check in told.problem.checks}
    assert actions["ask_after"] == told.problem.stages.index("isolated")
    assert actions["external_monitor"] != told.problem.stages.index("isolated")
    words = ("next", "-m", str(MODELS / "thin_clamshell.yaml"), "--stage", "isolated")
    text = said(*words, "--why", "ask_after")
    assert "The way there" not in text
    assert "on the way there" not in text
    after = consult(Case(thin, {"screen_light": "dark"}).after_repair("reseat_board_plug"))
    assert "ask_after" not in {check.name for check in after.problem.checks}


def test_what_was_looked_up_without_a_ticket_can_be_kept_as_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTFINDER_DB", str(tmp_path / "tickets.db"))
    words = ("next", "-m", str(MODELS / "thin_clamshell.yaml"), "-s", "screen_light=dark")
    since = ("--tried", "drain_power", "--now", "torch=nothing_seen")
    first = run(*words, *since).output
    assert first.startswith("No ticket: nothing is written down.")
    assert first.rstrip().endswith("--keep")
    assert not (tmp_path / "tickets.db").exists()
    kept = run(*words, *since, "--keep")
    assert "Kept as ticket 1." in kept.output
    log = run("ticket", "1").output
    for said in ("screen_light=dark", "drain_power", "torch=nothing_seen"):
        assert said in log
    run("next", "1", "--keep", status=2)
    run(*words, "--keep", "--json", status=2)
