"""Plans in whole pounds against PuLP with CBC, on ten invented cases of each size.

The same deliverable of both: whole containers, whole pounds of each ingredient a batch, every limit
kept, to the same gap. PuLP states it in one program, with the usual number of batches, which it may
not choose: whole pounds times a number of batches to be chosen is not linear. CBC seldom ends in
time; its time is then the limit, and the ratio at least what is shown. For comparison, CBC also
plans without whole pounds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from statistics import median
from time import perf_counter

import pandas

from blend.domain.case import Case
from blend.domain.rules import WholeContainers
from blend.grinder.plan import make_plan
from blend.model.round_plan import batch_count
from blend.model.solve import solve_linear
from tests.bench.instances import make_instance
from tests.reference import solve_problem, state_model

SIZES = ((15, 4), (30, 8), (100, 20))
GAP_SHARE, CBC_LIMIT_S, OUR_LIMIT_S = 5e-4, 10.0, 60.0
NOTE = (
    "Medians of the cases; times faster: the median of each case's ratio. Ours is timed to the "
    "printed plan, checked, in whole pounds. CBC in whole pounds stops after "
    f"{CBC_LIMIT_S:.0f} s: 'in time' counts where it reached the gap before."
)


def table(quick: bool) -> pandas.DataFrame:
    return pandas.DataFrame([_row(*size, 3 if quick else 10) for size in SIZES])


def _row(lots: int, products: int, cases: int) -> dict[str, object]:
    runs = pandas.DataFrame(_runs(lots, products, cases))
    return {
        "size": f"{lots} x {products}",
        "cases": cases,
        "ours_s": round(median(runs.ours_s), 2),
        "worst_gap_%": round(100 * max(runs.gap_share), 3),
        "cbc_s": round(median(runs.cbc_s), 2),
        "cbc_in_time": int(runs.is_in_time.sum()),
        "times_faster": round(median(runs.cbc_s / runs.ours_s), 1),
        "cbc_no_pounds_s": round(median(runs.no_pounds_s), 2),
        "times_no_pounds": round(median(runs.no_pounds_s / runs.ours_s), 2),
    }


def _runs(lots: int, products: int, cases: int) -> Iterator[dict[str, float]]:
    make_plan(_case(lots, products, 1), shadow_prices=False)  # so that no case pays for imports
    for seed in range(1, cases + 1):
        case = _case(lots, products, seed)
        ours_s, plan = _timed(lambda case=case: make_plan(case, shadow_prices=False))
        no_pounds_s, _ = _timed(lambda case=case: _by_cbc(case, OUR_LIMIT_S, in_pounds=False))
        cbc_s, status = _timed(lambda case=case: _by_cbc(case, CBC_LIMIT_S, in_pounds=True))
        yield {
            "ours_s": ours_s,
            "gap_share": plan.certificate.bound.gap_share,
            "no_pounds_s": no_pounds_s,
            "cbc_s": cbc_s,
            "is_in_time": status == "optimal",
        }


def _case(lots: int, products: int, seed: int) -> Case:
    case = make_instance(lots, products, seed, whole=WholeContainers.TAKEN)
    settings = replace(case.settings, gap_share=GAP_SHARE, time_limit_s=OUR_LIMIT_S)
    return replace(case, settings=settings)


def _by_cbc(case: Case, time_limit_s: float, *, in_pounds: bool) -> str:
    model = state_model(case)
    if in_pounds:
        linear = solve_linear(case)
        made_lb = linear.answer.x[linear.model.names["finished"]]
        for product, lb in zip(case.products, made_lb.tolist(), strict=True):
            count = batch_count(product, lb) if lb > 0 else 0
            for _, use in model.uses(product, 1):
                model.state(use == count * model.whole_number())
    return solve_problem(model.problem, "cbc", GAP_SHARE, time_limit_s)[0]


def _timed(run: Callable[[], object]) -> tuple[float, object]:
    began = perf_counter()
    made = run()
    return perf_counter() - began, made
