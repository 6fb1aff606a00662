"""The grammar of the command line: one parser a command, and a hint when a word is misspelt."""

from __future__ import annotations

import argparse
import atexit
import difflib
import gc
import os
import re
from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from typing import Any, NoReturn

EXIT_DONE = 0
EXIT_FAILED = 1
EXIT_BAD_INPUT = 2
EXIT_NOT_CONVERGED = 3
EXIT_INTERRUPTED = 130
EXIT_PIPE_CLOSED = 141

_EXITS = """\
exit status: 0 done, 1 a file could not be read or written, 2 something in the
input is wrong, 3 a solve did not converge, 130 stopped by Ctrl-C (work so far
is kept)"""

Run = Callable[[argparse.Namespace], int]


class Parser(argparse.ArgumentParser):
    """An argument parser that takes no abbreviations and offers the nearest word instead."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**settings, allow_abbrev=False, add_help=False)
        self.add_argument("-h", "--help", action="help", help="show this text and stop")

    def options(self) -> list[str]:
        """Every option word this parser takes."""
        return sorted(self._option_string_actions)

    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line, with a hint, and stop with status 2."""
        wrong = re.match(r"argument (\S+): invalid choice: '([^']*)'", message)
        if wrong:
            message = f"there is no {wrong[2]!r} here" + _hint(wrong[2], self._choices(wrong[1]))
        self.exit(EXIT_BAD_INPUT, f"{self.prog}: {message}\n")

    def refuse(self, words: Iterable[str]) -> NoReturn:
        """Stop because of words nobody asked for."""
        first = next(iter(words))
        self.error(f"does not know {first!r}" + _hint(first.split("=")[0], self.options()))

    def _choices(self, argument: str) -> list[str]:
        """What an argument takes; it goes by its option word or by its name in the help."""
        return [
            str(choice)
            for action in self._actions
            if argument in (action.metavar, *action.option_strings)
            for choice in action.choices or ()
        ]


def _hint(word: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(word, known, 1, 0.5)
    listing = ", ".join(word for word in known if not word.startswith("-"))
    return f"; did you mean {near[0]!r}?" if near else f"; it takes {listing}" if listing else ""


class _Version(argparse.Action):
    """Look the version up only when asked."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        from importlib import metadata

        print(f"swabfield {metadata.version('swabfield')}")
        parser.exit()


class _Completion(argparse.Action):
    """Print a completion script for a shell."""

    def __call__(
        self, parser: argparse.ArgumentParser, _: Any, shell: Any, __: str | None = None
    ) -> NoReturn:
        import shtab

        print(shtab.complete(parser, shell))
        parser.exit()


def build_parser() -> tuple[Parser, argparse._SubParsersAction[Parser]]:
    """The parser of ``swabfield`` and the place where commands are added."""
    parser = Parser(
        prog="swabfield",
        description="Etch a stencilled plate with a wet swab, on paper: current, depth and time.",
        epilog=f"`swabfield COMMAND --help` tells more of each.\n\n{_EXITS}",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and stop")
    parser.add_argument(
        "--completion",
        action=_Completion,
        choices=("bash", "zsh", "tcsh"),
        metavar="SHELL",
        help="print a script that completes these words in bash, zsh or tcsh",
    )
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    return parser, commands


def add_command(
    commands: argparse._SubParsersAction[Parser], name: str, run: Run, summary: str, story: str
) -> Parser:
    """Add one command.

    Parameters
    ----------
    run : called with the parsed words; returns the exit status.
    summary : one line for the list of commands.
    story : what it does, for its own help.
    """
    parser = commands.add_parser(name, help=summary, description=story, epilog=_EXITS)
    parser.set_defaults(run=run, parser=parser)
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object and nothing else on stdout"
    )
    parser.add_argument("--quiet", action="store_true", help="print nothing but faults")
    return parser


def settle_in() -> None:
    """Settings of a process that is the command's own, to spare it searches.

    Circles of garbage are looked for seldom, and at the end not at all: through what numba loads
    that look took half a second. Nor are plugins of pydantic, in every package that is installed.
    """
    gc.set_threshold(50_000, *gc.get_threshold()[1:])
    atexit.register(gc.freeze)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")


def quick(run: Run) -> Run:
    """A command that ends within a second, spared two searches that take a third of its time.

    Python's, for circles of garbage among all that importing leaves behind, and pydantic's, for
    plugins in every package that is installed.
    """

    @wraps(run)
    def spared(arguments: argparse.Namespace) -> int:
        os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
        collecting = gc.isenabled()
        gc.disable()
        try:
            return run(arguments)
        finally:
            if collecting:
                gc.enable()

    return spared


def add_case(parser: Parser) -> None:
    """The argument every command on a case takes."""
    parser.add_argument("case", metavar="CASE", help="case file, such as cases/garden_tag.toml")


def parse(parser: Parser, words: Sequence[str] | None) -> argparse.Namespace:
    """Parse the command line; stop with status 2 and a hint where it cannot be read."""
    arguments, unknown = parser.parse_known_args(words)
    if unknown:
        getattr(arguments, "parser", parser).refuse(unknown)
    return arguments
