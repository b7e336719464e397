"""The prices at which a whole market clears, and what a change of it would move.

A market is first fitted to its quotations; the fit is part of the answer. Prices are what the
model and its stated elasticities imply, all else as stated; no forecast.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from blend.check.clearing import certify_clearing
from blend.domain.certificates import Certified
from blend.domain.clearing import Calibrated, Clearing, Market, MarketMove
from blend.output.answer import Answer
from blend.output.formats import Format, day, money, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, with_sections, wrapped
from blend.reporter.clearing import calibrate, clear_market, moved_market, ready
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_CENT_USD_PER_CWT = 0.005
register(
    {
        "moves_by": Format("Move"),
        "at_floor_lb": Format("Left at floor", "lb", 0),
        "blend_usd_per_cwt": Format("Worth in blends", "$/cwt", 2),
        "premium_usd_per_cwt": Format("Premium", "$/cwt", 2, is_signed=True),
        "available_lb": Format("On the market", "lb", 0),
        "elsewhere_percent": Format("Goes elsewhere", "%", 1),
        "change_percent": Format("Change", "%", 1, is_signed=True),
        "cheapest_usd_per_cwt": Format("Cheapest blend", "$/cwt", 2),
        "elasticity": Format("Elasticity", "", 2),
        "then_buyers_pay_usd_per_cwt": Format("Then", "$/cwt", 2),
    }
)


@dataclass(frozen=True)
class MarketPrices(Answer):
    """A market's fit and its clearing prices, as stated and with the changes made."""

    fitted: Calibrated
    base: Clearing
    certified: Certified
    then: Clearing | None = None

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        found = {"prices": prices_frame(self.fitted, self.base, self.then)}
        if self.then is not None:
            found["ground"] = ground_frame(self.fitted, self.base, self.then)
        return found | {"items": items_frame(self.fitted), "products": products_frame(self.fitted)}

    def screen(self, sections: Collection[str] = ()) -> str:
        market = self.fitted.market
        shown = self.tables["prices"]
        ranges = {
            "clears_at": _ranges(shown.clears_low_usd_per_cwt, shown.clears_high_usd_per_cwt),
        }
        if self.then is not None:
            low, high = shown.then_low_usd_per_cwt, shown.then_high_usd_per_cwt
            ranges["then_at"] = _ranges(low, high)
            ranges["moves_by"] = _ranges(
                low - shown.clears_high_usd_per_cwt, high - shown.clears_low_usd_per_cwt, sign="+"
            )
        columns = ("lot_id", "quoted_usd_per_cwt", *ranges, "at_floor_lb")
        date_ = day(market.case.settings.plan_on)
        title = f"Prices that clear the market of {date_}, in our model, $/cwt"
        what = " and with the changes made (then)" if self.then is not None else ""
        first = [
            wrapped(f"{title}, as stated{what}."),
            "\n" + table(shown.assign(**ranges).dropna(axis="columns", how="all"), columns) + "\n",
            wrapped(
                "A range: the model leaves the price open. Implied by the model and its "
                "stated elasticities, all else as stated; no forecast."
            ),
        ]
        offered = {"fit": self._fit, "certificate": lambda: wrapped(self.certificate)}
        if self.then is not None:
            offered = {"ground": lambda: table(self.tables["ground"], title="What is ground"),
                       **offered}  # fmt: skip
        return with_sections(first, sections, offered)

    def _fit(self) -> str:
        items = table(self.tables["items"], title="The fit: items", note=self._items_note)
        note = (
            "Stated volumes and the pounds on the market need not match in lean: the fit is the "
            "nearest that does. Buyers pay: for meat in the blend, as the quotations imply."
        )
        return items + "\n\n" + table(self.tables["products"], title="The fit: products", note=note)

    @property
    def _items_note(self) -> str:
        lots = {lot.lot_id for lot in self.fitted.market.case.usable_lots()}
        left_out = sorted(lots - {fit.lot_id for fit in self.fitted.items})
        note = (
            "Premium: quoted over what the blends make of its lean and fat (minus: a discount). "
            "It stays as it is when the market moves, and so does the share that goes elsewhere."
        )
        return f"{note} No blend takes {', '.join(left_out)}: left out." if left_out else note

    @property
    def certificate(self) -> str:
        return (
            "Certificate: certified in exact arithmetic, without the solver. No amounts gain "
            f"{money(max(1.0, self.certified.gap_usd))} more, and every price is that of the "
            "equilibrium within $0.002/cwt."
        )

    @property
    def figures(self) -> Mapping[str, Any]:
        return {"gap_usd": self.certified.gap_usd}


