"""The shop around the network: stages, moves between them, checks, stop rules."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from faultfinder.errors import did_you_mean, nearest
from faultfinder.model.parts import (
    Check,
    Kind,
    Kit,
    Move,
    Need,
    Phrase,
    Precaution,
    Silence,
    Stage,
    StopRule,
    Suggestion,
    Unlisted,
)
from faultfinder.model.reading import keys
from faultfinder.model.reading.faults import listed, shown
from faultfinder.model.reading.fields import (
    Fields,
    clean_text,
    described,
    pick,
    picked_states,
    read_number,
    read_words,
)
from faultfinder.model.reading.read_former import read_former
from faultfinder.model.reading.read_repairs import read_caution, read_risk, read_stage
from faultfinder.model.reading.read_variables import Head, default_title, read_basis
from faultfinder.model.reading.yaml_nodes import Pairs, Text
from faultfinder.model.sentences import begun

_OBSERVABLE = (Kind.FINDING, Kind.HISTORY)


def read_stages(root: Fields) -> tuple[Stage, ...]:
    """The teardown stages, in file order."""
    needed = "Give at least the stage a machine arrives in: stages: and under it closed: ..."
    powered = "Say whether the machine is powered in it: powered: yes."
    return tuple(
        Stage(
            name,
            title=fields.text("title", "Give it a title, such as title: Bottom cover off."),
            powered=fields.yes_no("powered", True, powered),
            caution=fields.text("caution"),
            live=fields.yes_no("live", False),
            short=fields.text("short"),
            line=fields.line,
        )
        for name, fields in root.each("stages", "stage", keys.STAGE, needed)
    )


def read_start(root: Fields, stages: Sequence[str]) -> str:
    """The stage a machine arrives in; '' when it is not a stage."""
    word = root.word("start", "Name the stage a machine arrives in, such as start: closed.")
    if word is None or not stages:
        return ""
    return pick(root.faults, word, stages, "start", "stage") or ""


def read_moves(root: Fields, stages: Sequence[str]) -> tuple[Move, ...]:
    """The moves that name two stages and their minutes."""
    faults, moves = root.faults, dict[tuple[str, str], Move]()
    for fields in root.numbered("moves", "move", keys.MOVE):
        example = stages[0] if stages else "closed"
        start, end = (
            read_stage(fields, key, stages, f"Name a stage: {key}: {example}.")
            for key in ("from", "to")
        )
        minutes = fields.number("minutes", "Give its time, such as minutes: 6.")
        how = " ".join(fields.texts("how"))
        caution = fields.text("caution")
        if start is None or end is None:
            continue
        if start == end:
            faults.add(
                fields.line,
                f"{fields.label} goes from {start} to itself.",
                "Name two different stages, or leave it out.",
            )
        elif (start, end) in moves:
            faults.add(
                fields.line,
                f"{fields.label} from {start} to {end} is there already "
                f"({faults.place(moves[start, end].line, fields.line)}).",
                "Keep one of the two.",
            )
        else:
            # Without minutes the move still counts for what can be reached.
            moves[start, end] = Move(start, end, minutes or 0.0, how, caution, fields.line)
    return tuple(moves.values())


def observable(heads: Mapping[str, Head]) -> dict[str, Head]:
    """The findings and histories: what a check can observe."""
    return {name: head for name, head in heads.items() if head.kind in _OBSERVABLE}


def read_checks(
    root: Fields,
    heads: Mapping[str, Head],
    stages: Sequence[str],
    needs: Sequence[str],
    kits: Sequence[str],
    off: str,
) -> tuple[Check, ...]:
    """The checks; one with a problem is kept as far as the later cross-checks need it. `off` is
    what {off} stands for in what they suggest."""
    checks: list[Check] = []
    entries = list(root.each("checks", "check", keys.CHECK, "Give at least one check."))
    title = "Give it a title, such as title: Look at the backlight."
    minutes = "Give the time of the check itself, such as minutes: 2."
    stage = f"Name a stage: stage: {stages[0] if stages else 'closed'}."
    for name, fields in entries:
        observes = _observes(fields, heads)
        check = Check(
            name=name,
            title=fields.text("title", title) or default_title(name),
            observes=observes,
            minutes=fields.number("minutes", minutes) or 0.0,
            stage=read_stage(fields, "stage", stages, stage) or "",
            consumables=fields.number("consumables") or 0.0,
            intake=fields.yes_no("intake", False),
            tools=fields.texts("tools"),
            how=fields.texts("how"),
            suggests=_of_results(fields, "suggests", heads, observes, off),
            briefly=_of_results(fields, "briefly", heads, observes),
            caution=read_caution(fields),
            needs=fields.picked("needs", needs, "need"),
            kits=fields.picked("kits", kits, "kit"),
            risk=read_risk(fields, harm_in_words=False),
            off=fields.yes_no("off", False),
            said_first=fields.yes_no("said_first", False),
            asked=fields.yes_no("asked", False),
            short=fields.text("short"),
            behind=fields.picked("behind", [one for one, _ in entries if one != name], "check"),
            line=fields.line,
            was=read_former(fields),
        )
        checks.append(check)
    return tuple(checks)


def _observes(fields: Fields, heads: Mapping[str, Head]) -> tuple[str, ...]:
    can = observable(heads)
    observes: list[str] = []
    for word in fields.words("observes", "Name what it observes: observes: [backlight]."):
        if word.value in can:
            observes.append(word.value)
            continue
        other = heads.get(word.value)
        if other is None and (meant := nearest(word.value, can)):
            observes.append(meant)
        why = "no finding or history" if other is None else f"a {other.kind}"
        fields.faults.add(
            word.line,
            f"{fields.label} observes {shown(word.value)}, which is {why}.",
            did_you_mean(word.value, can)
            if other is None
            else "A check can observe findings and histories only.",
        )
    return tuple(observes)


def _of_results(
    fields: Fields,
    key: str,
    heads: Mapping[str, Head],
    observes: Sequence[str],
    off: str = "",
) -> dict[str, dict[str, str]]:
    """A line of text for results of what a check observes: finding -> result -> text, with `off`,
    where it is given, for {off}."""
    faults, label = fields.faults, f"{key} of {fields.label}"
    suggests: dict[str, dict[str, str]] = {}
    for word, node in fields.entries(key):
        if word.value not in observes:
            if observes:
                faults.add(
                    word.line,
                    f"{label} names {shown(word.value)}, which the check does not observe.",
                    did_you_mean(word.value, observes),
                )
            continue
        if not isinstance(node, Pairs):
            faults.add(
                word.line,
                f"{label}, {word.value} is {described(node)}.",
                "It must name results, each with a line of text.",
            )
            continue
        states = heads[word.value].states
        lines: dict[str, str] = {}
        for result, text in node.pairs:
            picked_states(faults, [result], states, f"{label}, {word.value}", "result")
            if not isinstance(text, Text):
                faults.add(
                    result.line,
                    f"{label}, {word.value} = {result.value} is {described(text)}.",
                    'It must be a line of text; text that holds ": " needs quotes around it.',
                )
            else:
                said = clean_text(faults, text, label)
                if off:
                    where = f"{label}, {word.value} = {result.value}"
                    said = _with_off(fields, text.line, where, said, off)
                lines[result.value] = said
        suggests[word.value] = lines
    return suggests


def _with_off(fields: Fields, line: int, label: str, said: str, off: str) -> str:
    """What is said with `off` for {off}; no other brace may stand in it."""
    made = re.sub(r"(^|[.?] +)\{off\}", rf"\1{begun(off)}", said)
    made = made.replace("{off}", off)
    if "{" in made:
        fields.faults.add(
            line,
            f"{label} holds a brace: {shown(said)}.",
            "{off} stands for the short name of the first stage without power; "
            "nothing else in braces does.",
        )
    return made


def read_needs(root: Fields, heads: Mapping[str, Head]) -> tuple[Need, ...]:
    """What checks can need."""
    title = "Give it a title, such as title: A machine that starts."
    return tuple(
        Need(
            name,
            fields.text("title", title),
            _results(fields, "met", heads),
            _results(fields, "lost", heads),
            fields.yes_no("assumed", True),
            fields.line,
        )
        for name, fields in root.each("needs", "need", keys.NEED)
    )


def read_kits(root: Fields) -> tuple[Kit, ...]:
    """What is set up once for several checks."""
    return tuple(
        Kit(
            name,
            fields.text("title") or default_title(name),
            fields.number("minutes") or 0.0,
            fields.number("consumables") or 0.0,
            fields.line,
        )
        for name, fields in root.each("kits", "kit", keys.KIT)
    )


def read_precautions(
    root: Fields,
    heads: Mapping[str, Head],
    checks: Sequence[Check],
    needs: Sequence[str],
) -> tuple[Precaution, ...]:
    """What results call for before all else."""
    found = []
    names = [check.name for check in checks]
    for fields in root.numbered("precautions", "precaution", keys.PRECAUTION):
        fields.node("when", "Say what calls for it: when: {after: [liquid]}.")
        when = _results(fields, "when", heads)
        name = fields.pick(
            "look", names, "check", "Name the check to make first: look: look_battery."
        )
        say = fields.text("say", "Say what to do: say: ...")
        unpowered = fields.yes_no("unpowered", False)
        unless = fields.picked("unless", needs, "need")
        if name is not None:
            found.append(Precaution(when, name, say, unpowered, unless, fields.line))
    return tuple(found)


def read_suggestions(root: Fields, heads: Mapping[str, Head], off: str) -> tuple[Suggestion, ...]:
    """What results, or likely causes, point to."""
    causes = [name for name, head in heads.items() if head.kind is Kind.CAUSE]
    found = []
    for name, fields in root.each("suggestions", "suggestion", keys.SUGGESTION):
        when = _results(fields, "when", heads)
        likely = fields.picked("likely", causes, "cause")
        if "when" not in fields and "likely" not in fields:
            root.faults.add(
                fields.line,
                f"{fields.label} says neither after what it is said nor of which causes.",
                "Give what was told, when: {after: [new_system], image: [doubled]}, or the causes "
                "that it is for, likely: [lamp].",
            )
        brief = fields.text("briefly")
        said = fields.text("say", "" if brief else "Say what they point to: say: ...")
        said, brief = (
            _with_off(fields, fields.line_of(key), fields.label, words, off)
            for key, words in (("say", said), ("briefly", brief))
        )
        found.append(Suggestion(name, said, when, likely, brief, fields.line))
    return tuple(found)


def read_phrases(root: Fields, heads: Mapping[str, Head]) -> tuple[Phrase, ...]:
    """What stands for results in suggestions."""
    return tuple(
        Phrase(name, fields.texts("said"), _results(fields, "means", heads), fields.line)
        for name, fields in root.each("phrases", "phrase", keys.PHRASE)
    )


def read_worth(root: Fields) -> dict[float, float]:
    """What a machine is worth by its age in years."""
    found: dict[float, float] = {}
    for word, node in root.entries("worth"):
        age = read_number(root.faults, word, "an age under worth", 0.0, 100.0)
        amount = read_number(root.faults, node, f"worth at {word.value} years", 0.0)
        if age is not None and amount is not None:
            found[age] = amount
    return dict(sorted(found.items()))


def _results(fields: Fields, key: str, heads: Mapping[str, Head]) -> dict[str, tuple[str, ...]]:
    """{finding: [results]} under a key."""
    can, label = observable(heads), f"{key} of {fields.label}"
    found: dict[str, tuple[str, ...]] = {}
    for word, node in fields.entries(key):
        name = pick(fields.faults, word, can, label, "finding")
        said = read_words(fields.faults, node, label, word.line)
        if name is not None and can[name].states:
            states = can[name].states
            found[name] = picked_states(fields.faults, said, states, f"{label}, {name}", "result")
    return found


def read_stops(
    root: Fields, heads: Mapping[str, Head], repairs: Sequence[str]
) -> tuple[StopRule, ...]:
    """The results that end the diagnosis for safety."""
    can = observable(heads)
    stops: list[StopRule] = []
    for fields in root.numbered("stops", "stop rule", keys.STOP):
        name = fields.pick("finding", can, "finding", "Name the finding: finding: battery_shape.")
        words = fields.words("results", "Name the results that end the diagnosis: [swollen].")
        say = fields.text("say", "Say what to do instead: say: ...")
        lifted = fields.picked("lifted_by", repairs, "repair")
        if name is None or not can[name].states:
            continue
        states = can[name].states
        results = picked_states(root.faults, words, states, fields.label, "result")
        if states[0] in results:
            root.faults.add(
                fields.line_of("results"),
                f"{fields.label} stops on {name} = {states[0]}, the normal result.",
                f"Stop on others only: {listed(states[1:], 'or')}.",
            )
        stops.append(StopRule(name, results, say, lifted, fields.line))
    return tuple(stops)


def read_silence(root: Fields, heads: Mapping[str, Head]) -> Silence | None:
    """The answer that stands for "nothing else", or None."""
    fields = root.inner("silence", keys.SILENCE, "silence")
    if fields is None:
        return None
    findings = {n: head for n, head in heads.items() if head.kind is Kind.FINDING}
    name = fields.pick("finding", findings, "finding", "Name the finding: finding: anything_else.")
    result = fields.word("result", "Name the result that says so: result: nothing.")
    if name is None or result is None or not findings[name].states:
        return None
    state = pick(root.faults, result, findings[name].states, "silence", "result")
    return None if state is None else Silence(name, state, fields.line)


def read_unlisted(root: Fields) -> Unlisted | None:
    """What a cause that is not listed is taken for, or None."""
    fields = root.inner("unlisted", keys.UNLISTED, "unlisted")
    if fields is None:
        return None
    prior = fields.number(
        "prior", "Give its share of the machines: prior: 0.14.", 0.0, 0.99, above=True
    )
    flatness = 0.5
    if "flatness" in fields:
        flatness = fields.number("flatness", low=0.0, high=1.0) or 0.0
    basis = read_basis(fields)
    return None if prior is None else Unlisted(prior, flatness, basis, fields.line)
