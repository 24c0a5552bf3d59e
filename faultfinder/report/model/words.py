"""Words for a whole model that its pages share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faultfinder.assess.isolation import CauseIsolation, Isolation
from faultfinder.assess.single_faults import Fault
from faultfinder.assess.testability import Assessment, Group
from faultfinder.model.parts import FaultModel, Kind, Variable
from faultfinder.report.page import Page
from faultfinder.report.wording import counted, joined, percent, unbroken

MANY = 6
"""Names listed before the rest is only counted."""


def counts(model: FaultModel) -> str:
    """What the model holds, in words."""
    held = [
        counted(len(model.of_kind(Kind.HISTORY)), "history", "histories"),
        counted(len(model.of_kind(Kind.CAUSE)), "cause"),
        counted(len(model.of_kind(Kind.CONDITION)), "condition"),
        counted(len(model.of_kind(Kind.FINDING)), "finding"),
        counted(len(model.checks), "check"),
        counted(len(model.stages), "stage"),
    ]
    if model.repairs:
        held.append(counted(len(model.repairs), "repair"))
    return joined(held)


def fault_words(model: FaultModel, fault: Fault) -> str:
    """ "Panel broken", or "Light cable loose (half)" where the cause has several states."""
    title = model.by_name[fault.cause].title
    several = len(model.faulty_states(fault.cause)) > 1
    return f"{title} ({fault.state})" if several else title


def check_words(model: FaultModel, name: str) -> str:
    return model.checks_by_name[name].title


def listed(names: Sequence[str], most: int = MANY) -> str:
    """Some names, and how many more there are."""
    if len(names) <= most:
        return joined(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


@dataclass(frozen=True)
class Named:
    """A name on a page, and where on the page more stands about it ("" for nowhere)."""

    said: str
    target: str = ""


def check_named(model: FaultModel, name: str) -> Named:
    return Named(check_words(model, name), f"check-{name}")


def cause_named(model: FaultModel, name: str) -> Named:
    return Named(model.by_name[name].title, f"cause-{name}")


def around(model: FaultModel, cause: Variable) -> list[tuple[str, list[str]]]:
    """What a cause comes from and leads to, in titles; nothing where there is nothing."""
    lines = [
        ("From", [model.by_name[parent].title for parent in cause.parents]),
        ("Into", [v.title for v in model.variables if cause.name in v.parents]),
    ]
    return [(label, names) for label, names in lines if names]


def add_alike(page: Page, model: FaultModel, found: Assessment) -> None:
    """What no check tells apart, and what is left out."""
    for group in found.groups:
        page.item("-", group_words(model, group), 2)
    if not found.groups:
        page.text("Nothing: some check tells each two faults apart.", 2)
    page.text(tolerance_words(found), 2)
    within = [unbroken(percent(found.isolated_fraction(most))) for most in (1, 2, 3)]
    page.text(
        "Single faults in a group of 1, of 2 or fewer, of 3 or fewer causes: "
        f"{', '.join(within)}, by how likely each fault is.",
        2,
    )
    for faults, said in (
        (found.unseen, "No check speaks on"),
        (found.silent, "Alone without the complaint, and left out here"),
    ):
        if faults:
            page.text(f"{said}: {listed([fault_words(model, f) for f in faults], 12)}.", 2)


def isolation_cells(item: CauseIsolation, exact: bool) -> list[str]:
    """Share, isolated, among the first three, minutes."""
    return [
        percent(item.share),
        range_words(item, exact),
        percent(item.among[3]),
        minutes_words(item, exact),
    ]


def checks_of(found: Assessment, cause: str) -> list[str]:
    """The checks that speak on a cause, the most telling first."""
    told = [(-causes[cause], check) for check, causes in found.speaks.items() if cause in causes]
    return [check for _, check in sorted(told)]


def repairs_of(model: FaultModel, cause: str) -> list[str]:
    return [repair.title for repair in model.repairs if cause in repair.mends]


def group_words(model: FaultModel, group: Group) -> str:
    """What is alike, what comes nearest to telling it apart, and what a question would do."""
    names = joined([fault_words(model, fault) for fault in group.faults])
    if group.check:
        said = (
            f"{names}. {check_words(model, group.check)} comes nearest "
            f"(results differ by {percent(group.distance)})."
        )
    else:
        said = f"{names}. All checks treat them exactly alike."
    if group.question:
        said += (
            f" At the counter: {check_words(model, group.question)} "
            f"(answers differ by {percent(group.asked)})."
        )
    elif len(group.causes) > 1:
        said += " A check that sees one of them and not the others would part them."
    return said


def tolerance_words(found: Assessment) -> str:
    return (
        "Two faults count as alike where no check's results differ by more than "
        f"{percent(found.tolerance)} (total variation); what is asked at the counter is left "
        "out."
    )


def isolation_words(isolation: Isolation) -> str:
    """How the shares were come by."""
    how = (
        f"From {isolation.tickets:,} simulated machines a cause (seed {isolation.seed}); the range "
        "is the 95 % interval."
        if isolation.tickets
        else "Computed exactly."
    )
    several = (
        "Combinations of two faults are weighed as well."
        if isolation.at_once == 2
        else "Only single faults are weighed."
    )
    return (
        "The cause alone on a machine, checks made by bits per cost until none is worth it. "
        "Isolated: it then has the highest probability of all. Minutes are those of checks and "
        f"the way to them, without repair and closing up. {how} {several} The noise of different "
        "findings counts as independent."
    )


def range_words(item: CauseIsolation, exact: bool) -> str:
    """ "91 %" where exact, "91 % (88-93)" where simulated."""
    said = percent(item.leads)
    if exact:
        return said
    return f"{said} ({item.leads_low * 100:.0f}-{item.leads_high * 100:.0f})"


def minutes_words(item: CauseIsolation, exact: bool) -> str:
    """ "26.9" where exact, "27 +-1" where simulated; in minutes."""
    if exact:
        return f"{item.minutes:.1f}"
    return f"{item.minutes:.0f} +-{(item.minutes_high - item.minutes_low) / 2:.1f}"
