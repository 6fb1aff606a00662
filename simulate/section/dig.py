"""What is dug: cells and circuit, openings, lips of the mask, thickness of the metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.section.moving_wall import Cavity


@dataclass(frozen=True, eq=False)
class Dig:
    """What `grow` digs in.

    Parameters
    ----------
    cavity : cells, circuit, speed of removal.
    openings : rims of each opening at the metal, from left to right [m].
    lips : whether metal under the mask may dissolve at the left and right rim of each; elsewhere
        the wall meets a mirror or a side wall that stands.
    plate : thickness of the metal [m], None for one without end.
    mirrors : the sides of the ground are mirrors: (left, right).
    mask : thickness [m]. share : what part of the whole is computed [-].
    """

    cavity: Cavity
    openings: tuple[tuple[float, float], ...]
    lips: tuple[tuple[bool, bool], ...]
    plate: float | None
    mirrors: tuple[bool, bool]
    mask: float
    share: float = 1.0

    @property
    def width(self) -> float:
        """Open width [m], or area of a round hole [m2]."""
        spans = np.array(self.openings)
        if self.cavity.ground.round:
            return float(np.pi * (spans[:, 1] ** 2 - spans[:, 0] ** 2).sum())
        return float((spans[:, 1] - spans[:, 0]).sum())
