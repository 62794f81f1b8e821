"""The command line: parses, calls `simplify.api`, prints. Heavy imports wait for a command."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from simplify.errors import GentlerError

if TYPE_CHECKING:
    from simplify.api import Request

F = TypeVar("F", bound=Callable[..., Any])

DONE, GOAL_NOT_MET, BAD_INPUT = 0, 1, 2


class _Group(click.Group):
    """Lists commands in the order in which a user meets them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=_Group,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Example: gentler rewrite song.musicxml --tier amateur --bars 9-16 --out easier/",
)
@click.version_option(package_name="gentler", prog_name="gentler")
def gentler() -> None:
    """Easier, playable alternatives for harp writing: what is hard, where, for whom, and what to
    write instead."""


def _choosing(function: F) -> F:
    """Options that say which music, which player and how to print."""
    for option in reversed(
        [
            click.argument("score"),
            click.option("--part", metavar="NAME_OR_ID", help="The part; else the harp part, or "
                         "the only keyboard part."),
            click.option("--bars", metavar="A-B", help="Printed bar numbers, both included."),
            click.option("--tier", metavar="TIER",
                         help="beginner, school, amateur, professional or soloist."),
            click.option("--player", "player_file", metavar="FILE.toml",
                         help="A player file: tier, harp, strengths, reach."),
            click.option("--harp", metavar="NAME", help="A harp that 'gentler harps' lists."),
            click.option("--tuning", metavar="NAME",
                         help="Of a lever harp: Eb, C, F, or 'best' for this music."),
            click.option("--tempo", type=float, metavar="BPM",
                         help="Quarter notes a minute, instead of the score's."),
            click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout."),
            click.option("--quiet", is_flag=True, help="No progress and notes on stderr."),
        ]
    ):
        function = option(function)
    return function


def _request(options: dict[str, Any]) -> Request:
    from simplify.api import Request

    return Request(
        score=options["score"],
        part=options["part"],
        bars=options["bars"],
        tier=options["tier"],
        player_file=options["player_file"],
        harp=options["harp"],
        tempo=options["tempo"],
        tuning=options["tuning"],
    )


def _note(quiet: bool, lines: list[str] | tuple[str, ...]) -> None:
    if not quiet:
        for line in lines:
            click.echo(f"note: {line}", err=True)


def _print_json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=2))


@gentler.command(epilog="Example: gentler assess prelude.musicxml --tier school --bars 5-12")
@_choosing
@click.option("--report", metavar="FILE", help="Also write the loads over the bars: .svg or .png "
              "the plot, .html or .pdf the whole report.")
@click.option("--force", is_flag=True, help="Replace FILE if it exists (never the input).")
def assess(
    as_json: bool, quiet: bool, report: str | None, force: bool, **options: Any
) -> None:
    """What is hard in SCORE, where, why and for whom."""
    from simplify import api
    from simplify.report import document, terminal

    target = None
    if report is not None:
        target = api.check_report(report, options["score"], force, api.REPORT_KINDS)
    result = api.assess_score(_request(options))
    if target is not None:
        api.write_assessment(result, target)
    if as_json:
        _print_json(document.of_assessment(result))
    else:
        _note(quiet, result.warnings)
        click.echo(terminal.of_assessment(result, terminal.screen()))
        if report and not quiet:
            click.echo(f"note: report written to {report}", err=True)


@gentler.command(
    epilog="Example: gentler rewrite rag.mxl --tier amateur --bars 1-8 --keep melody --out easier/"
)
@_choosing
@click.option("--keep", metavar="WHAT", default="",
              help="Hard promises: melody, bass, harmony, rhythm (several with commas).")
@click.option("-n", "count", type=click.IntRange(1, 20), default=5, show_default=True,
              help="How many alternatives at most.")
@click.option("--seconds", type=click.FloatRange(min=1), help="Stop with the best so far.")
@click.option("--workers", type=click.IntRange(1, 64), help="Processes; else one per core.")
@click.option("--fingering", is_flag=True, help="Print finger numbers in the rewritten scores.")
@click.option("--colour", "--color", "colour", is_flag=True, help="Print the changed notes in "
              "colour.")
