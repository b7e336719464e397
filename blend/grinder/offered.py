"""Every lot of a case as a trader looks at it: its price, what it is worth, what replaces it."""

from __future__ import annotations

from collections.abc import Mapping
from math import nan

from blend.domain.lots import Lot
from blend.domain.replacement import Replacement
from blend.grinder.live import LiveLot, LivePlan
from blend.output.formats import Format, register
from blend.output.frames import DataFrame
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_MIN_USD_PER_CWT = 0.005
_MIN_LB = 0.5

register(
    {
        "worth_over_price_usd_per_cwt": Format("Worth over price", "$/cwt", 2, is_signed=True),
        "over_substitute_usd_per_cwt": Format("Over substitute", "$/cwt", 2, is_signed=True),
        "use_instead": Format("Use instead, lb per lb"),
    }
)


def offered(plan: LivePlan, replacements: Mapping[str, Replacement] | None) -> DataFrame:
    """A row for every lot, those worth most over their price first; blank where not known.

    `replacements` by lot are None while they are still being computed.
    """

    lives = {live.lot_id: live for live in plan.lots}
    found = replacements or {}
    rows = [_row(lot, lives.get(lot.lot_id), plan, found.get(lot.lot_id)) for lot in plan.case.lots]
    order = "worth_over_price_usd_per_cwt"
    return DataFrame(rows).sort_values(order, ascending=False, kind="stable")


def offered_note(replacements: Mapping[str, Replacement] | None) -> str:
    """What the columns mean."""
    later = "Substitutes are being found."
    how = (
        "Substitute: the cheapest mix of the others of the same species, lean and claims, whatever"
        " there is of them."
    )
    return (
        "Worth: what the next pound is worth to the product that pays most for it, as if combos"
        " and batches could be split. Cheap: worth more than its price. Rich: worth less."
        f" {later if replacements is None else how}"
    )


def _row(
    lot: Lot, live: LiveLot | None, plan: LivePlan, replaced: Replacement | None
) -> dict[str, object]:
    delivered = lot.delivered_usd_per_lb
    value = None if live is None else live.value_usd_per_lb
    over = None if value is None else (value - delivered) * LB_PER_CWT
    mix = () if replaced is None else replaced.mix
    return {
        "lot_id": lot.lot_id,
        "item": lot.item,
        "lean_percent": lot.lean * POINTS_PER_SHARE,
        "offered_lb": lot.max_lb,
        "used_lb": live.used_lb if live is not None and live.used_lb >= _MIN_LB else nan,
        "delivered_usd_per_cwt": delivered * LB_PER_CWT,
        "worth_usd_per_cwt": _per_cwt(value),
        "worth_over_price_usd_per_cwt": nan if over is None else over,
        "it_is": _standing(lot, over, plan),
        "substitute_usd_per_cwt": _per_cwt(None if replaced is None else replaced.usd_per_lb),
        "over_substitute_usd_per_cwt": _per_cwt(
            None if replaced is None else replaced.own_above_usd_per_lb
        ),
        "use_instead": "no substitute"
        if replaced is not None and not mix
        else " + ".join(f"{part.lb_per_lb:.3f} {part.lot_id}" for part in mix),
    }


def _standing(lot: Lot, over_usd_per_cwt: float | None, plan: LivePlan) -> str:
    reason = lot.reason_unusable(plan.case.settings.plan_on)
    if reason is not None:
        return reason
    if over_usd_per_cwt is None:
        return "no blend may hold it"
    if abs(over_usd_per_cwt) < _MIN_USD_PER_CWT:
        return "at its price"
    return "cheap" if over_usd_per_cwt > 0 else "rich"


def _per_cwt(usd_per_lb: float | None) -> float:
    return nan if usd_per_lb is None else usd_per_lb * LB_PER_CWT
