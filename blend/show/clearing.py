"""A market's fit and its clearing prices, as tables."""

from __future__ import annotations

from blend.domain.clearing import Calibrated, Clearing
from blend.show.amounts import percent
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.units import LB_PER_CWT

_SHOWS_USD_PER_CWT = 0.005
_SHOWS_SHARE = 5e-5


def fit_tables(calibrated: Calibrated) -> list[ShownTable]:
    """What the calibration had to change so that the quotations clear the market."""
    return [items_fit_table(calibrated), products_fit_table(calibrated)]


def items_fit_table(calibrated: Calibrated) -> ShownTable:
    case = calibrated.market.case
    columns = (
        ShownColumn("Item"),
        ShownColumn(""),
        usd_per_cwt_column("Quoted"),
        usd_per_cwt_column("Lean and fat in blends"),
        usd_per_cwt_column("Premium"),
        ShownColumn("Comes to market", "1,000 lb", Format.WHOLE),
        ShownColumn("Goes elsewhere", "", Format.READING),
    )
    rows = []
    for fit in calibrated.items:
        lot = case.lot(fit.lot_id)
        elsewhere = fit.elsewhere_share
        rows.append(
            (
                fit.lot_id,
                lot.item if lot.item != fit.lot_id else lot.fresh_or_frozen,
                fit.quoted_usd_per_lb * LB_PER_CWT,
                (fit.quoted_usd_per_lb - fit.premium_usd_per_lb) * LB_PER_CWT,
                fit.premium_usd_per_lb * LB_PER_CWT,
                fit.available_lb / 1000,
                percent(elsewhere) if elsewhere > _SHOWS_SHARE else "",
            )
        )
    left_out = sorted(
        {lot.lot_id for lot in case.usable_lots()} - {fit.lot_id for fit in calibrated.items}
    )
    note = (
        "Premium: quoted above what the blends make of its lean and fat; below zero a discount."
        " It is kept as it is when the market moves, and so is the share that goes elsewhere."
    )
    if left_out:
        note += f" No blend takes in {', '.join(left_out)}, which are left out."
    return shown_table("The fit: items", columns, rows, note)


def products_fit_table(calibrated: Calibrated) -> ShownTable:
    case = calibrated.market.case
    columns = (
        ShownColumn("Product"),
        ShownColumn("Stated", "1,000 lb", Format.WHOLE),
        ShownColumn("Fitted", "1,000 lb", Format.WHOLE),
        ShownColumn("Change", "", Format.READING),
        usd_per_cwt_column("Cheapest blend"),
        usd_per_cwt_column("Buyers pay"),
        ShownColumn("Elasticity", "stated", Format.HUNDREDTHS),
    )
    rows = [
        (
            case.product(fit.product_id).name,
            fit.stated_lb / 1000,
            fit.fitted_lb / 1000,
            percent(fit.fitted_lb / fit.stated_lb - 1),
            fit.blend_usd_per_lb * LB_PER_CWT,
            fit.fitted_usd_per_lb * LB_PER_CWT,
            calibrated.market.demand(fit.product_id).elasticity,
        )
        for fit in calibrated.products
    ]
    note = (
        "Stated volumes and pounds that come to market need not match in lean: the fit is the"
        " nearest that does. Buyers pay: for meat in the blend, as the quotations imply."
    )
    return shown_table("The fit: products", columns, rows, note)


def prices_table(calibrated: Calibrated, base: Clearing, moved: Clearing | None) -> ShownTable:
    """The prices at which each item clears, at the base and moved."""
    case = calibrated.market.case
    columns = [
        ShownColumn("Item"),
        ShownColumn(""),
        usd_per_cwt_column("Quoted"),
        ShownColumn("Clears at", "USD/cwt", Format.READING),
    ]
    if moved is not None:
        columns += [
            ShownColumn("Then at", "USD/cwt", Format.READING),
            ShownColumn("Move", "USD/cwt", Format.READING),
            ShownColumn("At its floor", "1,000 lb", Format.WHOLE),
        ]
    rows = []
    for fit in calibrated.items:
        lot, was = case.lot(fit.lot_id), base.item(fit.lot_id)
        row: list[Cell] = [
            fit.lot_id,
            lot.item if lot.item != fit.lot_id else lot.fresh_or_frozen,
            fit.quoted_usd_per_lb * LB_PER_CWT,
            _range(was.next_usd_per_lb, was.last_usd_per_lb),
        ]
        if moved is not None:
            now = moved.item(fit.lot_id)
            row += [
                _range(now.next_usd_per_lb, now.last_usd_per_lb),
                _range(
                    now.next_usd_per_lb - was.last_usd_per_lb,
                    now.last_usd_per_lb - was.next_usd_per_lb,
                    signed=True,
                ),
                now.left_over_lb / 1000 if now.left_over_lb >= 1 else None,
            ]
        rows.append(tuple(row))
    note = (
        "The price of the next pound to come to market; a range where the model leaves it open"
        " between that of the next pound and that of the last."
    )
    if moved is not None:
        note += " Then: with the market moved as the table of moves says."
    return shown_table("Clearing prices", columns, rows, note)


def volumes_table(calibrated: Calibrated, base: Clearing, moved: Clearing) -> ShownTable:
    case = calibrated.market.case
    columns = (
        ShownColumn("Product"),
        ShownColumn("Volume", "1,000 lb", Format.WHOLE),
        ShownColumn("Then", "1,000 lb", Format.WHOLE),
        usd_per_cwt_column("Buyers pay"),
        usd_per_cwt_column("Then"),
    )
    rows = []
    for fit in calibrated.products:
        name = fit.product_id
        then_lb = moved.volume_lb.get(name)
        rows.append(
            (
                case.product(name).name,
                base.volume_lb[name] / 1000,
                0.0 if then_lb is None else then_lb / 1000,
                base.product_usd_per_lb[name] * LB_PER_CWT,
                None if then_lb is None else moved.product_usd_per_lb[name] * LB_PER_CWT,
            )
        )
    return shown_table("What is ground", columns, rows)


def _range(low: float, high: float, *, signed: bool = False) -> str:
    low, high = (round(end * LB_PER_CWT, 2) + 0.0 for end in (low, high))
    form = "+,.2f" if signed else ",.2f"
    if high - low <= _SHOWS_USD_PER_CWT:
        return format(low, form)
    return f"{format(low, form)} to {format(high, form)}"
