"""`blend customers`: who should get how many loads of an item, and at what price."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

from blend.domain.case import Case
from blend.domain.customers import CustomerRow
from blend.domain.quotations import Quotation
from blend.errors import did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, cents, counted, day, money, register
from blend.output.frames import DataFrame
from blend.trader.breakeven import whole_takes
from blend.trader.curves import demand_curve
from blend.units import LB_PER_CWT, LB_PER_LOAD

CWT_PER_LOAD = LB_PER_LOAD / LB_PER_CWT
HIGHEST_TO_COST = 2.0
"""Demand is asked about up to this many times the cost; above it, "cannot do without"."""
_MAX_PRICES = 10

register(
    {
        "shown_loads": Format("Loads, one price", "", 0, is_summed=True),
        "shown_delivered_usd_per_cwt": Format("Delivered", "$/cwt", 2),
        "split_loads": Format("Loads, own price", "", 0, is_summed=True),
        "split_delivered_usd_per_cwt": Format("Delivered", "$/cwt", 2),
        "split_over_cost_usd": Format("Over cost", "$", 0, is_summed=True),
        "own_freight_usd_per_cwt": Format("Freight", "$/cwt", 2),
        "load_number": Format("Load", "", 0),
        "worth_delivered_usd_per_cwt": Format("Takes it at or under", "$/cwt", 2),
        "worth_fob_usd_per_cwt": Format("FOB, less freight", "$/cwt", 2),
        "shown_fob_usd_per_cwt": Format("FOB price", "$/cwt", 2),
        "wanted_loads": Format("Loads wanted", "", 0),
        "sold_loads": Format("Sold", "", 0),
        "shown_over_cost_usd": Format("Over cost", "$", 0),
        "best_mark": Format(""),
        "relaxed_lb": Format("If boxes split", "lb", 0),
        "whole_lb": Format("Whole boxes", "lb", 0),
    }
)


@dataclass(frozen=True, slots=True)
class CustomerDemand:
    """What one customer pays for its first, second, ... load: never more for a later one."""

    customer: str
    freight_usd_per_cwt: float
    delivered_usd_per_cwt: tuple[float, ...]
    case: Case | None = None
    """Their day, where they share it."""
    lot_id: str = ""
    days: int = 1
    by_product: bool = False
    """Whether what they make and the day's quotations are all that is known of them."""

    @property
    def fob_usd_per_cwt(self) -> tuple[float, ...]:
        return tuple(each - self.freight_usd_per_cwt for each in self.delivered_usd_per_cwt)

    def loads_at(self, fob_usd_per_cwt: float) -> int:
        """Loads wanted at a price before freight."""
        return sum(each >= fob_usd_per_cwt - 1e-9 for each in self.fob_usd_per_cwt)


