"""The plain form of a plan."""

from __future__ import annotations

from typing import NamedTuple

from faultfinder.decide.plan import Branch, Plan, PlanNode
from faultfinder.model.parts import FaultModel
from faultfinder.plain import COUNT, MONEY, OR_NULL, PROBABILITY, TEXT, WORD, WORDS, Form, Key


class Planned(NamedTuple):
    """A plan, whose it is, and the money it counts in."""

    model: FaultModel
    plan: Plan
    currency: str


CAUSE = Form[tuple[str, float]](
    "A cause",
    Key("cause", WORD, "its name", lambda pair: pair[0]),
    Key("probability", PROBABILITY, "of its being faulty, at this point", lambda pair: pair[1]),
)

BRANCH = Form[Branch](
    "A branch",
    Key("result", TEXT, "what is seen: a result, or finding=result for each", lambda b: b.label),
    Key("probability", PROBABILITY, "of this result, at this point"),
    Key("then", "object", "the step that follows", lambda b: b.node, lambda: STEP),
)

STEP: Form[PlanNode] = Form(
    "A step",
    Key("kind", WORD, "check, repair, order (repairs without a check between), closed, hand over"),
    Key("name", WORD, "of the check or repair; empty for other kinds"),
    Key("stage", WORD, "the teardown stage before the step"),
    Key("reached", PROBABILITY, "the share of jobs that get here"),
    Key("cost", MONEY, "of this step by itself, on average"),
    Key("expected_cost", MONEY, "of all from here on, on average"),
    Key("causes", "list of objects", "the likeliest causes here", form=CAUSE),
    Key("order", WORDS, "repairs to make one after another, where the branch ends in them"),
    Key("folded", WORD + OR_NULL, "why it is not followed further", lambda n: n.folded or None),
    Key("branches", "list of objects", "what each result leads to", form=BRANCH),
)

PLAN = Form[Planned](
    "The whole plan",
    Key("model", WORD, "name of the model", lambda p: p.model.name),
    Key("planner", WORD, "how far it thought ahead", lambda p: p.plan.planner),
    Key("expected_cost", MONEY, "of the whole job, on average", lambda p: p.plan.expected_cost),
    Key("currency", WORD, "of all money"),
    Key("fold_below", PROBABILITY, "rarer branches are folded", lambda p: p.plan.fold_below),
    Key("depth", COUNT, "steps after which a branch is folded", lambda p: p.plan.depth),
    Key(
        "neglected_probability",
        PROBABILITY,
        "of combinations of faults left out",
        lambda p: p.plan.neglected,
    ),
    Key("plan", "object", "the first step", lambda p: p.plan.root, STEP),
)
