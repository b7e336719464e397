"""Histories of known truth: what was planted in two weeks of a market, and what is found.

The true market is not the one that explains: all lean is one good and all fat another; demand has
constant elasticity; true elasticities are off the stated ones by up to six tenths together and
four tenths each, a quarter and 15% as a rule; pounds are counted with errors of heavy tails;
demand drifts unseen; quotations are made by the method from a canvass with company differences,
thin days and late entries at the old price.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta

import numpy as np
import pandas

from blend.domain.clearing import Market
from blend.domain.lots import DOMESTIC
from blend.domain.market import CanvassEntry, EntryKind
from blend.domain.method import Method
from blend.reporter.clearing import MarketWhy
from blend.reporter.draws import priors_of
from blend.reporter.headline import Gate, headline_of
from blend.reporter.market_on_day import QuotedPrice, why_item_moved
from blend.reporter.mixed import MARKET_DRIVERS, Driver
from blend.reporter.quotation import assess
from blend.reporter.split import shapley
from blend.units import LB_PER_CWT
from tests.bench.history import FIRST_MONDAY, make_plain_market, market_items

BEFORE, AFTER = FIRST_MONDAY, FIRST_MONDAY + timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Plant:
    """What is planted: factors of imports' pounds, of the 50s', of orders, and a change of the lean
    points GB80 must have. `is_told`: whether the tables know of the last."""

    name: str
    imports: float = 1.0
    fifties: float = 1.0
    orders: float = 1.0
    gb80_points: float = 0.0
    is_told: bool = True
    gives_ground: bool = False
    """Pounds ground are entered as orders."""
    item_id: str = "90s"
    driver: Driver | None = None
    """The one that pushed the price most."""


PLANTS = (
    Plant("nothing"),
    Plant("imports down 8%", imports=0.92, driver=Driver.IMPORTED_SUPPLY),
    Plant("imports up 8%", imports=1.08, driver=Driver.IMPORTED_SUPPLY),
    Plant("50s up 8%", fifties=1.08, item_id="50s", driver=Driver.OWN_SUPPLY),
    Plant("imports down 8%, orders down 2%", 0.92, orders=0.98, driver=Driver.IMPORTED_SUPPLY),
    Plant("80/20 one point leaner", gb80_points=1.0, driver=Driver.RULES),
    Plant("80/20 one point leaner, not in the tables", gb80_points=1.0, is_told=False),
    Plant(
        "imports down 8%, pounds ground given as orders",
        0.92,
        gives_ground=True,
        driver=Driver.IMPORTED_SUPPLY,
    ),
)


class _Truth:
    """The true market: prices of lean and fat at which what is wanted is what there is."""

    def __init__(self, market: Market, draw: np.random.Generator) -> None:
        self.lots = market.case.lots
        self.lot_lean = np.array([lot.lean for lot in self.lots])
        self.product_ids = [each.product_id for each in market.demands]
        self.product_lean = np.array(
            [market.case.product(name).target_lean for name in self.product_ids]
        )
        stated = np.array([each.elasticity for each in market.demands])
        apart = draw.triangular(-0.37, 0, 0.37, len(stated))
        self.elasticity = stated * np.exp(draw.triangular(-0.6, 0, 0.6) + apart)
        self.lean_and_fat = np.array([4.02, -2.26])
        self.wanted_lb = np.array([each.volume_lb for each in market.demands])
        self.premium = (
            np.array([lot.delivered_usd_per_lb for lot in self.lots])
            - _split(self.lot_lean) @ self.lean_and_fat
        )

    def price(
        self, pounds_lb: np.ndarray, orders: np.ndarray, gb80_points: float, level: float = 1.0
    ) -> np.ndarray:
        """What every lot costs, USD per lb; `level` is what buyers pay more for everything."""
        return self._cleared(pounds_lb, orders, gb80_points, level)[0]

    def ground_lb(self, pounds_lb: np.ndarray, orders: np.ndarray, gb80_points: float):
        return self._cleared(pounds_lb, orders, gb80_points, 1.0)[1]

    def _cleared(self, pounds_lb, orders, gb80_points, level) -> tuple[np.ndarray, np.ndarray]:
        lean = self.product_lean + np.where(
            np.array(self.product_ids) == "GB80", gb80_points / 100, 0
        )
        base = _split(self.product_lean) @ self.lean_and_fat * level
        made, supply = _split(lean), _split(self.lot_lean).T @ pounds_lb
        worth = self.lean_and_fat.copy()
        for _ in range(60):
            share = np.maximum(made @ worth, 0.05 * base) / base
            lb = self.wanted_lb * orders * share**self.elasticity
            slope = lb * self.elasticity / (share * base)
            gap = supply - made.T @ lb
            step = np.linalg.solve(made.T @ (slope[:, None] * made), gap)
            worth = worth + 0.7 * step
        return _split(self.lot_lean) @ worth + self.premium, lb


def _split(lean: np.ndarray) -> np.ndarray:
    return np.stack([lean, 1 - lean], axis=1)


@dataclass(frozen=True)
class Found:
    """One history: the true part of each driver, USD per lb, and what was found."""

    plant: Plant
    true: Mapping[Driver, float]
    why: MarketWhy

    @property
    def gate(self) -> Gate:
        return headline_of(self.why.price).gate

    @property
    def names_it(self) -> bool:
        """The planted driver with its sign, in the headline."""
        driver = headline_of(self.why.price).driver
        planted = self.plant.driver
        return (
            driver is not None
            and planted is driver.driver
            and np.sign(driver.amount) == np.sign(self.true[planted])
        )

    @property
    def held(self) -> dict[Driver, bool]:
        """By driver whose part has an interval, whether it holds the true part."""
        return {
            each.driver: each.low <= self.true[each.driver] <= each.high
            for each in self.why.price.next.contributions
            if each.low is not None and each.low < each.high
        }


def history(plant: Plant, seed: int, method: Method) -> Found:
    """Two weeks with something planted, quoted and explained."""
    draw = np.random.default_rng([seed, PLANTS.index(plant)])
    plain = make_plain_market()
    truth = _Truth(plain, draw)
    lots = plain.case.lots
    usual = np.array([lot.max_lb for lot in lots])
    # the pounds that the stated demand takes at the plain prices, then ordinary weeks
    usual = usual * _balance(truth, usual)
    weeks = [usual * np.exp(draw.normal(0, 0.004, len(lots))) for _ in range(2)]
    factor = np.array([
        plant.imports if lot.origin != DOMESTIC else plant.fifties if lot.lot_id == "50s" else 1.0
        for lot in lots
    ])  # fmt: skip
    weeks[1] = weeks[0] * factor * np.exp(draw.normal(0, 0.004, len(lots)))
    count = len(truth.product_ids)
    orders_now = plant.orders * np.exp(draw.normal(0, 0.003, count))
    shift = np.stack([np.ones(count), orders_now])
    points = (0.0, plant.gb80_points)
    true = _true_parts(truth, lots, weeks, shift, points, plant)
    drift = (1.0, float(np.exp(draw.normal(0, 0.002))))
    prices = [truth.price(weeks[i], shift[i], points[i], drift[i]) for i in (0, 1)]
    ground = [truth.ground_lb(weeks[i], shift[i], points[i]) for i in (0, 1)]
    orders = [ground[0], ground[1] if plant.gives_ground else ground[0] * shift[1]]
    quoted = _quoted(draw, prices, method)
    markets = [
        _reported(plain, day, draw, weeks[i], orders[i], quoted[i],
                  points[i] if plant.is_told else 0.0)
        for i, day in enumerate((BEFORE, AFTER))
    ]  # fmt: skip
    pair = tuple(each[plant.item_id] for each in quoted)
    why = why_item_moved(*markets, plant.item_id, pair, priors=priors_of(method))
    return Found(plant, true, why)


def _balance(truth: _Truth, usual: np.ndarray) -> float:
    return float(truth.wanted_lb.sum() / usual.sum())


def _true_parts(truth, lots, weeks, shift, points, plant: Plant) -> dict[Driver, float]:
    own = next(index for index, lot in enumerate(lots) if lot.lot_id == plant.item_id)
    driver_of = [
        Driver.OWN_SUPPLY if index == own
        else Driver.FRESH_SUPPLY if lot.origin == DOMESTIC else Driver.IMPORTED_SUPPLY
        for index, lot in enumerate(lots)
    ]  # fmt: skip

    def value(moved: frozenset[Driver]) -> float:
        side = [int(driver in moved) for driver in driver_of]
        pounds = np.where(side, weeks[1], weeks[0])
        orders = shift[int(Driver.ORDERS in moved)]
        return float(truth.price(pounds, orders, points[int(Driver.RULES in moved)])[own])

    return shapley(value, MARKET_DRIVERS)


def _quoted(
    draw: np.random.Generator, prices: Iterable[np.ndarray], method: Method
) -> list[dict[str, QuotedPrice]]:
    """By week, quotations made of what some companies say; a few say the old price, late."""
    found: list[dict[str, QuotedPrice]] = []
    bias = draw.laplace(0, 0.6, 12)
    old: list[float] = []
    for day, usd_per_lb in zip((BEFORE, AFTER), prices, strict=True):
        quoted = {}
        for index, item in enumerate(market_items()):
            usd = usd_per_lb[index] * LB_PER_CWT
            many = 9 if item.item_id in ("50s", "90s") else 5
            count = 4 if draw.random() < 0.15 else many
            entries = [
                _entry(item.item_id, day, company, usd + bias[company] + draw.standard_t(4))
                for company in draw.choice(12, count, replace=False)
            ]
            if old and draw.random() < 0.3:
                late = _entry(item.item_id, day, 99, old[index])
                entries.append(replace(late, heard_at=late.heard_at + timedelta(days=3)))
            made = assess(item, day, entries, method)
            quoted[item.item_id] = QuotedPrice(
                made.usd_per_cwt or usd, made.standard_error_usd_per_cwt
            )
        old = list(usd_per_lb * LB_PER_CWT)
        found.append(quoted)
    return found


def _entry(item_id, day, company, usd) -> CanvassEntry:
    return CanvassEntry(
        f"{item_id} {company}", datetime.combine(day, time(12)), day, EntryKind.TRADE, item_id,
        max(5.0, round(usd * 4) / 4), 40_000.0, f"company {company}", "packer",
    )  # fmt: skip


def _reported(plain, day, draw, pounds, orders, quoted, points) -> Market:
    """The tables of a week: pounds and orders as counted, quotations, and rules as known."""

    def counted(lb: float) -> float:
        return float(lb * (1 + 0.0075 * draw.standard_t(5)))

    lots = tuple(
        replace(lot, quantity_lb=counted(lb),
                price_usd_per_lb=quoted[lot.lot_id].usd_per_cwt / LB_PER_CWT)
        for lot, lb in zip(plain.case.lots, pounds, strict=True)
    )  # fmt: skip
    products = tuple(
        replace(each, target_lean=each.target_lean + points / 100)
        if each.product_id == "GB80" else each
        for each in plain.case.products
    )  # fmt: skip
    demands = tuple(
        replace(each, volume_lb=counted(lb)) for each, lb in zip(plain.demands, orders, strict=True)
    )
    settings = replace(plain.case.settings, plan_on=day)
    return Market(replace(plain.case, settings=settings, lots=lots, products=products), demands)


def planted_table(method: Method, histories: int) -> pandas.DataFrame:
    """By what was planted: how often it is named in the headline, how often no cause is, and how
    often the 90% intervals hold the true parts, in percent."""
    rows = []
    for plant in PLANTS:
        found = [history(plant, seed, method) for seed in range(histories)]
        gates = [each.gate for each in found]
        rows.append(
            {
                "planted": plant.name,
                "histories": histories,
                "named %": None if plant.driver is None else _percent(f.names_it for f in found),
                "another named %": _percent(
                    gate is Gate.PASSED and not each.names_it
                    for gate, each in zip(gates, found, strict=True)
                ),
                "did not move %": _percent(gate is Gate.DID_NOT_MOVE for gate in gates),
                "not explained %": _percent(
                    gate in (Gate.NOT_EXPLAINED, Gate.NO_DRIVER) for gate in gates
                ),
                "orders are ground %": _percent(g is Gate.ORDERS_ARE_GROUND for g in gates),
                "no error given %": _percent(gate is Gate.NO_ERROR_GIVEN for gate in gates),
                "interval holds %": _percent(h for each in found for h in each.held.values()),
                **{
                    f"of {driver} %": _percent(
                        each.held[driver] for each in found if driver in each.held
                    )
                    for driver in MARKET_DRIVERS
                },
            }
        )
    return pandas.DataFrame(rows)


def _percent(hits: Iterable[bool]) -> float | None:
    every = list(hits)
    return round(100 * sum(every) / len(every), 1) if every else None


NOTE = (
    "Named: the planted driver, with its sign, in the headline. Interval: of each driver's part, "
    "90 of 100 cases, against its part in the true market."
)
