"""Named ends of a growing section: depth, bridge, through, charge, time."""

from __future__ import annotations

import numpy as np

from simulate.errors import Fault, InputError
from simulate.section.cavity_numbers import floor_depth, mean_depth, remaining_bridges
from simulate.section.dig import Dig
from simulate.section.moving_wall import WallState

ENDS = {
    "depth": "wanted depth reached",
    "bridge": "bridge gone",
    "through": "etched through",
    "charge": "charge used up",
    "time": "time over",
}

LEAST_BRIDGE = 2.0
"""Metal between two cavities at which they count as met, in cells at the wall [-]."""


def given_ends(**wanted: float | None) -> dict[str, float]:
    """Ends that are given, depth, charge or time.

    Raises
    ------
    InputError : none is, or one is no number above zero.
    """
    given = {key: value for key, value in wanted.items() if value is not None}
    faults = [
        Fault("not a finite number above zero", "> 0", key=key, value=f"{value:g}")
        for key, value in given.items()
        if not (np.isfinite(value) and value > 0.0)
    ]
    if not given:
        faults.append(Fault("no end is given", "a depth, a charge or a time", key="depth"))
    if faults:
        raise InputError(faults)
    return given


class Ends:
    """When to stop, and why."""

    def __init__(self, dig: Dig, given: dict[str, float]) -> None:
        self.dig, self.given = dig, given
        ground = dig.cavity.ground
        self.cell = float(ground.size(np.array([[dig.openings[0][1], 0.0]]))[0])
        self.near = 1e-7
        self.bottom = float(ground.z[0])

    def values(self, state: WallState) -> dict[str, float]:
        """How far beyond each end, as a share of it [-]; negative: not reached."""
        told = {
            "depth": mean_depth(self.dig, state),
            "charge": state.charge / self.dig.share,
            "time": state.time,
        }
        found = {key: told[key] / goal - 1.0 for key, goal in self.given.items()}
        deepest = max(-float(wall.at(wall.samples)[:, 1].min()) for wall in state.walls)
        if self.dig.plate is not None:
            found["through"] = deepest / self.dig.plate - 1.0
        bridges = remaining_bridges(self.dig, state)
        if bridges:
            found["bridge"] = (LEAST_BRIDGE * self.cell - min(bridges)) / self.cell
        return found

    def excess(self, state: WallState) -> float:
        """How far beyond the end that comes first."""
        return max(self.values(state).values())

    def reached(self, state: WallState) -> str | None:
        """Key of the end that is reached; None: none."""
        values = self.values(state)
        key = max(values, key=lambda name: values[name])
        return key if values[key] >= -2.0 * self.near else None

    def share(self, state: WallState) -> float:
        """What part of the way is done [-]."""
        values = self.values(state)
        return min(1.0, max(1.0 + values[key] for key in self.given))

    def remark(self, end: str, state: WallState) -> str:
        """What there is to say about an end."""
        if end == "bridge":
            return (
                "two cavities are about to meet under the mask: "
                f"less than {1e6 * LEAST_BRIDGE * self.cell:.0f} um of metal stand between them"
            )
        if end == "through":
            return _island(self.dig, state)
        return ""


def _island(dig: Dig, state: WallState) -> str:
    """Whether metal stays in the middle of what is etched through."""
    words = []
    for wall, (start, stop) in zip(state.walls, dig.openings, strict=True):
        x = np.linspace(start, stop, 401)
        depth = floor_depth(wall, x)
        deepest = int(np.argmax(depth))
        half = dig.mirrors[0] or wall.round
        middle = depth[0] if half else depth[x.size // 2]
        at_rim = abs(x[deepest] - (start if half else 0.5 * (start + stop))) > 0.25 * (stop - start)
        left = depth.max() - middle
        if at_rim and left > 0.02 * depth.max():
            words.append(
                "it breaks through along the rims first: in the middle an island "
                f"{1e6 * left:.0f} um thick stays"
            )
    return "; ".join(words)
