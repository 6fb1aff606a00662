"""``swabfield section``: the field in a plane under the swab."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.cli import options, terminal

if TYPE_CHECKING:
    from simulate.section.solve import Section

_STORY = """\
Cut through swab, mask and metal along a line and draw what goes on there: lines
of equal potential, current lines with the same current between any two, and the
current density on the metal. The swab is fresh and the metal not yet etched."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "section", section, "draw potential and current under the swab", _STORY
    )
    options.add_case(parser)
    add = parser.add_argument
    add("--at", metavar="PLACE", help='where the swab stands, such as "12 mm, 4 mm"')
    add("--angle", metavar="ANGLE", help='of the line from x, such as "90 deg"')
    add("--format", metavar="LIST", default="png,svg", help="of png, svg, pdf; png,svg if absent")
    add("--out", metavar="DIR", help="folder; CASE-section here if not given")
    add("--force", action="store_true", help="replace an earlier section in DIR")


def section(arguments: argparse.Namespace) -> int:
    """Solve, draw, and tell."""
    from simulate.case.case import read_case
    from simulate.cli.run_folder import MANIFEST, RunFolder
    from simulate.figures.gallery import write_figures
    from simulate.figures.section_view import section_figure
    from simulate.figures.style import FORMATS, check_known
    from simulate.section.solve import section_summary, solve_section
    from simulate.units import parse_quantity

    formats = [name.strip() for name in arguments.format.split(",")]
    check_known("--format", formats, FORMATS)
    place = None if arguments.at is None else parse_place("--at", arguments.at)
    angle = None if arguments.angle is None else parse_quantity(arguments.angle, "angle")
    case = read_case(arguments.case)
    path = Path(arguments.out or f"{Path(arguments.case).stem}-section")
    folder = RunFolder(path, arguments.force)
    with terminal.progress("solving", not arguments.quiet):
        found = solve_section(case, place, angle)
    folder.clear()
    summary = section_summary(found)
    files = [folder.write("section.json", {"schema": terminal.SCHEMA, **summary})]
    with terminal.progress("drawing", not arguments.quiet):
        files += write_figures([("section", section_figure(found))], path, formats)
    listed = {"schema": terminal.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listed)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path), "summary": summary}
        terminal.tell_json("section", content | {"files": folder.names(files)})
    elif not arguments.quiet:
        terminal.tell(_report(found, files))
    return options.EXIT_DONE


def parse_place(name: str, text: str) -> tuple[float, float]:
    """A place "x mm, y mm" [m].

    Raises
    ------
    InputError : not two lengths; ``key`` is the name.
    """
    from simulate.errors import Fault, InputError
    from simulate.units import parse_quantity

    parts = text.split(",")
    if len(parts) != 2:
        raise InputError(Fault("no place", 'two lengths, as "12 mm, 4 mm"', key=name, value=text))
    x, y = (parse_quantity(part, "length") for part in parts)
    return x, y


def _report(found: Section, files: list[Path]) -> str:
    from simulate.section.solve import section_summary
    from simulate.units import format_quantity

    summary = section_summary(found)
    x, y = (1e3 * value for value in found.place)
    rows = [
        ("swab at", f"{x:.4g} mm, {y:.4g} mm"),
        ("line", f"{math.degrees(found.angle):.3g} deg from x"),
        ("taken to go on for", format_quantity(found.thickness, "mm")),
        ("current", format_quantity(found.current, "A")),
        ("voltage", format_quantity(summary["voltage"]["value"], "V")),
        ("mean density", format_quantity(summary["mean_density"]["value"], "A/cm2")),
        ("highest over mean", f"{summary['crowding']['value']:.3g}"),
    ]
    shown = [("", str(file)) for file in files]
    return terminal.report(f"{found.case.title}: under the swab", [("", rows), ("Files", shown)])
