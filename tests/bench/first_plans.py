"""How often a first plan is there in the time allowed, over seeded cases that have one, and how
close it comes."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from statistics import median

import pandas

from blend.domain.case import Case
from blend.domain.rules import WholeContainers
from blend.model.solve import solve_linear
from blend.model.whole import plan_whole
from blend.reading import read_ready_case
from tests.bench.instances import make_instance

DEMO = Path(__file__).parents[2] / "demo_data"
GAP_SHARE = 0.001


def demo_of(lots: int, seed: int) -> Case:
    """The demo's products and rules, with more lots like its own at other leans and prices. What is
    a plan of the demo is one of this case too."""
    case, random = read_ready_case(DEMO).case, Random(f"{lots} {seed}")
    more = []
    for number in range(lots - len(case.lots)):
        like = case.lots[number % len(case.lots)]
        lean = round(min(0.99, max(0.02, like.lean + random.gauss(0, 0.006))), 4)
        usd_per_lb = like.price_usd_per_lb * random.gauss(1, 0.03) + 3 * (lean - like.lean)
        more.append(
            replace(
                like,
                lot_id=f"{like.lot_id}.{number}",
                lean=lean,
                price_usd_per_lb=round(max(0.05, usd_per_lb), 4),
            )
        )
    return replace(case, lots=(*case.lots, *more))


def invented(lots: int, products: int) -> Callable[[int], Case]:
    def make(seed: int) -> Case:
        kind = "tight" if seed % 2 else "plain"
        return make_instance(lots, products, seed, kind, whole=WholeContainers.TAKEN)

    return make


@dataclass(frozen=True)
class Group:
    """Cases of one size, and the seconds that each is given."""

    name: str
    cases: int
    time_limit_s: float
    make: Callable[[int], Case]


GROUPS = (
    Group("15 x 4", 60, 5.0, invented(15, 4)),
    Group("30 x 8", 60, 10.0, invented(30, 8)),
    Group("100 x 20", 30, 25.0, invented(100, 20)),
    Group("demo's rules, 100 lots", 20, 25.0, lambda seed: demo_of(100, seed)),
    Group("demo's rules, 600 lots", 20, 25.0, lambda seed: demo_of(600, seed)),
    Group("demo's rules, 5,000 lots", 10, 60.0, lambda seed: demo_of(5_000, seed)),
)
NOTE = (
    "Cases that have a plan by construction. Gap: of the plan before rounding, in percent. Time "
    "limits are by the clock, so a busy machine shows less than it could."
)


def table(quick: bool) -> pandas.DataFrame:
    """By size: how many cases have a plan in time, their gaps and the processor's seconds."""
    return pandas.DataFrame([_row(group, quick) for group in GROUPS])


def _row(group: Group, quick: bool) -> dict[str, object]:
    count = max(1, group.cases // 10) if quick else group.cases
    ends = list(_ends(group, count))
    gaps = [gap for gap, _ in ends if gap is not None]
    return {
        "size": group.name,
        "limit_s": group.time_limit_s,
        "cases": count,
        "with_plan": len(gaps),
        "median_gap_%": round(100 * median(gaps), 2) if gaps else None,
        "worst_gap_%": round(100 * max(gaps), 2) if gaps else None,
        "median_cpu_s": round(median(seconds for _, seconds in ends), 1),
    }


def _ends(group: Group, count: int) -> Iterator[tuple[float | None, float]]:
    for seed in range(1, count + 1):
        case = group.make(seed)
        settings = replace(case.settings, time_limit_s=group.time_limit_s, gap_share=GAP_SHARE)
        case = replace(case, settings=settings)
        began = time.process_time()
        found = plan_whole(case, solve_linear(case))
        gap = None
        if found.exact is not None:
            gap = (found.objective_usd - found.bound_usd) / max(1.0, abs(found.objective_usd))
        yield gap, time.process_time() - began
