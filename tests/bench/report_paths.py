"""The reporter's paths: a day's quotations, and why a plan and a market moved."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from importlib.util import find_spec
from random import Random

from blend.domain.case import Case
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.market import CanvassEntry
from blend.domain.selectors import Selector, parse_selector
from blend.reporter.clearing import calibrate, market_put_back, ready, why_market_moved
from blend.reporter.explained import Explained
from blend.reporter.mixed import MARKET_DRIVERS, PLAN_DRIVERS
from blend.reporter.quoting import Heard, quote
from blend.reporter.why import put_back, why_plan_moved
from tests.bench.frames import canvass_frame, quotations
from tests.bench.history import FIRMS, make_history
from tests.bench.instances import make_instance
from tests.bench.markets import make_market, moved_market
from tests.bench.measure import BenchPath, Size, Span, Task, pairs

# Quotations -------------------------------------------------------------------------------------

_WEEKS = 14
_JITTER_USD_PER_CWT = 0.6


def heard_of(copies: int, seed: int = 2) -> Heard:
    """The last day of an invented market heard from so many times as many firms."""
    from blend.tables.method import read_method

    history, random = make_history(seed, weeks=_WEEKS), Random(f"heard {copies} {seed}")
    replaced = {entry.corrects for entry in history.entries}
    day = max(entry.market_day for entry in history.entries)
    method = read_method().method
    by_item: dict[str, list[CanvassEntry]] = defaultdict(list)
    days = set()
    for entry in history.entries:
        age = (day - entry.market_day).days
        if entry.entry_id in replaced or entry.withdrawn or age > method.confidential_days:
            continue
        days.add(entry.market_day)
        for copy in range(copies):
            moved = random.gauss(0.0, _JITTER_USD_PER_CWT) if copy else 0.0
            by_item[entry.item_id].append(
                replace(
                    entry,
                    entry_id=f"{entry.entry_id}-{copy}",
                    source=f"{entry.source} of region {copy}",
                    usd_per_cwt=round(4 * (entry.usd_per_cwt + moved)) / 4,
                )
            )
    return Heard(
        day,
        position=0,
        items={item.item_id: item for item in history.items},
        entries={item_id: tuple(own) for item_id, own in by_item.items()},
        published=(),
        market_days=frozenset(days),
    )


@contextmanager
def _quotation(size: Size) -> Iterator[Task]:
    from blend.tables.method import read_method

    known, method = heard_of(*size.numbers), read_method().method
    every = [entry for own in known.entries.values() for entry in own]

    def ours() -> Mapping[str, Span]:
        numbers: dict[str, Span] = {}
        for item_id in known.items:
            quoted = quote(known, item_id, method)
            # the plain way knows no cap on one company, so prices are compared before it
            assessed = quoted.assessed
            price = assessed.uncapped_usd_per_cwt or assessed.usd_per_cwt
            if price is not None:
                numbers[item_id] = price
            numbers[f"{item_id} may be shown"] = float(quoted.confidentiality.may_be_shown)
        return numbers

    frame = canvass_frame(every)

    def plain() -> Mapping[str, float]:
        found = quotations(frame, known.items, known.day, method)
        numbers = {item_id: price for item_id, (price, _) in found.items()}
        shown = {f"{item_id} may be shown": float(may) for item_id, (_, may) in found.items()}
        return numbers | shown

    yield Task(ours, plain)


# Attribution ------------------------------------------------------------------------------------


def moved_case(case: Case, seed: int = 1) -> Case:
    """The case after a week in which every driver of its cost moved."""
    random = Random(f"moved {seed}")
    return replace(
        case,
        lots=tuple(
            replace(
                lot,
                price_usd_per_lb=round(lot.price_usd_per_lb * random.uniform(0.95, 1.08), 4),
                quantity_lb=round(lot.max_lb * random.uniform(0.85, 1.1)),
            )
            for lot in case.lots
        ),
        products=tuple(
            replace(product, min_lb=1.03 * product.min_lb, max_lb=1.05 * product.max_lb)
            for product in case.products
        ),
        rules=tuple(
            replace(rule, max_share=0.8 * rule.max_share) if rule.rule_id == "imported" else rule
            for rule in case.rules
        ),
    )


def _falling_short(case: Case) -> Case:
    """Orders may fall short at a price, so that every mixture of two cases has a plan."""
    products = tuple(replace(each, shortage_penalty_usd_per_lb=4.0) for each in case.products)
    return replace(case, products=products)


def _case_values(which: str, move: Explained) -> Iterator[tuple[str, float]]:
    """The value before, after, and with each driver alone put back."""
    yield f"{which} before", move.before
    yield f"{which} after", move.after
    for part in move.contributions:
        yield f"{which} after but {part.driver}", part.put_back


def _asked(lots: tuple[Lot, ...]) -> Selector:
    """The item of the largest of the country's own lean lots."""
    own = [lot for lot in lots if lot.origin == DOMESTIC and lot.lean > 0.8]
    return parse_selector(f"item={max(own, key=lambda lot: lot.max_lb).item}")


