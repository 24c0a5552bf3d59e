"""The plain form of a plan."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.decide.plan import Branch, Plan, PlanNode
from faultfinder.model.parts import FaultModel
from faultfinder.plain import Form, Key, within


class Planned(NamedTuple):
    """A plan, whose it is, and the money it counts in."""

    model: FaultModel
    plan: Plan
    currency: str


CAUSE = Form[tuple[str, float]](
    "A cause",
    Key("cause", "word", "its name", lambda pair: pair[0]),
    Key("probability", "probability", "of its being faulty, at this point", lambda pair: pair[1]),
)

BRANCH = Form[Branch](
    "A branch",
    Key("result", "text", "what is seen: a result, or finding=result for each", lambda b: b.label),
    Key("probability", "probability", "of this result, at this point"),
    Key("then", "object", "the step that follows", lambda b: b.node, lambda: STEP),
)

STEP: Form[PlanNode] = Form(
    "A step",
    Key(
        "kind", "word", "check, repair, order (repairs without a check between), closed, hand over"
    ),
    Key("name", "word", "of the check or repair; empty for other kinds"),
    Key("stage", "word", "the teardown stage before the step"),
    Key("reached", "probability", "the share of jobs that get here"),
    Key("cost", "money", "of this step by itself, on average"),
    Key("expected_cost", "money", "of all from here on, on average"),
    Key("causes", "objects", "the likeliest causes here", form=CAUSE),
    Key(
        "order", "list of words", "repairs to make one after another, where the branch ends in them"
    ),
    Key("folded", "word or null", "why it is not followed further", lambda n: n.folded or None),
    Key("branches", "objects", "what each result leads to", form=BRANCH),
)

PLAN = Form[Planned](
    "The whole plan",
    Key("model", "word", "name of the model", lambda planned: planned.model.name),
    Key("currency", "word", "of all money"),
    *within(
        lambda planned: planned.plan,
        Key("planner", "word", "how far it thought ahead"),
        Key("expected_cost", "money", "of the whole job, on average"),
        Key("least_cost", "money", "no plan can cost less, on average", lambda p: p.least),
        Key("fold_below", "probability", "rarer branches are folded"),
        Key("depth", "count", "steps after which a branch is folded"),
        Key("neglected_probability", "probability", "of faults left out", lambda p: p.neglected),
        Key("plan", "object", "the first step", lambda p: p.root, STEP),
    ),
)
