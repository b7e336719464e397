"""`blend book risk`: what the book, held as it is, can lose, and what would hedge it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.domain.book import Book, Deal, RateKind, StressMove, live
from blend.domain.horizon import Horizon
from blend.domain.quotations import Quotation
from blend.errors import did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, long_day, money, register
from blend.output.frames import DataFrame
from blend.trader.book_draws import Drawn, with_given
from blend.trader.chunks import Work
from blend.trader.past_weeks import past_weeks
from blend.trader.replanned import items_priced, replanned
from blend.trader.risk import (
    Array,
    AtRisk,
    CovarianceRisk,
    Hedge,
    Joint,
    NoHedge,
    TooShort,
    bootstrap_risk,
    covariance_risk,
    hedge,
    historical_risk,
    joint_moves,
    robust_covariance,
)
from blend.units import LB_PER_CWT, LB_PER_LOAD

register(
    {
        "at_risk_series": Format("Price, rate"),
        "exposed_lb": Format("Net at price risk", "lb", 0),
        "exposed_loads": Format("Loads", "", 1),
        "exposed_usd": Format("At mark", "$", 0, is_summed=True),
        "weekly_move_percent": Format("Usual move", "%/wk", 1),
        "alone_at_risk_usd": Format("Alone", "$", 0),
        "part_at_risk_usd": Format("Part of risk", "$", 0, is_summed=True),
        "tail_loss_usd": Format("In tail weeks", "$", 0, is_summed=True),
        "hedge_sell_lb": Format("Sell (buy)", "lb", 0),
        "hedge_sell_error_lb": Format("±", "lb", 0),
        "hedge_sell_amount": Format("Amount to sell (buy)", "", 0),
        "hedge_sell_error_amount": Format("±", "", 0),
        "sell_loads": Format("Loads", "", 1),
        "risk_removed_percent": Format("Variance removed", "%", 0),
        "hedged_at_risk_usd": Format("At risk then", "$", 0),
        "week_ending": Format("Week to"),
        "weekly_profit_usd": Format("Profit", "$", 0, is_signed=True),
        "stress_profit_usd": Format("Profit", "$", 0, is_signed=True),
        "unmoved_items": Format("Not in the stress, unmoved"),
    }
)


@dataclass(frozen=True)
class BookRisk(Answer):
    """Risk of the book as it is held. Tables: `items`, `hedges`, `stresses`, `weeks`.

    Past weeks' percent changes are applied to today's position at today's marks.
    """

    on: date
    weeks_ahead: int
    confidence: float
    exposure: Exposure
    week_ends: tuple[date, ...]
    changes: Array
    """(weeks, series): relative."""
    at_risk: AtRisk | None
    """None where the history is too short, and `too_short` says so."""
    too_short: str
    covariance: CovarianceRisk | None
    hedge_items: tuple[str, ...]
    hedges: Hedge | None
    currencies: frozenset[str]
    """Those among the hedges are counted in their own money, all else in pounds."""
    hedged: AtRisk | None
    stresses: Mapping[str, float]
    unmoved: Mapping[str, tuple[str, ...]]
    open_priced_lb: float
    """Pounds of deals not priced yet, bought and sold alike; they move with their quotation."""
    drawn: Drawn | None = None
    """Joint draws, where they were asked for."""

    @property
    def weekly_usd(self) -> Array:
        """(weeks): what each past week would make or lose on today's book."""
        return self.changes @ self.exposure.usd

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        return {
            "items": DataFrame(
                [self._series(place) for place in range(len(self.exposure.names))]
            ),
            "hedges": DataFrame([self._hedge(place) for place in range(len(self.hedge_items))]),
            "stresses": DataFrame(
                [
                    {"stress": stress, "stress_profit_usd": usd,
                     "unmoved_items": ", ".join(self.unmoved.get(stress, ()))}
                    for stress, usd in self.stresses.items()
                ]
            ),
            "weeks": DataFrame(
                {"week_ending": self.week_ends, "weekly_profit_usd": self.weekly_usd}
            ),
            **({} if self.drawn is None else self.drawn.tables),
        }  # fmt: skip

    @property
    def figures(self) -> Mapping[str, Any]:
        found = self.at_risk
        return {
            "on": self.on,
            "weeks_ahead": self.weeks_ahead,
            "confidence_percent": 100 * self.confidence,
            "past_weeks": len(self.week_ends),
            "value_at_risk_usd": found and found.value_at_risk_usd,
            "value_at_risk_error_usd": found and found.standard_error_usd,
            "expected_shortfall_usd": found and found.expected_shortfall_usd,
            "expected_shortfall_error_usd": found and found.shortfall_error_usd,
            "method": found and found.method,
            "normal_value_at_risk_usd": self.covariance and self.covariance.value_at_risk_usd,
        }

    def _series(self, place: int) -> dict[str, Any]:
        usual = parts = alone = tail = math.nan
        exposure = self.exposure
        if self.at_risk is not None and self.covariance is not None:
            tail = -float(self.changes[self._tail_weeks, place].mean() * exposure.usd[place])
            parts, alone = self.covariance.components_usd[place], self.covariance.alone_usd[place]
            usual = 100 * float(np.sqrt(robust_covariance(self.changes[:, [place]])[0, 0]))
        lb = exposure.units[place] * LB_PER_CWT if place < exposure.items else math.nan
        return {
            "at_risk_series": exposure.names[place],
            "exposed_loads": lb / LB_PER_LOAD,
            "exposed_lb": lb,
            "exposed_usd": exposure.usd[place],
            "weekly_move_percent": usual,
            "alone_at_risk_usd": alone,
            "part_at_risk_usd": parts,
            "tail_loss_usd": tail,
        }

    def _hedge(self, place: int) -> dict[str, Any]:
        """`hedges` counts cwt of the item, or the amount of the currency, to sell against the whole
        book."""
        assert self.hedges is not None
        ratio, error = self.hedges.ratio[place], self.hedges.standard_error[place]
        row: dict[str, Any] = {"hedge_with": self.hedge_items[place]}
        if self.hedge_items[place] in self.currencies:
            row |= {"hedge_sell_amount": ratio, "hedge_sell_error_amount": error}
        else:
            row |= {
                "hedge_sell_lb": ratio * LB_PER_CWT,
                "hedge_sell_error_lb": error * LB_PER_CWT,
                "sell_loads": ratio * LB_PER_CWT / LB_PER_LOAD,
            }
        return row | {
            "risk_removed_percent": 100 * self.hedges.explained,
            "hedged_at_risk_usd": math.nan if self.hedged is None
            else self.hedged.value_at_risk_usd,
        }  # fmt: skip

    # Screen

    def screen(self, sections: Collection[str] = ()) -> str:
        parts = [self._head(), self._items_text(), self._stress_text()]
        if self.hedge_items:
            parts.insert(2, self._hedge_text())
        if self.drawn is not None:
            parts.insert(2, self.drawn.text())
        if watch := screen.watch(self._warnings()):
            parts.append(watch)
        offered = {
            "history": lambda: screen.table(
                self.tables["weeks"], title="Past weeks on today's book"
            )
        }
        if self.drawn is not None:
            offered["correlations-used"] = self.drawn.correlations_text
        return screen.blocks(parts, sections, offered)

    def _span(self) -> str:
        return "one week" if self.weeks_ahead == 1 else f"{self.weeks_ahead} weeks"

    def _head(self) -> str:
        found = self.at_risk
        title = f"Risk of the book as it is held, {long_day(self.on)}"
        if found is None:
            return (
                f"{screen.strong(title)}\n{screen.wrapped(f'No value at risk: {self.too_short}.')}"
            )
        odds = round(1 / (1 - self.confidence))
        words = (
            f"In {self._span()} it loses more than {money(found.value_at_risk_usd)} "
            f"(±{money(found.standard_error_usd)}) about 1 time in {odds}, "
            f"and then {money(found.expected_shortfall_usd)} "
            f"(±{money(found.shortfall_error_usd)}) on average."
        )
        basis = (
            f"{self.confidence:.0%} value at risk and expected shortfall from "
            f"{counted(found.observations, 'past week')}, "
            f"{found.observations * (1 - self.confidence):.1f} of them in the tail; "
            f"{found.method}. "
            "± is one standard error of sampling; weeks unlike any in the history are not covered."
        )
        lines = [screen.strong(title), screen.wrapped(words), screen.wrapped(basis)]
        if self.covariance is not None:
            lines.append(
                screen.wrapped(
                    f"If moves were normal: {money(self.covariance.value_at_risk_usd)}; items "
                    f"offset {money(self.covariance.diversification_usd)} (robust covariance)."
                )
            )
        return "\n".join(lines)

    def _items_text(self) -> str:
        columns = ["at_risk_series", "exposed_loads", "exposed_usd", "weekly_move_percent",
                   "alone_at_risk_usd", "part_at_risk_usd", "tail_loss_usd"]  # fmt: skip
        if self.at_risk is None:
            columns = columns[:3]
            return screen.table(self.tables["items"], columns)
        worst = counted(int(self._tail_weeks.sum()), "worst single week")
        note = (
            "Parts add up to the normal figure; in tail weeks, to the mean loss of the "
            f"{worst}. Below zero: offsets others."
        )
        return screen.table(self.tables["items"], columns, note=note)

    @property
    def _tail_weeks(self) -> NDArray[np.bool_]:
        """(weeks): those at or beyond the quantile, one at a time."""
        limit = np.quantile(self.weekly_usd, 1 - self.confidence, method="lower")
        return self.weekly_usd <= limit

    def _hedge_text(self) -> str:
        columns = ["hedge_with", "sell_loads", "hedge_sell_lb", "hedge_sell_error_lb",
                   "hedge_sell_amount", "hedge_sell_error_amount", "risk_removed_percent",
                   "hedged_at_risk_usd"]  # fmt: skip
        several = " All of them together." if len(self.hedge_items) > 1 else ""
        return screen.table(
            self.tables["hedges"],
            columns,
            title="Minimum-variance hedge",
            note=f"Fitted to the same weeks, so it looks better here than it will in use; ± is one "
            f"standard error. Costs of the hedge are not counted.{several}",
        )

    def _stress_text(self) -> str:
        return screen.table(
            self.tables["stresses"], ["stress", "stress_profit_usd"], title="Stress"
        )

    def _warnings(self) -> Iterable[str]:
        if self.open_priced_lb:
            yield (
                f"{self.open_priced_lb:,.0f} lb not priced yet move with the quotation they are "
                "priced off, so they count against it above: only their basis is fixed."
            )
        for stress, items in self.unmoved.items():
            yield f"{stress} does not cover {', '.join(items)}: left unmoved."
        yield from () if self.drawn is None else self.drawn.warnings()

    def chart(self) -> Spec:
        if self.drawn is not None:
            return self.drawn.chart(f"Book of {day(self.on)}")
        from blend.output.charts import GAIN, LOSS, amount, chart, layer

        rows = [
            {"week": week.isoformat(), "usd": float(usd), "way": "up" if usd > 0 else "down"}
            for week, usd in zip(self.week_ends, self.weekly_usd, strict=True)
        ]
        layers = [
            layer(
                {"type": "bar", "width": 8},
                "weeks",
                x={"field": "week", "type": "temporal", "title": "Week to",
                   "axis": {"format": "%b %Y"}},
                y=amount("usd", "Profit, $", axis={"format": ",.0f"}),
                color={"field": "way", "type": "nominal", "legend": None,
                       "scale": {"domain": ["up", "down"], "range": [GAIN, LOSS]}},
                tooltip=[{"field": "week", "type": "temporal", "title": "Week to"},
                         amount("usd", "Profit, $", format="+,.0f")],
            )
        ]  # fmt: skip
        values: dict[str, list[dict[str, Any]]] = {"weeks": rows}
        if self.at_risk is not None and self.weeks_ahead == 1:
            loss = self.at_risk.value_at_risk_usd
            values["risk"] = [
                {"usd": -loss, "words": f"{self.confidence:.0%} value at risk: {money(loss)}"}
            ]
            y = amount("usd", "Profit, $")
            layers += [
                layer({"type": "rule", "strokeDash": [6, 4]}, "risk", y=y),
                layer(
                    {"type": "text", "align": "right", "baseline": "top", "dy": 4,
                     "x": "width"},
                    "risk", y=y, text={"field": "words"},
                ),
            ]  # fmt: skip
        return chart(
            "What past weeks would make or lose on today's book",
            values,
            layers,
            subtitle=f"Book of {day(self.on)}; percent changes of weekly quotations and rates, "
            "applied to its marks",
        )


