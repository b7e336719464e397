"""Published figures for the heat in meat."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CompositionLine:
    """A component's share of raw meat as a straight line over its fat share."""

    at_no_fat: float
    per_fat: float

    def share(self, fat_share: float) -> float:
        """At least nothing, as a line may be drawn past the fat it was fitted to."""
        return max(0.0, self.at_no_fat + self.per_fat * fat_share)


@dataclass(frozen=True, slots=True)
class HeatCapacity:
    """Specific heat over temperature, J/kg °C with T in °C: a + b T + c T²."""

    constant: float
    slope: float
    curve: float

    def heat_j_per_kg(self, temperature_c: float) -> float:
        """Heat from 0 °C to `temperature_c`: the integral of the specific heat."""
        t = temperature_c
        return t * (self.constant + t * (self.slope / 2 + t * self.curve / 3))


@dataclass(frozen=True, slots=True)
class MeatHeat:
    """What the heat balance rests on; lines and capacities are keyed by component."""

    lines: Mapping[str, CompositionLine]
    """For water, protein and ash."""
    capacities: Mapping[str, HeatCapacity]
    """For water, protein, fat, ash and ice."""
    freezes_c: float
    latent_j_per_kg_water: float
    min_fat_share: float
    max_fat_share: float
    """Between which the lines were fitted."""


def celsius(temperature_f: float) -> float:
    return (temperature_f - 32) / 1.8


def fahrenheit(temperature_c: float) -> float:
    """Exact, as NIST Special Publication 811 defines the degrees."""
    return temperature_c * 1.8 + 32
