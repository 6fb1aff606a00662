"""The text of a case file: TOML to plain values, the line of every key, edits that keep comments.

A *path* names a place in the file: ``("stencil", "shape", 2, "height")`` is the key ``height`` of
the second ``[[stencil.shape]]``; written out it is ``stencil.shape.2.height``. Lists count from 1,
as people do.

`tomllib` reads; `tomlkit` is loaded only when a line number is wanted or the text is edited.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from simulate.errors import Fault, InputError

if TYPE_CHECKING:
    from tomlkit.container import Container

KeyPath = tuple[str | int, ...]
T = TypeVar("T")


def read_toml(text: str, file: str = "") -> dict[str, Any]:
    """Return the values of a TOML text as nested dictionaries.

    Parameters
    ----------
    text : the text of the file.
    file : its name, for messages.

    Raises
    ------
    InputError
        The text is not TOML; the fault carries the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problem, line, column = _syntax_fault(str(error), text)
        source = text.splitlines()[line - 1].strip() if text.splitlines()[line - 1 :] else ""
        raise InputError(
            Fault(
                problem=f"not valid TOML at column {column}: {problem}",
                expected='lines such as width = "50 mm" under a heading such as [plate]',
                file=file,
                line=line,
                value=source,
            )
        ) from None


def _syntax_fault(message: str, text: str) -> tuple[str, int, int]:
    """Split the message of `tomllib` into words, line and column."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    if found:
        problem = message[: found.start()].strip()
        return problem[:1].lower() + problem[1:], int(found[1]), int(found[2])
    lines = text.splitlines()
    problem = message.replace("(at end of document)", "before the end of the file").strip()
    return problem[:1].lower() + problem[1:], max(1, len(lines)), len(lines[-1]) + 1 if lines else 1


def path_name(path: KeyPath) -> str:
    """Return a path as people write it: ``stencil.shape.2.height``."""
    return ".".join(str(part) for part in path)


def path_of(name: str) -> KeyPath:
    """Return the path that `path_name` would print as ``name``."""
    return tuple(int(part) if part.isdecimal() else part for part in name.split("."))


def value_at(values: Mapping[str, Any], path: KeyPath) -> Any:
    """Return the value at ``path``, or None where there is none."""
    here: Any = values
    for part in path:
        if isinstance(part, int) and isinstance(here, list) and 1 <= part <= len(here):
            here = here[part - 1]
        elif isinstance(here, Mapping) and part in here:
            here = here[str(part)]
        else:
            return None
    return here


def written(value: Any, longest: int = 60) -> str:
    """Return a value as it would stand in the file, cut to ``longest`` characters."""
    if value is None:
        return ""
    if isinstance(value, Mapping):
        text = "{" + ", ".join(f"{key} = {written(one)}" for key, one in value.items()) + "}"
    else:
        text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= longest else text[: longest - 3] + "..."


def _shown(value: Any) -> str:
    """A value for a message; tables have their line, and are not written out."""
    tables = isinstance(value, Mapping) or (isinstance(value, list) and dict in map(type, value))
    return "" if tables else written(value)


# Faults -------------------------------------------------------------------------------------------


class FaultList:
    """The faults of a file as they are found, each with its path.

    `add` notes one, `attempt` those that an `InputError` carries.
    """

    def __init__(self) -> None:
        self.faults: list[tuple[KeyPath, Fault]] = []

    def add(self, path: KeyPath, problem: str, expected: str = "") -> None:
        """Note one fault."""
        self.faults.append((path, Fault(problem, expected)))

    def has(self, path: KeyPath) -> bool:
        """Whether a fault is noted at exactly this place."""
        return any(place == path for place, _ in self.faults)

    def attempt(
        self, path: KeyPath, make: Callable[[], T], names: Mapping[str, str] | None = None
    ) -> T | None:
        """Return what ``make`` makes, or None where it raises `InputError`, its faults noted.

        Parameters
        ----------
        path : the table, or the key if the faults name no field.
        names : keys of the file by field names that differ from them.
        """
        try:
            return make()
        except InputError as error:
            for fault in error.faults:
                field = (names or {}).get(fault.key, fault.key)
                self.faults.append(((*path, *path_of(field)) if field else path, fault))
            return None

    def placed(self, text: str, file: str) -> list[Fault]:
        """The faults with file, line, key and value, in the order of the file.

        A missing key stands on the line of its table, a missing table on the last line.
        """
        values, lines = tomllib.loads(text), key_lines(text)
        placed = [
            replace(
                fault,
                file=file,
                line=line_of(lines, path) or max(1, len(text.splitlines())),
                key=path_name(path),
                value=_shown(value_at(values, path)),
            )
            for path, fault in self.faults
        ]
        return sorted(dict.fromkeys(placed), key=lambda fault: fault.line or 0)


# Lines --------------------------------------------------------------------------------------------


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, from 1, on which each key, table and list entry of a TOML text stands.

    Members of inline tables and of arrays have no line of their own: `line_of` gives their
    parent's.
    """
    import tomlkit

    lines: dict[KeyPath, int] = {}
    _walk(tomlkit.parse(text), (), 1, lines)
    return lines


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of ``path``, or of the nearest thing that holds it."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _walk(container: Container, parent: KeyPath, line: int, lines: dict[KeyPath, int]) -> int:
    """Note the lines of everything in a tomlkit container; return the line after it."""
    from tomlkit.items import AoT, Array, Table

    for key, item in container.body:
        if key is None:
            line += item.as_string().count("\n")
            continue
        path = (*parent, key.key)
        if isinstance(item, AoT):
            lines.setdefault(path, line)
            for number, entry in enumerate(item.body, start=1):
                line = _walk_table(entry, (*path, number), line, lines)
        elif isinstance(item, Table):
            line = _walk_table(item, path, line, lines)
        else:
            lines[path] = line
            if isinstance(item, Array):
                _walk_entries(item, path, line, lines)
            line += (item.as_string() + item.trivia.trail).count("\n")
    return line


