"""The packaged figures of composition and heat."""

from __future__ import annotations

import csv

from blend.domain.heat import CompositionLine, HeatCapacity, MeatHeat
from blend.tables.standards import packaged_path

_FREEZES = "earle_beef"
_LATENT = "earle_water"


def packaged_heat() -> MeatHeat:
    """The lines of composition of raw ground beef, specific heats by component (Choi and Okos
    1986), freezing point and latent heat (Earle, appendix 7); raise FileTrouble."""
    lines = {row["component"]: row for row in _rows("composition_lines.csv")}
    items = {row["item_id"]: row for row in _rows("heat.csv")}
    return MeatHeat(
        lines={
            name: CompositionLine(
                float(lines[name]["intercept_per_100g"]) / 100,
                float(lines[name]["slope_per_g_fat"]),
            )
            for name in ("water", "protein", "ash")
        },
        capacities={
            row["component"]: HeatCapacity(
                float(row["constant_j_per_kg_c"]),
                float(row["slope_j_per_kg_c2"]),
                float(row["curve_j_per_kg_c3"]),
            )
            for row in _rows("heat_components.csv")
        },
        freezes_c=float(items[_FREEZES]["freezes_c"]),
        latent_j_per_kg_water=1000 * float(items[_LATENT]["latent_kj_per_kg"]),
        min_fat_share=float(lines["water"]["min_fat_g"]) / 100,
        max_fat_share=float(lines["water"]["max_fat_g"]) / 100,
    )


def _rows(name: str) -> list[dict[str, str]]:
    with packaged_path(name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))
