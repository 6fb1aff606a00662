"""The swab's resistance between cathode and plate by a quick formula, without solving a field.

A bud is a line along its axis: slices of wet cotton in a row, each joined to its neighbours by the
cotton's section, to the wire by a radial path, and to the contact patch by the path across. For a
slice with both, the two together are the plane problem of a wire in a circle cut by a straight
electrode, solved by the conformal map that takes the cut circle to a strip (exact for a thin wire):

    R' = arcosh(X / 2) / (2 pi kappa),   X = (2 W / (pi q)) tan(pi v / W),   W = 2 (pi - a)

a half the angle the patch subtends at the axis, v and q height and radius of the wire's image in
the strip. What is chosen here, and fitted to the field solver, are the four numbers below.

A pad is a slab. Mask and openings add, per area of patch, the holes' own resistance and the
crowding of the current towards them, taken as slots (Yovanovich's constriction, from memory)::

    thickness of wick  =  t r / s + (w / (pi s)) ln(1 / sin(pi s / 2))

s the open share of the patch, w the openings' width, t the mask's thickness, r the wick's
conductivity over the free liquid's.

Held against the field solver by ``tests/swab/test_resistance.py``: see `FORMULA_ERROR`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.materials.catalogue import Datum
from simulate.swab.contact_patch import contact_area
from simulate.swab.geometry import Bud, Pad, Swab

Doubles = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: The formula over the field solver: 11 % root mean square and 0.74 to 1.26 at the extremes on 78
#: buds of any tilt with all of the patch open, 0.96 to 1.26 on 60 with slots under the patch, 0.92
#: to 1.10 on 18 pads with slots.
FORMULA_ERROR: Final = Datum(
    1.0, 0.8, 1.25, "", "quick formula against the field solver, 156 cases", "fair"
)

SLICES: Final = 60
END_REACH: Final = 0.35  # an upright wire's end takes current as if longer by this part of a radius
LEAST_PATH: Final = 0.5  # 2 pi times the path from a slice without wire to the patch, at least
PATCH_SHARE: Final = 0.2  # of the path from wire to patch that belongs to the patch, at least
UPRIGHT: Final = 1.4  # [rad], a bud more upright than this is sliced as if it stood so


def opening_load(
    share: ArrayLike, width: float, thickness: float, conduction: ArrayLike
) -> Doubles:
    """What mask and openings add under the patch, as a thickness of wick [m].

    Parameters
    ----------
    share : of the patch that is open [-], 0 to 1; infinite load where it is 0.
    width : of the openings [m]; that of slots, the radius of holes.
    thickness : of the mask [m].
    conduction : of the wick over that of the free liquid [-].
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.minimum(np.asarray(share, dtype=float), 1.0)
        crowding = width / (math.pi * s) * np.log(1.0 / np.sin(0.5 * math.pi * s))
        load = thickness * np.asarray(conduction) / s + crowding
    return np.asarray(np.where(s > 0.0, load, np.inf))


def resistance_factor(
    swab: Swab, share: ArrayLike, width: float, thickness: float, conduction: ArrayLike = 1.0
) -> Doubles:
    """Resistance of swab and openings times the wick's conductivity [1/m], of `share`'s shape.

    Parameters as for `opening_load`; infinite where nothing of the patch is open.
    """
    load = opening_load(share, width, thickness, conduction)
    if isinstance(swab, Pad):
        return _slab(swab, np.asarray(share, dtype=float), load, thickness * np.asarray(conduction))
    return _line_of(swab).resistance(load)


def _slab(pad: Pad, share: Doubles, load: Doubles, mask: Doubles) -> Doubles:
    """A slab and its load, but no more than straight columns of liquid would have."""
    area = contact_area(pad)
    with np.errstate(divide="ignore"):
        columns = (pad.height + mask) / (share * area)
    return np.asarray(np.minimum((pad.height + load) / area, columns))


