"""Demand, supply and region maps as tables."""

from __future__ import annotations

import math

from blend.domain.lots import Lot
from blend.show.amounts import count_of, number_words, percent, pounds, printable
from blend.show.shown import (
    Cell,
    Format,
    ShownColumn,
    ShownTable,
    shown_table,
    usd_per_cwt,
    usd_per_cwt_column,
)
from blend.trader.curves import DemandCurve, RegionMap, SupplyCurve
from blend.units import LB_PER_CWT

_MIN_SHARE = 0.0001
_LINEAR = "Of the linear program: containers, counts and batches taken as divisible."


def demand_table(curve: DemandCurve, lot: Lot) -> ShownTable:
    """Pounds taken by delivered price, dearest first."""
    columns = (
        ShownColumn("Delivered from", "USD/cwt", Format.TEN_THOUSANDTHS),
        ShownColumn("to", "USD/cwt", Format.TEN_THOUSANDTHS),
        ShownColumn("Pounds taken", "lb", Format.TENTHS),
        ShownColumn("Plan costs at from", "USD", Format.HUNDREDTHS),
    )
    rows = [
        (
            usd_per_cwt(step.min_usd_per_lb),
            _or_words(usd_per_cwt(step.max_usd_per_lb), "any price above"),
            step.pounds_lb,
            curve.plan_usd_at(step.min_usd_per_lb),
        )
        for step in reversed(curve.steps)
    ]
    note = (
        f"{_entry_words(curve)} Its price is {_price(curve.delivered_usd_per_lb)}; on offer"
        f" {'without limit' if math.isinf(curve.available_lb) else pounds(curve.available_lb)}."
        " At a price where two rows meet, any pounds between theirs are best."
        f" {proof_words(curve.solves, curve.gap_usd, 'breakpoint')} {_LINEAR}"
    )
    return shown_table(f"Demand for {lot.lot_id}, {lot.item}", columns, rows, note)


def demand_words(curve: DemandCurve, lot: Lot) -> str:
    """What a picture of the curve shows, for who does not see it."""
    return (
        f"Pounds of {printable(lot.lot_id)} taken by delivered price, in"
        f" {count_of(len(curve.steps), 'step')}. {_entry_words(curve)} Its price is"
        f" {_price(curve.delivered_usd_per_lb)}."
    )


def _entry_words(curve: DemandCurve) -> str:
    entry = curve.entry_usd_per_lb
    if entry is None:
        return "The plan takes none of it at any of these prices."
    if math.isinf(entry):
        return "There is no plan without it: some is taken at any price."
    if entry == curve.steps[-1].max_usd_per_lb:
        return f"Some is still taken at {_price(entry)}, the highest price asked."
    return f"The plan takes some of it below {_price(entry)}, delivered, and none above."


def supply_table(curve: SupplyCurve, lot: Lot) -> ShownTable:
    """Cost of the plan and worth of a pound by pounds on offer."""
    columns = (
        ShownColumn("On offer from", "lb", Format.TENTHS),
        ShownColumn("to", "lb", Format.TENTHS),
        ShownColumn("Next cwt saves", "USD", Format.TEN_THOUSANDTHS),
        ShownColumn("Worth, delivered", "USD/cwt", Format.TEN_THOUSANDTHS),
        ShownColumn("Plan costs at from", "USD", Format.HUNDREDTHS),
    )
    rows = [
        (
            step.min_lb,
            _or_words(step.max_lb, "any more"),
            step.next_lb_saves_usd * LB_PER_CWT,
            usd_per_cwt(step.next_lb_saves_usd + curve.delivered_usd_per_lb)
            if step.next_lb_saves_usd > 0
            else None,
            step.usd_at_least,
        )
        for step in curve.steps
    ]
    needed = (
        f" With less than {pounds(curve.needed_lb)} there is no plan." if curve.needed_lb else ""
    )
    offered = "without limit" if math.isinf(curve.offered_lb) else pounds(curve.offered_lb)
    note = (
        f"At its price of {_price(curve.delivered_usd_per_lb)}; on offer today {offered}.{needed}"
        f" {proof_words(curve.solves, curve.gap_usd, 'breakpoint')} {_LINEAR}"
    )
    return shown_table(f"Supply of {lot.lot_id}, {lot.item}", columns, rows, note)


def regions_table(found: RegionMap, lots: tuple[Lot, Lot]) -> ShownTable:
    """Regions of prices at which the same pounds are taken of both lots, largest first."""
    first, second = (lot.lot_id for lot in lots)
    columns = (
        ShownColumn(f"{first} taken", "lb", Format.TENTHS),
        ShownColumn(f"{second} taken", "lb", Format.TENTHS),
        ShownColumn("Part of the window", "", Format.READING),
        usd_per_cwt_column(f"{first} from"),
        usd_per_cwt_column("to"),
        usd_per_cwt_column(f"{second} from"),
        usd_per_cwt_column("to"),
        ShownColumn("Corners", "", Format.WHOLE),
    )
    window = math.prod(
        maximum - minimum
        for minimum, maximum in zip(found.min_usd_per_lb, found.max_usd_per_lb, strict=True)
    )
    rows = []
    for region in sorted(found.regions, key=lambda region: -region.area):
        ranges = [
            usd_per_cwt(end(corner[axis] for corner in region.corners_usd_per_lb))
            for axis in (0, 1)
            for end in (min, max)
        ]
        share = _share_words(region.area / window)
        rows.append((*region.pounds_lb, share, *ranges, len(region.corners_usd_per_lb)))
    exact = (
        proof_words(found.solves, found.gap_usd, "corner")
        if found.is_exact
        else f"NOT EXACT: stopped after {count_of(found.solves, 'solve')}; regions may yet part."
    )
    title = f"Regions of {first} and {second}"
    return shown_table(title, columns, rows, f"{exact} {_LINEAR}")


def regions_words(found: RegionMap, lots: tuple[Lot, Lot]) -> str:
    """What a picture of the regions shows, for who does not see it."""
    first, second = (printable(lot.lot_id) for lot in lots)
    return (
        f"{count_of(len(found.regions), 'region')} of the prices of {first}, to the right, and of"
        f" {second}, upwards, in each of which the same pounds are taken; the table holds them."
    )


def proof_words(solves: int, gap_usd: float, place: str) -> str:
    """How exact a curve or a map is, and why."""
    return (
        f"Exact, from {count_of(solves, 'solve')}: at every {place} the plan's cost lies within"
        f" {max(gap_usd, 1e-6):.6f} USD of the pieces that meet there, and it is concave in the"
        " prices and convex in the pounds, so that no piece between can be missing."
    )


def _share_words(share: float) -> str:
    return percent(share) if share >= _MIN_SHARE else f"under {percent(_MIN_SHARE)}"


def _or_words(amount: float | None, words: str) -> Cell:
    return words if math.isinf(amount) else amount


def _price(usd_per_lb: float) -> str:
    price = number_words(usd_per_lb * LB_PER_CWT, min_decimals=2, max_decimals=4)
    return f"{price} USD/cwt"
