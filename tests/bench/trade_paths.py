"""The trader's paths: several days, a break-even curve, and scenarios in one place or many."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from importlib.util import find_spec

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.scenarios import Change, Distribution, ScenarioField, ScenarioRow
from blend.domain.selectors import parse_selector
from blend.grinder.plan_days import plan_days
from blend.trader.book_day import book_day
from blend.trader.curves import demand_curve
from blend.trader.opening import open_case
from blend.trader.scenarios import ScenarioJob, run_scenarios
from tests.bench.horizons import make_horizon, min_cost_stated
from tests.bench.instances import make_instance
from tests.bench.measure import BenchPath, Size, Span, Task, pairs
from tests.reference import solve_reference
from tests.trader.sweep import changed_case
from tests.trader.test_book_sixty_days import DAYS, World, fifo_by_units, frame_of, priced

# Several days -----------------------------------------------------------------------------------


def _days(lots: int, products: int, days: int) -> Size:
    numbers = lots, products, days
    return Size(f"{lots} × {products}, {days} days", numbers, lots * products * days)


@contextmanager
def _positions(size: Size) -> Iterator[Task]:
    horizon = make_horizon(*size.numbers)

    def ours() -> Mapping[str, float]:
        plan = plan_days(horizon, divisible=True, shadow_prices=False)
        return {"cost": plan.bound.objective_usd}

    yield Task(ours, lambda: {"cost": min_cost_stated(horizon)})


# A book of deals --------------------------------------------------------------------------------


@contextmanager
def _book(size: Size) -> Iterator[Task]:
    """Its positions and profit of the last day by item, first in first out; ours explains the
    move from the day before too."""
    (deals,) = size.numbers
    world = World(1, deals)
    book, quotations, day = world.book, world.quotations, DAYS[-1]

    def ours() -> Mapping[str, float]:
        held = book_day(book, quotations, day).held.values()
        return _by_item((each.item_id, each.cost_usd, each.total_usd) for each in held)

    def plain() -> Mapping[str, float]:
        shown = priced(world, frame_of(world), day)
        return _by_item(
            (item, fifo_by_units(own)[1], own.worth.sum()) for item, own in shown.groupby("item_id")
        )

    yield Task(ours, plain)


def _by_item(rows: Iterable[tuple[str, float, float]]) -> dict[str, float]:
    return {
        f"{item} {what}": usd
        for item, *both in rows
        for what, usd in zip(("cost", "profit"), both, strict=True)
    }


def _deals(deals: int) -> Size:
    return Size(f"{deals:,} deals", (deals,), deals)


# A break-even curve ------------------------------------------------------------------------------

_PRICES = 1_000


@contextmanager
def _demand(size: Size) -> Iterator[Task]:
    lots, products, sample = size.numbers
    case = make_instance(lots, products, 1)
    lot = max_taken(case)
    maximum = 1.25 * lot.delivered_usd_per_lb
    prices = [maximum * (index + 0.5) / _PRICES for index in range(_PRICES)]

    def ours() -> Mapping[str, Span]:
        curve = demand_curve(case, lot.lot_id)
        return {f"{price:.6f}": curve.pounds_at(price) for price in prices}

    def plain() -> Mapping[str, float]:
        return {
            f"{price:.6f}": pounds_by_cbc(case, lot.lot_id, price)
            for price in spread_over(prices, sample)
        }

    yield Task(ours, plain, sample / _PRICES)


def max_taken(case: Case) -> Lot:
    opened = open_case(case)
    model = opened.linear.model
    return model.sets.lots[int(opened.answer.x[model.take].argmax())]


def spread_over(prices: list[float], count: int) -> list[float]:
    """`count` of the prices, evenly spread."""
    step = len(prices) / min(count, len(prices))
    return [prices[math.floor((index + 0.5) * step)] for index in range(min(count, len(prices)))]


def pounds_by_cbc(case: Case, lot_id: str, usd_per_lb: float) -> float:
    """Pounds taken at a delivered price, by plain PuLP with CBC."""
    lots = tuple(
        replace(lot, price_usd_per_lb=usd_per_lb, price_basis="delivered")
        if lot.lot_id == lot_id
        else lot
        for lot in case.lots
    )
    return solve_reference(replace(case, lots=lots), relax=True, solver="cbc").take_lb[lot_id]


# Scenarios --------------------------------------------------------------------------------------

_DRAWS = 400
_WORKERS = 2


def make_job(lots: int, products: int, draws: int = _DRAWS) -> ScenarioJob:
    """Draws of the prices of lean and of fat, of what there is and of the orders."""
    case = make_instance(lots, products, 1)

    def drawn(row_id: str, field: ScenarioField, **more) -> ScenarioRow:
        return ScenarioRow(row_id, field, Change.MULTIPLY, 1.0, **more)

    rows = (
        drawn(
            "lean",
            ScenarioField.PRICE,
            lots=parse_selector("lean>=0.8"),
            distribution=Distribution.LOGNORMAL,
            sd=0.05,
        ),
        drawn(
            "fat",
            ScenarioField.PRICE,
            lots=parse_selector("lean<0.8"),
            distribution=Distribution.LOGNORMAL,
            sd=0.08,
            correlated_with="lean",
            correlation=-0.6,
        ),
        drawn(
            "supply",
            ScenarioField.QUANTITY,
            distribution=Distribution.TRIANGULAR,
            minimum=0.95,
            maximum=1.2,
        ),
        drawn(
            "orders",
            ScenarioField.ORDER,
            products=tuple(product.product_id for product in case.products),
            distribution=Distribution.NORMAL,
            sd=0.03,
            minimum=0.0,
        ),
    )
    return ScenarioJob(case, rows, draws, seed=1)


@contextmanager
def _cluster() -> Iterator[str]:
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=_WORKERS, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as cluster:
        yield cluster.scheduler_address


def _scenarios(
    workers: int, cluster: Callable[[], AbstractContextManager[str | None]] = nullcontext
) -> Callable[[Size], AbstractContextManager[Task]]:
    @contextmanager
    def make(size: Size) -> Iterator[Task]:
        lots, products, draws, sample = size.numbers
        job = make_job(lots, products, draws)

        with cluster() as scheduler:

            def ours() -> Mapping[str, float]:
                results = run_scenarios(job, workers=workers, scheduler=scheduler)
                costs = results.column("objective_usd").tolist()
                return {str(index): cost for index, cost in enumerate(costs)}

            def plain() -> Mapping[str, float]:
                return {
                    str(index): solve_reference(
                        changed_case(job.case, job.changes(index)), relax=True
                    ).objective_usd
                    for index in range(1, 1 + sample)
                }

            alone = workers == 1 and scheduler is None
            yield Task(ours, plain, sample / len(job), solver_is_here=alone)

    return make


def _draws(lots: int, products: int, draws: int, sample: int) -> Size:
    words = f"{lots} × {products}, {draws:,} draws"
    return Size(words, (lots, products, draws, sample), lots * products)


_SIZES = (_draws(30, 8, _DRAWS, 6), _draws(60, 12, _DRAWS, 4), _draws(120, 20, _DRAWS, 2))
_WARM_UP = _draws(10, 2, 4, 1)

POSITIONS = BenchPath(
    "several days",
    "PuLP and CBC",
    (_days(20, 5, 5), _days(50, 8, 5), _days(100, 15, 5)),
    _days(8, 2, 2),
    _positions,
)
BOOK = BenchPath("marking a book", "pandas", (_deals(1_000), _deals(10_000)), _deals(100), _book)
DEMAND = BenchPath(
    "break-even curve",
    "PuLP and CBC at each price",
    (pairs(30, 8, 6), pairs(120, 20, 4), pairs(300, 30, 3)),
    pairs(10, 2, 1),
    _demand,
)
ONE_PROCESS = BenchPath(
    "scenarios (1 process)", "PuLP and CBC for each", _SIZES, _WARM_UP, _scenarios(1)
)
TWO_PROCESSES = BenchPath(
    "scenarios (2 processes)", "PuLP and CBC for each", _SIZES, _WARM_UP, _scenarios(_WORKERS)
)
CLUSTER = BenchPath(
    "scenarios (Dask, 2)", "PuLP and CBC for each", _SIZES, _WARM_UP, _scenarios(1, _cluster)
)
HAS_CLUSTER = find_spec("distributed") is not None
