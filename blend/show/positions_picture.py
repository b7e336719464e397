"""The stock by day: what each cooler keeps overnight, and what comes in and goes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.domain.horizon import Horizon
from blend.domain.positions import PositionsPlan
from blend.show.pictures import (
    ACCENT,
    GRAY,
    INK,
    PALE,
    SECOND,
    canvas,
    dress,
    label_axes,
    plain,
)
from blend.show.positions import stock_by_store

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_STORE_COLORS = (SECOND, ACCENT, GRAY, PALE)
_THOUSAND_LB = 1000.0


def stock_picture(horizon: Horizon, plan: PositionsPlan) -> Figure:
    """One panel a cooler, with its room as a line, above one of what is bought, used and sold."""
    coolers = horizon.coolers
    panels = len(coolers) + 1
    made = canvas("Stock by day", inches=(9.0, 1.6 + 2.2 * panels))
    axes = made.subplots(panels, 1, sharex=True, squeeze=False)[:, 0]
    kept = stock_by_store(horizon, plan)
    places = range(len(plan.days))
    for index, cooler in enumerate(coolers):
        color = _STORE_COLORS[index % len(_STORE_COLORS)]
        held = [kept[cooler.cooler_id, day] / _THOUSAND_LB for day in plan.days]
        dress(axes[index], f"{cooler.cooler_id}: kept overnight")
        axes[index].bar(places, held, width=0.6, color=color, zorder=2)
        if cooler.capacity_lb is not None:
            _draw_room(axes[index], cooler.capacity_lb / _THOUSAND_LB, len(plan.days))
        label_axes(axes[index], "", "1,000 lb")
    _draw_flows(axes[-1], plan)
    axes[-1].set_xticks(list(places), [f"{day:%a %d %b}" for day in plan.days])
    axes[-1].set_xlim(-0.6, len(plan.days) - 0.4)
    return made


def _draw_room(axes: Axes, room: float, days: int) -> None:
    axes.axhline(room, color=INK, linewidth=1, linestyle=(0, (5, 3)))
    axes.annotate(
        plain("room"), (days - 0.42, room), fontsize=8, color=INK, ha="right", va="bottom"
    )
    axes.set_ylim(0, room * 1.18)


def _draw_flows(axes: Axes, plan: PositionsPlan) -> None:
    """Bought above the line; blended, sold on and thrown away below it."""
    dress(axes, "In above the line, out below it")
    bought = [sum(r.pounds_lb for r in plan.purchases if r.day == day) for day in plan.days]
    used = [sum(r.used_lb for r in plan.ledger if r.day == day) for day in plan.days]
    sold = [sum(r.pounds_lb for r in plan.sales if r.day == day) for day in plan.days]
    lost = [sum(r.pounds_lb for r in plan.wastes if r.day == day) for day in plan.days]
    places = range(len(plan.days))
    _bars(axes, places, bought, 1, [0.0] * len(bought), SECOND, "bought")
    floor = [0.0] * len(bought)
    for amounts, color, label in (
        (used, GRAY, "blended"),
        (sold, ACCENT, "sold on"),
        (lost, INK, "lost past its day"),
    ):
        if any(amounts):
            _bars(axes, places, amounts, -1, floor, color, label)
            floor = [below + amount for below, amount in zip(floor, amounts, strict=True)]
    axes.axhline(0, color=INK, linewidth=1)
    axes.use_sticky_edges = False
    axes.margins(y=0.08)
    axes.legend(frameon=False, fontsize=8, ncols=4, loc="lower right", bbox_to_anchor=(1.0, 1.0))
    label_axes(axes, "", "1,000 lb")


def _bars(
    axes: Axes,
    places: range,
    amounts: list[float],
    sign: int,
    floor: list[float],
    color: str,
    label: str,
) -> None:
    axes.bar(
        places,
        [sign * amount / _THOUSAND_LB for amount in amounts],
        bottom=[sign * below / _THOUSAND_LB for below in floor],
        width=0.6,
        color=color,
        label=label,
        zorder=2,
    )
