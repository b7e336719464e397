"""At which price of a lot buyers switch, and from what: a demand curve told in sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import pairwise

from blend.domain.certificates import Certificate
from blend.domain.lots import Lot
from blend.show.amounts import number_words, pounds
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.trader.curves import DemandCurve
from blend.units import LB_PER_CWT

_MIN_LB = 0.5
_MAX_NAMED = 4


def switches_table(curve: DemandCurve, lot: Lot) -> ShownTable:
    """Each price at which the pounds taken change, dearest first: what is taken below it, and
    what the plan takes less and more of instead. The curve must carry its certificate."""
    columns = (
        usd_per_cwt_column("Price"),
        ShownColumn("What the plan does"),
        ShownColumn("More of it", "lb", Format.WHOLE),
        ShownColumn("Less of"),
        ShownColumn("With it, more of"),
    )
    steps = list(zip(curve.steps, curve.certificate.steps, strict=True))
    rows: list[tuple[Cell, ...]] = []
    for (below, plan_below), (above, plan_above) in pairwise(steps):
        used = [_used_lb(plan_above), _used_lb(plan_below)]
        moved = {
            lot_id: used[1][lot_id] - used[0][lot_id]
            for lot_id in used[0] | used[1]
            if lot_id != lot.lot_id
        }
        left = [
            lot_id for lot_id, lb in moved.items() if lb < -_MIN_LB and used[1][lot_id] < _MIN_LB
        ]
        price = below.max_usd_per_lb * LB_PER_CWT
        sentence = (
            f"Below {number_words(price, min_decimals=2)} the plan takes {pounds(below.pounds_lb)}"
        )
        rows.append(
            (
                price,
                f"{sentence} and leaves {_listed(sorted(left))}." if left else f"{sentence}.",
                below.pounds_lb - above.pounds_lb,
                _amounts((lot_id, -lb) for lot_id, lb in moved.items()),
                _amounts(moved.items()),
            )
        )
    rows.reverse()
    note = (
        "Leaves: takes none of it any more. Beside the lot itself pounds are those of one best"
        " plan on each side of the price; where several cost the same there are others."
    )
    title = f"Where buyers of {lot.lot_id} switch"
    return shown_table(title, columns, rows, note if rows else "At no price do the pounds change.")


def _used_lb(optimum: Certificate) -> Counter[str]:
    """Pounds put into blends, by lot."""
    used: Counter[str] = Counter()
    for (lot_id, _), lb in optimum.pounds.use_lb.items():
        used[lot_id] += lb
    return used


def _amounts(moved: Iterable[tuple[str, float]]) -> str:
    """The lots that move upwards, most first."""
    up = sorted(((lot_id, lb) for lot_id, lb in moved if lb > _MIN_LB), key=lambda m: (-m[1], m[0]))
    return _listed([f"{lot_id} by {pounds(lb)}" for lot_id, lb in up])


def _listed(names: list[str]) -> str:
    hidden = len(names) - _MAX_NAMED
    more = [f"{hidden} more"] if hidden > 0 else []
    return ", ".join([*names[:_MAX_NAMED], *more])
