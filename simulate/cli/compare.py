"""``swabfield compare``: several cases beside each other."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.cli import options, terminal

if TYPE_CHECKING:
    from simulate.explain.comparison import Comparison, Row
    from simulate.result.result import Result

_STORY = """\
Etch several cases, or take runs that are there, and set them beside each
other: depth maps on one scale, profiles over each other, and a table of
depth, evenness, time, current, heat and battery. What differs from the first
by more than the stated errors is marked; all else is called equal."""

_MARKS = {"equal": "=", "more": "+", "less": "-", "none": " "}


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "compare", compare, "set several cases beside each other", _STORY
    )
    add = parser.add_argument
    add("cases", metavar="CASE", nargs="+", help="case files, run folders or result.nc files")
    add("--out", metavar="DIR", help="folder; `compare` here if not given")
    add("--force", action="store_true", help="replace an earlier comparison in DIR")


def compare(arguments: argparse.Namespace) -> int:
    """Etch what is not etched yet, compare, write, and tell."""
    from simulate.cli.run_folder import MANIFEST, RunFolder
    from simulate.errors import Fault, InputError
    from simulate.explain.comparison import LEAST, MOST, compare_results, told_apart
    from simulate.figures import draw_comparison

    count = len(arguments.cases)
    if not LEAST <= count <= MOST:
        raise InputError(Fault("cannot be compared", f"{LEAST} to {MOST} cases", value=f"{count}"))
    path = Path(arguments.out or "compare")
    folder = RunFolder(path, arguments.force)
    results = _results(arguments.cases, quiet=arguments.quiet)
    found = compare_results(results, told_apart([_name(case) for case in arguments.cases]))
    folder.clear()
    files = [folder.write("compare.json", {"schema": terminal.SCHEMA, **found.summary})]
    with terminal.progress("drawing", not arguments.quiet):
        files += draw_comparison(found, path / "figures")
    listed = {"schema": terminal.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listed)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path)}
        content |= {"files": folder.names(files), "summary": found.summary}
        terminal.tell_json("compare", content)
    elif not arguments.quiet:
        terminal.tell(_report(found, files))
    return options.EXIT_DONE


def _is_run(place: str) -> bool:
    return Path(place).is_dir() or Path(place).suffix == ".nc"


def _name(place: str) -> str:
    """Name of a case or run: that of its file or folder."""
    path = Path(place).absolute()
    return path.parent.name if path.name == "result.nc" else path.stem


def _results(places: Sequence[str], *, quiet: bool) -> list[Result]:
    """Results of cases and runs, all cases read before the first is etched."""
    from simulate.case.case import read_case
    from simulate.cli.run_folder import stored_result
    from simulate.errors import Fault, InputError
    from simulate.run.etch import etch_case

    faults: list[Fault] = []
    cases, results = {}, {}
    for place in places:
        try:
            if _is_run(place):
                results[place] = stored_result(place)
            else:
                cases[place] = read_case(place)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    for place, case in cases.items():
        with terminal.progress(f"etching {_name(place)}", not quiet) as step:
            results[place] = etch_case(case, progress=step)
        if results[place].partial:
            raise KeyboardInterrupt
    return [results[place] for place in places]


def _report(found: Comparison, files: list[Path]) -> str:
    """The table, what the marks mean, the files."""
    column = min(18, max(12, (terminal.width() - 20) // len(found.names)))
    head = "".join(f"{name[: column - 2]:>{column}}" for name in found.names)
    table = [("", f"{'':<18}{head}")]
    table += [("", f"{row.label:<18}{_cells(row, column)}") for row in found.rows]
    table += [("", f"{'depth by inputs':<18}{_bands(found.row('mean_depth'), column)}")]
    notes = [
        "Against the first: = equal within the stated numerical errors, + more, - less. "
        "Depth by inputs: range that uncertain inputs allow."
    ]
    if not found.grid_error_stated:
        notes.append("The runs state no error of their cells, so small differences may be theirs.")
    same = [row.label for row in found.rows if not row.differs and row.verdicts[-1] != "none"]
    if same:
        notes.append("Equal: " + ", ".join(same) + ".")
    return terminal.report(
        "Compared: " + ", ".join(found.names),
        [
            ("Side by side", table),
            ("What it means", [("", note) for note in notes]),
            ("Files", [("", str(file)) for file in files if file.suffix in (".json", ".png")]),
        ],
    )


def _cells(row: Row, column: int) -> str:
    from math import isfinite

    cells = []
    for number, (value, verdict) in enumerate(zip(row.values, row.verdicts, strict=True)):
        mark = " " if number == 0 else _MARKS[verdict]
        text = _show(value, row.shown) if isfinite(value) else "none"
        cells.append(f"{text + ' ' + mark:>{column}}")
    return "".join(cells).rstrip()


def _bands(row: Row, column: int) -> str:
    cells = [f"{low * 1e6:.3g}-{high * 1e6:.3g} um" for low, high in row.bands]
    return "".join(f"{cell + '  ':>{column}}" for cell in cells).rstrip()


def _show(value: float, unit: str) -> str:
    from simulate.units import format_number, format_quantity

    return f"{format_number(value)} J" if unit == "J" else format_quantity(value, unit)
