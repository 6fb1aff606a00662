"""Settings of a job: plate, power supply, re-dips, aim, room, grid."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simulate.field.supply import Supply
from simulate.materials.battery import Battery, supply_after


@dataclass(frozen=True)
class Plate:
    """The plate: name of its metal; width along x, height along y, thickness if known [m]."""

    metal: str
    width: float
    height: float
    thickness: float | None = None


@dataclass(frozen=True)
class Power:
    """The power supply, leads included.

    Parameters
    ----------
    source : a fresh battery, or the supply without its leads.
    leads : resistance of leads and clips [ohm].
    drawn : charge taken from the battery before the job [C].
    label : words for people.
    """

    source: Battery | Supply
    leads: float = 0.0
    drawn: float = 0.0
    label: str = ""

    def after(self, charge: float = 0.0, current: float = 0.5) -> Supply:
        """The supply, leads included, after a charge [C] has been drawn at a current [A]."""
        if isinstance(self.source, Battery):
            return supply_after(self.source, self.drawn + charge, current, self.leads)
        return replace(self.source, resistance=self.source.resistance + self.leads)


@dataclass(frozen=True)
class Rewet:
    """When the swab is re-dipped, whichever comes first; None never.

    charge passed [C], time in use [s], temperature reached [K], all since the last dip.
    pause : in the air at each re-dip [s].
    """

    charge: float | None = None
    time: float | None = None
    temperature: float | None = None
    pause: float = 5.0


@dataclass(frozen=True)
class Aim:
    """What the etch is for: depth [m] if one is wanted, and how far it may be missed [-]."""

    depth: float | None = None
    tolerance: float = 0.1


@dataclass(frozen=True)
class Room:
    """Air of the room [m3], its renewals [1/s], and how many people etch in it at once."""

    volume: float
    air_changes: float
    swabs: int = 1


@dataclass(frozen=True)
class GridSettings:
    """Resolution of the solver.

    Parameters
    ----------
    cell : size of the cells in plan [m].
    refine : whether the case is solved on coarser cells too, to state the numerical error.
    finer : divides every cell size, and the stops' spacing; 2 is twice as fine.
    stop_spacing : of the swab's stops over the contact patch's lesser width [-].
    rim_tolerance : share of the current that may leave the window around the swab [-].
    depth_feedback : whether the depth reached holds the current back: "on", "off", or "auto" where
        it would matter.
    """

    cell: float = 2e-4
    refine: bool = False
    finer: int = 1
    stop_spacing: float = 0.25
    rim_tolerance: float = 1e-3
    depth_feedback: str = "auto"
