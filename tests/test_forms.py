"""Plain forms: what `--json` prints holds the declared keys, no more and no fewer."""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from faultfinder.cli.main import COMMANDS, commands
from faultfinder.cli.options import JsonCommand
from faultfinder.model.parts import Basis
from faultfinder.plain import SINGLE, Form, Key, json_text, plain, read_plain
from faultfinder.report.learning.plain import DOUBT
from faultfinder.report.model.plain import BASIS
from faultfinder.report.ticket.plain import ROW
from faultfinder.report.ticket.standing import Standing
from tests import MODELS_BEFORE
from tests.invented_models import write_small_lid
from tests.test_sheet import found, ticket

ROOT = Path(__file__).parent.parent
DARK = ("-s", "backlight=off", "-s", "image=none")
M = ("-m", "thin_clamshell")

TORCH = ROOT / "tests" / "casebook" / "torch"
TORCH_BOOK = (
    *("-m", str(TORCH / "torch.yaml")),
    *("--vocabulary", str(TORCH / "words.yaml")),
    *("--mapping", str(TORCH / "mapping.yaml")),
)

PRINTED: dict[str, tuple[tuple[str, ...], ...]] = {
    "next": (
        (*M, *DARK),
        (*M, *DARK, "--why", "look_cable_path"),
        (*M, *DARK, "--instead", "reseat_light"),
        (*M, "-s", "battery_shape=swollen"),
        (*M, *DARK, "--tried", "reseat_data", "--now", "backlight=on"),
        ("OPEN",),
    ),
    "ticket": (("OPEN",), ("1",)),
    "tickets": (("--all", "--limit", "650"),),
    "triage": ((),),
    "tune": (M,),
    "replay": ((*M, "--folds", "2", "--played", "2"),),
    "doubts": ((*M, "--least", "20"),),
    "plan": ((*M, *DARK, "--planner", "one-step", "--depth", "3"),),
    "prove": ((*M, "new_assembly"),),
    "model show": (("small_lid", "--tolerance", "100"),),
    "model sensitivity": (("small_lid",),),
    "model cases": (
        (
            *(str(TORCH / "many.yaml"), *TORCH_BOOK, "--play", "--leave-out"),
            *("--rounds", str(TORCH / "rounds.yaml"), "--beside", str(TORCH / "other.json")),
        ),
    ),
    "model expectations": ((str(TORCH / "situations.yaml"), *TORCH_BOOK, "--variations", "2"),),
}
"""Each command that has --json, and with what words it is run here."""


@dataclass(frozen=True)
class Shop:
    """A store with the invented tickets and an open one, `open_number`."""

    place: Path
    models: Path
    cache: Path
    open_number: str


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("forms")
    shutil.copytree(MODELS_BEFORE, folder / "models")
    write_small_lid(folder / "models")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FAULTFINDER_MODELS", str(folder / "models"))
        patch.setenv("FAULTFINDER_CACHE", str(folder / "kept"))
        patch.setenv("FAULTFINDER_DB", str(folder / "tickets.db"))
        patch.setenv("XDG_CONFIG_HOME", str(folder / "settings"))
        patch.delenv("FAULTFINDER_SHOP", raising=False)
        patch.setattr("faultfinder.learning.judge.changed_advice.LAST", 10)
        rows = (ROOT / "tests/demo_before/invented_tickets.jsonl").read_text("utf-8").splitlines()
        (folder / "some.jsonl").write_text("\n".join(rows[::4]) + "\n", "utf-8")
        run("import", str(folder / "some.jsonl"))
        said = run("intake", *M, "--complaint", "Invented: dark.")
        number = re.search(r"icket (\d+)", said)
        assert number is not None, said
        run("found", number[1], "backlight=off")
        run("tried", number[1], "reseat_data")
        run("found", number[1], "image=none", "flicker=unknown")
        run("ordered", number[1], "panel, invented", "--due", "2031-01-02")
        run("tune", *M, "--since", "2026-05-01")
        yield Shop(folder / "tickets.db", folder / "models", folder / "kept", number[1])


def run(*words: str) -> str:
    done = CliRunner().invoke(commands, list(words), prog_name="faultfinder")
    assert done.exit_code == 0, (words, done.output)
    return done.output


def with_json() -> dict[str, JsonCommand]:
    """Every command that takes --json, groups looked into."""
    found: dict[str, JsonCommand] = {}

    def look(name: str, command: click.Command) -> None:
        if isinstance(command, click.Group):
            for inner, one in command.commands.items():
                look(f"{name} {inner}", one)
        elif any("--json" in param.opts for param in command.params):
            assert isinstance(command, JsonCommand), f"{name} prints JSON that no form declares"
            found[name] = command

    context = click.Context(commands)
    for name in COMMANDS:
        command = commands.get_command(context, name)
        assert command is not None
        look(name, command)
    return found


