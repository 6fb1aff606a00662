"""Words for the terminal: reports, faults, JSON for machines, progress."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, TextIO

SCHEMA = 1
"""Number of the JSON objects' format; raised when a key changes its meaning or goes."""

_BOLD, _RED, _PLAIN = "\x1b[1m", "\x1b[31m", "\x1b[0m"
_LABEL = 18  # columns for the name of a value

ROW = "|"
"""Name of a line that is a row of a table."""

Lines = Iterable[tuple[str, str]]


def width() -> int:
    """Columns to write in: those of the terminal, between 40 and 80."""
    return max(40, min(80, shutil.get_terminal_size((80, 24)).columns))


def report(title: str, sections: Iterable[tuple[str, Lines]]) -> str:
    """A report as text: a title, and under each heading lines of name and value.

    A line without a name is a paragraph of its own; one named `ROW` is kept as it is.
    """
    blocks = [_strong(title, sys.stdout)]
    for heading, lines in sections:
        wrapped = [line for name, value in lines for line in _line(name, value)]
        if wrapped:
            blocks.append("\n".join([_strong(heading, sys.stdout), *wrapped]))
    return "\n\n".join(blocks)


def _line(name: str, value: str) -> list[str]:
    if name == ROW:
        return [f"  {value}"]
    first = f"  {name:<{_LABEL}}" if name else "  "
    return textwrap.wrap(
        value,
        width(),
        initial_indent=first,
        subsequent_indent=" " * len(first),
        break_long_words=False,
        break_on_hyphens=False,
    ) or [first.rstrip()]


def _colours(stream: TextIO) -> bool:
    """Whether a stream is a terminal whose owner has nothing against colour."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def _strong(text: str, stream: TextIO, code: str = _BOLD) -> str:
    return f"{code}{text}{_PLAIN}" if _colours(stream) else text


def tell(text: str) -> None:
    """Write a report to stdout."""
    print(text)


def remark(text: str) -> None:
    """Write a remark to stderr, where it disturbs no pipe."""
    print(text, file=sys.stderr)


def complain(messages: Iterable[str], ending: str = "") -> None:
    """Write faults to stderr, one a line."""
    for message in messages:
        print(_strong(message, sys.stderr, _RED), file=sys.stderr)
    if ending:
        print(ending, file=sys.stderr)


def tell_json(command: str, content: Mapping[str, Any]) -> None:
    """Write the one JSON object of a command to stdout."""
    print(as_json({"schema": SCHEMA, "command": command, **content}))


def as_json(value: Any) -> str:
    """JSON text of plain values and numpy numbers; what is not finite becomes null."""
    return json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


@contextmanager
def progress(label: str, wanted: bool) -> Iterator[Callable[[int, int], None] | None]:
    """A bar with the time left on stderr, or None where nobody watches.

    Yields a function of (done, total).
    """
    if not wanted or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeLeft(elapsed_when_finished=True),
        TextColumn("{task.fields[tail]}", markup=False),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(label, total=None, tail="")

        def step(done: int, total: int) -> None:
            bars.update(task, completed=done, total=total, tail="left")

        yield step
