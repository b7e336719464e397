"""An invented market: weeks of daily canvass around a market whose true causes are known.

Each week's availability and orders clear a market of blends; its prices, spread over the days
of the week and blurred by item, firm and entry, are what the canvass hears. Two causes are
planted: imported lean runs short for `SHORT_WEEKS` and comes back, and all the while firms talk
of heavy demand, which orders do not show. An explanation should find the first, size it within
its error, and not find the second. Firms, prices and pounds are invented.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random

from blend.domain.case import Case, Settings
from blend.domain.clearing import Demand, DemandCurve, Market
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.market import CanvassEntry, EntryKind, Item, Volume
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.model.market import clear
from blend.reporter.market_on_day import AVAILABILITY, ORDERS
from blend.units import LB_PER_CWT
from tests.bench.markets import ground_beef

FIRST_MONDAY = date(2025, 9, 29)
WEEKS = 60
SHORT_WEEKS = frozenset({55, 56, 57})
"""Weeks, counted from nought, in which imported lean is short: from 19 October 2026."""
SHORT_SHARE = 0.12
"""Of the imports, what does not come in those weeks."""
_LEAN_USD_PER_LB, _FAT_USD_PER_LB = 4.02, -2.26
_DEARER_A_WEEK = 0.001
"""Share by which buyers pay more for everything from week to week; no series shows it."""
_FLOOR_USD_PER_LB = 0.30
_MAX_FROZEN_SHARE = 0.40
VOLUME_ERROR_SHARE = 0.005
"""How far a reported volume lies off the true one, one standard deviation."""


@dataclass(frozen=True, slots=True)
class _Kind:
    """An item of it, as it is in a plain week."""

    item_id: str
    name: str
    lean: float
    weekly_lb: float
    premium_usd_per_cwt: float
    """Over what its lean and fat are worth."""
    firms: int
    """Firms that report it on most days."""
    origin: str = DOMESTIC

    @property
    def fresh_or_frozen(self) -> str:
        return "fresh" if self.origin == DOMESTIC else "frozen"


_OVERSEAS = "imported"
_KINDS = (
    _Kind("50s", "Beef trimmings, 50% lean", 0.50, 500_000, 2.0, 10),
    _Kind("65s", "Beef trimmings, 65% lean", 0.65, 300_000, -1.0, 4),
    _Kind("73s", "Beef trimmings, 73% lean", 0.73, 160_000, -2.0, 4),
    _Kind("75s", "Beef trimmings, 75% lean", 0.75, 200_000, -1.0, 4),
    _Kind("81s", "Beef trimmings, 81% lean", 0.81, 260_000, -6.0, 5),
    _Kind("85s", "Boneless beef, 85% lean", 0.85, 240_000, -1.0, 6),
    _Kind("90s", "Boneless beef, 90% lean", 0.90, 360_000, 1.5, 10),
    _Kind("93s", "Boneless beef, 93% lean", 0.93, 115_000, 3.0, 4),
    _Kind("85 CL", "Imported beef, 85% lean", 0.85, 180_000, -14.0, 4, _OVERSEAS),
    _Kind("90 CL", "Imported beef, 90% lean", 0.90, 260_000, -16.0, 9, _OVERSEAS),
    _Kind("95 CL", "Imported beef, 95% lean", 0.95, 80_000, -15.0, 4, _OVERSEAS),
)
_PRODUCTS = (
    # product, name, target lean share, finished pounds a week, elasticity
    ("GB70", "Ground beef 70/30", 0.70, 845_000, -2.2),
    ("GB73", "Ground beef 73/27", 0.73, 745_000, -1.4),
    ("GB80", "Ground beef 80/20", 0.80, 632_000, -1.2),
    ("GB85", "Ground beef 85/15", 0.85, 250_000, -1.1),
    ("GB90", "Ground beef 90/10", 0.905, 120_000, -1.0),
    ("GB93", "Ground beef 93/7", 0.93, 62_000, -1.0),
)
_Firm = tuple[str, str]
"""Its name and what it is."""

FIRMS: tuple[_Firm, ...] = (
    *((f"packer {number}", "packer") for number in range(1, 6)),
    *((f"grinder {number}", "grinder") for number in range(1, 6)),
    *((f"trader {number}", "trader") for number in range(1, 3)),
    *((f"importer {number}", "importer") for number in range(1, 4)),
)
_SIDE_OF = {
    "packer": EntryKind.OFFER,
    "importer": EntryKind.OFFER,
    "grinder": EntryKind.BID,
}
"""What firms ask that quote; traders quote either side."""
_MANY_FIRMS = 9
_CLOSED = frozenset(
    {
        date(2025, 11, 27),
        date(2025, 12, 25),
        date(2026, 1, 1),
        date(2026, 5, 25),
        date(2026, 7, 3),
        date(2026, 9, 7),
    }
)
"""Days on which nothing is heard: United States federal holidays on which plants stand still."""
_HEARD_SHARE = (0.4, 0.75, 1.0, 1.0, 1.0)
"""How much of a week's move prices have made on each of its days."""


