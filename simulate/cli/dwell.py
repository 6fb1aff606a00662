"""``swabfield dwell``: how long to work each piece of the path for an even etch."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import options, terminal
from simulate.errors import Fault, InputError

if TYPE_CHECKING:
    from simulate.case.case import Case
    from simulate.dwell.path_pieces import Pace
    from simulate.dwell.place_fields import Spread
    from simulate.dwell.plan import DwellPlan

_STORY = """\
Say how long the stroke of a case takes to reach a depth and how much of the
open area it gets right; find how long to work each piece of the path instead,
in whole seconds and with the marks where the swab is wetted again; and say
what no schedule can even out. Leaves a folder with the schedule as a table, as
a case that `etch` runs, and as a figure."""

_SHOWN = 14  # rows of the schedule on the terminal; the file holds all


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "dwell", dwell, "find how long to work each piece for an even etch", _STORY
    )
    options.add_case(parser)
    add = parser.add_argument
    add("--depth", metavar="DEPTH", help='wanted, such as "25 um"; that of [aim] if not given')
    add("--tolerance", metavar="SHARE", help='of the depth, such as "10 %%"; that of [aim]')
    add("--passes", metavar="N", type=int, help="go over every piece just this often")
    add("--slowest", metavar="SPEED", help='least speed, such as "2 mm/s"')
    add("--fastest", metavar="SPEED", help='greatest speed, such as "40 mm/s"')
    add("--longest", metavar="TIME", help='longest time on one piece in a row, such as "5 s"')
    add("--all", action="store_true", help="print the whole schedule")
    add("--out", metavar="DIR", help="folder; CASE-dwell here if not given")
    add("--force", action="store_true", help="replace an earlier schedule in DIR")


def dwell(arguments: argparse.Namespace) -> int:
    """Plan, write, and tell."""
    from simulate.case.case import read_case
    from simulate.cli.run_folder import RunFolder
    from simulate.dwell.optimise import plan_dwell
    from simulate.units import parse_quantity

    case = read_case(arguments.case)
    depth = parse_quantity(arguments.depth, "length") if arguments.depth else None
    tolerance = parse_quantity(arguments.tolerance, "ratio") if arguments.tolerance else None
    pace = _pace(case, arguments)
    path = Path(arguments.out or f"{Path(arguments.case).stem}-dwell")
    folder = RunFolder(path, arguments.force)
    with terminal.progress("solving", not arguments.quiet) as step:
        plan = plan_dwell(case, depth, tolerance=tolerance, pace=pace, progress=step)
    files = _keep(plan, folder)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path)}
        content |= {"files": folder.names(files), "summary": plan.summary}
        terminal.tell_json("dwell", content)
    elif not arguments.quiet:
        terminal.tell(_report(plan, files, None if arguments.all else _SHOWN))
    return options.EXIT_DONE


def _pace(case: Case, arguments: argparse.Namespace) -> Pace:
    from simulate.dwell.optimise import usual_pace
    from simulate.units import parse_quantity

    given: dict[str, Any] = {
        name: parse_quantity(getattr(arguments, name), "speed")
        for name in ("slowest", "fastest")
        if getattr(arguments, name)
    }
    if arguments.longest:
        given["longest"] = round(parse_quantity(arguments.longest, "time"))
    if arguments.passes is not None:
        given["passes"] = arguments.passes
    return usual_pace(case, **given)


def _keep(plan: DwellPlan, folder: Any) -> list[Path]:
    """Write the folder: table, case, figure, summary."""
    from simulate.cli.run_folder import MANIFEST
    from simulate.figures import draw_plan
    from simulate.files import replacing

    folder.clear()
    files = [folder.path / name for name in ("schedule.csv", "schedule.toml", "schedule.png")]
    for file, text in zip(files, (plan.csv, plan.schedule_case.text), strict=False):
        with replacing(file) as part:
            part.write_text(text, encoding="utf-8")
    draw_plan(plan, files[2])
    files += _copy_drawings(plan.schedule_case, folder.path)
    files.append(folder.write("summary.json", {"schema": terminal.SCHEMA, **plan.summary}))
    listing = {"schema": terminal.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listing)
    return files


def _copy_drawings(case: Case, folder: Path) -> list[Path]:
    """Put the drawings that a case names below a folder, so that its text can be read there."""
    from simulate.files import replacing

    copies = []
    for name in dict.fromkeys(drawing.name for drawing in case.drawings):
        source, target = Path(case.path).parent / name, (folder.resolve() / name).resolve()
        if target == source.resolve():
            continue
        if target.exists():
            expected = "another name for the drawing"
            raise InputError(Fault("is the name of a file of this folder", expected, file=name))
        target.parent.mkdir(parents=True, exist_ok=True)
        with replacing(target) as part:
            part.write_bytes(source.read_bytes())
        copies.append(folder / target.relative_to(folder.resolve()))
    return copies


def _report(plan: DwellPlan, files: list[Path], shown: int | None) -> str:
    """The plan in a page."""
    columns = ("as it stands", "repeated", "schedule", "no better")
    spreads = (plan.stands, plan.repeated, plan.planned, plan.floor)
    table = [("of the etch", "".join(f"{name:>13}" for name in columns))]
    table += [
        (name, "".join(f"{value(spread):>13}" for spread in spreads))
        for name, value in _NUMBERS.items()
    ]
    visits = plan.visits[:shown]
    rows = [("", _HEADING), *(("", _row(visit)) for visit in visits)]
    left = len(plan.visits) - len(visits)
    if left:
        rows.append(("", f"... and {left} more, all in {files[0]}"))
    return terminal.report(
        f"{plan.case.title}: {_um(plan.depth)} within {plan.tolerance:.0%}",
        [
            ("What it means", [("", sentence) for sentence in plan.words]),
            ("Depth", [(name, line) for name, line in table]),
            ("Schedule: rub from .. to, to and fro, for so long", rows),
            ("Files", [("", str(file)) for file in files]),
        ],
    )


def _um(depth: float) -> str:
    return f"{depth * 1e6:.3g} um"


def _ratio(value: float) -> str:
    return "none" if value != value else f"{value:.2f}"


_NUMBERS: dict[str, Callable[[Spread], str]] = {
    "mean depth": lambda spread: _um(spread.mean),
    "evenness": lambda spread: f"{spread.evenness:.3f}",
    "in tolerance": lambda spread: f"{spread.within:.0%}",
    "edge ratio": lambda spread: _ratio(spread.edge_ratio),
    "time on plate": lambda spread: f"{spread.time:.0f} s" if spread.time else "-",
    "re-wets": lambda spread: str(spread.rewets) if spread.time else "-",
}
_HEADING = f"{'line':>5}{'from (mm)':>16}{'to (mm)':>16}{'time':>7}{'passes':>8}"


def _row(visit: Any) -> str:
    """One visit, with a line before it where the swab is wetted again."""
    (x0, y0), (x1, y1) = (tuple(v * 1e3 for v in p) for p in (visit.piece.start, visit.piece.end))
    start, end = f"{x0:.1f}, {y0:.1f}", f"{x1:.1f}, {y1:.1f}"
    mark = "  <- wet the swab first" if visit.rewet else ""
    return (
        f"{visit.piece.line + 1:>5}{start:>16}{end:>16}{visit.seconds:>5} s{visit.passes:>8}{mark}"
    )