def spread_chart(found: BookRisk) -> Spec:
    """How many past weeks would make or lose how much on today's book."""
    from blend.output.charts import GAIN, LOSS, amount, chart, layer

    edges = _edges_at_zero(found.weekly_usd)
    counts, _ = np.histogram(found.weekly_usd, edges)
    rows = [
        {"from": float(low), "to": float(high), "weeks": int(count),
         "way": "gain" if high > 0 else "loss"}
        for count, low, high in zip(counts, edges, edges[1:], strict=False)
    ]  # fmt: skip
    money_axis = {"format": "$,.0f", "values": edges.tolist()}
    bars = layer(
        {"type": "bar", "binSpacing": 1},
        x=amount("from", "Profit of a week, $", bin="binned", axis=money_axis),
        x2={"field": "to"},
        y=amount("weeks", "Weeks"),
        color={"field": "way", "type": "nominal", "title": None,
               "scale": {"domain": ["gain", "loss"], "range": [GAIN, LOSS]}},
        tooltip=[amount("from", "From, $", format=",.0f"), amount("to", "To, $", format=",.0f"),
                 amount("weeks", "Weeks")],
    )  # fmt: skip
    return chart(
        "What a past week would make or lose on today's book",
        rows,
        [bars],
        subtitle=f"{counted(len(found.week_ends), 'week')} of quotations, book of {day(found.on)}",
        height_px=220,
    )


