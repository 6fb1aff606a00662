"""The folder a run leaves: result, summary, figures, and a manifest that says how they came to be.

    result.nc       every array, readable by any NetCDF library
    summary.json    the run in a few numbers
    figures/        pictures
    manifest.json   state, versions, the case's text, a checksum of every file and drawing

The manifest names no user, no machine and no absolute path, so that a folder can be passed on.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli.terminal import SCHEMA, as_json
from simulate.errors import Fault, InputError, ResultError

if TYPE_CHECKING:
    from simulate.case.case import Case
    from simulate.result.result import Result

MANIFEST = "manifest.json"
_KIND = "swabfield run"
_LIBRARIES = ("numpy", "scipy", "numba", "matplotlib", "h5py", "h5netcdf", "shapely")


@dataclass(frozen=True)
class RunFolder:
    """A place for a run's files.

    Parameters
    ----------
    path : the folder; it need not be there.
    force : whether an earlier run's files may go.
    """

    path: Path
    force: bool = False

    def __post_init__(self) -> None:
        """Refuse, before any work is done, a place that cannot or must not be written to."""
        if self.path.exists() and not self.path.is_dir():
            raise InputError(Fault("is no folder", "a folder, or a new name", file=str(self.path)))
        if not self.path.is_dir():
            parent = next(place for place in self.path.absolute().parents if place.exists())
            writable = parent.is_dir() and os.access(parent, os.W_OK)
        else:
            writable = os.access(self.path, os.W_OK)
            if any(self.path.iterdir()) and not self.force:
                expected = "a new name by --out, or --force to replace an earlier run"
                raise InputError(Fault("is there already", expected, file=str(self.path)))
        if not writable:
            raise InputError(
                Fault("cannot be written to", "a folder of yours", file=str(self.path))
            )

    def clear(self) -> None:
        """Make the folder; take away what an earlier run's manifest lists, and nothing else."""
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            for name in self._listed():
                (self.path / name).unlink(missing_ok=True)
            (self.path / MANIFEST).unlink(missing_ok=True)
        except OSError as error:
            raise ResultError(f"{self.path}: cannot be written: {error.strerror}") from error

    def write(self, name: str, content: Mapping[str, Any]) -> Path:
        """Write one JSON file, whole or not at all."""
        from simulate.files import replacing

        target = self.path / name
        with replacing(target) as part:
            part.write_text(as_json(content) + "\n", encoding="utf-8")
        return target

    def names(self, files: Iterable[Path]) -> list[str]:
        """Paths of files below the folder, as they are written on any system."""
        return [file.relative_to(self.path).as_posix() for file in files]

    def _listed(self) -> list[str]:
        """Files of an earlier run that lie below this folder."""
        with suppress(OSError, ValueError):
            manifest = json.loads((self.path / MANIFEST).read_text(encoding="utf-8"))
            if isinstance(manifest, dict) and manifest.get("kind") == _KIND:
                inside = self.path.resolve()
                names = [str(name) for name in manifest.get("files", ())]
                return [n for n in names if inside in (self.path / n).resolve().parents]
        return []


def stored_result(run: str) -> Result:
    """The result of a run: its folder, or its file.

    Raises
    ------
    InputError : there is no such place. ResultError : it holds no readable result.
    """
    from simulate.result.netcdf import read_result

    path = Path(run)
    if not path.exists():
        expected = "a run folder or its result.nc, as `etch` leaves them"
        raise InputError(Fault("is not there", expected, file=run))
    return read_result(path / "result.nc" if path.is_dir() else path)


def run_name(run: str) -> str:
    """Name of a run: that of its folder, or of a file that is not called as in one."""
    path = Path(run).absolute()
    return path.parent.name if path.name == "result.nc" else path.stem


def free_file(path: Path, *, force: bool) -> Path:
    """A file to be written: refused if it is there already and may not go."""
    if path.is_dir():
        raise InputError(Fault("is a folder", "the name of a file", file=str(path)))
    if path.exists() and not force:
        raise InputError(
            Fault("is there already", "a new name by --out, or --force", file=str(path))
        )
    return path


def default_path(case: str) -> Path:
    """``garden_tag-run`` in the current folder for ``cases/garden_tag.toml``."""
    return Path(f"{Path(case).stem}-run")


def manifest(
    folder: RunFolder,
    case: Case,
    *,
    state: str,
    exit_status: int,
    started: datetime,
    files: Iterable[Path],
) -> dict[str, Any]:
    """What a run was: state, times, versions, the case and a checksum of every file.

    ``fingerprint`` is the same for the same case, drawings and version, whenever and wherever it
    ran.
    """
    import platform
    from importlib import metadata

    version = metadata.version("swabfield")
    files = list(files)
    drawings = {drawing.name: drawing.sha256 for drawing in case.drawings}
    inputs = "\n".join([version, case.text, *sorted(drawings.values())])
    source = {"sha256": _digest(case.text.encode()), "text": case.text, "drawings": drawings}
    return {
        "schema": SCHEMA,
        "kind": _KIND,
        "state": state,
        "exit": exit_status,
        "started": _time(started),
        "finished": _time(datetime.now(UTC)),
        "case": {"name": Path(case.path).name, **source},
        "fingerprint": _digest(inputs.encode()),
        "versions": {
            "swabfield": version,
            "python": platform.python_version(),
            **{name: metadata.version(name) for name in _LIBRARIES},
        },
        "platform": {
            "system": platform.system(),
            "machine": platform.machine(),
            "processors": os.cpu_count(),
        },
        "files": {
            name: _digest(file.read_bytes())
            for name, file in zip(folder.names(files), files, strict=True)
        },
    }


def _digest(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()


def _time(moment: datetime) -> str:
    """UTC to the second; SOURCE_DATE_EPOCH, where set, stands for every moment."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    moment = datetime.fromtimestamp(int(epoch), UTC) if epoch.isdigit() else moment
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")
