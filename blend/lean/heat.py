"""How warm a mix of meat gets: a heat balance with its ice.

An aid, not a measurement: the heat of mixing and grinding, of the room and of ice or snow added
is left out, and a thermometer in the meat decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from blend.domain.heat import MeatHeat

BOUND_WATER_PER_PROTEIN = 0.4
"""Water that does not freeze, per protein. Schwartzberg 1976, as ASHRAE's Refrigeration
Handbook gives it; from memory."""


@dataclass(frozen=True, slots=True)
class MeatPart:
    """One ingredient: its weight, its lean and how warm it is."""

    pounds_lb: float
    lean: float
    temperature_c: float


@dataclass(frozen=True, slots=True)
class MixTemperature:
    """Where a mix settles. `ice_share` is the ice in a pound of it.

    `plain_average_c` is the weighted mean of temperatures, which ignores ice; don't rely on it.
    """

    temperature_c: float
    ice_share: float
    plain_average_c: float
    is_outside_lines: bool
    """Some part is fatter or leaner than the meat that the composition was fitted to."""


def composition(lean: float, heat: MeatHeat) -> dict[str, float]:
    """Shares of water, protein, fat and ash that sum to 1.

    The published lines sum to within 2% of 1; all are scaled by one factor, so that heat is of the
    whole weight.
    """
    fat = 1 - lean
    shares = {name: line.share(fat) for name, line in heat.lines.items()} | {"fat": fat}
    total = sum(shares.values())
    return {name: share / total for name, share in shares.items()}


def ice_share(lean: float, temperature_c: float, heat: MeatHeat) -> float:
    """Ice in a pound of meat: (water - bound water) (1 - freezing point / temperature).

    Miles 1974, as ASHRAE's Refrigeration Handbook gives it; from memory.
    """
    if temperature_c >= heat.freezes_c:
        return 0.0
    shares = composition(lean, heat)
    free = max(0.0, shares["water"] - BOUND_WATER_PER_PROTEIN * shares["protein"])
    return free * (1 - heat.freezes_c / temperature_c)


def enthalpy_j_per_kg(lean: float, temperature_c: float, heat: MeatHeat) -> float:
    """Heat in meat against the same meat unfrozen at 0 °C.

    A sum over components of the heat to `temperature_c`, less the latent heat of the ice.
    Apparent heat of melting fat is not in it.
    """
    shares = composition(lean, heat)
    ice = ice_share(lean, temperature_c, heat)
    shares["water"] -= ice
    sensible = sum(
        share * heat.capacities[name].heat_j_per_kg(temperature_c)
        for name, share in (shares | {"ice": ice}).items()
    )
    return sensible - ice * heat.latent_j_per_kg_water


def mix_temperature(parts: Iterable[MeatPart], heat: MeatHeat) -> MixTemperature:
    """The temperature at which the parts together have the heat that they brought.

    At least one part must weigh something.
    """
    mixed = [part for part in parts if part.pounds_lb > 0]
    pounds = sum(part.pounds_lb for part in mixed)

    def over_weight(of: Iterable[float]) -> float:
        return sum(p.pounds_lb * each for p, each in zip(mixed, of, strict=True)) / pounds

    def heat_at(temperature_c: float) -> float:
        return over_weight(enthalpy_j_per_kg(p.lean, temperature_c, heat) for p in mixed)

    brought = over_weight(enthalpy_j_per_kg(p.lean, p.temperature_c, heat) for p in mixed)
    cold = min(part.temperature_c for part in mixed)
    warm = max(part.temperature_c for part in mixed)
    # Heat rises with temperature, so halving finds the one answer, to below a millionth °C.
    for _ in range(48):
        middle = (cold + warm) / 2
        cold, warm = (middle, warm) if heat_at(middle) < brought else (cold, middle)
    settled = (cold + warm) / 2
    return MixTemperature(
        temperature_c=settled,
        ice_share=over_weight(ice_share(p.lean, settled, heat) for p in mixed),
        plain_average_c=over_weight(p.temperature_c for p in mixed),
        is_outside_lines=any(
            not heat.min_fat_share - 1e-9 <= 1 - p.lean <= heat.max_fat_share + 1e-9 for p in mixed
        ),
    )


def excess_heat_j_per_kg(lean: float, temperature_c: float, max_c: float, heat: MeatHeat) -> float:
    """Heat of a kg of meat above what it may have at `max_c`; negative where it cools.

    A mix stays at or below `max_c` exactly where the weights times these sum to at most zero,
    which is linear in the weights.
    """
    at_most = enthalpy_j_per_kg(lean, max_c, heat)
    return enthalpy_j_per_kg(lean, temperature_c, heat) - at_most
