"""Atomic file writes: a file is replaced whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from simulate.errors import ResultError, SwabfieldError


@contextlib.contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Write a file whole or not at all.

    Yields the name of a temporary file in the same folder, with the same ending; when the block
    ends well, its content is forced to disk and it takes the place of ``path``. When the block
    fails, the temporary file is removed and ``path`` is as it was.

    Raises
    ------
    ResultError
        If the file cannot be written: one line, with the reason.
    """
    target = Path(path)
    part = target.with_name(f".{target.stem}.{os.getpid()}.part{target.suffix}")
    try:
        yield part
        with open(part, "rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(part, target)
    except OSError as error:
        if isinstance(error, SwabfieldError):
            raise
        raise ResultError(f"{target}: cannot be written: {one_line(error)}") from error
    finally:
        part.unlink(missing_ok=True)


def one_line(error: BaseException) -> str:
    """The first line of an error's message, or its class if it has none."""
    lines = str(getattr(error, "strerror", None) or error).splitlines()
    return lines[0] if lines else type(error).__name__
