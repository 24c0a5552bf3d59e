"""The lead's command replay: a proposal judged, and the judgement kept with it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import click

from faultfinder.cli.learning_commands import families_beside, full_tickets, records_of, tuned_on
from faultfinder.cli.lines import the_line
from faultfinder.cli.options import DB, MODEL, JsonCommand, echo_json
from faultfinder.cli.typed import pick_model
from faultfinder.decide.shop_file import read_shop
from faultfinder.inference.compiled import CompiledModel, compile_model
from faultfinder.learning.records import ClosedTicket

if TYPE_CHECKING:
    from faultfinder.learning.bench.figures import Spot, Values
    from faultfinder.learning.judge.judging import Rival
    from faultfinder.learning.judge.kept import Judgement
    from faultfinder.learning.versions import Line
    from faultfinder.tickets.kept_models import Files

USUAL = {"folds": 5, "played": 100, "seed": 0}
"""How a proposal is judged where nobody asks otherwise."""


@click.command(
    "replay",
    cls=JsonCommand,
    form="faultfinder.report.learning.plain:REPLAY",
    short_help="Judge the proposal: better or not, and what it saves.",
)
@MODEL
@click.option("--folds", type=click.IntRange(2, 20), default=USUAL["folds"], metavar="N",
              show_default=True,
              help="In how many parts the tickets are held out in turn.")  # fmt: skip
@click.option("--played", type=click.IntRange(0), default=USUAL["played"], metavar="N",
              show_default=True,
              help="Play up to N held-out tickets again, to the end.")  # fmt: skip
@click.option("--seed", type=int, default=USUAL["seed"], show_default=True)
@DB
def replay(model: str | None, folds: int, played: int, seed: int, as_json: bool) -> None:
    """Judge the proposal of "tune" against the figures in force and those it began with.

    Each part of the tickets is held out in turn and the figures are tuned on the others, with
    the options of the proposal, so that no ticket judges figures that it helped to make. What
    other advice it would give on the last 50 tickets is listed. The judgement is kept for
    "faultfinder adopt" and "faultfinder review".
    """
    from faultfinder.inference.loading import read_kept
    from faultfinder.learning.versions import digest_of
    from faultfinder.report.learning.plain import REPLAY, Replayed
    from faultfinder.report.learning.text import replay_page

    line = the_line(pick_model(model))
    found = judgement_of(line, {"folds": folds, "played": played, "seed": seed})
    proposal = line.proposal()
    if as_json:
        echo_json(REPLAY, Replayed(digest_of(proposal.files), found))
    else:
        shown = read_kept(proposal.files)
        click.echo(replay_page(found, shown, line.name, folds, read_shop().currency))


def judgement_of(line: Line, asked: Mapping[str, int] | None = None) -> Judgement:
    """The judgement of the kept proposal: the one that lies with it where it was made from the
    same tickets, and in the way `asked` for if any, else a new one, which is kept then."""
    from faultfinder.inference.loading import read_kept
    from faultfinder.learning.bench.figures import bench_values, with_values
    from faultfinder.learning.former import in_todays_names
    from faultfinder.learning.judge.changed_advice import LAST, changed_advice
    from faultfinder.learning.judge.judging import judge
    from faultfinder.learning.judge.kept import Judgement
    from faultfinder.learning.versions import packed

    proposal = line.proposal()
    facts = proposal.evidence.options
    # What the bench teaches is counted, not judged: all sides go by the proposed figures of it.
    bench = bench_values(read_kept(proposal.files))
    prior = compile_model(with_values(line.base().believed, bench))
    tickets = records_of(prior.model, facts.get("since"), facts.get("until"))
    shop = read_shop()
    # As it is read back: what is kept with the proposal is compared with it.
    options = json.loads(json.dumps({**(asked or USUAL), "shop": asdict(shop)}))
    keys = packed(ticket.key for ticket in tickets)
    if proposal.judged:
        kept = Judgement.read(proposal.judged)
        if kept.tickets == keys and (asked is None or kept.options == options):
            return kept

    beside = families_beside(
        facts.get("with", ()), line.name, facts.get("since"), facts.get("until")
    )

    def fit(some: Sequence[ClosedTicket]) -> CompiledModel:
        tuned = tuned_on(
            prior,
            some,
            beside,
            label_error=facts.get("label_error", 0.0),
            half_life_days=facts.get("half_life"),
            least=1,
            leave_out_impossible=True,
            unwritten=facts.get("unwritten", ()),
        )
        return compile_model(replace(tuned.model, digest=""))

    how = asked or USUAL
    found = judge(tickets, fit, _rivals(line, prior, tickets, bench), folds=how["folds"],
                  most=how["played"], shop=shop, seed=how["seed"])  # fmt: skip
    proposed = read_kept(proposal.files)
    new = compile_model(proposed)
    old = compile_model(in_todays_names(read_kept(line.in_force()), proposed))
    last = list(full_tickets(tickets[-LAST:], new.model))
    judgement = Judgement(found, changed_advice(old, new, last, shop), keys, options)
    line.judged(judgement.word, judgement.as_plain())
    return judgement


def _rivals(
    line: Line,
    prior: CompiledModel,
    tickets: Sequence[ClosedTicket],
    bench: Mapping[Spot, Values],
) -> tuple[Rival, ...]:
    """The figures in force, and those as shipped where these are others, with the proposed ones
    of the bench and under the names of today."""
    from faultfinder.inference.loading import read_kept
    from faultfinder.learning.bench.figures import with_values
    from faultfinder.learning.former import in_todays_names
    from faultfinder.learning.judge.judging import Rival, same_structure
    from faultfinder.learning.versions import counted_in

    versions, in_force = line.versions(), line.in_force()
    told = versions[-1].evidence.tickets if versions else {}
    learnt = frozenset(t.number for t in tickets if counted_in(told, t.key))

    def compiled(files: Files) -> CompiledModel:
        return compile_model(with_values(in_todays_names(read_kept(files), prior.model), bench))

    found = [Rival("the figures in force", compiled(in_force), learnt)]
    if versions and versions[0].files != in_force:
        found.append(Rival("the file as shipped", compiled(versions[0].files)))
    return tuple(rival for rival in found if same_structure(rival.compiled, prior))
