"""Geometry of the swab: a cotton bud or a felt pad, its cathode and its skirt.

Coordinates are relative to the centre of the contact patch in plan; z = 0 is the mask's upper face
and the swab's flat underside, z up. All lengths [m], angles [rad].

A *bud* is a capsule (cylinder with hemispherical ends) pressed on the mask: the part of the capsule
below z = 0 is taken away, and the section at z = 0 is the contact patch. A *pad* is a block.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulate.rules import Rule, above_zero, check


def _common_rules(swab: Bud | Pad) -> list[Rule]:
    """Rules for what bud and pad share: wick and skirt."""
    return [
        ("porosity", 0 < swab.porosity < 1, "not a porosity", "between 0 and 1"),
        ("wick_exponent", 1 <= swab.wick_exponent <= 5, "not a wick exponent", "1 to 5"),
        ("skirt_width", 0 <= swab.skirt_width < 0.1, "not a skirt width", "0 to 100 mm"),
        ("skirt_thickness", 0 <= swab.skirt_thickness < 0.01, "not a film", "0 to 10 mm"),
        ("heading", math.isfinite(swab.heading), "not an angle", "a finite angle"),
    ]


@dataclass(frozen=True)
class Bud:
    """A cotton bud: a capsule lying at `tilt`, pressed flat underneath.

    Parameters
    ----------
    diameter, length : of the cotton; length from tip to stick end, round ends included [m].
    press : how far the lowest point would lie below the mask if the cotton did not yield [m].
    tilt : of the axis from the plate plane, 0 lying to pi/2 upright [rad].
    heading : plan direction of the axis from tip to stick end, anticlockwise from x [rad].
    wire_diameter : of the cathode wire on the axis [m].
    wire_gap : from the tip of the cotton to the end of the wire, along the axis [m].
    porosity : of the cotton under load [-].
    wick_exponent : m in conductivity = electrolyte * porosity^m [-].
    skirt_width, skirt_thickness : of the film of liquid around the contact patch [m].

    Raises
    ------
    InputError : with every fault found; ``key`` is the field's name.
    """

    diameter: float
    length: float
    press: float
    tilt: float = 0.0
    heading: float = 0.0
    wire_diameter: float = 0.8e-3
    wire_gap: float = 3e-3
    porosity: float = 0.86
    wick_exponent: float = 1.7
    skirt_width: float = 0.0
    skirt_thickness: float = 0.0

    def __post_init__(self) -> None:
        rules = above_zero(self, "diameter", "length", "press", "wire_diameter", "wire_gap")
        rules += _common_rules(self)
        rules.append(("tilt", 0 <= self.tilt <= math.pi / 2, "not a tilt", "0 to 90 deg"))
        check(self, rules)
        lowest = (
            0.5 * self.diameter
            - self.press
            + (self.wire_gap - 0.5 * self.diameter) * math.sin(self.tilt)
            - 0.5 * self.wire_diameter * math.cos(self.tilt)
        )
        check(
            self,
            [
                (
                    "length",
                    self.length >= self.diameter,
                    "shorter than the bud is thick",
                    f"at least {self.diameter:g} m",
                ),
                (
                    "press",
                    self.press < 0.5 * self.diameter,
                    "presses past the axis",
                    f"below {0.5 * self.diameter:g} m",
                ),
                (
                    "wire_gap",
                    self.wire_gap < self.length,
                    "longer than the bud",
                    f"below {self.length:g} m",
                ),
                (
                    "wire_diameter",
                    self.wire_diameter < self.diameter,
                    "thicker than the bud",
                    f"below {self.diameter:g} m",
                ),
            ],
        )
        check(
            self,
            [
                (
                    "wire_gap",
                    lowest > 0,
                    f"the wire would reach {-lowest:.2g} m below the mask's face",
                    "less press, a thinner wire or a larger gap",
                )
            ],
        )


@dataclass(frozen=True)
class Pad:
    """A block of felt on the mask; its back, the top face, is the cathode.

    Parameters
    ----------
    width : across the heading [m].
    length : along the heading [m].
    height : from the mask to the back [m].
    heading : of the length, anticlockwise from x [rad].
    porosity, wick_exponent, skirt_width, skirt_thickness : as in `Bud`.

    Raises
    ------
    InputError : with every fault found; ``key`` is the field's name.
    """

    width: float
    length: float
    height: float
    heading: float = 0.0
    porosity: float = 0.86
    wick_exponent: float = 1.7
    skirt_width: float = 0.0
    skirt_thickness: float = 0.0

    def __post_init__(self) -> None:
        check(self, above_zero(self, "width", "length", "height") + _common_rules(self))


Swab = Bud | Pad
