"""The plan of a book in each joint draw of prices: kept as it is today, and made again.

Bids and offers that are still good by then keep their price; the others, and the market of an
item, are taken to move by the same percent as its quotation. What was agreed, holding and freezing
cost the same. Of the LP relaxation: loads may be split.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from blend.domain.horizon import Horizon
from blend.model.horizon import HorizonAnswer, solve_horizon
from blend.model.solver import Outcome
from blend.trader.chunks import Work
from blend.trader.risk import Array

COLUMNS = ("plan_kept_usd", "replanned_usd")


@dataclass(frozen=True)
class ReplanJob:
    """A horizon and what each draw multiplies the prices of its items by."""

    horizon: Horizon
    items: tuple[str, ...]
    factors: tuple[tuple[float, ...], ...]
    """(draws, items)."""
    firm: frozenset[str] = frozenset()
    """Ids of bids and offers that keep their price."""


def items_priced(horizon: Horizon) -> tuple[str, ...]:
    """The items quoted whose prices the plan hangs on; a frozen lot moves with its fresh one."""
    found = {_quoted(horizon, price.lot_id) for price in horizon.prices if not price.is_agreed}
    return tuple(sorted(found))


def _quoted(horizon: Horizon, lot_id: str) -> str:
    fresh = horizon.fresh_of.get(lot_id)
    return lot_id if fresh is None else fresh.lot_id


def replanned(
    horizon: Horizon,
    factors: Mapping[str, Array],
    firm: frozenset[str] = frozenset(),
    work: Work | None = None,
) -> tuple[Array, Array]:
    """In each draw, what today's plan then earns and what the best plan then earns, over what
    today's earns today, USD. Fewer draws where the work was stopped."""
    items = items_priced(horizon)
    by_draw = tuple(zip(*(factors[item].tolist() for item in items), strict=True))
    job = ReplanJob(horizon, items, by_draw, firm)
    packed = pickle.dumps(job, protocol=5)
    _, values = (work or Work()).run(run_chunk, job, packed, len(job.factors), COLUMNS)
    return values[:, 0], values[:, 1]


def run_chunk(packed: bytes, start: int, stop: int) -> tuple[list[Outcome], np.ndarray]:
    """Plan draws `start` to `stop` of a packed job; what workers are handed."""
    job, warm = _warm(packed)
    rows = [warm.solve(np.array(job.factors[index])) for index in range(start, stop)]
    return [Outcome.OPTIMAL] * len(rows), np.array(rows)


@lru_cache(maxsize=1)
def _warm(packed: bytes) -> tuple[ReplanJob, _WarmPlan]:
    job: ReplanJob = pickle.loads(packed)
    return job, _WarmPlan(job)


class _WarmPlan:
    """The plan's program, kept in the solver while its prices change."""

    def __init__(self, job: ReplanJob) -> None:
        solved: HorizonAnswer = solve_horizon(job.horizon, divisible=True)
        assert solved.linear is not None and solved.is_found, "the plan of today is there"
        days, names = solved.days, solved.model.names
        blocks = (names["buy"], names["sell"])
        self.columns = np.concatenate([np.arange(each.start, each.stop) for each in blocks])
        offers = [(each.offer_id, each.lot_id) for each in days.offers]
        bids = [(each.price_id, each.lot_id) for each in days.horizon.bids()]
        place = {item: index for index, item in enumerate(job.items)}
        # the last factor is for what keeps its price, as what was agreed does
        self.item = np.array(
            [
                -1 if name in job.firm else place.get(_quoted(job.horizon, lot_id), -1)
                for name, lot_id in (*offers, *bids)
            ],
            int,
        )
        self.linear, self.cost = solved.linear, solved.model.cost
        self.today, self.today_usd = solved.answer.x, -solved.answer.objective

    def solve(self, factors: Array) -> tuple[float, float]:
        cost = self.cost.copy()
        cost[self.columns] *= np.append(factors, 1.0)[self.item]
        self.linear.set_cost(self.columns, cost[self.columns])
        answer = self.linear.solve()
        kept_usd = -float(cost @ self.today)
        return kept_usd - self.today_usd, -answer.objective - self.today_usd
