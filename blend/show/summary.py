"""A plan in one line."""

from __future__ import annotations

from math import ceil

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.show.amounts import count_of, number_words, percent, pounds

_LEAST_TOLD_SHARE = 0.0001
"""The gap is told in hundredths of a per cent, rounded up, and never as none."""


def summary_line(case: Case, plan: Plan) -> str:
    """What is made, at which cost of meat, and how surely no plan costs less."""
    gap_share = max(1, ceil(plan.proof.bound.gap_share / _LEAST_TOLD_SHARE)) * _LEAST_TOLD_SHARE
    stopped = "stopped early, " if plan.stopped_early else ""
    proved = f"{stopped}proved within {percent(gap_share)} of the best"
    cost = plan.money.usd_per_finished_lb
    if cost is None:
        made = "nothing is made"
    else:
        batches = count_of(sum(run.batches for run in plan.runs), "batch", "batches")
        products = count_of(len({run.product_id for run in plan.runs}), "product")
        per_lb = number_words(cost, least_decimals=4, most_decimals=4)
        made = (
            f"{pounds(plan.money.finished_lb)} in {batches} of {products}, {per_lb} USD/lb of meat"
        )
    return f"Plan for {case.settings.plan_on.isoformat()}: {made}; {proved}."
