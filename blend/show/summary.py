"""A plan in one line."""

from __future__ import annotations

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.show.amounts import count_of, number_words, pounds
from blend.show.gap import plan_gap_words, rounding_short_words


def summary_line(case: Case, plan: Plan) -> str:
    """What the day costs, how much cheaper a plan can be, what is short, and what is made."""
    cost = plan.money.usd_per_finished_lb
    if cost is None:
        made = "nothing is made"
    else:
        batches = count_of(sum(run.batches for run in plan.runs), "batch", "batches")
        products = count_of(len({run.product_id for run in plan.runs}), "product")
        per_lb = number_words(cost, min_decimals=4, max_decimals=4)
        made = (
            f"{pounds(plan.money.finished_lb)} in {batches} of {products}, {per_lb} USD/lb of meat"
        )
    sentences = (
        plan_gap_words(plan),
        "The search stopped early." if plan.stopped_early else "",
        rounding_short_words(plan),
        f"Plan for {case.settings.plan_on.isoformat()}: {made}.",
    )
    return " ".join(filter(None, sentences))
