"""Plans of several versions of a day, side by side. As if combos and batches could be split."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from blend.grinder.live import LivePlan
from blend.output.formats import Format, register
from blend.output.frames import DataFrame
from blend.units import usd_per_cwt

register({"copy_name": Format("Copy"), "why_not": Format("")})
_MIN_LB = 0.5
Plans = Mapping[str, LivePlan | str]
"""By name: the plan, or why there is none. The first is what the others are compared with."""


def totals_frame(plans: Plans) -> DataFrame:
    """Cost, pounds and lots used of each, and what its cost differs from the first's."""

    first = next(iter(plans.values()))
    rows: list[dict[str, Any]] = []
    for name, plan in plans.items():
        if isinstance(plan, str):
            rows.append({"copy_name": name, "why_not": plan})
            continue
        rows.append(
            {
                "copy_name": name,
                "day_cost_usd": plan.total_usd,
                "change_usd": None if isinstance(first, str) else plan.total_usd - first.total_usd,
                "meat_usd_per_cwt": usd_per_cwt(plan.meat_usd_per_lb),
                "finished_lb": plan.made_lb,
                "lots_used": sum(lot.used_lb > _MIN_LB for lot in plan.lots),
                "why_not": "",
            }
        )
    return DataFrame(rows)


def lots_frame(plans: Plans) -> DataFrame:
    """Pounds of each lot, where they differ."""

    used = {name: {lot.lot_id: lot.used_lb for lot in plan.lots}
            for name, plan in plans.items() if not isinstance(plan, str)}  # fmt: skip
    frame = DataFrame(used).fillna(0.0).round()
    frame = frame[frame.max(axis=1) > frame.min(axis=1)]
    frame.insert(0, "lot_id", frame.index)
    return frame.rename(columns={name: f"{name}_lb" for name in used})
