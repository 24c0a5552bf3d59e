"""`faultfinder model cases` and `model expectations`: models held against real machines."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from faultfinder.cli import completing
from faultfinder.cli.options import DB, TICKET, JsonCommand, echo_json
from faultfinder.cli.terminal import progress
from faultfinder.errors import FaultfinderError, MisuseError

if TYPE_CHECKING:
    from faultfinder.assess.casebook.books import Mapped, Vocabulary
    from faultfinder.assess.casebook.expectations import Verdict
    from faultfinder.assess.casebook.judging import Judge

T = TypeVar("T")

_FILE = click.Path(dir_okay=False, path_type=Path)
FILES = click.argument("files", nargs=-1, required=True, type=_FILE, metavar="FILE...")
ONE_MODEL = click.option(
    "--model",
    "-m",
    metavar="MODEL",
    shell_complete=completing.models,
    help="The model of all of them. Default: the model of each one's build.",
)
VOCABULARY = click.option(
    "--vocabulary",
    type=_FILE,
    help="The words and their groups. Default: casebook/vocabulary.yaml beside the models.",
)
MAPPING = click.option(
    "--mapping",
    type=_FILE,
    help="What the words stand for. Default: casebook/mapping.yaml beside the models.",
)


@click.command(
    "cases",
    cls=JsonCommand,
    form="faultfinder.report.casebook.plain:CASES",
    short_help="Score models on real machines with a proven cause.",
)
@FILES
@ONE_MODEL
@VOCABULARY
@MAPPING
@click.option(
    "--beside",
    "others",
    multiple=True,
    type=_FILE,
    help="What --json printed of other models (or any program, in that form): both, paired.",
)
@click.option("--rounds", type=_FILE, help="Advisers' rounds, to say how far they agree.")
@click.option("--play", is_flag=True, help="Play each case to the check that settled it.")
@click.option("--leave-out", is_flag=True, help="Take each group out; see what is not listed.")
def cases_command(
    files: tuple[Path, ...],
    model: str | None,
    vocabulary: Path | None,
    mapping: Path | None,
    others: tuple[Path, ...],
    rounds: Path | None,
    play: bool,
    leave_out: bool,
    as_json: bool,
) -> None:
    """Score models on real machines with a proven cause, written down in neutral words.

    Each FILE holds cases in the words of the vocabulary. --json, --rounds and --play ask for
    next steps of every case, which takes minutes for a hundred.
    """
    from faultfinder.assess.casebook.advisers import agreement
    from faultfinder.assess.casebook.beside import beside, read_chances
    from faultfinder.assess.casebook.books import read_cases, read_rounds
    from faultfinder.assess.casebook.leaving_out import leaving_out
    from faultfinder.assess.casebook.playing import play as play_case
    from faultfinder.assess.casebook.whole_book import book_of

    words, mapped = _words(vocabulary, mapping)
    cases = [case for file in files for case in read_cases(file)]
    if not cases:
        raise MisuseError("There is no case in what was named.")
    advised = None if rounds is None else read_rounds(rounds)
    chances = [(file.name, read_chances(file)) for file in others]
    judge_of = _judges(words, mapped, model)
    with progress("Judging") as tell:
        book = book_of(cases, judge_of, mapped, lambda number: tell(number, len(cases)))
    besides = [beside(book, name, held) for name, held in chances]
    intakes = [(line.case, line.judged["intake"]) for line in book.lines if line.judged]
    agreed = None if advised is None else agreement(intakes, advised)
    played = []
    if play:
        for case, judged in _each("Playing", intakes):
            one = play_case(case, judged.judge)
            played += [] if one is None else [one]
    left_out = leaving_out(book) if leave_out else None
    if as_json:
        from faultfinder.report.casebook.plain import CASES, ScoredBook

        for line in _each("Advising", book.lines):
            for judged in line.judged.values():
                _ = judged.round  # the dear part; kept for the form
        echo_json(CASES, ScoredBook(book, agreed, played, left_out, besides))
    else:
        from faultfinder.report.casebook.text import cases_page

        click.echo(
            cases_page(book, agreed=agreed, played=played, left_out=left_out, besides=besides)
        )
    for build in book.unknown_builds:
        click.echo(f"There is no model for the build {build}.", err=True)


@click.command(
    "expectations",
    cls=JsonCommand,
    form="faultfinder.report.casebook.plain:EXPECTATIONS",
    short_help="Hold models to what must follow in plain situations.",
)
@FILES
@ONE_MODEL
@VOCABULARY
@MAPPING
@click.option(
    "--variations",
    type=click.IntRange(0, 1000),
    default=0,
    metavar="N",
    help="Each once more with each of N facts that change nothing.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the draw of those facts.")
@click.option("--chances", is_flag=True, help="Only clauses about chances, which take seconds.")
def expectations_command(
    files: tuple[Path, ...],
    model: str | None,
    vocabulary: Path | None,
    mapping: Path | None,
    variations: int,
    seed: int,
    chances: bool,
    as_json: bool,
) -> None:
    """Hold models to what must follow in situations that nobody would argue about.

    Each FILE holds situations in the words of the vocabulary. It names the clauses that fail.
    """
    from faultfinder.assess.casebook.books import read_situations
    from faultfinder.assess.casebook.expectations import (
        CLAUSES,
        OF_CHANCES,
        judged_for,
    )
    from faultfinder.assess.casebook.expectations import variations as varied

    words, mapped = _words(vocabulary, mapping)
    situations = [one for file in files for one in read_situations(file)]
    if not situations:
        raise MisuseError("There is no situation in what was named.")
    judge_of = _judges(words, mapped, model)
    kinds = OF_CHANCES if chances else tuple(CLAUSES)
    verdicts: list[Verdict] = []
    for one in _each("Judging", situations):
        for build in one.builds or words.builds:
            judge = judge_of(build)
            if judge is None:
                click.echo(f"There is no model for the build {build}.", err=True)
                continue
            verdicts += judged_for(one, build, judge, kinds)
            if variations:
                verdicts += varied(one, build, judge, variations, seed, kinds)
    if as_json:
        from faultfinder.report.casebook.plain import EXPECTATIONS

        echo_json(EXPECTATIONS, verdicts)
        return
    from faultfinder.report.casebook.text import expectations_page

    click.echo(expectations_page(verdicts))


@click.command("case-of", short_help="Write a closed ticket out as a case of a casebook.")
@TICKET
@click.option("--id", "name", default="ours", show_default=True, help="What to call the case.")
@VOCABULARY
@MAPPING
@DB
def case_of_command(ticket: int, name: str, vocabulary: Path | None, mapping: Path | None) -> None:
    """Write a closed ticket out as a case in neutral words, to add to a casebook of one's own.

    Only the year and words of the vocabulary are written: no name, no number, nothing that
    anybody typed freely. Say by hand which check settled it (settled_by).
    """
    import re

    from faultfinder.assess.casebook.wording import Wording
    from faultfinder.assess.casebook.writing_out import as_case, case_text
    from faultfinder.cli.on_ticket import compiled_of, the_store

    if not re.fullmatch(r"[A-Za-z0-9_-]{1,40}", name):
        raise MisuseError("Call the case by letters, digits, - and _, 40 of them at most.")
    store = the_store()
    done = store.ticket(ticket)
    if done.open:
        raise FaultfinderError(f"Ticket {ticket} is open: a case has a proven cause. Close it.")
    if not done.causes:
        raise FaultfinderError(f"Ticket {ticket} was closed without a cause, so it proves nothing.")
    words, mapped = _words(vocabulary, mapping)
    wording = Wording(compiled_of(store, done), words, mapped)
    known = {finding: result for finding, result in done.findings.items() if result is not None}
    case, unsaid = as_case(wording, name, known, done.causes)
    year = (done.closed_at or "unknown")[:4]
    click.echo(case_text(case, year, unsaid, done.repaired is not None))


def _words(vocabulary: Path | None, mapping: Path | None) -> tuple[Vocabulary, Mapped]:
    from faultfinder.assess.casebook.books import book_file, read_mapping, read_vocabulary

    words = read_vocabulary(vocabulary or book_file("vocabulary.yaml"))
    return words, read_mapping(mapping or book_file("mapping.yaml"))


def _judges(words: Vocabulary, mapped: Mapped, model: str | None) -> Callable[[str], Judge | None]:
    """The judge of a build, each made once; None for a build without a model."""
    from faultfinder.assess.casebook.judging import Judge
    from faultfinder.assess.casebook.wording import Wording
    from faultfinder.decide.shop_file import read_shop
    from faultfinder.inference.loading import load_model
    from faultfinder.model.locate import available_models

    shop = read_shop()
    made: dict[str, Judge | None] = {}

    def judge_of(build: str) -> Judge | None:
        name = model or mapped.model_of(build)
        if name not in made:
            known = model is not None or name in available_models()
            made[name] = Judge(Wording(load_model(name), words, mapped), shop) if known else None
        return made[name]

    return judge_of


def _each(label: str, items: Sequence[T]) -> Iterator[T]:
    """The items, with a bar at a terminal that says how far it is."""
    with progress(label) as tell:
        for number, item in enumerate(items, 1):
            yield item
            tell(number, len(items))