def _walk_table(table: Any, path: KeyPath, line: int, lines: dict[KeyPath, int]) -> int:
    """Note a table's heading, if it has one, and its contents; return the line after it."""
    lines.setdefault(path, line)
    if not table.is_super_table():
        line += table.trivia.trail.count("\n")
    return _walk(table.value, path, line, lines)


def _walk_entries(array: Any, path: KeyPath, line: int, lines: dict[KeyPath, int]) -> None:
    """Note the lines of the inline tables in an array."""
    from tomlkit.items import InlineTable

    source = _COMMENT.sub(lambda found: found[1] or " " * len(found[0]), array.as_string())
    position = 0
    for number, entry in enumerate(array, start=1):
        if not isinstance(entry, InlineTable):
            return
        start = max(source.find(entry.as_string().strip(), position), position)
        lines[(*path, number)] = line + source.count("\n", 0, start)
        position = start + len(entry.as_string().strip())


#: A text, kept, or a comment.
_COMMENT = re.compile(r"""("(?:\\.|[^"\\])*"|'[^']*')|#[^\n]*""")


# Edits --------------------------------------------------------------------------------------------


def edited(text: str, changes: Mapping[str, Any], comment: str = "") -> str:
    """Return a TOML text with some values changed or added, comments and order kept.

    Parameters
    ----------
    text : valid TOML.
    changes : new values by path, e.g. ``{"stencil.thickness": "0.2 mm"}``; None takes a key out.
    comment : words to set beside each new value.

    Raises
    ------
    InputError
        A path goes through something that holds no keys, or to a list entry that is not there.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for name, value in changes.items():
        path = path_of(name)
        table = _table_for(document, path)
        key = path[-1]
        if value is None:
            table.pop(key, None)
        else:
            item = tomlkit.item(value)
            if comment:
                item.comment(comment)
            table[key] = item
    return tomlkit.dumps(document)


def _table_for(document: Any, path: KeyPath) -> Any:
    """Return the table that holds the last part of ``path``, made if it is missing."""
    import tomlkit

    here = document
    for depth, part in enumerate(path[:-1], start=1):
        if isinstance(part, int):
            if not isinstance(here, list) or not 1 <= part <= len(here):
                raise InputError(_no_such_entry(path[:depth], here))
            here = here[part - 1]
        else:
            if isinstance(here, list):
                raise InputError(_no_such_entry(path[:depth], here))
            if part not in here:
                here[part] = tomlkit.table()
            here = here[part]
    if not hasattr(here, "keys") or isinstance(path[-1], int):
        raise InputError(_no_such_entry(path, here))
    return here


def _no_such_entry(path: KeyPath, here: Any) -> Fault:
    """Word the fault of a path that leads nowhere."""
    parent = path_name(path[:-1])
    if isinstance(here, list):
        expected = f"a number from 1 to {len(here)} after {parent}, as in {parent}.1"
    else:
        expected = "the name of a key in a table, as in stencil.thickness"
    return Fault(problem="no such place in the case", expected=expected, key=path_name(path))