def _edges_at_zero(profits: Array) -> Array:
    """Edges of bins about as wide as the data ask for, in round dollars, one of them at zero, so
    that no bin holds both gains and losses."""
    first, second, *_ = np.histogram_bin_edges(profits, bins="auto")
    scale = 10.0 ** math.floor(math.log10(second - first))
    width = scale * min(each for each in (1, 2, 5, 10) if each * scale >= second - first)
    low, high = math.floor(profits.min() / width), math.floor(profits.max() / width)
    return width * np.arange(low, high + 2)


def book_risk(
    book: Book | Iterable[Deal],
    quotations: Sequence[Quotation],
    on: date | None = None,
    *,
    confidence: float = 0.95,
    weeks_ahead: int = 1,
    hedge_with: Sequence[str] = (),
    stress: Sequence[StressMove] = (),
    stress_weeks: Sequence[date] = (),
    draws: int = 0,
    joint: Joint = Joint.BOOTSTRAP,
    correlations: Mapping[frozenset[str], float] | None = None,
    seed: int = 0,
    plan: Horizon | None = None,
    work: Work | None = None,
) -> BookRisk:
    """Risk of the book held as it is, from weekly changes of quotations and rates up to `on`.

    `draws` adds joint draws; `correlations` by pairs of names take the place of fitted ones.
    `stress_weeks` are days in past weeks to live through again. With the book's `plan`, it is also
    planned again in each draw, by `work`.
    Raises InputRefused where what is held, or is to hedge, has no history.
    """
    on = on or max(each.quoted_on for each in quotations)
    book = book if isinstance(book, Book) else Book(tuple(book))
    standing = live(book.deals, on)
    units, items = exposed_units(standing, on)
    hedge_with = tuple(dict.fromkeys(hedge_with))
    known = {each.item for each in quotations} | {each.rate for each in book.rates}
    for name in hedge_with:
        if name not in known:
            hint = did_you_mean(name, known) or f"one of {', '.join(sorted(known))}"
            raise refusal(
                "quotations", "item", name, f"an item quoted or a rate of book_rates. {hint}"
            )
    position = _position_units(standing)
    planned = () if plan is None else (*position, *items_priced(plan))
    every = tuple(dict.fromkeys((*units, *planned, *hedge_with)))
    past = past_weeks(quotations, book.rates, every, on)
    ends, changes, now = past.ends, past.array, np.array(past.now)
    count = len(units)
    exposure = Exposure(tuple(units), len(items), np.array(list(units.values())), now[:count])
    own = changes[:, :count]
    profits = own @ exposure.usd
    at_risk, covariance, too_short = None, None, ""
    if not count:
        too_short = "nothing is at price risk"
    else:
        try:
            at_risk = _at_risk(profits, weeks_ahead, confidence, seed)
            covariance = covariance_risk(
                exposure.usd.tolist(), robust_covariance(own).tolist(), confidence, weeks_ahead
            )
        except TooShort as error:
            too_short = str(error).replace("periods", "weeks")
    hedges = hedged = None
    if hedge_with and count:
        places = [every.index(name) for name in hedge_with]
        moved = changes[:, places] * now[places]
        try:
            hedges = hedge(profits.tolist(), moved.T.tolist())
        except (TooShort, NoHedge) as error:
            raise refusal(
                "quotations", "item", ", ".join(hedge_with), f"series that can hedge: {error}"
            ) from error
        if at_risk is not None:
            after = profits - moved @ np.array(hedges.ratio)
            hedged = _at_risk(after, weeks_ahead, confidence, seed)
    stresses, unmoved = _stresses(exposure, profits, ends, stress, stress_weeks)
    drawn = None
    if draws and at_risk is not None:
        names = tuple(dict.fromkeys((*units, *planned)))
        given = None
        if correlations:
            given = partial(with_given, names=names, given=correlations)
        moved = changes[:, : len(names)]
        moves = joint_moves(moved, weeks_ahead, draws, joint, seed=seed, correlated=given)
        held_usd = (moves.factors[:, :count] - 1) @ exposure.usd
        kept = best = None
        if plan is not None:
            factors = dict(zip(names, moves.factors.T, strict=True))
            own_usd = sum(
                (factors[item] - 1) * cwt * now[names.index(item)] for item, cwt in position.items()
            )
            then = on + timedelta(weeks=weeks_ahead)
            firm = frozenset(
                each.quote_id for each in live(book.bids_offers, on) if each.good_until >= then
            )
            kept, best = replanned(plan, factors, firm, work)
            # fewer where the work was stopped
            moves = replace(moves, factors=moves.factors[: len(best)])
            held_usd = held_usd[: len(best)]
            agreed_usd = held_usd - (own_usd[: len(best)] if position else 0.0)
            kept, best = kept + agreed_usd, best + agreed_usd
        drawn = Drawn(
            names, now[: len(names)], moves, weeks_ahead, confidence, held_usd,
            correlations or {}, kept, best,
        )  # fmt: skip
    return BookRisk(
        on, weeks_ahead, confidence, exposure, ends, own, at_risk, too_short,
        covariance, hedge_with if hedges else (), hedges,
        frozenset(each.rate for each in book.rates if each.kind is RateKind.EXCHANGE),
        hedged, stresses, unmoved,
        sum(deal.pounds_lb for deal in standing if deal.is_open_on(on)), drawn,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Exposure:
    """What moves the book: items first, then exchange and freight rates.

    `units` are cwt of an item, of the currency its amount and of a lane its cwt, above zero
    where a rise earns; `values` are their prices today.
    """

    names: tuple[str, ...]
    items: int
    """How many of them are items."""
    units: Array
    values: Array

    @property
    def usd(self) -> Array:
        return self.units * self.values


def exposed_units(deals: Iterable[Deal], on: date) -> tuple[dict[str, float], tuple[str, ...]]:
    """By item and rate, how many units of it the book is long; and which of them are items.

    A deal not priced yet is short, or long, the quotation that will price it.
    """
    items: dict[str, float] = {}
    others: dict[str, float] = {}

    def count(of: dict[str, float], name: str, units: float) -> None:
        of[name] = of.get(name, 0.0) + units

    for deal in deals:
        count(items, deal.item_id, deal.signed_cwt)
        if deal.is_open_on(on):
            count(items, deal.reference, -deal.signed_cwt)
        elif deal.has_open_rate:
            count(others, deal.currency, -deal.signed_cwt * deal.price)
        if deal.freight_lane:
            count(others, deal.freight_lane, -abs(deal.signed_cwt))
    found = {name: units for name, units in sorted(items.items()) if abs(units) > 1e-8}
    long_items = tuple(found)
    found |= {name: units for name, units in sorted(others.items()) if abs(units) > 1e-8}
    return found, long_items


def _position_units(deals: Iterable[Deal]) -> dict[str, float]:
    """Net cwt of each item, whether its price is open or not."""
    found: dict[str, float] = {}
    for deal in deals:
        found[deal.item_id] = found.get(deal.item_id, 0.0) + deal.signed_cwt
    return {item: cwt for item, cwt in sorted(found.items()) if abs(cwt) > 1e-8}


def _at_risk(profits: Array, weeks: int, confidence: float, seed: int) -> AtRisk:
    if weeks == 1:
        return historical_risk(profits.tolist(), confidence, seed=seed)
    return bootstrap_risk(profits.tolist(), weeks, confidence, seed=seed)


def _stresses(
    exposure: Exposure,
    profits: Array,
    ends: Sequence[date],
    moves: Sequence[StressMove],
    weeks: Sequence[date],
) -> tuple[dict[str, float], dict[str, tuple[str, ...]]]:
    """What each stress makes or loses, and what it leaves out."""
    found: dict[str, float] = {}
    if len(profits):
        worst = int(np.argmin(profits))
        found[f"Worst past week, to {day(ends[worst])}"] = float(profits[worst])
    for of in weeks:
        place = next((n for n, end in enumerate(ends) if 0 <= (end - of).days < 7), None)
        if place is None:
            required = "a day of a past week that has all prices and rates"
            hint = f"They end {day(ends[0])} to {day(ends[-1])}." if ends else ""
            raise refusal("quotations", "quoted_on", day(of), required, hint)
        found[f"Week to {day(ends[place])}"] = float(profits[place])
    unmoved = {}
    for name in dict.fromkeys(each.stress for each in moves):
        of_item = {each.item: each for each in moves if each.stress == name}
        found[name] = math.fsum(
            units * of_item[item].change_of(value)
            for item, units, value in zip(
                exposure.names, exposure.units, exposure.values, strict=True
            )
            if item in of_item
        )
        if left := tuple(item for item in exposure.names if item not in of_item):
            unmoved[name] = left
    return found, unmoved