@dataclass(frozen=True, slots=True)
class History:
    """What a store holds after some weeks, and the market that it was made from.

    `true_lb` has the pounds behind the volumes by week, item and product; `true_usd_per_cwt`
    the price behind the canvass by week and item.
    """

    items: tuple[Item, ...]
    entries: tuple[CanvassEntry, ...]
    volumes: tuple[Volume, ...]
    market: Market
    """Of the last plain week, for what the volumes do not show: blends, rules, elasticities."""
    true_lb: tuple[Mapping[str, float], ...]
    true_usd_per_cwt: tuple[Mapping[str, float], ...]


def make_history(seed: int = 2, *, weeks: int = WEEKS) -> History:
    """The market's history; the same arguments give the same history."""
    # each has its chances to itself, so that a change of one leaves the others as they were
    chance = {what: Random(f"desk {seed} {what}") for what in ("weeks", "counts", "canvass")}
    true_volumes = list(_true_weeks(chance["weeks"], weeks))
    prices = [
        _clearing_usd_per_cwt(pounds, (1 + _DEARER_A_WEEK) ** (week - weeks))
        for week, pounds in enumerate(true_volumes)
    ]
    return History(
        items=market_items(),
        entries=tuple(_canvass(chance["canvass"], prices)),
        volumes=tuple(_reported(chance["counts"], true_volumes)),
        market=make_plain_market(),
        true_lb=tuple(true_volumes),
        true_usd_per_cwt=tuple(prices),
    )


def market_items() -> tuple[Item, ...]:
    return tuple(map(_item_of, _KINDS))


def _item_of(kind: _Kind) -> Item:
    return Item(
        kind.item_id,
        kind.name,
        "beef",
        kind.lean,
        kind.fresh_or_frozen,
        kind.origin,
        tick_usd_per_cwt=0.25 if kind.fresh_or_frozen == "fresh" else 0.5,
    )


# The market --------------------------------------------------------------------------------------


def _plain_case(available_lb: Mapping[str, float]) -> Case:
    lots = tuple(
        Lot(
            lot_id=kind.item_id,
            item=kind.item_id,
            species="beef",
            lean=kind.lean,
            price_usd_per_lb=round(
                _plain_usd_per_lb(kind.lean) + kind.premium_usd_per_cwt / LB_PER_CWT, 4
            ),
            quantity_lb=available_lb[kind.item_id],
            fresh_or_frozen=kind.fresh_or_frozen,
            origin=kind.origin,
            salvage_value_usd_per_lb=_FLOOR_USD_PER_LB,
        )
        for kind in _KINDS
    )
    products = tuple(
        ground_beef(product_id, name, lean) for product_id, name, lean, *_ in _PRODUCTS
    )
    frozen = Rule(
        "FROZEN",
        RuleKind.SHARE,
        lots=parse_selector("fresh_or_frozen=frozen"),
        max_share=_MAX_FROZEN_SHARE,
        note="an invented limit",
    )
    return Case(
        Settings(plan_on=FIRST_MONDAY, plant="an invented market"), lots, products, (frozen,)
    )


def make_plain_market() -> Market:
    """A plain week, for what volumes do not show: blends, rules, elasticities."""
    demands = tuple(
        Demand(product_id, volume_lb, elasticity)
        for product_id, _, _, volume_lb, elasticity in _PRODUCTS
    )
    return Market(_plain_case({kind.item_id: kind.weekly_lb for kind in _KINDS}), demands)


def _plain_usd_per_lb(lean: float) -> float:
    return lean * _LEAN_USD_PER_LB + (1 - lean) * _FAT_USD_PER_LB


_Week = Mapping[str, float]
"""Pounds by item available and by product ordered."""