@dataclass(frozen=True)
class Customers(Answer):
    """Loads of one item over several customers. Tables: `customers`, `prices`, `loads`, `whole`.

    Prices are the most at which a customer's plan still takes the load: at them it is
    indifferent. With one price all pay the same before freight; with their own, each pays what
    its last load is worth.
    """

    item_id: str
    loads: int
    cost_usd_per_cwt: float
    demands: tuple[CustomerDemand, ...]
    shown_fob_usd_per_cwt: float | None
    shown: Mapping[str, int]
    split: Mapping[str, int]
    whole_lb: Mapping[str, tuple[float, float | None]]
    """By customer with a plan, at the price shown: pounds if boxes could be split, and of the
    plan in whole boxes (None where none was found in time)."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        return {
            "customers": DataFrame([self._customer(each) for each in self.demands]),
            "prices": DataFrame([self._price(price) for price in prices_asked(self.demands)]),
            "loads": DataFrame(
                [
                    {"customer": each.customer, "load_number": number + 1,
                     "worth_delivered_usd_per_cwt": price,
                     "worth_fob_usd_per_cwt": price - each.freight_usd_per_cwt}
                    for each in self.demands
                    for number, price in enumerate(each.delivered_usd_per_cwt)
                ]
            ),
            "whole": DataFrame(
                [
                    {"customer": customer, "relaxed_lb": relaxed, "whole_lb": whole}
                    for customer, (relaxed, whole) in self.whole_lb.items()
                ]
            ),
        }  # fmt: skip

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "item_id": self.item_id,
            "loads": self.loads,
            "cost_usd_per_cwt": self.cost_usd_per_cwt,
            "shown_fob_usd_per_cwt": self.shown_fob_usd_per_cwt,
            "shown_loads": sum(self.shown.values()),
            "shown_over_cost_usd": self.shown_over_cost_usd,
            "split_loads": sum(self.split.values()),
            "split_over_cost_usd": self.split_over_cost_usd,
            "is_lp_relaxation": True,
        }

    @property
    def shown_over_cost_usd(self) -> float:
        price = self.shown_fob_usd_per_cwt
        if price is None:
            return 0.0
        return (price - self.cost_usd_per_cwt) * sum(self.shown.values()) * CWT_PER_LOAD

    @property
    def split_over_cost_usd(self) -> float:
        return math.fsum(
            over_cost_usd(each, self.split[each.customer], self.cost_usd_per_cwt)
            for each in self.demands
        )

    def delivered_usd_per_cwt(self, customer: str) -> float | None:
        """The price to show a customer: the one price and its freight. None: sells nothing."""
        if self.shown_fob_usd_per_cwt is None:
            return None
        return self.shown_fob_usd_per_cwt + self.demand(customer).freight_usd_per_cwt

    def demand(self, customer: str) -> CustomerDemand:
        return next(each for each in self.demands if each.customer == customer)

    def _customer(self, each: CustomerDemand) -> dict[str, Any]:
        shown, split = self.shown[each.customer], self.split[each.customer]
        price = self.delivered_usd_per_cwt(each.customer)
        return {
            "customer": each.customer,
            "own_freight_usd_per_cwt": each.freight_usd_per_cwt,
            "shown_loads": shown,
            "shown_delivered_usd_per_cwt": math.nan if price is None else price,
            "split_loads": split,
            "split_delivered_usd_per_cwt": each.delivered_usd_per_cwt[split - 1]
            if split
            else math.nan,
            "split_over_cost_usd": over_cost_usd(each, split, self.cost_usd_per_cwt),
        }

    def _price(self, fob: float) -> dict[str, Any]:
        wanted = sum(each.loads_at(fob) for each in self.demands)
        sold = min(wanted, self.loads)
        return {
            "shown_fob_usd_per_cwt": fob,
            "wanted_loads": wanted,
            "sold_loads": sold,
            "shown_over_cost_usd": (fob - self.cost_usd_per_cwt) * sold * CWT_PER_LOAD,
            "best_mark": "<- show this" if fob == self.shown_fob_usd_per_cwt else "",
        }

    # Screen

    def screen(self, sections: Collection[str] = ()) -> str:
        every = "all" in sections
        parts = [
            self._head(),
            self._customers_text(),
            self._prices_text(every or "prices" in sections),
        ]
        if self.whole_lb:
            parts.append(
                screen.table(
                    self.tables["whole"],
                    title="Pounds their plan takes at the price shown",
                    note="Whole boxes: what their day in whole boxes and batches takes, times "
                    "their days. Loads above use the first column.",
                )
            )
        if watch := screen.watch(self._warnings()):
            parts.append(watch)
        if every or "every-load" in sections:
            parts.append(screen.table(self.tables["loads"], title="What each load is worth"))
        elif not sections:
            parts.append("More: --every-load, --prices. Chart: --chart FILE")
        return "\n\n".join(parts)

    def _head(self) -> str:
        title = (
            f"{self.item_id}: {counted(self.loads, 'load')} at "
            f"{cents(self.cost_usd_per_cwt)}/cwt, {counted(len(self.demands), 'customer')}"
        )
        if self.shown_fob_usd_per_cwt is None:
            return f"{screen.strong(title)}\n{screen.wrapped('No load sells above cost.')}"
        words = (
            f"Show {cents(self.shown_fob_usd_per_cwt)} FOB: "
            f"{counted(sum(self.shown.values()), 'load')}, {money(self.shown_over_cost_usd)} over "
            f"cost. Priced customer by customer: {counted(sum(self.split.values()), 'load')}, "
            f"{money(self.split_over_cost_usd)}."
        )
        return f"{screen.strong(title)}\n{screen.wrapped(words)}"

    def _customers_text(self) -> str:
        return screen.table(
            self.tables["customers"],
            note="Break-evens of their plans, as if boxes could be split, or what they said: "
            "at these prices they are indifferent, so leave them something.",
        )

    def _prices_text(self, every: bool) -> str:
        frame = self.tables["prices"]
        paying = frame[frame["shown_fob_usd_per_cwt"] > self.cost_usd_per_cwt]
        shown = frame if every else paying.head(_MAX_PRICES)
        note = "" if every or len(shown) == len(paying) else f"{len(paying)} prices above cost."
        return screen.table(shown, title="At one FOB price", note=note)

    def _warnings(self) -> Iterable[str]:
        highest = HIGHEST_TO_COST * self.cost_usd_per_cwt
        for each in self.demands:
            if each.delivered_usd_per_cwt and each.delivered_usd_per_cwt[0] >= highest - 0.01:
                yield (
                    f"{each.customer} takes some at {cents(highest)} too: it cannot do without it, "
                    "or its sheet lacks other offers. Not priced above that."
                )
            if each.by_product:
                yield (
                    f"{each.customer} is priced against quotations of other items at its lean "
                    "only: no losses, rules, stock or freight of its own."
                )
            if not each.delivered_usd_per_cwt:
                yield f"{each.customer} takes no whole load at any price above 0."

    def chart(self) -> Spec:
        from blend.output.charts import ORANGE, amount, chart, layer, name

        ladder = sorted(
            ((price, each.customer) for each in self.demands for price in each.fob_usd_per_cwt),
            key=lambda rung: -rung[0],
        )
        rows = [
            {"load": number + 1, "price": price, "customer": customer}
            for number, (price, customer) in enumerate(ladder)
        ]
        lowest = min([self.cost_usd_per_cwt, *(price for price, _ in ladder)])
        highest = max([self.cost_usd_per_cwt, *(price for price, _ in ladder)])
        ends = [math.floor(lowest) - 2, math.ceil(highest) + 2]
        y = amount("price", "FOB price, $/cwt", scale={"domain": ends})
        x = {"field": "load", "type": "ordinal", "title": "loads wanted at that price or under",
             "axis": {"labelAngle": 0}}  # fmt: skip
        plan_days = {each.case.settings.plan_on for each in self.demands if each.case is not None}
        of_days = f" of {', '.join(map(day, sorted(plan_days)))}" if plan_days else ""
        cost = [{"price": self.cost_usd_per_cwt, "words": f"cost {cents(self.cost_usd_per_cwt)}"}]
        return chart(
            f"What customers would pay for {self.item_id}",
            {"loads": rows, "cost": cost},
            [
                layer({"type": "tick", "thickness": 4, "width": 22}, "loads", x=x, y=y,
                      color=name("customer", "Customer"),
                      tooltip=[name("customer", "Customer"), amount("price", "FOB, $/cwt",
                                                                    format=",.2f")]),
                layer({"type": "rule", "strokeDash": [6, 4], "color": ORANGE}, "cost", y=y),
                layer({"type": "text", "align": "right", "x": "width", "dy": -7}, "cost", y=y,
                      text={"field": "words"}),
            ],
            subtitle=f"Break-evens of their plans{of_days} or what they said, less freight; loads "
            f"of {LB_PER_LOAD:,.0f} lb",
        )  # fmt: skip


@dataclass(frozen=True)
class Market:
    """What else a customer can buy: items of the same species on the day last quoted."""

    item_id: str
    quotations: tuple[Quotation, ...]

    @cached_property
    def own(self) -> Quotation:
        """The item itself. Raises InputRefused where it is not quoted."""
        own = [each for each in self.quotations if each.item == self.item_id]
        if not own:
            required = "an item quoted, for a customer described by its product"
            raise refusal("quotations", "item", self.item_id, required)
        return max(own, key=lambda each: each.quoted_on)

    def steps_of(self, product_lean: float, product_lb: float) -> list[tuple[float, float]]:
        """(price, pounds) of the item in a product that must hit a lean, the rest bought at the
        other items' quotations."""
        others = [
            (each.lean, each.usd_per_lb * LB_PER_CWT)
            for each in self.quotations
            if each.quoted_on == self.own.quoted_on
            and each.species == self.own.species
            and each.item != self.item_id
        ]
        return product_steps(self.own.lean, product_lean, product_lb, others)


