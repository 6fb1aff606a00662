"""``swabfield sweep``: one case over many values, in a folder that can be gone on with."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import options, terminal

if TYPE_CHECKING:
    from simulate.sweep.table import Sweep

_STORY = """\
Run a case over every combination of some values, or over a sample of them, and
leave a table, a NetCDF file and a chart. The same words again go on where an
earlier run in the folder was stopped; finished cases are not run again.

  --vary stencil.thickness="0.05..0.4 mm:8"  eight values in equal steps
  --vary electrolyte.salt="3 g,6 g,12 g"     a list
  --vary stencil.shapes.1.width="1..5 mm:5"  lists in a case count from 1"""

_KIND = "swabfield sweep"
_CHARTS = ("evenness", "time_to_depth", "duration", "mean_depth", "edge_ratio", "peak_current")


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "sweep", sweep, "run one case over many values", _STORY)
    options.add_case(parser)
    add = parser.add_argument
    add("--vary", metavar="KEY=VALUES", action="append", required=True, help="what is varied")
    add("--sample", metavar="N", type=int, help="N points of a Latin hypercube, not the full grid")
    add("--seed", metavar="N", type=int, default=0, help="of the sample; 0 if not given")
    add("--workers", metavar="N", type=int, help="processes; one a processor if not given")
    add("--scheduler", metavar="ADDRESS", help="a cluster's, such as tcp://192.0.2.7:8786")
    add("--chart", metavar="WHAT", choices=_CHARTS, default="evenness", help=", ".join(_CHARTS))
    add("--out", metavar="DIR", help="folder; CASE-sweep here if not given")
    add("--force", action="store_true", help="write into DIR whatever lies there")


def sweep(arguments: argparse.Namespace) -> int:
    """Run, write, and tell."""
    from simulate.case.case import read_case
    from simulate.sweep.axes import parse_vary
    from simulate.sweep.run import cluster_executor, run_sweep

    case = read_case(arguments.case)
    axes = [parse_vary(text) for text in arguments.vary]
    path = Path(arguments.out or f"{Path(arguments.case).stem}-sweep")
    _claim(path, arguments.force)
    away = arguments.scheduler
    executor = cluster_executor(away) if away else contextlib.nullcontext()
    with executor as runs, terminal.progress("sweeping", not arguments.quiet) as step:
        found = run_sweep(
            case,
            axes,
            path,
            sample=arguments.sample,
            seed=arguments.seed,
            executor=runs,
            workers=arguments.workers,
            progress=step,
        )
    files = _keep(found, path, arguments.chart)
    stopped = found.count("waiting") > 0
    status = options.EXIT_INTERRUPTED if stopped else options.EXIT_DONE
    if arguments.json:
        listing = [file.name for file in files]
        content = {"exit": status, "folder": str(path), "files": listing}
        terminal.tell_json("sweep", content | {"summary": found.summary})
    elif not arguments.quiet:
        terminal.tell(_report(found, files, arguments.chart))
    if stopped:
        terminal.complain((), f"Stopped by Ctrl-C; the same words go on with what lies in {path}.")
    return status


def _claim(path: Path, force: bool) -> None:
    """Make the folder, or take up an earlier sweep's; refuse any other that is not empty."""
    import json

    from simulate.cli.run_folder import RunFolder

    marker = path / "sweep.json"
    with contextlib.suppress(OSError, ValueError):
        if json.loads(marker.read_text(encoding="utf-8"))["kind"] == _KIND:
            return
    folder = RunFolder(path, force)
    folder.clear()
    folder.write(marker.name, {"schema": terminal.SCHEMA, "kind": _KIND})


def _keep(found: Sweep, path: Path, chart: str) -> list[Path]:
    from simulate.figures.design_chart import draw_sweep
    from simulate.files import replacing
    from simulate.sweep.file import write_sweep

    files = [path / name for name in ("sweep.csv", "sweep.nc")]
    with replacing(files[0]) as part:
        part.write_text(found.csv, encoding="utf-8")
    write_sweep(found, files[1])
    if found.count("done"):
        files.append(path / f"{chart}.png")
        draw_sweep(found, files[2], chart)
    return files


def _report(found: Sweep, files: list[Path], chart: str) -> str:
    """The sweep in a page: how it went, the best and the worst, what failed."""
    counts = [(state, str(found.count(state))) for state in ("done", "failed", "waiting")]
    done = [row for row in found.rows if chart in row.numbers]
    done.sort(key=lambda row: row.numbers[chart])
    ends = [("least", done[0]), ("greatest", done[-1])] if done else []
    values = [(name, f"{_show(chart, row)} at {_place(found, row)}") for name, row in ends]
    failed = [row for row in found.rows if row.state == "failed"]
    faults = [("", f"{_place(found, row)}: {row.error}") for row in failed[:5]]
    if len(failed) > len(faults):
        faults.append(("", f"... and {len(failed) - len(faults)} more, all in {files[0]}"))
    return terminal.report(
        f"{found.case.title}: {len(found.rows)} cases",
        [
            ("Cases", counts),
            (chart.replace("_", " ").capitalize(), values),
            ("Failed", faults),
            ("Files", [("", str(file)) for file in files]),
        ],
    )


def _show(chart: str, row: Any) -> str:
    from simulate.sweep.table import NUMBERS
    from simulate.units import format_quantity

    unit = NUMBERS[chart]
    trade = {"m": "um", "1": ""}.get(unit, unit)
    return format_quantity(row.numbers[chart], trade)


def _place(found: Sweep, row: Any) -> str:
    pairs = zip(found.axes, row.values, strict=True)
    return ", ".join(f"{axis.key} = {value}" for axis, value in pairs)