@click.option("--beside", is_flag=True, help="Also write NN-beside: the original score with the "
              "alternative as a part of its own below it, to compare in a notation program.")
@click.option("--compressed", is_flag=True, help="Write .mxl instead of .musicxml.")
@click.option("--also", is_flag=True, help="Also look at other keys (solo music), and write what "
              "is possible for the whole piece as scores: also-slower-tempo, also-another-key, "
              "also-two-harps.")
@click.option("--out", metavar="DIR", required=True, help="Folder for the alternatives.")
@click.option("--report", metavar="FILE", help="The report once more as .pdf (or .html).")
@click.option("--force", is_flag=True, help="Replace files of an earlier run in DIR, and FILE.")
def rewrite(
    as_json: bool, quiet: bool, keep: str, count: int, seconds: float | None,
    workers: int | None, fingering: bool, colour: bool, beside: bool, compressed: bool,
    also: bool, out: str, report: str | None, force: bool, **options: Any,
) -> None:
    """Ranked easier alternatives of SCORE for a tier, each a complete score in DIR."""
    from simplify import api
    from simplify.report import document, terminal

    if options["tier"] is None and options["player_file"] is None:
        raise click.UsageError("say for whom: --tier TIER or --player FILE.toml")
    target = api.check_folder(out, options["score"], force)
    sheet = None
    if report is not None:
        sheet = api.check_report(report, options["score"], force, api.PAGE_KINDS)
    with terminal.progress("searching", quiet or as_json) as progress:
        result = api.rewrite_score(
            _request(options), keep=keep, count=count, seconds=seconds, workers=workers,
            keys=also, progress=progress,
        )
    result, files, proposed = api.write_rewrites(
        result, target, fingering=fingering, colour=colour, beside=beside, compressed=compressed,
        also=also, report=sheet,
    )
    if as_json:
        _print_json(document.of_rewrites(result, files, proposed))
    else:
        _note(quiet, result.warnings)
        click.echo(terminal.of_rewrites(result, out, files))
    if not result.reached:
        sys.exit(GOAL_NOT_MET)


@gentler.command(
    epilog="Example: gentler reduce nocturne.mxl --tier amateur --solo --out nocturne-harp.musicxml"
)
@_choosing
@click.option("--keep", metavar="WHAT", default="",
              help="Hard promises: melody, bass, harmony, rhythm (several with commas).")
@click.option("--lock", metavar="BARS", default="", help="Bars to leave alone, such as 5-8,12.")
@click.option("--solo", is_flag=True, help="Nobody else plays: cost the neighbouring keys too.")
@click.option("--key", metavar="KEY", help="Put it in this key, such as Gb (else it stays).")
@click.option("--fingering", is_flag=True, help="Print finger numbers.")
@click.option("--report", metavar="FILE", help="Also write the reduction report: .html or .pdf.")
@click.option("--seconds", type=click.FloatRange(min=1), default=60, show_default=True,
              help="For the search over bars that resist.")
@click.option("--workers", type=click.IntRange(1, 64), help="Processes; else one per core.")
@click.option("--out", metavar="FILE.musicxml", required=True, help="The harp part.")
@click.option("--force", is_flag=True, help="Replace FILE if it exists (never the input).")
def reduce(
    as_json: bool, quiet: bool, keep: str, lock: str, solo: bool, key: str | None,
    fingering: bool, report: str | None, seconds: float, workers: int | None, out: str,
    force: bool, **options: Any,
) -> None:
    """One playable harp part from a piano, organ, ensemble or choir score.

    All parts with notes are merged (a song's accompaniment alone); --part names others, several
    with commas, or 'all'.
    """
    from simplify import api
    from simplify.report import arranged, terminal

    if options["tier"] is None and options["player_file"] is None:
        raise click.UsageError("say for whom: --tier TIER or --player FILE.toml")
    if options["bars"] is not None:
        raise click.UsageError("reduce takes whole pieces; leave out --bars")
    target = api.check_file(out, options["score"], force)
    page = None
    if report is not None:
        page = api.check_report(report, options["score"], force, api.PAGE_KINDS)
    with terminal.progress("reducing", quiet or as_json) as progress:
        result = api.reduce_score(
            _request(options), keep=keep, lock=lock, solo=solo, key=key, seconds=seconds,
            workers=workers, progress=progress,
        )
    api.write_reduction(result, target, report=page, fingering=fingering)
    if as_json:
        _print_json(arranged.reduction_document(result, out))
    else:
        _note(quiet, result.gathered.warnings)
        click.echo(arranged.of_reduction(result, out))
    if not result.reached:
        sys.exit(GOAL_NOT_MET)