@contextmanager
def _plan_moved(size: Size) -> Iterator[Task]:
    lots, products, plain_count = size.numbers
    before = _falling_short(make_instance(lots, products, 1))
    after = moved_case(before)
    item = _asked(before.lots)
    mixtures: list[tuple[str, Callable[[], Case]]] = [
        ("after", lambda: after),
        ("before", lambda: before),
        *(
            (f"after but {driver}", lambda driver=driver: put_back(before, after, item, driver))
            for driver in PLAN_DRIVERS
        ),
    ][:plain_count]

    def ours() -> Mapping[str, Span]:
        why = why_plan_moved(before, after, item)
        reference[:] = [why.reference.lot_id]
        numbers: dict[str, Span] = dict(_case_values("cost", why.cost))
        ends = (dict(_case_values("worth", end)) for end in (why.value.next, why.value.last))
        following, last = ends
        return numbers | {name: (following[name], last[name]) for name in following}

    reference: list[str] = []

    def plain() -> Mapping[str, float]:
        numbers = {}
        for name, mixture in mixtures:
            cost, value = _stated(mixture(), reference[0])
            numbers[f"cost {name}"], numbers[f"worth {name}"] = cost, value
        return numbers

    yield Task(ours, plain, len(mixtures) / 2 ** len(PLAN_DRIVERS))


def _stated(case: Case, lot_id: str) -> tuple[float, float]:
    """The cost of a case by PuLP and CBC, and what a pound more of the lot's meat is worth: the
    lot's price less the reduced cost of taking it."""
    import pulp

    from tests.reference import state_model

    model = state_model(case, relax=True)
    model.problem.solve(pulp.PULP_CBC_CMD(msg=False))
    price = case.lot(lot_id).delivered_usd_per_lb
    return model.problem.objective.value(), price - model.take[lot_id].dj


@contextmanager
def _market_moved(size: Size) -> Iterator[Task]:
    before = make_market(*size.numbers)
    item = _asked(before.case.lots)
    after = moved_market(before, item)

    def ours() -> Mapping[str, Span]:
        price = why_market_moved(before, after, item).price
        following, last = (dict(_case_values("price", end)) for end in (price.next, price.last))
        return {name: (following[name], last[name]) for name in following}

    plain = None
    if find_spec("cvxpy") is not None:
        from tests.bench.cones import clearing_usd_per_lb

        def plain() -> Mapping[str, float]:
            calibrated = calibrate(before)
            markets = {"price after": after, "price before": before} | {
                f"price after but {driver}": market_put_back(before, after, item, driver)
                for driver in MARKET_DRIVERS
            }
            prices = {}
            for name, market in markets.items():
                cleared = clearing_usd_per_lb(ready(calibrated, market))
                own = [lot_id for lot_id in cleared if item.holds(before.case.lot(lot_id))]
                prices[name] = sum(cleared[lot_id] for lot_id in own) / len(own)
            return prices

    share = (2 + len(MARKET_DRIVERS)) / 2 ** len(MARKET_DRIVERS)
    yield Task(ours, plain, share)


def _firms(copies: int) -> Size:
    return Size(f"{copies * len(FIRMS)} firms", (copies,), copies)


QUOTATION = BenchPath(
    "quotation",
    "pandas",
    (_firms(1), _firms(3), _firms(9)),
    _firms(1),
    _quotation,
)
PLAN_MOVED = BenchPath(
    "why a plan moved",
    "PuLP and CBC, each mixture stated",
    (pairs(30, 8, 8), pairs(60, 12, 8), pairs(120, 20, 8)),
    pairs(10, 2, 1),
    _plan_moved,
)
MARKET_MOVED = BenchPath(
    "why a market moved",
    "CVXPY and Clarabel, each mixture stated",
    (pairs(10, 4), pairs(30, 8), pairs(90, 16)),
    pairs(6, 2),
    _market_moved,
    agrees_within=1e-5,
)