def product_steps(
    lean: float, product_lean: float, product_lb: float, others: Iterable[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Prices and pounds at which meat of a lean enters a product, highest price first.

    The rest is the cheapest mix of `others` (lean, $/cwt) that brings the product to its lean: a
    point on the lower convex hull of their prices. As more of the meat goes in, the rest moves
    along the hull; the price is where the segment it is on meets the meat's lean. Empty where
    the others alone cannot make the product.
    """
    hull = _lower_hull(others)
    if not hull or not hull[0][0] <= product_lean <= hull[-1][0]:
        return []
    segments = list(pairwise(hull))
    if math.isclose(lean, product_lean):
        price = min(_at(one, other, lean) for one, other in segments
                    if one[0] <= lean <= other[0])  # fmt: skip
        return [(price, product_lb)]
    is_leaner = lean > product_lean
    found, used = [], 0.0
    for one, other in reversed(segments) if is_leaner else segments:
        end = one[0] if is_leaner else other[0]
        pounds = product_lb * (product_lean - end) / (lean - end) if end != lean else 0.0
        if (end < product_lean) == is_leaner and pounds > used:
            found.append((_at(one, other, lean), pounds - used))
            used = pounds
    return found


def _at(one: tuple[float, float], other: tuple[float, float], lean: float) -> float:
    slope = (other[1] - one[1]) / (other[0] - one[0])
    return one[1] + slope * (lean - one[0])


def _lower_hull(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    cheapest: dict[float, float] = {}
    for lean, price in points:
        cheapest[lean] = min(price, cheapest.get(lean, math.inf))
    hull: list[tuple[float, float]] = []
    for point in sorted(cheapest.items()):
        while len(hull) > 1 and _at(hull[-2], point, hull[-1][0]) <= hull[-1][1]:
            hull.pop()
        hull.append(point)
    return hull


def over_cost_usd(demand: CustomerDemand, loads: int, cost_usd_per_cwt: float) -> float:
    """What so many loads earn above cost where the customer pays what the last one is worth."""
    if not loads:
        return 0.0
    return (demand.fob_usd_per_cwt[loads - 1] - cost_usd_per_cwt) * loads * CWT_PER_LOAD


def prices_asked(demands: Iterable[CustomerDemand]) -> list[float]:
    """Prices before freight at which the loads wanted change, highest first."""
    return sorted({price for each in demands for price in each.fob_usd_per_cwt}, reverse=True)


def customers(
    rows: Sequence[CustomerRow],
    item_id: str,
    loads: int,
    cost_usd_per_cwt: float,
    case_of: Callable[[str], Case],
    *,
    quotations: Sequence[Quotation] = (),
    whole: bool = True,
) -> Customers:
    """The best one price, and the best split at prices of their own, for loads of an item.

    `case_of` reads a plan folder; `quotations` price what a customer described by its product
    would use instead. `whole` also looks for the customers' plans in whole boxes at
    the price shown, ten seconds each at most. Raises InputRefused for an item nobody takes.
    """
    demands = customer_demands(rows, item_id, cost_usd_per_cwt, case_of, quotations)
    shown_price = best_price(demands, loads, cost_usd_per_cwt)
    shown = {each.customer: 0 for each in demands}
    if shown_price is not None:
        shown = at_one_price(demands, loads, shown_price)
    split = best_split(demands, loads, cost_usd_per_cwt)
    both = {}
    if whole and shown_price is not None:
        both = {
            each.customer: _relaxed_and_whole(each, shown_price + each.freight_usd_per_cwt)
            for each in demands
            if each.case is not None and each.delivered_usd_per_cwt
        }
    return Customers(item_id, loads, cost_usd_per_cwt, demands, shown_price, shown, split, both)


def customer_demands(
    rows: Sequence[CustomerRow],
    item_id: str,
    cost_usd_per_cwt: float,
    case_of: Callable[[str], Case],
    quotations: Sequence[Quotation] = (),
) -> tuple[CustomerDemand, ...]:
    """What each customer pays for an item, at most a few times its cost. Raises InputRefused for
    an item nobody takes."""
    own = [each for each in rows if each.item_id == item_id]
    if not own:
        known = sorted({each.item_id for each in rows})
        required = f"an item of customers: {', '.join(known)}"
        raise refusal("customers", "item_id", item_id, required, did_you_mean(item_id, known))
    by_name: dict[str, list[CustomerRow]] = {}
    for row in own:
        by_name.setdefault(row.customer, []).append(row)
    highest = HIGHEST_TO_COST * cost_usd_per_cwt
    market = Market(item_id, tuple(quotations))
    return tuple(_demand(name, of, case_of, market, highest) for name, of in by_name.items())


def _demand(
    name: str,
    rows: Sequence[CustomerRow],
    case_of: Callable[[str], Case],
    market: Market,
    highest: float,
) -> CustomerDemand:
    first = rows[0]
    most = max(row.max_loads for row in rows)
    if not first.plan_folder:
        steps = [
            step
            for row in rows
            for step in (
                [(row.pays_usd_per_cwt or 0.0, row.takes_lb or 0.0)]
                if row.makes_lean is None
                else market.steps_of(row.makes_lean, row.makes_lb or 0.0)
            )
        ]
        prices = _load_prices(_summed(steps), most)
        by_product = any(row.makes_lean is not None for row in rows)
        return CustomerDemand(name, first.freight_usd_per_cwt, prices, by_product=by_product)
    case = case_of(first.plan_folder)
    available = most * LB_PER_LOAD / first.days
    curve = demand_curve(
        case, first.lot_id, available_lb=available, max_usd_per_lb=highest / LB_PER_CWT
    )
    steps = [
        (step.max_usd_per_lb * LB_PER_CWT, step.pounds_lb * first.days)
        for step in reversed(curve.steps)
    ]
    return CustomerDemand(
        name, first.freight_usd_per_cwt, _load_prices(steps, most), case, first.lot_id, first.days
    )


def _summed(steps: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Pounds taken at each price, where pounds at a higher price are taken at a lower one too."""
    found: list[tuple[float, float]] = []
    for price, pounds in sorted(steps, reverse=True):
        found.append((price, pounds + (found[-1][1] if found else 0.0)))
    return found


def _load_prices(steps: Sequence[tuple[float, float]], most: int) -> tuple[float, ...]:
    """The highest price in whole cents for the first, second, ... load, from (price, pounds) with
    the highest price first."""
    found = []
    for number in range(1, most + 1):
        price = next((at for at, lb in steps if lb >= number * LB_PER_LOAD - 1), None)
        if price is None or price <= 0:
            break
        found.append(math.floor(price * 100 + 1e-6) / 100)
    return tuple(found)


def best_price(
    demands: Sequence[CustomerDemand], loads: int, cost_usd_per_cwt: float
) -> float | None:
    """The one price before freight that earns most above cost; None where none earns anything."""

    def earns(price: float) -> float:
        sold = min(loads, sum(each.loads_at(price) for each in demands))
        return (price - cost_usd_per_cwt) * sold

    best = max(prices_asked(demands), key=earns, default=None)
    return None if best is None or earns(best) <= 0 else best


def at_one_price(demands: Sequence[CustomerDemand], loads: int, price: float) -> dict[str, int]:
    """Loads of each customer at one price; where too few, those who value them most get them."""
    rungs = sorted(
        (
            (-fob, place)
            for place, each in enumerate(demands)
            for fob in each.fob_usd_per_cwt
            if fob >= price - 1e-9
        )
    )
    found = {each.customer: 0 for each in demands}
    for _, place in rungs[:loads]:
        found[demands[place].customer] += 1
    return found


def best_split(
    demands: Sequence[CustomerDemand], loads: int, cost_usd_per_cwt: float
) -> dict[str, int]:
    """Loads of each customer that earn most where each has its own price (exact: all splits
    are compared, customer after customer)."""
    best: list[tuple[float, tuple[int, ...]]] = [(0.0, ())] * (loads + 1)
    for each in demands:
        earns = [
            over_cost_usd(each, number, cost_usd_per_cwt)
            for number in range(min(loads, len(each.delivered_usd_per_cwt)) + 1)
        ]
        best = [
            max(
                (
                    (best[left - number][0] + usd, (*best[left - number][1], number))
                    for number, usd in enumerate(earns)
                    if number <= left
                ),
                key=lambda found: found[0],
            )
            for left in range(loads + 1)
        ]
    return dict(zip((each.customer for each in demands), best[loads][1], strict=True))


def _relaxed_and_whole(
    demand: CustomerDemand, delivered_usd_per_cwt: float
) -> tuple[float, float | None]:
    """Pounds of all their days at a price: boxes split, and in whole boxes."""
    assert demand.case is not None
    case, price = demand.case, delivered_usd_per_cwt / LB_PER_CWT
    most = len(demand.delivered_usd_per_cwt) * LB_PER_LOAD / demand.days
    lot = replace(
        case.lot(demand.lot_id),
        price_usd_per_lb=price,
        price_basis="delivered",
        quantity_lb=most,
        min_purchase_lb=0.0,
    )
    lots = tuple(lot if each.lot_id == demand.lot_id else each for each in case.lots)
    asked = replace(case, lots=lots)
    curve = demand_curve(asked, demand.lot_id, max_usd_per_lb=2 * price)
    takes = whole_takes(asked)
    whole = None if takes is None else takes.get(demand.lot_id, 0.0) * demand.days
    return curve.pounds_at(price)[1] * demand.days, whole