def held(form: Form[Any], told: object, seen: set[Key[Any]], where: str) -> None:
    """`told` holds the keys of `form` in their order; those met go to `seen`."""
    assert isinstance(told, dict), where
    names = [key.name for key in form.keys]
    must = {key.name for key in form.keys if key.when is None}
    assert must <= set(told), f"{where}: missing {must - set(told)}"
    assert [name for name in names if name in told] == list(told), f"{where}: {list(told)}"
    for key in form.keys:
        if key.name not in told:
            continue
        seen.add(key)
        value, below = told[key.name], f"{where}.{key.name}"
        fits(key.kind, value, below)
        if key.inner is not None and value is not None:
            inside = value if isinstance(value, list) else [value]
            for item in value.values() if " for each " in key.kind else inside:
                held(key.inner, item, seen, below)


def fits(kind: str, value: object, where: str) -> None:
    """What stands there is of the kind that is said."""
    kind, _, each = kind.partition(" for each ")
    if each:
        assert isinstance(value, dict), where
        for one in value.values():
            fits(kind, one, where) if not isinstance(one, dict) else None
        return
    if kind.endswith(" or null"):
        if value is None:
            return
        kind = kind.removesuffix(" or null")
    if kind == "objects" or kind.startswith("list of "):
        assert isinstance(value, list), where
        one = {"objects": "object", "minutes": "minutes", "probabilities": "probability"}
        last = kind.removeprefix("list of ")
        for item in value:
            fits(one.get(last, last.removesuffix("s")), item, where)
        return
    assert kind in SINGLE, f"{where} is of no kind that is known: {kind}"
    types = {"count": int, "true or false": bool, "object": dict}
    texts = ("word", "text", "time", "day")
    wanted = types.get(kind, str if kind in texts else (int, float))
    assert isinstance(value, wanted), f"{where} is {value!r}, not {kind}"
    if kind == "probability":
        assert -1e-12 <= value <= 1.0 + 1e-12, where  # type: ignore[operator]


def test_every_command_that_prints_json_is_run_here() -> None:
    assert set(with_json()) == set(PRINTED)


@pytest.mark.parametrize("name", PRINTED)
def test_what_is_printed_holds_the_declared_keys_and_no_others(name: str, shop: Shop) -> None:
    form = with_json()[name].form
    seen: set[Key[Any]] = set()
    for words in PRINTED[name]:
        typed = [shop.open_number if word == "OPEN" else word for word in words]
        text = run(*name.split(), *typed, "--json")
        told = json.loads(text)
        for item in told if isinstance(told, list) else [told]:
            held(form, item, seen, name)
        assert text.isascii()
    never = {key.name for _, key, _ in form.walk() if key not in seen}
    if name == "tickets":
        never -= {"problem"}
        state = ticket(found("backlight", "off"))
        told = ROW.plain((state, Standing(trouble="Contradictory.")))
        assert (told["problem"], "cause" in told) == ("Contradictory.", False)
        assert set(ROW.plain((state, None))) == {k.name for k in ROW.keys if k.when is None}
    if name == "doubts":
        # None in the invented shop; tests/test_structure.py has some.
        never -= {key.name for key in DOUBT.keys}
    if name == "model sensitivity":
        # No figure of that small model says where it comes from.
        never -= {key.name for key in BASIS.keys}
        held(BASIS, BASIS.plain(Basis("guess", "invented", 3.0)), seen, "basis")
    assert not never, f"never printed: {sorted(never)}"


@pytest.mark.parametrize("name", PRINTED)
def test_help_with_json_says_what_every_key_means(name: str) -> None:
    page = run(*name.split(), "--json", "--help")
    assert page == run(*name.split(), "-h", "--json")
    assert max(map(len, page.splitlines())) <= 80
    words = " ".join(page.split())
    for _, key, _ in with_json()[name].form.walk():
        assert " ".join(f"{key.name}: {key.kind}; {key.meaning}".split()) in words
    plain_help = run(*name.split(), "--help")
    assert "With --help" in " ".join(plain_help.split())
    assert page != plain_help


def test_a_form_takes_what_it_declares_and_makes_it_plain() -> None:
    inner = Form[float]("A number", Key("half", "number", "half of it", lambda v: v / 2))
    form = Form[complex](
        "A complex number",
        Key("real", "number", "its real part"),
        Key("lost", "number or null", "not finite", lambda _: math.inf),
        Key("both", "objects", "parts", lambda c: (c.real, c.imag), inner),
        Key("each", "object for each part", "parts", lambda c: {"r": c.real}, inner),
        Key("none", "object or null", "nothing", lambda _: None, inner),
        Key("big", "number", "only of the big", abs, when=lambda c: abs(c) > 10),
    )
    assert form.plain(2 + 4j) == {
        "real": 2.0, "lost": None, "both": [{"half": 1.0}, {"half": 2.0}],
        "each": {"r": {"half": 1.0}}, "none": None,
    }  # fmt: skip
    assert form.plain(60 + 80j)["big"] == 100.0
    assert json_text({"a": "\x7f\u202e"}) == '{\n  "a": "\\u007f\\u202e"\n}'
    with pytest.raises(TypeError, match="object has no plain form"):
        plain([object()])


@dataclass(frozen=True)
class Named:
    names: tuple[str, ...]


@pytest.mark.parametrize("told", ["abc", {"a": 1}, 3])
def test_what_is_no_list_is_not_read_as_one(told: object) -> None:
    assert read_plain(Named, {"names": ["abc"]}) == Named(("abc",))
    with pytest.raises(TypeError, match="is no list"):
        read_plain(Named, {"names": told})