@gentler.command(
    epilog="Example: gentler ladder waltz.mxl --tiers amateur,school,beginner --out waltz-versions/"
)
@_choosing
@click.option("--tiers", metavar="T,T,...", default="",
              help="The versions wanted; else all five tiers.")
@click.option("--fingering", is_flag=True, help="Print finger numbers.")
@click.option("--out", metavar="DIR", required=True, help="Folder for the versions.")
@click.option("--force", is_flag=True, help="Replace files of an earlier run in DIR.")
def ladder(
    as_json: bool, quiet: bool, tiers: str, fingering: bool, out: str, force: bool, **options: Any,
) -> None:
    """One version of SCORE per tier, each derived from the next harder, with a booklet."""
    from simplify import api
    from simplify.report import arranged, terminal

    _only(options, "ladder", ("tier", "player_file", "bars"))
    target = api.check_folder(out, options["score"], force)
    with terminal.progress("laddering", quiet or as_json) as progress:
        result = api.ladder_score(_request(options), tiers=_listed(tiers), progress=progress)
    files = api.write_ladder(result, target, fingering=fingering)
    if as_json:
        _print_json(arranged.ladder_document(result, files))
    else:
        _note(quiet, result.gathered.warnings)
        click.echo(arranged.of_ladder(result, out))
    if not result.reached:
        sys.exit(GOAL_NOT_MET)


@gentler.command(
    "class", epilog="Example: gentler class carol.mxl --list players/class.toml --out carol-parts/"
)
@_choosing
@click.option("--list", "class_file", metavar="FILE.toml", required=True,
              help="The class list: a [[player]] each with name, tier, harp ...")
@click.option("--fingering", is_flag=True, help="Print finger numbers.")
@click.option("--out", metavar="DIR", required=True, help="Folder for the parts.")
@click.option("--force", is_flag=True, help="Replace files of an earlier run in DIR.")
def class_(
    as_json: bool, quiet: bool, class_file: str, fingering: bool, out: str, force: bool,
    **options: Any,
) -> None:
    """A part of SCORE for every player of a class list, with a summary of who plays what."""
    from simplify import api
    from simplify.report import arranged, terminal

    _only(options, "class", ("tier", "player_file", "bars", "harp", "tuning"))
    target = api.check_folder(out, options["score"], force)
    with terminal.progress("arranging", quiet or as_json) as progress:
        result = api.class_score(_request(options), class_file, progress=progress)
    files = api.write_class(result, target, fingering=fingering)
    if as_json:
        _print_json(arranged.class_document(result, files))
    else:
        _note(quiet, result.gathered.warnings)
        click.echo(arranged.of_class(result, out, files))
    if not result.reached:
        sys.exit(GOAL_NOT_MET)


@gentler.command(
    epilog="Example: gentler duo toccata.mxl --tiers professional,amateur --out toccata-two-harps/"
)
@_choosing
@click.option("--tiers", metavar="T,T", required=True, help="Of the first and the second player.")
@click.option("--fingering", is_flag=True, help="Print finger numbers.")
@click.option("--out", metavar="DIR", required=True, help="Folder for the two parts.")
@click.option("--force", is_flag=True, help="Replace files of an earlier run in DIR.")
def duo(
    as_json: bool, quiet: bool, tiers: str, fingering: bool, out: str, force: bool, **options: Any,
) -> None:
    """SCORE divided between two harps: the tune and its voices, the bass and the harmony."""
    from simplify import api
    from simplify.report import arranged, terminal

    _only(options, "duo", ("tier", "player_file", "bars"))
    target = api.check_folder(out, options["score"], force)
    with terminal.progress("dividing", quiet or as_json) as progress:
        result = api.duo_score(_request(options), _listed(tiers), progress=progress)
    files = api.write_duo(result, target, fingering=fingering)
    if as_json:
        _print_json(arranged.duo_document(result, files))
    else:
        _note(quiet, result.gathered.warnings)
        click.echo(arranged.of_duo(result, out, files))
    if not result.reached:
        sys.exit(GOAL_NOT_MET)


