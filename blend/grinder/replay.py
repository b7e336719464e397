"""Past days planned again: what the plan would have saved against what was ground.

Each day is planned from its own sheet of that morning, for the pounds that were made, and what was
ground is costed from the same sheet, so the plan uses nothing that was learned later. A saving is a
claim about those sheets, not about cash: prices paid, lean tested and meat that never came are
not in them. Days are planned one by one, each from the stock that the plant really had.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import Any

from blend.domain.case import Case
from blend.domain.ground import GroundLine
from blend.grinder.compare import Comparison, compare, hand_made
from blend.grinder.plan import make_plan
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import Format, counted, day, money, percent, printable, register
from blend.output.frames import DataFrame, frame

register(
    {
        "ground_usd": Format("Ground", "$", 0, is_summed=True),
        "day_plan_usd": Format("Plan", "$", 0, is_summed=True),
        "plan_saves_usd": Format("Plan saves", "$", 0, is_summed=True, is_signed=True),
        "for_less_lean_usd": Format("By less lean", "$", 0, is_summed=True, is_signed=True),
        "by_meat_usd": Format("By other meat", "$", 0, is_summed=True, is_signed=True),
        "limits_broken": Format("Limits broken", "", 0),
    }
)
_MAX_LISTED, _MAX_DAYS = 4, 25


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A day that could not be compared, and why."""

    folder: str
    why: str


@dataclass(frozen=True)
class Replay(Answer):
    """Past days, each with what was ground next to its plan."""

    days: tuple[tuple[date, Comparison], ...]
    left_out: tuple[LeftOut, ...] = ()

    @cached_property
    def by_day(self) -> DataFrame:
        """One row a day: cost of what was ground and of the plan, the saving, and how much of it
        is less lean and how much other meat."""
        rows = []
        for on, each in self.days:
            plan_usd, less_lean = each.plan.money.total_usd, each.more_lean_usd or 0.0
            rows.append(
                (on, each.mine.money.total_usd, plan_usd, each.over_usd, less_lean,
                 each.over_usd - less_lean, len(each.mine.broken))
            )  # fmt: skip
        return frame(
            ("day", "ground_usd", "day_plan_usd", "plan_saves_usd", "for_less_lean_usd",
             "by_meat_usd", "limits_broken"),
            rows,
        )  # fmt: skip

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        left = [(each.folder, each.why) for each in self.left_out]
        return {"days": self.by_day, "left_out": frame(("folder", "why"), left)}

    @property
    def figures(self) -> Mapping[str, Any]:
        days = self.by_day
        kept = days[days["limits_broken"] == 0]
        return {
            "days": len(days),
            "days_left_out": len(self.left_out),
            "days_that_broke_limits": len(days) - len(kept),
            "ground_usd": float(days["ground_usd"].sum()),
            "plan_usd": float(days["day_plan_usd"].sum()),
            "saves_usd": float(days["plan_saves_usd"].sum()),
            "saves_on_days_that_kept_limits_usd": float(kept["plan_saves_usd"].sum()),
            "by_meat_on_days_that_kept_limits_usd": float(kept["by_meat_usd"].sum()),
        }

    @property
    def headline(self) -> str:
        figures = self.figures
        if not figures["days"]:
            return "No day could be compared."
        saves, kept = figures["saves_usd"], figures["saves_on_days_that_kept_limits_usd"]
        broke = figures["days_that_broke_limits"]
        share = percent(saves / figures["ground_usd"], max_decimals=1) if saves else "0%"
        words = (
            f"Over {counted(figures['days'], 'day')} the plans cost {money(figures['plan_usd'])},"
            f" {money(saves)} ({share}) less than what was ground, for the same pounds."
        )
        if broke:
            words += (
                f" On {counted(broke, 'day')} what was ground broke a limit, so the costs are"
                f" not of the same thing."
            )
            if broke < figures["days"]:
                words += f" On the others the plans save {money(kept)}."
        if broke == figures["days"]:
            return words
        by_meat = figures["by_meat_on_days_that_kept_limits_usd"]
        return f"{words} About {money(by_meat)} of that is other meat at the same lean."

    def screen(self, sections: Collection[str] = ()) -> str:
        shown, note = self.by_day, ""
        if len(shown) > _MAX_DAYS:
            shown = shown.nlargest(_MAX_DAYS, "plan_saves_usd", keep="all").sort_values("day")
            note = f"The {len(shown)} days with the largest saving; --csv has all."
        return "\n\n".join(
            filter(
                None,
                (
                    screen.wrapped(self.headline),
                    screen.table(shown, title="By day", note=note),
                    screen.wrapped(_HINDSIGHT),
                    screen.watch(self._watch()),
                ),
            )
        )

    def _watch(self) -> Iterator[str]:
        for each in self.left_out[:_MAX_LISTED]:
            yield f"Left out: {printable(each.folder)}: {printable(each.why)}"
        if (more := len(self.left_out) - _MAX_LISTED) > 0:
            yield f"{counted(more, 'more day')} left out: --csv with --table left_out."
        for on, comparison in self.days:
            if comparison.plan.stopped_early:
                yield f"{day(on)}: the search was stopped early; its plan may save more."


_HINDSIGHT = (
    "Plans use only each morning's sheet, and what was ground is costed from the same sheet, stock"
    " at what it was worth if kept. What came later (prices paid, lean tested, meat that did not"
    " arrive) is on neither side. Each day starts from the stock that was there, so meat a plan"
    " would have kept is not used again. By less lean is as if combos could be split: the plan"
    " sits closer to the lean floor than you did, which is a saving only if stated lean is right."
)


def planned_again(case: Case, lines: Iterable[GroundLine]) -> tuple[date, Comparison]:
    """A past day next to its plan for the pounds that were made."""
    lines = tuple(lines)
    case = _as_made(case, lines)
    return case.settings.plan_on, compare(case, lines, make_plan(case, shadow_prices=False))


def _as_made(case: Case, lines: Iterable[GroundLine]) -> Case:
    """The case with what was made as its orders, so that both cost the same pounds."""
    made_lb = {run.product_id: run.batches * run.finished_lb for run in hand_made(case, lines).runs}
    products = tuple(
        replace(
            product,
            min_lb=math.floor(made_lb.get(product.product_id, 0.0)),
            max_lb=math.ceil(made_lb.get(product.product_id, 0.0)),
        )
        for product in case.products
    )
    return replace(case, products=products)
