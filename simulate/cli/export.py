"""``swabfield export``: a run in files that other programs open."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulate.cli import options, terminal

_STORY = """\
Write a run for other programs:
  vtu     depth as a surface, with all maps on it
  vtr     all maps as cells in the plane of the plate
  stl     depth as a closed solid, 1 mm below the deepest point, to be printed
  ply     depth as a coloured surface
  csv     table of the open cells
  stops   table of the stops
  png16   depth as a picture in 65,536 greys, its scale inside
  frames  current density and depth moment by moment: vtr and their index
  potential  potential in the plane under the swab, as the cells it is solved on
Lengths are in mm, depth in um, and names of quantities end in their unit. Depth
is exaggerated in vtu, stl and ply if --exaggeration says so; the name tells."""

FRAMES, POTENTIAL = "frames", "potential"


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "export", export, "write a run for other programs", _STORY
    )
    add = parser.add_argument
    add("etched", metavar="RUN", help="run folder or its result.nc, as `etch` leaves them")
    add("--to", metavar="KIND", required=True, help="one of the kinds above")
    add("--exaggeration", metavar="FACTOR", default="1", help="factor on depth; 1 if not given")
    add("--out", metavar="FILE", help="file, or folder of frames; named after RUN if not given")
    add("--force", action="store_true", help="replace FILE if it is there")


def export(arguments: argparse.Namespace) -> int:
    """Write and tell."""
    from simulate.cli.run_folder import RunFolder, free_file, run_name, stored_result
    from simulate.export.kinds import KINDS, export_result, file_name
    from simulate.export.vtk import export_field, export_frames
    from simulate.figures.style import check_known
    from simulate.section.solve import solve_section

    kind, factor = arguments.to, _factor(arguments.exaggeration)
    check_known("--to", (kind,), (*KINDS, FRAMES, POTENTIAL))
    name = run_name(arguments.etched)
    if kind == FRAMES:
        folder = RunFolder(Path(arguments.out or f"{name}-frames"), arguments.force)
        files = export_frames(stored_result(arguments.etched), folder.path)
    elif kind == POTENTIAL:
        path = free_file(Path(arguments.out or f"{name}-potential.vtr"), force=arguments.force)
        field = solve_section(stored_result(arguments.etched).case).field
        files = (export_field(field, path),)
    else:
        path = Path(arguments.out or f"{name}-{file_name(kind, factor)}")
        free_file(path, force=arguments.force)
        result = stored_result(arguments.etched)
        files = (export_result(result, path, kind, exaggeration=factor),)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "kind": kind, "exaggeration": factor}
        terminal.tell_json("export", content | {"files": [str(file) for file in files]})
    elif not arguments.quiet:
        size = sum(file.stat().st_size for file in files) / 1e3
        count = "" if len(files) == 1 else f" and {len(files) - 1} more"
        told = [("file", f"{files[-1]}{count}"), ("size", f"{size:.0f} kB")]
        terminal.tell(terminal.report(f"Written as {kind}", [("", told)]))
    return options.EXIT_DONE


def _factor(text: str) -> float:
    from simulate.errors import Fault, InputError

    try:
        return float(text)
    except ValueError as error:
        fault = Fault("is no factor", "a number above 0", key="--exaggeration", value=text)
        raise InputError(fault) from error