def _true_weeks(draw: Random, weeks: int) -> Iterator[_Week]:
    """Seasons and chance move what there is; orders stand still but for chance."""
    drift = {kind.item_id: 0.0 for kind in _KINDS}
    for week in range(weeks):
        season = math.sin(2 * math.pi * (week - 6) / 52)
        pounds = {}
        for kind in _KINDS:
            drift[kind.item_id] = 0.8 * drift[kind.item_id] + draw.gauss(0, 0.003)
            # cows come to market in autumn, fat cattle in summer
            swing = 0.008 * season if kind.lean > 0.8 else -0.006 * season
            there = kind.weekly_lb * (1 + swing + drift[kind.item_id])
            if kind.origin != DOMESTIC and week in SHORT_WEEKS:
                there *= 1 - SHORT_SHARE
            pounds[kind.item_id] = there
        for product_id, _, _, volume_lb, _ in _PRODUCTS:
            pounds[product_id] = volume_lb * (1 + draw.gauss(0, 0.002))
        yield pounds


def _clearing_usd_per_cwt(week: _Week, price_level: float) -> dict[str, float]:
    curves = [
        DemandCurve(product_id, week[product_id], price_level * _plain_usd_per_lb(lean), elasticity)
        for product_id, _, lean, _, elasticity in _PRODUCTS
    ]
    premiums = {kind.item_id: kind.premium_usd_per_cwt / LB_PER_CWT for kind in _KINDS}
    cleared = clear(
        _plain_case(week), curves, {item_id: -premium for item_id, premium in premiums.items()}
    )
    return {
        item.lot_id: LB_PER_CWT * (item.next_usd_per_lb + item.last_usd_per_lb) / 2
        for item in cleared.items
    }


# What is reported --------------------------------------------------------------------------------


def week_end(week: int) -> date:
    """The Friday of a week."""
    return FIRST_MONDAY + timedelta(weeks=week, days=4)


def _reported(draw: Random, weeks: list[_Week]) -> Iterator[Volume]:
    """Volumes as counted, not as they were; and series that no price hangs on here."""
    for week, pounds in enumerate(weeks):
        day = week_end(week)

        def counted(value: float) -> float:
            return float(round(value * (1 + draw.gauss(0, VOLUME_ERROR_SHARE)), -2))

        for kind in _KINDS:
            value = counted(pounds[kind.item_id])
            yield Volume(AVAILABILITY, day, value, "lb", kind.item_id, kind.origin)
        for product_id, *_ in _PRODUCTS:
            yield Volume(f"{ORDERS} {product_id}", day, counted(pounds[product_id]), "lb")
        cows = 620 * pounds["90s"] / 360_000
        yield Volume("slaughter cows", day, float(round(cows * draw.gauss(1, 0.01))), "head")
        fed = 4_100 * pounds["50s"] / 500_000
        yield Volume("slaughter fed cattle", day, float(round(fed * draw.gauss(1, 0.01))), "head")
        stock = 2_400_000 * (1 + 0.05 * math.sin(2 * math.pi * (week - 20) / 52))
        yield Volume("cold storage", day, counted(stock), "lb", is_level=True)


def _canvass(draw: Random, weekly: list[dict[str, float]]) -> Iterator[CanvassEntry]:
    firm_bias = {name: draw.gauss(0, 0.7) for name, _ in FIRMS}
    reporting_firms = {kind.item_id: _reporting_firms(draw, kind) for kind in _KINDS}
    item_drift = {kind.item_id: 0.0 for kind in _KINDS}
    for week, prices in enumerate(weekly):
        before = weekly[max(0, week - 1)]
        for weekday, share in enumerate(_HEARD_SHARE):
            day = FIRST_MONDAY + timedelta(weeks=week, days=weekday)
            if day in _CLOSED:
                continue
            level = {}
            for kind in _KINDS:
                name = kind.item_id
                item_drift[name] = 0.9 * item_drift[name] + draw.gauss(0, 0.35)
                level[name] = before[name] + share * (prices[name] - before[name])
                level[name] += item_drift[name]
            heard = _heard(draw, day, level, reporting_firms, firm_bias)
            if week in SHORT_WEEKS:
                heard.append(_talk_of_demand(draw, heard))
            yield from _corrected(draw, _numbered(day, heard))