@dataclass(frozen=True, eq=False)
class _Line:
    """A bud as slices along its axis; all conductances over the wick's conductivity [m].

    wire : of each slice to the wire. patch : to the contact patch. along : to the next slice.
    area : of the patch that belongs to the slice [m2].
    """

    wire: Doubles
    patch: Doubles
    along: Doubles
    area: Doubles

    def resistance(self, load: Doubles) -> Doubles:
        """Resistance times the wick's conductivity [1/m] under loads of any shape [m].

        Slices are eliminated from the tip on, each a star of wire, patch and next slice that
        becomes a triangle; what stands between wire and patch adds up to the whole.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            series = 1.0 / self.patch + load[..., None] / self.area
        patch = np.where(self.patch > 0.0, 1.0 / series, 0.0)
        to_wire, to_patch, whole = (np.zeros(load.shape) for _ in range(3))
        for k, along in enumerate([*self.along, 0.0]):
            to_wire = to_wire + self.wire[k]
            to_patch = to_patch + patch[..., k]
            star = np.maximum(to_wire + to_patch + along, 1e-30)
            whole += to_wire * to_patch / star
            to_wire, to_patch = to_wire * (along / star), to_patch * (along / star)
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / whole)


@lru_cache(maxsize=16)
def _line_of(bud: Bud) -> _Line:
    """The slices of a bud."""
    radius, wire, tilt = 0.5 * bud.diameter, 0.5 * bud.wire_diameter, min(bud.tilt, UPRIGHT)
    step = bud.length / SLICES
    s = np.linspace(0.5 * step, bud.length - 0.5 * step, SLICES)
    cap = np.minimum(np.minimum(s, bud.length - s), radius)
    rho = np.sqrt(radius**2 - (radius - cap) ** 2)
    lift = (radius - bud.press + (s - radius) * math.sin(tilt)) / math.cos(tilt)
    a = np.arccos(np.clip(lift / rho, -1.0, 1.0))
    there, cut = a < math.pi - 1e-9, (a > 1e-3) & (a < math.pi - 1e-3)
    reach = END_REACH * radius * math.sin(bud.tilt)
    wired = np.clip((s + 0.5 * step - bud.wire_gap + reach) / step, 0.0, 1.0) * there
    to_wire, to_patch = _paths(np.where(cut, a, 0.5), rho, wire, cut & (wired > 0.5))
    section = rho**2 * (math.pi - a + np.sin(a) * np.cos(a))
    section -= math.pi * wire**2 * (s > bud.wire_gap)
    patch = _of_patch(bud, np.asarray(np.where(cut, step / to_patch, 0.0)), s)
    chord = np.where(cut, rho * np.sin(a), 0.0)
    chord = chord if chord.any() else patch
    live = there | (patch > 0.0)
    joint = np.maximum(section, 1e-12)
    along = 2.0 / (1.0 / joint[1:] + 1.0 / joint[:-1]) / step
    return _Line(
        wire=wired * step / to_wire,
        patch=patch,
        along=np.where(live[1:] & live[:-1], along, 0.0),
        area=contact_area(bud) * chord / chord.sum(),
    )


def _paths(a: Doubles, rho: Doubles, wire: float, both: Flags) -> tuple[Doubles, Doubles]:
    """From slice to wire and from slice to patch: resistance times conductivity times length [-].

    Where a slice has both, they add up to the plane problem of wire and patch.

    Parameters
    ----------
    a : half the angle the patch subtends at the axis [rad].
    rho : radius of the slice [m].
    wire : radius of the wire [m].
    both : which slices have both.
    """
    a = np.minimum(a, 1.5)
    strip = 2.0 * (math.pi - a)
    chord, lift = rho * np.sin(a), rho * np.cos(a)
    low = math.pi - 2.0 * np.arctan(chord / np.maximum(lift - wire, 1e-6))
    high = np.minimum(math.pi - 2.0 * np.arctan(chord / (lift + wire)), 0.49 * strip)
    image = np.maximum(0.5 * (high - low), 1e-6)
    across = np.tan(0.5 * math.pi * (low + high) / strip)
    whole = np.arccosh(np.maximum(strip / (math.pi * image) * across, 1.01)) / (2.0 * math.pi)
    to_wire = np.log(np.maximum(rho / wire, 1.3)) / (2.0 * math.pi)
    share = np.maximum(whole - to_wire, PATCH_SHARE * whole)
    middle = np.tan(math.pi * (math.pi - 2.0 * a) / strip)
    alone = np.log(strip / (math.pi * np.sin(a)) * middle) / (2.0 * math.pi)
    free = np.maximum(alone, LEAST_PATH / (2.0 * math.pi))
    return np.where(both, whole - share, to_wire), np.where(both, share, free)


def _of_patch(bud: Bud, slices: Doubles, s: Doubles) -> Doubles:
    """Conductances from slices to the patch, over the wick's conductivity [m].

    Between a lying bud, whose slices the plate cuts, and an upright one, on a disc at its end (the
    constriction of a disc in a tube, Yovanovich 1976, from memory), by the cosine of the tilt.
    """
    disc = math.sqrt(contact_area(bud) / math.pi)
    e = min(2.0 * disc / bud.diameter, 0.95)
    upright = 4.0 * disc / (1.0 - 1.4092 * e + 0.338 * e**3 + 0.0679 * e**5)
    if not slices.any():
        slices = (np.abs(s - bud.press) == np.abs(s - bud.press).min()).astype(float)
    lying = math.cos(bud.tilt)
    total = lying * float(slices.sum()) + (1.0 - lying) * upright
    return np.asarray(slices * (total / slices.sum()))
