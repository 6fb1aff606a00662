"""``swabfield etch``: the main job, from a case file to a run folder."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import options, safety_box, terminal
from simulate.cli.run_folder import MANIFEST, RunFolder, default_path, manifest

if TYPE_CHECKING:
    from simulate.case.case import Case
    from simulate.cli.figure_process import FigureProcesses
    from simulate.result.result import Result
    from simulate.safety.precautions import Precautions

FORMATS = ("png", "svg")
"""Of the figures in a run folder."""

_STORY = """\
Draw the swab over the plate as the case says, and leave a folder with the map
of depth, figures, a summary, and every number in a NetCDF file. Ctrl-C stops
early and keeps the work so far."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "etch", etch, "etch a case and leave a run folder", _STORY
    )
    options.add_case(parser)
    parser.add_argument("--out", metavar="DIR", help="run folder; CASE-run here if not given")
    parser.add_argument(
        "--error",
        action="store_true",
        help="run coarser cells too, and state the numerical error of current and depth",
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier run in DIR")


def etch(arguments: argparse.Namespace) -> int:
    """Etch, write, and tell."""
    from simulate.cli.figure_process import FigureProcesses

    started = datetime.now(UTC)
    with FigureProcesses() as drawing:
        drawing.start()  # what it loads takes about as long as all that comes before the fields
        from simulate.case.case import read_case

        case = read_case(arguments.case)
        path = Path(arguments.out) if arguments.out else default_path(arguments.case)
        folder = RunFolder(path, arguments.force)
        from simulate.run.etch import etch_case

        with terminal.progress("etching", not arguments.quiet) as step:
            result = etch_case(_asked(case, arguments.error), progress=step)
        if arguments.error:
            result = replace(result, case=case)
        with terminal.progress("writing", not arguments.quiet):
            state, files, box = _keep(result, folder, started, drawing)
    status = options.EXIT_DONE if state == "done" else options.EXIT_INTERRUPTED
    if arguments.json:
        content = {"exit": status, "state": state, "folder": str(path)}
        content |= {"files": folder.names(files), "summary": result.summary}
        terminal.tell_json("etch", content | {"safety": box.plain()})
    elif not arguments.quiet:
        terminal.tell(_report(result, box, files, state))
    if arguments.json or arguments.quiet:
        safety_box.warn(box)
    if state != "done":
        terminal.complain((), f"Stopped by Ctrl-C; {path} holds the work so far and says so.")
    return status


def _asked(case: Case, error: bool) -> Case:
    """The case, made to ask for the numerical error if the command line does."""
    return replace(case, grid=replace(case.grid, refine=True)) if error else case


def _keep(
    result: Result, folder: RunFolder, started: datetime, drawing: FigureProcesses
) -> tuple[str, list[Path], Precautions]:
    """Write the run folder; the state it is in, its files, and what to beware of."""
    from simulate.result.netcdf import write_result
    from simulate.safety.precautions import after_run

    folder.clear()
    figures = folder.path / "figures"
    drawing.submit(result, figures, FORMATS)
    box = after_run(result)
    state = "interrupted" if result.partial else "done"
    files = [folder.path / "result.nc"]
    write_result(result, files[0])
    summary = {"schema": terminal.SCHEMA, **result.summary, "safety": box.plain()}
    files.append(folder.write("summary.json", summary))
    try:
        files += _figures(result, figures, drawing)
    except KeyboardInterrupt:
        state = "interrupted"
    status = options.EXIT_DONE if state == "done" else options.EXIT_INTERRUPTED
    content = manifest(
        folder, result.case, state=state, exit_status=status, started=started, files=files
    )
    files.append(folder.write(MANIFEST, content))
    return state, files, box


def _figures(result: Result, folder: Path, drawing: FigureProcesses) -> list[Path]:
    """The usual figures' files, drawn in the background or, where that failed, here."""
    drawn = drawing.files()
    if drawn is None:
        from simulate.figures import draw_result

        drawn = [*draw_result(result, folder, FORMATS)]
    return drawn


def _report(result: Result, box: Precautions, files: list[Path], state: str) -> str:
    """The run in a few lines."""
    summary = result.summary
    depth = [
        ("mean depth", _show(summary["mean_depth"], "um")),
        ("deepest", _show(summary["max_depth"], "um")),
        ("evenness", _show(summary["evenness"])),
        ("edge ratio", _show(summary["edge_ratio"])),
        ("open area", _show(summary["open_area"], "cm2")),
        ("removed", _show(summary["removed_mass"], "mg")),
    ]
    current = [
        ("swab time", _show(summary["duration"], "s")),
        ("peak current", _show(summary["peak_current"], "A")),
        ("charge", _show(summary["charge"], "C")),
    ]
    errors = [
        (name.replace("_", " "), "within " + _show(error, "%"))
        for name, error in summary["numerical_error"].items()
    ]
    found = [("", str(file)) for file in files if file.suffix in (".nc", ".json", ".png")]
    partial = "" if state == "done" else " (stopped early)"
    return terminal.report(
        result.case.title + partial,
        [
            *safety_box.on_top(box),
            ("Etched", depth),
            ("Current", current),
            ("Swab", _swab(result)),
            ("Numerical error", errors),
            *safety_box.after(box),
            ("Files", found),
        ],
    )


def _swab(result: Result) -> list[tuple[str, str]]:
    """How the swab fared, and what there is to beware of."""
    from simulate.units import format_quantity

    facts = [("wetted again", f"{result.rewet.sum()} times")]
    if result.temperature is not None and result.temperature.size:
        facts.append(("hottest", format_quantity(float(result.temperature.max()), "degC")))
    return facts + [("", remark) for remark in result.remarks]


def _show(quantity: dict[str, Any], unit: str = "") -> str:
    """A quantity of the summary in a unit of the trade."""
    from simulate.units import format_quantity

    value = quantity["value"]
    return "none" if value is None else format_quantity(value, unit)
