"""A small invented shop model built in code, with repairs, for tests of plans."""

from __future__ import annotations

from faultfinder.model.parts import (
    Check,
    FaultModel,
    Kind,
    Link,
    Move,
    NoisyMax,
    Price,
    Proof,
    Repair,
    Retest,
    Row,
    SimpleTest,
    Stage,
    Table,
    Variable,
)


def _root(name: str, states: tuple[str, ...], *gives: float, kind: Kind) -> Variable:
    return Variable(name, kind, name, states, Table((), (Row({}, tuple(gives)),)))


def _test(name: str, of: str, shows: tuple[str, ...], sens: float, spec: float) -> Variable:
    return Variable(name, Kind.FINDING, name, ("no", "yes"), SimpleTest(of, shows, sens, spec))


def small_shop() -> FaultModel:
    """Four causes (one with two faulty states), two conditions, five findings, three stages."""
    sure = Link((1.0, 0.0))
    bad = Link((0.0, 1.0))
    knock = _root("knock", ("no", "yes"), 0.7, 0.3, kind=Kind.HISTORY)
    plug = Variable(
        "plug",
        Kind.CAUSE,
        "Plug loose",
        ("seated", "half", "off"),
        NoisyMax(
            ("knock",),
            Link((0.9, 0.06, 0.04)),
            {"knock": {"yes": Link((0.8, 0.12, 0.08))}},
        ),
    )
    strip = _root("strip", ("fine", "dead"), 0.95, 0.05, kind=Kind.CAUSE)
    panel = Variable(
        "panel",
        Kind.CAUSE,
        "Panel damaged",
        ("fine", "damaged"),
        NoisyMax(("knock",), Link((0.96, 0.04)), {"knock": {"yes": Link((0.85, 0.15))}}),
    )
    board = _root("board", ("fine", "dead"), 0.98, 0.02, kind=Kind.CAUSE)
    light = Variable(
        "light",
        Kind.CONDITION,
        "Light",
        ("on", "off"),
        NoisyMax(("strip", "board"), sure, {"strip": {"dead": bad}, "board": {"dead": bad}}),
    )
    image = Variable(
        "image",
        Kind.CONDITION,
        "Image",
        ("clean", "disturbed", "none"),
        NoisyMax(
            ("plug", "panel"),
            Link((1.0, 0.0, 0.0)),
            {
                "plug": {"half": Link((0.0, 1.0, 0.0)), "off": Link((0.0, 0.0, 1.0))},
                "panel": {"damaged": Link((0.0, 1.0, 0.0))},
            },
        ),
    )
    complaint = Variable(
        "no_picture",
        Kind.COMPLAINT,
        "No picture",
        ("no", "yes"),
        NoisyMax(
            ("light", "image"),
            sure,
            {"light": {"off": bad}, "image": {"disturbed": bad, "none": bad}},
        ),
    )
    look = Variable(
        "look",
        Kind.FINDING,
        "What is seen",
        ("lines", "faint", "nothing"),
        Table(
            ("light", "image"),
            (
                Row({"light": ("off",)}, (0.05, 0.45, 0.5)),
                Row({"image": ("none",)}, (0.05, 0.05, 0.9)),
                Row({"image": ("disturbed",)}, (0.8, 0.1, 0.1)),
                Row({}, (0.3, 0.3, 0.4)),
            ),
        ),
    )
    findings = (
        look,
        _test("plug_seen", "plug", ("half", "off"), 0.95, 0.97),
        _test("strip_volts", "board", ("dead",), 0.9, 0.95),
        _test("glass_cracked", "panel", ("damaged",), 0.6, 0.98),
        _test("tap_flicker", "plug", ("half",), 0.7, 0.9),
    )
    return FaultModel(
        name="small_shop",
        title="Small invented machine",
        variables=(knock, plug, strip, panel, board, light, image, complaint, *findings),
        checks=(
            Check("look", "Look", ("look",), 1.0, "closed"),
            Check("glass", "Look at the glass", ("glass_cracked",), 1.0, "closed"),
            Check("tap", "Tap the lid", ("tap_flicker",), 1.0, "closed"),
            Check("open_look", "Look at the plug", ("plug_seen",), 2.0, "open"),
            Check("measure", "Measure", ("strip_volts",), 5.0, "open", consumables=1.0),
        ),
        stages=(
            Stage("closed", "Closed", powered=True),
            Stage("open", "Cover off", powered=True),
            Stage("isolated", "Battery off", powered=False),
        ),
        moves=(
            Move("closed", "open", 6.0),
            Move("open", "closed", 7.0),
            Move("open", "isolated", 1.0),
            Move("isolated", "open", 1.0),
        ),
        start="closed",
        complaint="no_picture",
        repairs=(
            Repair("reseat", "Reseat the plug", {"plug": {"half": 0.95, "off": 0.97}},
                   "isolated", 4.0, proof=("range",)),
            Repair("new_lid", "New lid assembly",
                   {"strip": {"dead": 0.99}, "panel": {"damaged": 0.99}},
                   "isolated", 25.0, part=Price(150.0, 190.0, 260.0), lead_days=2.0,
                   proof=("range",)),
            Repair("board_work", "Board-level work", {"board": {"dead": 0.8}},
                   "isolated", 10.0, part=Price(80.0, 120.0, 200.0), lead_days=5.0,
                   hand_over=True, proof=("range",)),
        ),
        proofs=(Proof("range", "Brightness range", ("Step through it.",), "Even light", 2.0),),
        retest=Retest(3.0, 0.03),
    )  # fmt: skip
