"""Commands about protocols: check, new, diff, card, schema, rules. Arguments in, exit codes out."""

from __future__ import annotations

import csv
import io
import json
import sys
from importlib import resources
from pathlib import Path
from typing import Annotated, NamedTuple

import typer
from rich.console import Console

from voicecoach.checker import (
    assumptions,
    detection,
    difference,
    rank,
    repair,
    requirements,
    slip_chart,
    slips_text,
    summary,
    verdict,
)
from voicecoach.checker.rules import table_text
from voicecoach.checker.slips import SlipPaths
from voicecoach.cli.common import print_text
from voicecoach.debrief import slips_page
from voicecoach.errors import InputError, did_you_mean
from voicecoach.protocol import printed_card
from voicecoach.protocol import schema as schemas
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol
from voicecoach.runtime import author_check, library, options

FOUND = 1

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)


def read_protocol(name: str) -> Protocol:
    """The protocol in the file `name`, or the shipped protocol of that name.

    Raises:
        InputError: there is none, or it cannot be read as a protocol.
    """
    return library.load_protocol(name)[0]


@app.command()
def check(
    protocol: Annotated[str, typer.Argument(help="A protocol file, or a name from the library.")],
    explain: Annotated[str, typer.Option(help="Say what the model believes before and after this step.")] = "",
    slips: Annotated[
        bool, typer.Option("--slips", help="Rank single slips, and pairs of them, by what they cost.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print all findings as JSON.")] = False,
    svg: Annotated[Path | None, typer.Option(help="Draw a chart of what slips cost into this SVG file.")] = None,
    grammar: Annotated[str, typer.Option(help="The grammar its session would use, by name or file.")] = "en",
    aloud: Annotated[bool, typer.Option("--aloud", help="Only check that no sentence sounds like an answer.")] = False,
    two: Annotated[bool, typer.Option("--two", help="Try every two things going wrong, not only each alone.")] = False,
    full: Annotated[bool, typer.Option("--full", help="Print all findings as text.")] = False,
    rests: Annotated[bool, typer.Option("--rests", help="Print every assumption that the proof rests on.")] = False,
    mend: Annotated[
        bool, typer.Option("--repair", help="Print the smallest change that closes the first route.")
    ] = False,
    csv_file: Annotated[Path | None, typer.Option("--csv", help="Write slips, effects and detection as CSV.")] = None,
    html: Annotated[Path | None, typer.Option(help="Write the same as an HTML page, with the chart.")] = None,
) -> None:
    """Look for routes by which contamination reaches what it must not; exit 1 and show the shortest one."""
    setup, _ = options.load_setup(protocol, grammar)
    read = setup.protocol
    if aloud:
        count = author_check.check_aloud(protocol, grammar, "", Console(stderr=True))
        typer.echo(f"{read.name}: {count} sentences heard; none is taken for a command listened for then.")
        return
    if explain:
        explanation = verdict.explain(read, explain)
        if explanation is None:
            names = [step.name for _, step in all_steps(read)]
            advice = did_you_mean(explain, names) or f"the steps are {', '.join(names)}"
            raise InputError(f"has no step {explain!r}", where=read.file, expected="the name of a step", mend=advice)
        print_text(explanation)
        return
    report = verdict.prove(read, 2 if two else 1, setup.grammar.language)
    plain = not (as_json or slips) and (mend or rests or full)
    if plain:
        print_text(_unranked(report, mend=mend, rests=rests))
    if not plain or svg or csv_file or html:
        _ranked(report, _RankingOutputs(as_json, slips, plain, svg, csv_file, html))
    sys.exit(0 if report.good else FOUND)


def _unranked(report: verdict.Verdict, *, mend: bool, rests: bool) -> str:
    """What needs no ranking: the smallest repair, the assumptions, or all findings."""
    if mend:
        return _repair(report)
    if rests:
        return "\n".join(assumptions.lines(assumptions.assumptions(report.protocol)))
    return verdict.text(report)


class _RankingOutputs(NamedTuple):
    """Which outputs of the ranking are wanted: as JSON, as text, none (`printed`, when other text was), and files."""

    as_json: bool
    slips: bool
    printed: bool
    svg: Path | None
    csv: Path | None
    html: Path | None


def _ranked(report: verdict.Verdict, wanted: _RankingOutputs) -> None:
    """Everything that needs the ranking of slips, which takes longer than walking a small protocol."""
    read, paths = report.protocol, SlipPaths(report.protocol)
    ranking = rank.rank(read, paths=paths)
    modes = detection.modes_of(read, ranking, paths)
    needs_beliefs = wanted.html or not (wanted.as_json or wanted.slips or wanted.printed)
    beliefs = assumptions.assumptions(read) if needs_beliefs else ()
    if wanted.printed:
        pass
    elif wanted.as_json:
        typer.echo(json.dumps({**verdict.as_json(report), "ranking": slips_text.as_json(ranking)}, indent=1))
    elif wanted.slips:
        print_text("\n\n".join([slips_text.text(ranking), requirements.text(report.asked), verdict.text(report)]))
    else:
        print_text(summary.text(report, beliefs, modes))
    if wanted.svg:
        _write(slip_chart.svg(read, ranking), wanted.svg)
    if wanted.csv:
        table = io.StringIO()
        csv.writer(table).writerows(detection.table(modes))
        _write(table.getvalue(), wanted.csv)
    if wanted.html:
        _write(slips_page.page(report, beliefs, ranking, modes), wanted.html)


def _repair(report: verdict.Verdict) -> str:
    """A repair for the shortest route found, as text."""
    if not report.explored.counters:
        return "No route was found: there is nothing to repair."
    found = repair.repair(report.protocol, report.explored.counters[0])
    return repair.text(found) if found else "No small change was found that closes the first route."


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Its name: lower-case words joined by '-'.")],
    title: Annotated[str, typer.Option(help="Its title, as people say it.")] = "",
    out: Annotated[Path | None, typer.Option(help="The file to write; printed if left out.")] = None,
) -> None:
    """Write a new protocol to start from; it loads and passes the check."""
    template = resources.files("voicecoach.protocol").joinpath("skeleton.yaml").read_text(encoding="utf-8")
    _write(difference.skeleton(template, name, title), out)


@app.command()
def diff(
    one: Annotated[str, typer.Argument(help="A protocol file, or a name from the library.")],
    other: Annotated[str, typer.Argument(help="The one to compare it with.")],
) -> None:
    """Show how two protocols differ in steps, order and outcome; exit 1 if they do."""
    reports = verdict.prove(read_protocol(one)), verdict.prove(read_protocol(other))
    print_text(difference.difference_text(*reports))
    sys.exit(FOUND if difference.difference(*reports) else 0)


@app.command()
def card(
    protocol: Annotated[str, typer.Argument(help="A protocol file, or a name from the library.")],
    out: Annotated[Path | None, typer.Option(help="The file to write; printed if left out.")] = None,
) -> None:
    """Print a protocol as a sheet of paper (HTML), for when the machine fails."""
    _write(printed_card.card(read_protocol(protocol)), out)


@app.command()
def schema(
    out: Annotated[Path | None, typer.Option(help="The file to write; printed if left out.")] = None,
) -> None:
    """Print a JSON Schema of protocol files for editors."""
    _write(json.dumps(schemas.schema(), indent=1), out)


@app.command()
def rules() -> None:
    """Print the checker's rules, each with its source and its assumptions."""
    print_text(table_text())


def _write(text: str, out: Path | None) -> None:
    if out is None:
        typer.echo(text)
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text + "\n")
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(out), expected="a new file") from None
