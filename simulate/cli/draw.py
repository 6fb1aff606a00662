"""``swabfield draw``: the figures of a run, of several, or of a sweep, in the formats wanted."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import options, terminal

if TYPE_CHECKING:
    from simulate.result.result import Result

_STORY = """\
Draw the figures of a run, each of which stands alone on a slide or in a text;
of several runs, their comparison on one scale; of a sweep, its design chart.
PNG for slides, SVG and PDF for print. Text stays text, to be searched and edited;
--outlines turns that of an SVG into outlines, which need no fonts. --animate adds
the run in motion: WebP and GIF for pages and slides, MP4 if ffmpeg is there."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "draw", draw, "draw the figures of a run", _STORY)
    add = parser.add_argument
    add(
        "etched",
        metavar="RUN",
        nargs="+",
        help="run folder or its result.nc; several to compare; or the folder of a sweep",
    )
    add(
        "--figure",
        metavar="NAME",
        nargs="+",
        action="extend",
        help="figures wanted; all if not given (a wrong name lists them)",
    )
    add("--format", metavar="LIST", default="png,svg", help="of png, svg, pdf; png,svg if absent")
    add("--at", metavar="TIMES", help='moments of density_moments, such as "5 s, 2 min"')
    add("--show", metavar="NAME", default="evenness", help="number of a design chart; evenness")
    add(
        "--animate",
        metavar="LIST",
        nargs="?",
        const="webp,gif",
        default="",
        help="of webp, gif, mp4; webp,gif if LIST is absent",
    )
    add("--outlines", action="store_true", help="turn letters into outlines in SVG")
    add("--out", metavar="DIR", help="folder; RUN-figures here if not given")
    add("--force", action="store_true", help="replace earlier figures in DIR")


def draw(arguments: argparse.Namespace) -> int:
    """Draw and tell."""
    from simulate.cli.run_folder import MANIFEST, RunFolder, run_name, stored_result
    from simulate.figures.animation import MOVING, animate_result
    from simulate.figures.gallery import write_figures
    from simulate.figures.style import FORMATS, check_known
    from simulate.sweep.file import STORED

    formats = [name.strip() for name in arguments.format.split(",")]
    check_known("--format", formats, FORMATS)
    moving = [name.strip() for name in arguments.animate.split(",") if name.strip()]
    check_known("--animate", moving, MOVING)
    places = arguments.etched
    swept = len(places) == 1 and (Path(places[0]) / STORED).is_file()
    _check_names(arguments.figure, swept=swept, count=len(places))
    results = [] if swept else [stored_result(place) for place in places]
    path = Path(arguments.out or f"{run_name(places[0])}-figures")
    folder = RunFolder(path, arguments.force)
    folder.clear()
    with terminal.progress("drawing", not arguments.quiet):
        figures = _figures(arguments, results)
        files = write_figures(figures, path, formats, outlines=arguments.outlines)
        if moving and results:
            files += animate_result(results[0], path, moving)
    listed = {"schema": terminal.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listed)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path), "files": folder.names(files)}
        terminal.tell_json("draw", content)
    elif not arguments.quiet:
        terminal.tell(terminal.report("Figures", [("", [("", str(file)) for file in files])]))
    return options.EXIT_DONE


def _check_names(names: Sequence[str] | None, *, swept: bool, count: int) -> None:
    """Refuse a figure that is not known, or not one of what is to be drawn."""
    from simulate.figures.gallery import BESIDE, CHART, FIGURES
    from simulate.figures.style import check_known

    known = (CHART,) if swept else tuple(FIGURES if count == 1 else BESIDE)
    check_known("--figure", names or (), (*known, *_others(names, known)))
    wrong = [name for name in names or () if name not in known]
    if wrong:
        from simulate.errors import Fault, InputError

        need = {CHART: "the folder of a sweep"} | dict.fromkeys(BESIDE, "two runs or more")
        faults = [
            Fault("is no figure of this", need.get(name, "one run"), key="--figure", value=name)
            for name in wrong
        ]
        raise InputError(faults)


def _others(names: Sequence[str] | None, known: tuple[str, ...]) -> Iterator[str]:
    """Names asked for that are figures of something else."""
    from simulate.figures.gallery import BESIDE, CHART, FIGURES

    elsewhere = {*FIGURES, *BESIDE, CHART}.difference(known)
    return (name for name in names or () if name in elsewhere)


def _figures(arguments: argparse.Namespace, results: Sequence[Result]) -> Iterator[tuple[str, Any]]:
    """The figures wanted, one after the other."""
    from simulate.explain.comparison import told_apart
    from simulate.figures.design_chart import sweep_chart
    from simulate.figures.gallery import BESIDE, CHART, FIGURES, drawable
    from simulate.figures.snapshots import density_moments
    from simulate.sweep.file import STORED, read_sweep

    names = arguments.figure
    if not results:
        yield CHART, sweep_chart(read_sweep(Path(arguments.etched[0]) / STORED), arguments.show)
    elif len(results) == 1:
        for name in names or drawable(results[0]):
            if name == "density_moments" and arguments.at:
                yield name, density_moments(results[0], parse_times(arguments.at))
            else:
                yield name, FIGURES[name](results[0])
    else:
        from simulate.cli.run_folder import run_name

        called = told_apart([run_name(place) for place in arguments.etched])
        for name in names or BESIDE:
            yield name, BESIDE[name](results, called)


def parse_times(text: str) -> list[float]:
    """Moments such as "5 s, 2 min" [s].

    Raises
    ------
    InputError : one of them is no time.
    """
    from simulate.units import parse_quantity

    return [parse_quantity(part.strip(), "time") for part in text.split(",")]
