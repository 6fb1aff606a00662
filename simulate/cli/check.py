"""``swabfield check``: what a case means, before it is run."""

from __future__ import annotations

import argparse

from simulate.cli import options, words

_STORY = """\
Read a case and say what it means in plain words: metal, liquid, supply,
stencil, swab and stroke, what a run of it costs, and what to beware of.
No field is solved and nothing is written."""


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "check", check, "say what a case means", _STORY)
    options.add_case(parser)


def check(arguments: argparse.Namespace) -> int:
    """Read and tell."""
    from simulate.case import read_case

    read_case(arguments.case)
    words.tell("")
    return options.EXIT_DONE