def market_prices(market: Market, moves: Sequence[MarketMove] = ()) -> MarketPrices:
    """Fit a market to its quotations and clear it, then again with `moves` made.

    Raises as `calibrate` and `ready`, and SolverTrouble where a certificate does not hold.
    """
    fitted = calibrate(market)
    base = clear_market(fitted)
    certified = _certified(fitted, market, base)
    if not moves:
        return MarketPrices(fitted, base, certified)
    last = moved_market(market, moves)
    then = clear_market(fitted, last)
    return MarketPrices(fitted, base, _certified(fitted, last, then), then)


def _certified(fitted: Calibrated, market: Market, clearing: Clearing) -> Certified:
    taken = ready(fitted, market)
    found = certify_clearing(taken.case, taken.curves, taken.adjustment_usd_per_lb, clearing)
    found.must_be_valid("prices that clear the market")
    return found


def _ranges(lows: Any, highs: Any, sign: str = "") -> list[str]:
    made = []
    for low, high in zip(lows, highs, strict=True):
        ends = [format(round(end, 2) + 0.0, f"{sign},.2f") for end in (low, high)]
        made.append(ends[0] if high - low <= _CENT_USD_PER_CWT else " to ".join(ends))
    return made


def prices_frame(fitted: Calibrated, base: Clearing, then: Clearing | None) -> DataFrame:
    """The price of the next pound of each item and of its last (low and high); they differ only
    where the model leaves the price open. `then_...` with the changes made."""
    rows = []
    for fit in fitted.items:
        was = base.item(fit.lot_id)
        row = [
            fit.lot_id,
            fit.quoted_usd_per_lb * LB_PER_CWT,
            was.next_usd_per_lb * LB_PER_CWT,
            was.last_usd_per_lb * LB_PER_CWT,
        ]
        if then is not None:
            now = then.item(fit.lot_id)
            row += [
                now.next_usd_per_lb * LB_PER_CWT,
                now.last_usd_per_lb * LB_PER_CWT,
                now.left_over_lb if now.left_over_lb >= 1 else None,
            ]
        rows.append(row)
    columns = ["lot_id", "quoted_usd_per_cwt", "clears_low_usd_per_cwt", "clears_high_usd_per_cwt"]
    if then is not None:
        columns += ["then_low_usd_per_cwt", "then_high_usd_per_cwt", "at_floor_lb"]
    return frame(columns, rows)


def items_frame(fitted: Calibrated) -> DataFrame:
    """What the fit had to assume of each item so that the quotations clear the market."""
    columns = ("lot_id", "quoted_usd_per_cwt", "blend_usd_per_cwt", "premium_usd_per_cwt",
               "available_lb", "elsewhere_percent")  # fmt: skip
    rows = [
        (
            fit.lot_id,
            fit.quoted_usd_per_lb * LB_PER_CWT,
            (fit.quoted_usd_per_lb - fit.premium_usd_per_lb) * LB_PER_CWT,
            fit.premium_usd_per_lb * LB_PER_CWT,
            fit.available_lb,
            fit.elsewhere_share * POINTS_PER_SHARE,
        )
        for fit in fitted.items
    ]
    return frame(columns, rows)


def products_frame(fitted: Calibrated) -> DataFrame:
    """The same of each product: pounds as stated and as fitted, what its buyers pay."""
    columns = ("product", "stated_lb", "fitted_lb", "change_percent", "cheapest_usd_per_cwt",
               "buyers_pay_usd_per_cwt", "elasticity")  # fmt: skip
    case = fitted.market.case
    rows = [
        (
            case.product(fit.product_id).name,
            fit.stated_lb,
            fit.fitted_lb,
            (fit.fitted_lb / fit.stated_lb - 1) * POINTS_PER_SHARE,
            fit.blend_usd_per_lb * LB_PER_CWT,
            fit.fitted_usd_per_lb * LB_PER_CWT,
            fitted.market.demand(fit.product_id).elasticity,
        )
        for fit in fitted.products
    ]
    return frame(columns, rows)


def ground_frame(fitted: Calibrated, base: Clearing, then: Clearing) -> DataFrame:
    """Finished pounds of each product and what buyers pay, as stated and then."""
    columns = ("product", "ground_lb", "then_lb", "buyers_pay_usd_per_cwt",
               "then_buyers_pay_usd_per_cwt")  # fmt: skip
    rows = []
    for fit in fitted.products:
        name = fit.product_id
        then_lb = then.volume_lb.get(name)
        then_usd = None if then_lb is None else then.product_usd_per_lb[name] * LB_PER_CWT
        rows.append(
            (
                fitted.market.case.product(name).name,
                base.volume_lb[name],
                then_lb or 0.0,
                base.product_usd_per_lb[name] * LB_PER_CWT,
                then_usd,
            )
        )
    return frame(columns, rows)
