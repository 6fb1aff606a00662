"""The command ``swabfield``: words in, words out, exit status.

Reading order within the folder::

    options     the grammar: one parser a command, hints for misspelt words
    terminal    reports, faults, JSON, progress
    report_rows  one number or sentence, for people and for machines; tables
    safety_box  what is past a limit, on top; verdicts and cautions
    run_folder  what a run leaves on the disk, and the manifest
    figure_process  a process that draws a run's figures
    start       a case to begin from
    metals      which metals etch
    recipe      how much salt
    check       what a case means
    etch        the main job
    dwell       how long to work each piece for an even etch
    sweep       one case over many values
    explain     why here deeper than there
    compare     several cases beside each other
    section     potential and current under the swab
    draw        the figures of a run
    page        one file for the classroom
    export      files that other programs open

Each of the last is one family of commands, with ``register(commands)`` and a function for each.
Nothing heavy is imported before a command runs, and exceptions become exit status here and nowhere
else.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from simulate.cli import (
    check,
    compare,
    draw,
    dwell,
    etch,
    explain,
    export,
    metals,
    options,
    page,
    recipe,
    section,
    start,
    sweep,
    terminal,
)
from simulate.errors import (
    CapacityError,
    ConvergenceError,
    Fault,
    InputError,
    SwabfieldError,
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit status is returned, or raised by a misspelt command line.

    Parameters
    ----------
    arguments : the words after ``swabfield``; those of the process, which is its own, if None.
    """
    if arguments is None:
        options.settle_in()
    try:
        try:
            return _run(arguments)
        finally:
            sys.stdout.flush()
    except KeyboardInterrupt:
        terminal.complain((), "Stopped before anything was written.")
        return options.EXIT_INTERRUPTED
    except BrokenPipeError:
        # Whoever read our words has left; Python would complain once more when it closes stdout.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return options.EXIT_PIPE_CLOSED


def _run(arguments: Sequence[str] | None) -> int:
    """Parse, run the command, put foreseen errors into words."""
    parser, commands = options.build_parser()
    preparing = (start, metals, recipe, check)
    doing = (etch, dwell, sweep, explain, compare)
    showing = (section, draw, page, export)
    for family in (*preparing, *doing, *showing):
        family.register(commands)
    chosen = options.parse(parser, arguments)
    if chosen.command is None:
        parser.print_help()
        return options.EXIT_BAD_INPUT
    import logging

    logging.basicConfig(format="swabfield: %(message)s", level=logging.WARNING)
    try:
        return int(chosen.run(chosen))
    except SwabfieldError as error:
        return _refuse(error, chosen.command, as_json=chosen.json)


def _refuse(error: SwabfieldError, command: str, *, as_json: bool) -> int:
    """Words and status for an error that was foreseen."""
    if isinstance(error, InputError):
        faults, status = error.faults, options.EXIT_BAD_INPUT
        count = "One fault" if len(faults) == 1 else f"{len(faults)} faults"
        ending = f"{count}; nothing was written."
    else:
        faults, ending = (Fault(str(error)),), ""
        status = options.EXIT_FAILED
        if isinstance(error, CapacityError):
            status = options.EXIT_BAD_INPUT
        elif isinstance(error, ConvergenceError):
            status = options.EXIT_NOT_CONVERGED
    terminal.complain((str(fault) for fault in faults), ending)
    if as_json:
        listing = [vars(fault) for fault in faults]
        terminal.tell_json(command, {"exit": status, "faults": listing})
    return status
