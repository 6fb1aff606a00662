"""A wet body warming and drying by itself, for the tests of its heat balance."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulate.constants import WATER_HEAT
from simulate.kernels import swab_balance as balance
from simulate.swab.body import WetBody, swab_numbers
from simulate.swab.heat import HeatBody


def numbers_of(body: HeatBody) -> balance.SwabNumbers:
    return swab_numbers(WetBody(heat=body, volume=1e-3 * body.water))


def evaporation(body: HeatBody, temperature: float, saturation: float = 1.0) -> float:
    return balance.evaporation(numbers_of(body), temperature, saturation * body.water)


@dataclass
class Drying:
    body: HeatBody
    temperature: float
    water: float
    touching: bool = True
    ledger: list[float] = field(default_factory=lambda: [0.0] * balance.LEDGER_SIZE)

    def run(self, power: float, time: float) -> None:
        state = [0.0] * balance.STATE_SIZE
        state[balance.TEMPERATURE], state[balance.WATER] = self.temperature, self.water
        balance.heat_up(numbers_of(self.body), state, self.ledger, power, time, self.touching)
        self.temperature, self.water = state[balance.TEMPERATURE], state[balance.WATER]

    def loss(self, temperature: float) -> float:
        return balance.loss(numbers_of(self.body), temperature, self.water, self.touching)

    @property
    def enthalpy(self) -> float:
        capacity = self.water * WATER_HEAT + self.body.dry_heat
        return capacity * (self.temperature - self.body.fresh_temperature)

    @property
    def heat_plate(self) -> float:
        return self.ledger[balance.HEAT_PLATE]

    @property
    def heat_air(self) -> float:
        return self.ledger[balance.HEAT_AIR]

    @property
    def heat_vapour(self) -> float:
        return self.ledger[balance.HEAT_VAPOUR]

    @property
    def evaporated(self) -> float:
        return self.ledger[balance.WATER_EVAPORATED]

    @property
    def boiled(self) -> float:
        return self.ledger[balance.WATER_BOILED]
