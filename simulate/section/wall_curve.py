"""A wall in a section: a cubic spline through points in order, mirrored where it ends.

The electrolyte lies on the left hand of somebody who walks along the wall. An end on a level line
(the underside of the mask) meets it upright, an end on an upright line (an axis or a side) meets it
level: the curve goes on as its mirror image, which is what insulating lines ask of an equipotential
wall. A closed wall has no ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError

Doubles = NDArray[np.float64]
End = Literal["level", "upright"]

LEAST_POINTS = 5
"""Points that a wall has at least."""

SAMPLES = 8
"""Samples of a piece of the spline where it is looked at as a chain of chords."""

_CLOSINGS = 60
_NODES = {3: np.polynomial.legendre.leggauss(3), 6: np.polynomial.legendre.leggauss(6)}


@dataclass(frozen=True, eq=False)
class Wall:
    """A wall.

    Parameters
    ----------
    points : (n, 2), places x and z in order [m]; a closed wall does not repeat its first.
    ends : on what line the first and the last point lie; None for a closed wall.
    round : whether x is a radius and the wall a surface of revolution.

    Raises
    ------
    InputError : fewer than five points, or points that are not finite or coincide.
    """

    points: Doubles
    ends: tuple[End, End] | None
    round: bool = False

    def __post_init__(self) -> None:
        """Refuse what is no curve."""
        whole = self.points.ndim == 2 and len(self.points) >= LEAST_POINTS
        if not (whole and np.isfinite(self.points).all()):
            wanted = f"{LEAST_POINTS} or more finite points"
            raise InputError(Fault("not a wall", wanted, key="points"))
        if (self._chords <= 0.0).any():
            raise InputError(Fault("neighbours coincide", "points apart", key="points"))

    @property
    def _chain(self) -> Doubles:
        return self.points if self.ends else np.vstack([self.points, self.points[:1]])

    @property
    def _chords(self) -> Doubles:
        dx, dz = np.diff(self._chain, axis=0).T
        return np.asarray(np.hypot(dx, dz))

    @cached_property
    def knots(self) -> Doubles:
        """Parameter at the points, chords summed up [m]; a closed wall ends with its first."""
        return np.concatenate([[0.0], np.cumsum(self._chords)])

    @cached_property
    def _spline(self) -> Any:
        from scipy.interpolate import CubicSpline, PPoly

        if self.ends is None:
            return CubicSpline(self.knots, self._chain, bc_type="periodic")
        vanishing = {"level": (1, 2), "upright": (2, 1)}  # order of the derivative of x and of z
        parts = []
        for axis in (0, 1):
            conditions = tuple((vanishing[end][axis], 0.0) for end in self.ends)
            parts.append(CubicSpline(self.knots, self.points[:, axis], bc_type=conditions).c)
        return PPoly(np.stack(parts, axis=-1), self.knots)

    def at(self, u: Doubles, derivative: int = 0) -> Doubles:
        """Places at parameters ``u``, or derivatives by u, (m, 2)."""
        return np.asarray(self._spline(u, derivative), float)

    def normals(self, u: Doubles) -> Doubles:
        """Unit vectors out of the electrolyte into the metal, (m, 2)."""
        along = self.at(u, 1)
        along = along / np.hypot(*along.T)[:, None]
        return np.column_stack([along[:, 1], -along[:, 0]])

    @cached_property
    def samples(self) -> Doubles:
        """Parameters at `SAMPLES` places of each piece, and at the end."""
        share = np.arange(SAMPLES) / SAMPLES
        inner = self.knots[:-1, None] + np.diff(self.knots)[:, None] * share
        return np.append(inner.ravel(), self.knots[-1])

    def index(self, u: Doubles) -> Doubles:
        """Parameters counted in points: 0 at the first, 1 at the second, ... [-]."""
        return np.asarray(np.interp(u, self.knots, np.arange(self.knots.size, dtype=float)))

    def _integral(self, of: Callable[[Doubles, Doubles], Doubles], nodes: int) -> Doubles:
        """Integrals over each piece of ``of(place, derivative)`` by Gauss's rule, (pieces,)."""
        place, weight = _NODES[nodes]
        step = np.diff(self.knots)
        u = self.knots[:-1, None] + step[:, None] * (0.5 * (place + 1.0))
        values = of(self.at(u.ravel()), self.at(u.ravel(), 1)).reshape(u.shape)
        return np.asarray(0.5 * step * (values @ weight))

    @cached_property
    def volume(self) -> float:
        """Space between the wall and z = 0, or within a closed one [m2], of the turn [m3].

        Exact for the spline: - integral z dx, or of 2 pi x z dx.
        """

        def of(place: Doubles, along: Doubles) -> Doubles:
            x, z = place.T
            return np.asarray(-z * along[:, 0] * (2.0 * np.pi * x if self.round else 1.0))

        return float(self._integral(of, 6 if self.round else 3).sum())

    def surface(self, density: Doubles | None = None) -> float:
        """Wall area [m], of the turn [m2]; or the integral over it of a density at the points.

        The density is taken to be straight between points.
        """
        place, weight = _NODES[3]
        share = 0.5 * (place + 1.0)
        values = np.ones(len(self.points)) if density is None else density
        values = values if self.ends else np.append(values, values[0])
        straight = values[:-1, None] * (1.0 - share) + values[1:, None] * share
        step = np.diff(self.knots)
        u = (self.knots[:-1, None] + step[:, None] * share).ravel()
        speed = np.hypot(*self.at(u, 1).T) * (2.0 * np.pi * self.at(u)[:, 0] if self.round else 1.0)
        return float((0.5 * step * ((straight * speed.reshape(straight.shape)) @ weight)).sum())

    @cached_property
    def length(self) -> float:
        """Length of the curve [m]."""
        return float(self._integral(lambda _, along: np.hypot(*along.T), 3).sum())

    def moved(self, by: Doubles) -> Wall:
        """The wall with its points moved by ``by``, (n, 2) [m]; ends stay on their lines."""
        points = self.points + by
        for place, end in zip((0, -1), self.ends or (), strict=False):
            held = 1 if end == "level" else 0
            points[place, held] = self.points[place, held]
        return replace(self, points=points)

    def offset(self, distance: float | Doubles) -> Wall:
        """The wall moved along its normals into the metal by a distance [m] at each point."""
        normals = self.normals(self.knots[: len(self.points)])
        return self.moved(normals * np.broadcast_to(distance, len(self.points))[:, None])

    def closed_on(self, volume: float) -> tuple[Wall, float]:
        """The wall shifted evenly along its normals until its volume is ``volume`` to rounding.

        Returns too the shift [m]. Raises InputError if there is none.
        """
        wall, shift, scale = self, 0.0, max(abs(volume), abs(self.volume))
        for _ in range(_CLOSINGS):
            missing = volume - wall.volume
            if abs(missing) <= 4e-15 * scale:
                return wall, shift
            shift += missing / wall.surface()
            wall = self.offset(shift)
        if abs(volume - wall.volume) <= 1e-12 * scale:
            return wall, shift
        raise InputError(Fault("no shift of the wall closes its volume", key="volume"))

    def respaced(self, spacing: Callable[[Doubles], Doubles]) -> Wall:
        """The same curve with points set anew, ``spacing(places)`` apart [m]."""
        share = np.arange(16) / 16.0
        u = (self.knots[:-1, None] + np.diff(self.knots)[:, None] * share).ravel()
        u = np.append(u, self.knots[-1])
        places = self.at(u)
        chords = np.hypot(*np.diff(places, axis=0).T)
        count = chords / spacing(0.5 * (places[1:] + places[:-1]))
        steps = np.concatenate([[0.0], np.cumsum(count)])
        pieces = max(int(np.ceil(steps[-1])), LEAST_POINTS)
        wanted = np.linspace(0.0, steps[-1], pieces + 1)
        u = np.interp(wanted, steps, u)
        points = self.at(u)
        points[0], points[-1] = self._chain[0], self._chain[-1]
        return replace(self, points=points if self.ends else points[:-1])