def _reporting_firms(draw: Random, kind: _Kind) -> list[_Firm]:
    """Firms that speak of an item: packers of the country's, importers of their own."""
    left_out = "importer" if kind.origin == DOMESTIC else "packer"
    firms = [firm for firm in FIRMS if firm[1] != left_out]
    return draw.sample(firms, kind.firms)


def _heard(
    draw: Random,
    day: date,
    level: Mapping[str, float],
    reporting_firms: Mapping[str, list[_Firm]],
    firm_bias: Mapping[str, float],
) -> list[CanvassEntry]:
    """What is heard of every item on a day: a firm may trade, and bid or offer too."""
    heard = []
    for kind in _KINDS:
        trades, quotes = (0.8, 0.35) if kind.firms >= _MANY_FIRMS else (0.68, 0.12)
        for firm in reporting_firms[kind.item_id]:
            price = level[kind.item_id] + firm_bias[firm[0]]
            if draw.random() < trades:
                what = EntryKind.OTHER if draw.random() < 0.03 else EntryKind.TRADE
                heard.append(_entry(draw, day, kind, firm, what, price))
            if draw.random() < quotes:
                what = _SIDE_OF.get(firm[1]) or draw.choice((EntryKind.BID, EntryKind.OFFER))
                heard.append(_entry(draw, day, kind, firm, what, price))
    return heard


def _talk_of_demand(draw: Random, heard: list[CanvassEntry]) -> CanvassEntry:
    of_lean = [entry for entry in heard if entry.item_id == "90s"]
    return replace(
        draw.choice(of_lean),
        kind=EntryKind.OTHER,
        pounds_lb=None,
        is_firm=False,
        between_affiliates=False,
        note=draw.choice(("says demand is heavy", "talks of strong orders")),
    )


def _numbered(day: date, heard: list[CanvassEntry]) -> list[CanvassEntry]:
    """In the order of the clock."""
    return [
        replace(entry, entry_id=f"{day:%Y%m%d}-{number:02d}")
        for number, entry in enumerate(sorted(heard, key=lambda each: each.heard_at), start=1)
    ]


def _entry(
    draw: Random, day: date, kind: _Kind, firm: _Firm, what: EntryKind, level: float
) -> CanvassEntry:
    source, source_class = firm
    apart = {EntryKind.BID: -1.6, EntryKind.OFFER: 1.6}.get(what, 0.0)
    price = level + apart + draw.gauss(0, 1.1)
    if draw.random() < 0.004:
        price *= draw.choice((0.9, 1.1))  # a mark for the robust methods to find
    is_priced = what in (EntryKind.TRADE, EntryKind.BID, EntryKind.OFFER)
    entry = CanvassEntry(
        entry_id="",
        heard_at=datetime.combine(day, time(draw.randint(8, 14), draw.randint(0, 59))),
        market_day=day,
        kind=what,
        item_id=kind.item_id,
        usd_per_cwt=_to_tick(price, 0.25),
        pounds_lb=2_000.0 * draw.randint(6, 40) if is_priced else None,
        source=source,
        source_class=source_class,
        is_firm=what is EntryKind.TRADE or (is_priced and draw.random() < 0.85),
        between_affiliates=what is EntryKind.TRADE and draw.random() < 0.03,
    )
    if draw.random() < 0.06:
        freight = float(draw.randint(4, 9))
        entry = replace(
            entry,
            basis="delivered",
            freight_usd_per_cwt=freight,
            usd_per_cwt=entry.usd_per_cwt + freight,
        )
    return entry


def _to_tick(price: float, tick: float) -> float:
    return max(tick, tick * math.floor(price / tick + 0.5))


def _corrected(draw: Random, heard: list[CanvassEntry]) -> Iterator[CanvassEntry]:
    """Now and then an entry is written down ten dollars off and put right after it."""
    for entry in heard:
        if draw.random() >= 0.003:
            yield entry
            continue
        yield replace(entry, usd_per_cwt=entry.usd_per_cwt + 10.0)
        yield replace(
            entry, entry_id=f"{entry.entry_id}c", corrects=entry.entry_id, note="price put right"
        )


def write_history(history: History, folder: str | Path) -> tuple[Path, ...]:
    """Write the tables into a folder, and into `market` in it what they leave out.

    Return the files written. Raise FileTrouble, where one of them is there already.
    """
    from blend.tables import history as tables
    from blend.tables.clearing import write_market

    folder = Path(folder)
    written = tables.write_history(folder, history.items, history.entries, history.volumes)
    return (*written, *write_market(history.market, folder / "market"))