def _listed(text: str) -> list[str]:
    """The words between commas."""
    return [word.strip() for word in text.split(",") if word.strip()]


def _only(options: dict[str, Any], command: str, names: tuple[str, ...]) -> None:
    """Refuses options that a command has no use for."""
    for name in names:
        if options[name] is not None:
            flag = name.removesuffix("_file")
            raise click.UsageError(f"{command} has no use for --{flag}; leave it out")


@gentler.command(epilog="Example: gentler pedals nocturne.musicxml --out nocturne-pedals.musicxml")
@_choosing
@click.option("--out", metavar="FILE.musicxml", help="Also write the score with its pedals marked.")
@click.option("--fingering", is_flag=True, help="Print finger numbers (1 is the thumb) in FILE.")
@click.option("--plan", "whole_plan", is_flag=True,
              help="Show every moment: hand, finger and string, and the pedals.")
@click.option("--force", is_flag=True, help="Replace FILE if it exists (never the input).")
def pedals(
    as_json: bool, quiet: bool, out: str | None, fingering: bool, whole_plan: bool, force: bool,
    **options: Any,
) -> None:
    """The pedal plan of SCORE: setting, moves with their feet, spelling to play; on request the
    hands and fingers too."""
    from simplify import api
    from simplify.report import document, terminal

    if fingering and not out:
        raise click.UsageError("--fingering prints into a score: name it with --out FILE.musicxml")
    target = api.check_file(out, options["score"], force) if out else None
    result = api.plan_score(_request(options), hands=fingering or whole_plan)
    if target is not None:
        api.write_pedals(result, target, fingering=fingering)
    if as_json:
        _print_json(document.of_pedals(result))
    else:
        _note(quiet, result.warnings)
        click.echo((terminal.of_plan if whole_plan else terminal.of_pedals)(result))
        if out and not quiet:
            click.echo(f"note: marked score written to {out}", err=True)


@gentler.command(epilog="Example: gentler strategies thin_octaves")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def strategies(name: str | None, as_json: bool) -> None:
    """The catalogue of rewriting strategies, or one of them with its worked cases."""
    from simplify import api
    from simplify.report import document, terminal

    rows, kinds = api.strategy_catalogue(name), api.proposal_kinds(name)
    if as_json:
        _print_json(document.of_strategies(rows, kinds))
    else:
        click.echo(terminal.of_strategies(rows, kinds, whole=name is not None))


@gentler.command(epilog="Example: gentler harps --json")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def harps(as_json: bool) -> None:
    """The built-in harps, with sources."""
    from simplify.harp.instrument import instruments
    from simplify.report import document, terminal

    rows = tuple(instruments().values())
    if as_json:
        _print_json(document.of_harps(rows))
    else:
        click.echo(terminal.of_harps(rows))


@gentler.command(epilog="Example: gentler tiers")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def tiers(as_json: bool) -> None:
    """The five tiers of players: who they are, what they take, with sources."""
    from simplify.harp.player import tier_table
    from simplify.report import document, terminal

    if as_json:
        _print_json(document.of_tiers(tier_table()))
    else:
        click.echo(terminal.of_tiers(tier_table()))


def main() -> None:
    """Entry point: one ``Error:`` line and exit code 2 for anything a user can mend."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        gentler.main(standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
    except click.ClickException as error:
        click.echo(f"Error: {_one_line(error.format_message())}", err=True)
        sys.exit(BAD_INPUT)
    except GentlerError as error:
        click.echo(f"Error: {_one_line(str(error))}", err=True)
        sys.exit(BAD_INPUT)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Error: stopped by the user; nothing was written", err=True)
        sys.exit(BAD_INPUT)
    except BrokenPipeError:
        sys.stderr.close()


def _one_line(text: str) -> str:
    return " ".join(text.split())


if __name__ == "__main__":
    main()
