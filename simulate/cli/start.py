"""``swabfield start``: a case to begin from."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulate.cli import options, terminal
from simulate.errors import Fault, InputError, ResultError

_STORY = """\
Put a case file into a folder, ready to be edited. It is the demo, an invented
garden tag, with comments beside its values."""
_PATTERN = "garden_tag.toml"


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "start", start, "put a case to edit into a folder", _STORY
    )
    parser.add_argument("folder", metavar="DIR", help="folder to put it into; made if need be")
    parser.add_argument("--force", action="store_true", help="write over a case that is there")


def start(arguments: argparse.Namespace) -> int:
    """Write ``case.toml`` into the folder."""
    target = Path(arguments.folder) / "case.toml"
    if target.exists() and not arguments.force:
        expected = "a folder without case.toml, or --force to write over it"
        raise InputError(Fault("is there already", expected, file=str(target)))
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(_pattern().read_text(encoding="utf-8"), encoding="utf-8")
    except OSError as error:
        raise ResultError(f"{target}: cannot be written: {error.strerror}") from error
    if arguments.json:
        terminal.tell_json("start", {"exit": options.EXIT_DONE, "case": str(target)})
    elif not arguments.quiet:
        terminal.tell(
            f"{target} is yours to edit; the comments in it say what each line does.\n\n"
            f"  swabfield check {target}   what it means and what it costs\n"
            f"  swabfield etch {target}    etch it"
        )
    return options.EXIT_DONE


def _pattern() -> Path:
    """The demo case: beside the package's modules when installed, in ``cases/`` in a clone."""
    package = Path(__file__).parent.parent
    places = (package / "cases" / _PATTERN, package.parent / "cases" / _PATTERN)
    return next(place for place in places if place.exists())
