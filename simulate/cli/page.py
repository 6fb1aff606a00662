"""``swabfield page``: one file for the classroom."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from simulate.cli import options, terminal

_STORY = """\
Put a run, or two on one scale, into a single page for a browser: maps through
time, places to point at, a line to move, the numbers, questions to think about,
and what to mind. The page needs no network and may be passed on. --why adds the
causes that `explain` found, one --why for each run in their order."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "page", page, "make a page for the classroom of one or two runs", _STORY
    )
    add = parser.add_argument
    add("runs", metavar="RUN", nargs="+", help="run folders or result.nc files, one or two")
    add("--out", metavar="FILE", default="page.html", help="the page; page.html if not given")
    add("--why", metavar="DIR", action="append", default=[], help="what `explain` left of a run")
    add("--title", metavar="WORDS", default="", help="heading; the title of the case if not given")
    add("--force", action="store_true", help="replace FILE if it is there")


def page(arguments: argparse.Namespace) -> int:
    """Read, write the page, and tell."""
    from simulate.cli.run_folder import free_file, stored_result
    from simulate.page.build import write_page

    path = free_file(Path(arguments.out), force=arguments.force)
    results = [stored_result(run) for run in arguments.runs]
    findings = [_findings(place) for place in arguments.why]
    with terminal.progress("writing", not arguments.quiet):
        moments, join = write_page(results, path, findings=findings, title=arguments.title)
    size = path.stat().st_size
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "file": str(path), "bytes": size}
        terminal.tell_json("page", content | {"moments": moments, "cells_joined": join})
    elif not arguments.quiet:
        told = [("size", f"{size / 1e3:.0f} kB"), ("moments", f"at most {moments} of the run")]
        if join > 1:
            told.append(("cells", f"{join} by {join} joined to one, so that the page stays small"))
        terminal.tell(
            terminal.report("Page for the classroom", [("", [*told, ("file", str(path))])])
        )
    return options.EXIT_DONE


def _findings(place: str) -> dict[str, Any]:
    """What `explain` wrote.

    Raises
    ------
    InputError : it is not there, or is something else.
    """
    import json

    from simulate.errors import Fault, InputError

    path = Path(place) / "explain.json" if Path(place).is_dir() else Path(place)
    expected = "a folder as `explain` leaves it"
    try:
        found = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise InputError(Fault("cannot be read", expected, file=str(path))) from error
    except ValueError as error:
        raise InputError(Fault("is no explanation", expected, file=str(path))) from error
    if not (isinstance(found, dict) and {"measures", "sentences"} <= found.keys()):
        raise InputError(Fault("is no explanation", expected, file=str(path)))
    return found
