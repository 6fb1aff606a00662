"""The case: everything a run needs, frozen; from TOML, with every fault of the file at once.

`read_case` and `parse_case` make a `Case` from a text; `simulate.case.tables` says what may
stand in it. A case keeps its text, so that a stored result can be explained and done again;
`with_changes` makes another case by editing that text.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from simulate.case.document import FaultList, edited, path_name, read_toml
from simulate.case.settings import Aim, GridSettings, Plate, Power, Rewet, Room
from simulate.errors import Fault, InputError
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import Mask, Wick
from simulate.materials.metals import Metal
from simulate.stencil.shapes import Stencil
from simulate.stencil_files.store import DrawingFile, DrawingStore
from simulate.swab.contact_patch import contact_size
from simulate.swab.geometry import Swab
from simulate.swab.stops import Stops, make_stops
from simulate.swab.stroke import Stroke


@dataclass(frozen=True)
class Case:
    """A whole case, in SI.

    Parameters
    ----------
    title, note : for people.
    plate, metal : the plate; its metal with a person's own numbers in it.
    electrolyte, additions : the liquid, and what else is in it without effect on the numbers.
    supply : where the current comes from.
    stencil, mask : the openings; the mask's material, if it is one of the catalogue.
    swab, wick, cathode : the wet body, its material, and the catalogue's name for its metal.
    trail : whether openings stay filled with liquid where the swab is not.
    strokes : one after the other.
    rewet, aim, room, grid : see there; a room is None where none is described.
    drawings : what the files that the stencil names drew when they were read.
    text, path : the source, and the file it stands in; the path does not make a case another.
    """

    title: str
    plate: Plate
    metal: Metal
    electrolyte: Electrolyte
    supply: Power
    stencil: Stencil
    swab: Swab
    wick: Wick
    cathode: str
    strokes: tuple[Stroke, ...]
    rewet: Rewet = field(default_factory=Rewet)
    aim: Aim = field(default_factory=Aim)
    room: Room | None = None
    grid: GridSettings = field(default_factory=GridSettings)
    mask: Mask | None = None
    trail: bool = False
    additions: tuple[str, ...] = ()
    note: str = ""
    drawings: tuple[DrawingFile, ...] = field(default=(), repr=False)
    text: str = field(default="", repr=False)
    path: str = field(default="", compare=False)

    @property
    def stop_spacing(self) -> float:
        """Longest piece of moving path per stop [m]."""
        return self.grid.stop_spacing * min(contact_size(self.swab)) / self.grid.finer


def all_stops(case: Case, *, longest_dwell: float | None = None) -> Stops:
    """The stops of all strokes of a case, one stroke after the other; passes counted on.

    longest_dwell : rests longer than this are cut into equal stops at the same place [s].
    """
    parts = [
        make_stops(stroke, case.stop_spacing, longest_dwell=longest_dwell)
        for stroke in case.strokes
    ]
    starts, passes, time, count = [], [], 0.0, 0
    for part in parts:
        starts.append(part.start + time)
        passes.append(part.pass_index + count)
        time = float(starts[-1][-1] + part.dwell[-1])
        count = int(passes[-1][-1]) + 1
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("x", "y", "dwell", "moving")
    }
    return Stops(start=np.concatenate(starts), pass_index=np.concatenate(passes), **joined)


# Doors --------------------------------------------------------------------------------------------


def read_case(path: str | os.PathLike[str]) -> Case:
    """Read a case file.

    Raises
    ------
    InputError
        The file cannot be read, or with every fault in it: file, line, key, value, and what would
        be accepted, in the order of the file.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        problem = f"cannot be read: {error.strerror or error}"
        raise InputError(Fault(problem, "the path of a case file", file=str(path))) from None
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        fault = Fault("not text in UTF-8", "a text file", file=str(path), line=line)
        raise InputError(fault) from None
    return parse_case(text, str(path))


def parse_case(text: str, name: str = "case.toml", drawings: Iterable[DrawingFile] = ()) -> Case:
    """Make a case from the text of a case file.

    Parameters
    ----------
    text : TOML, as `simulate.case.tables` describes it.
    name : of the file, for messages; drawings are looked for in its folder, which is the current
        one if the name has none.
    drawings : those that are read already, as another case holds them; they need no file.

    Raises
    ------
    InputError
        With every fault of the text, as in `read_case`.
    """
    from simulate.case.assembly import case_parts

    found, store = FaultList(), DrawingStore(Path(name).parent, drawings)
    parts = case_parts(read_toml(text, name), store, found)
    if found.faults:
        raise InputError(found.placed(text, name))
    return Case(text=text, path=name, **parts)


def with_changes(case: Case, changes: Mapping[str, Any]) -> Case:
    """Another case, made by editing the text of this one; comments stay.

    Drawings are those of this case; a file is opened only for one that is to be read another way.

    Parameters
    ----------
    changes : values as they would stand in the file, by key, e.g.
        ``{"stencil.thickness": "0.2 mm", "stencil.shapes.2.height": "6 mm"}``; lists count from 1,
        None takes a key out.

    Raises
    ------
    InputError
        A place that is not there, or a case that is faulty after the change.
    """
    return parse_case(edited(case.text, changes), case.path, case.drawings)


def effective_text(case: Case) -> str:
    """The text of a case with everything it leaves unsaid written out, marked as default."""
    from simulate.case.reading import defaults_of

    defaults = defaults_of(read_toml(case.text, case.path))
    unsaid = {path_name(path): value for path, value in defaults.items()}
    return edited(case.text, unsaid, comment="default")


def case_schema_json() -> str:
    """JSON schema of a case file, for editors that complete and check TOML by one."""
    import json

    from simulate.case.tables import CaseTable

    return json.dumps(CaseTable.model_json_schema(), indent=2, ensure_ascii=False)
