"""``swabfield draw``: the figures of a run, those and in the formats that are wanted."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulate.cli import options, words

_STORY = """\
Draw the figures of a run, each of which stands alone on a slide or in a text.
PNG for slides, SVG and PDF for print. --live-text keeps the letters of an SVG as
letters, to be edited; it then needs the reader's fonts. --animate adds the run in
motion: WebP and GIF for pages and slides, MP4 if ffmpeg is there."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "draw", draw, "draw the figures of a run", _STORY)
    add = parser.add_argument
    add("etched", metavar="RUN", help="run folder or its result.nc, as `etch` leaves them")
    add(
        "--figure",
        metavar="NAME",
        nargs="+",
        action="extend",
        help="figures wanted; all if not given (a wrong name lists them)",
    )
    add("--format", metavar="LIST", default="png,svg", help="of png, svg, pdf; png,svg if absent")
    add(
        "--animate",
        metavar="LIST",
        nargs="?",
        const="webp,gif",
        default="",
        help="of webp, gif, mp4; webp,gif if LIST is absent",
    )
    add("--live-text", action="store_true", help="keep letters as letters in SVG")
    add("--out", metavar="DIR", help="folder; RUN-figures here if not given")
    add("--force", action="store_true", help="replace earlier figures in DIR")


def draw(arguments: argparse.Namespace) -> int:
    """Draw and tell."""
    from simulate.cli.run_folder import MANIFEST, RunFolder, run_name, stored_result
    from simulate.figures import FIGURES, draw_result
    from simulate.figures.moving import MOVING, animate_result
    from simulate.figures.style import FORMATS, check_known

    formats = [name.strip() for name in arguments.format.split(",")]
    check_known("--format", formats, FORMATS)
    moving = [name.strip() for name in arguments.animate.split(",") if name.strip()]
    check_known("--animate", moving, MOVING)
    check_known("--figure", arguments.figure or (), FIGURES)
    result = stored_result(arguments.etched)
    path = Path(arguments.out or f"{run_name(arguments.etched)}-figures")
    folder = RunFolder(path, arguments.force)
    folder.clear()
    with words.progress("drawing", not arguments.quiet):
        files = draw_result(
            result, path, formats, figures=arguments.figure, live_text=arguments.live_text
        )
        if moving:
            files += animate_result(result, path, moving)
    listed = {"schema": words.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listed)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path), "files": folder.names(files)}
        words.tell_json("draw", content)
    elif not arguments.quiet:
        words.tell(words.report("Figures", [("", [("", str(file)) for file in files])]))
    return options.EXIT_DONE
