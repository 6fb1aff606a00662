"""``swabfield explain``: why here deeper than there."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.cli import options, terminal

if TYPE_CHECKING:
    from simulate.explain import Explanation
    from simulate.explain.log_ratios import Spots
    from simulate.result.result import Result

_STORY = """\
Take the etch of a run apart into its causes: mask edge, openings, polarisation,
swab, stroke and drift, each found by solving the case once more without it.
Says what each does to evenness, to rims against the rest, to narrow openings
against wide ones, and, with --at and --than, why one place is deeper than
another; and which single change would help most, at what cost in time."""

SHOWN = 3
"""Changes told on the terminal; explain.json holds all."""

_HEADS = {
    "evenness": "unevenness",
    "edge_ratio": "edge ratio",
    "narrow_to_wide": "narrow/wide",
    "spots": "A/B",
}


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "explain", explain, "say why the etch of a run is uneven", _STORY
    )
    add = parser.add_argument
    add("etched", metavar="RUN", help="run folder or its result.nc, as `etch` leaves them")
    add("--at", metavar="PLACE", help='why is this place, such as "12 mm, 4 mm", deeper ...')
    add("--than", metavar="PLACE", help="... than this one")
    add("--no-changes", action="store_true", help="do not try single changes; quicker")
    add("--out", metavar="DIR", help="folder; RUN-explain here if not given")
    add("--force", action="store_true", help="replace an earlier explanation in DIR")


def explain(arguments: argparse.Namespace) -> int:
    """Explain, write, and tell."""
    from simulate.cli.run_folder import MANIFEST, RunFolder, stored_result
    from simulate.explain import explain_result
    from simulate.figures import draw_explanation

    spots = _spots(arguments)
    result = stored_result(arguments.etched)
    path = Path(arguments.out or f"{_name(arguments.etched)}-explain")
    folder = RunFolder(path, arguments.force)
    with terminal.progress("explaining", not arguments.quiet) as step:
        found = explain_result(result, spots, changes=not arguments.no_changes, progress=step)
    folder.clear()
    files = [folder.write("explain.json", {"schema": terminal.SCHEMA, **found.summary})]
    with terminal.progress("drawing", not arguments.quiet):
        files += draw_explanation(found, path / "figures")
    listed = {"schema": terminal.SCHEMA, "kind": "swabfield run", "files": folder.names(files)}
    folder.write(MANIFEST, listed)
    if arguments.json:
        content = {"exit": options.EXIT_DONE, "folder": str(path)}
        content |= {"files": folder.names(files), "summary": found.summary}
        terminal.tell_json("explain", content)
    elif not arguments.quiet:
        terminal.tell(_report(found, files))
    return options.EXIT_DONE


def _name(run: str) -> str:
    """Name of a run: that of its folder, or of a file that is not called as in one."""
    path = Path(run).absolute()
    return path.parent.name if path.name == "result.nc" else path.stem


def _spots(arguments: argparse.Namespace) -> Spots | None:
    """The two places, if both were named."""
    from simulate.errors import Fault, InputError

    given = {"--at": arguments.at, "--than": arguments.than}
    missing = [name for name, text in given.items() if text is None]
    if len(missing) == 2:
        return None
    if missing:
        raise InputError(Fault("one place alone", "both --at and --than", key=missing[0]))
    return _place("--at", arguments.at), _place("--than", arguments.than)


def _place(name: str, text: str) -> tuple[float, float]:
    """A place "x mm, y mm" [m]."""
    from simulate.errors import Fault, InputError
    from simulate.units import parse_quantity

    parts = text.split(",")
    if len(parts) != 2:
        raise InputError(Fault("no place", 'two lengths, as "12 mm, 4 mm"', key=name, value=text))
    x, y = (parse_quantity(part, "length") for part in parts)
    return x, y


def _report(found: Explanation, files: list[Path]) -> str:
    """The table, the sentences, the changes, the files."""
    changes = [("", sentence) for sentence in found.advice[:SHOWN]]
    error = found.sensitivities.error if found.sensitivities else {}
    if changes:
        stated = ", ".join(f"{name.replace('_', ' ')} {v:.2g}" for name, v in error.items())
        changes.append(("", f"Tried on coarser cells; their error as log ratios: {stated}."))
    return terminal.report(
        f"{found.result.case.title}: why it is uneven",
        [
            ("Observed", [(one.label, f"{one.observed:.3f}") for one in found.attributions]),
            ("Share of each cause, as a factor", _table(found)),
            ("In words", [("", text) for text in (*found.sentences.values(), found.leading)]),
            ("Which single change would help most", changes),
            ("Numerical error of the run", _errors(found.result)),
            ("Files", [("", str(file)) for file in files if file.suffix in (".json", ".png")]),
        ],
    )


def _table(found: Explanation) -> list[tuple[str, str]]:
    """Causes down, measures across."""
    from simulate.explain.sentences import share_table

    names = [one.name for one in found.attributions]
    rows = [("", " " * 28 + "".join(f"{_HEADS[name]:>12}" for name in names))]
    for cause, row in share_table(found.attributions):
        rows.append(("", f"{cause:<28}" + "".join(f"{row[name]:>12}" for name in names)))
    return rows


def _errors(result: Result) -> list[tuple[str, str]]:
    from simulate.units import format_quantity

    return [
        (name.replace("_", " "), "within " + format_quantity(error, "%"))
        for name, error in result.numerical.items()
    ]
