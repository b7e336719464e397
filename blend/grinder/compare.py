"""A recipe made by hand next to the plan of the same sheet: what each costs, where the difference
comes from, and which limits the recipe breaks.

Both are costed from the same tables: prices, stock at what it is worth if kept, whole containers
where the settings ask for them. The difference is split by lot and product and adds up to the cent.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from blend.check.check import check_plan, count_money
from blend.domain.case import Case
from blend.domain.ground import GroundLine
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Check, Ingredient, Money, Plan, Take, Verdict
from blend.domain.plan_pounds import taken
from blend.domain.rules import kept_per_lb
from blend.model.round_plan import batch_count
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import Format, counted, money, printable, register, value
from blend.output.frames import DataFrame, frame
from blend.phrases import requirement_words
from blend.units import LB_PER_CWT

register(
    {
        "mine_lb": Format("Yours", "lb", 0, is_summed=True),
        "planned_use_lb": Format("Plan", "lb", 0, is_summed=True),
        "mine_usd": Format("Yours", "$", 0, is_summed=True),
        "plan_usd": Format("Plan", "$", 0, is_summed=True),
        "over_plan_usd": Format("Over plan", "$", 0, is_summed=True, is_signed=True),
        "mine_made_lb": Format("Yours", "lb", 0),
        "plan_made_lb": Format("Plan", "lb", 0),
        "mine_lean_percent": Format("Yours", "%", 2),
        "plan_lean_percent": Format("Plan", "%", 2),
    }
)
_MAX_LINES, _CENT = 14, 0.005


@dataclass(frozen=True, slots=True)
class HandMade:
    """A recipe as a plan: what is taken and made, its money and its checks."""

    takes: tuple[Take, ...]
    runs: tuple[BatchRun, ...]
    shortage_lb: Mapping[str, float]
    money: Money
    checks: tuple[Check, ...]

    @property
    def broken(self) -> list[Check]:
        return [each for each in self.checks if each.verdict is Verdict.BROKEN]


def hand_made(case: Case, lines: Iterable[GroundLine]) -> HandMade:
    """The recipe costed and checked like a plan: batches alike, containers opened whole."""
    by_product: dict[str, list[GroundLine]] = defaultdict(list)
    used_lb: dict[str, float] = defaultdict(float)
    for line in lines:
        by_product[line.product_id].append(line)
        used_lb[line.lot_id] += line.pounds_lb
    runs = tuple(_run(case, product_id, own) for product_id, own in sorted(by_product.items()))
    takes = tuple(
        taken(case, case.lot(lot_id), lb) for lot_id, lb in sorted(used_lb.items()) if lb > 0
    )
    made_lb = {run.product_id: run.batches * run.finished_lb for run in runs}
    shortage_lb = {
        product.product_id: max(0.0, product.min_lb - made_lb.get(product.product_id, 0.0))
        for product in case.products
        if product.shortage_penalty_usd_per_lb is not None
    }
    parts = (case, takes, runs, shortage_lb)
    return HandMade(takes, runs, shortage_lb, count_money(*parts), check_plan(*parts))


def _run(case: Case, product_id: str, lines: list[GroundLine]) -> BatchRun:
    product = case.product(product_id)
    lean_lb = fat_lb = 0.0
    for line in lines:
        lean, fat = kept_per_lb(case.lot(line.lot_id), product, case.losses)
        lean_lb += lean * line.pounds_lb
        fat_lb += fat * line.pounds_lb
    finished_lb = lean_lb + fat_lb
    batches = lines[0].batches or batch_count(product, finished_lb)
    ingredients = tuple(
        Ingredient(line.lot_id, line.pounds_lb / batches)
        for line in sorted(lines, key=lambda line: line.lot_id)
    )
    return BatchRun(product_id, batches, ingredients, finished_lb / batches, lean_lb / finished_lb)


@dataclass(frozen=True)
class Comparison(Answer):
    """A recipe next to the plan. `more_lean_usd` is what holding the recipe's lean would cost the
    plan, in the LP relaxation; None where nothing can be made so lean."""

    case: Case
    mine: HandMade
    plan: Plan
    more_lean_usd: float | None

    @property
    def over_usd(self) -> float:
        return self.mine.money.total_usd - self.plan.money.total_usd

    @cached_property
    def differences(self) -> DataFrame:
        """What each lot, and each product's sales and shortages, cost in the recipe and in the
        plan; the differences add up to that of the totals."""
        rows = []
        takes = [{take.lot_id: take for take in each.takes} for each in (self.mine, self.plan)]
        for lot in self.case.lots:
            mine, planned = (each.get(lot.lot_id) for each in takes)
            if mine is not None or planned is not None:
                costs = [_lot_usd(lot, each) for each in (mine, planned)]
                pounds = [0.0 if each is None else each.used_lb for each in (mine, planned)]
                rows.append((f"{lot.lot_id} {lot.item}", "lot", lot.lot_id, *pounds, *costs))
        for product in self.case.products:
            made = [_made_lb(each.runs, product.product_id) for each in (self.mine, self.plan)]
            sales = [-lb * product.sale_usd_per_lb for lb in made]
            penalty = product.shortage_penalty_usd_per_lb or 0.0
            short = [
                each.shortage_lb.get(product.product_id, 0.0) * penalty
                for each in (self.mine, self.plan)
            ]
            for what, kind, usd in (("sales", "sales", sales), ("short of order", "short", short)):
                if any(abs(each) >= _CENT for each in usd):
                    name = f"{product.name}, {what}"
                    rows.append((name, kind, product.product_id, math.nan, math.nan, *usd))
        found = frame(
            ("cost_of", "kind", "id", "mine_lb", "planned_use_lb", "mine_usd", "plan_usd"), rows
        )
        return found.assign(over_plan_usd=found["mine_usd"] - found["plan_usd"])

    @cached_property
    def products(self) -> DataFrame:
        """Pounds made, lean and meat cost (stock at what it cost) of each product."""
        rows = []
        for product in self.case.products:
            of = [self._product(each.runs, product.product_id) for each in (self.mine, self.plan)]
            if any(made_lb for made_lb, _, _ in of):
                (mine_lb, mine_lean, mine_usd), (plan_lb, plan_lean, plan_usd_) = of
                rows.append(
                    (product.product_id, product.name, mine_lb, plan_lb, mine_lean, plan_lean,
                     100 * product.min_lean, mine_usd, plan_usd_)
                )  # fmt: skip
        return frame(
            ("product_id", "product", "mine_made_lb", "plan_made_lb", "mine_lean_percent",
             "plan_lean_percent", "min_lean_percent", "mine_meat_usd_per_cwt",
             "plan_meat_usd_per_cwt"),
            rows,
        )  # fmt: skip

    def _product(self, runs: Iterable[BatchRun], product_id: str) -> tuple[float, float, float]:
        own = [run for run in runs if run.product_id == product_id]
        made_lb = sum(run.batches * run.finished_lb for run in own)
        if not made_lb:
            return 0.0, math.nan, math.nan
        lean_lb = sum(run.batches * run.finished_lb * run.lean for run in own)
        meat_usd = sum(
            run.batches * each.pounds_lb * self.case.lot(each.lot_id).cost_usd_per_lb
            for run in own
            for each in run.ingredients
        )
        return made_lb, 100 * lean_lb / made_lb, LB_PER_CWT * meat_usd / made_lb

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        return {"differences": self.differences, "products": self.products, "broken": self.broken}

    @property
    def broken(self) -> DataFrame:
        rows = [
            (
                printable(requirement_words(each.requirement, self.case)),
                value(each.read, each.unit),
                each.note,
            )
            for each in self.mine.broken
        ]
        return frame(("limit", "value_text", "note"), rows)

    @property
    def figures(self) -> Mapping[str, Any]:
        bound = self.plan.certificate.bound
        return {
            "mine_usd": self.mine.money.total_usd,
            "plan_usd": self.plan.money.total_usd,
            "over_plan_usd": self.over_usd,
            "more_lean_usd": self.more_lean_usd,
            "limits_broken": len(self.mine.broken),
            "floor_usd": bound.bound_usd,
            "is_floor_certified": bound.is_certified,
        }

    @property
    def headline(self) -> str:
        over = self.over_usd
        how = "more" if over >= 0 else "less"
        words = (
            f"Your recipe costs {money(self.mine.money.total_usd)},"
            f" {money(abs(over))} {how} than the plan ({money(self.plan.money.total_usd)})."
        )
        broken = len(self.mine.broken)
        if broken:
            words += f" It breaks {counted(broken, 'limit or order', 'limits or orders')}"
            words += ", so it is not a plan the plant can run." if over < 0 else "."
        else:
            words += " It keeps every limit and order."
        return words

    @property
    def margin_words(self) -> str:
        """How much of the difference is lean held above what the plan holds."""
        lean_usd = self.more_lean_usd
        if not lean_usd:
            return ""
        return (
            f"About {money(lean_usd)} is for more lean (what holding your lean costs, as if combos"
            f" could be split); the rest, {money(self.over_usd - lean_usd)}, is the choice of meat."
        )

    def screen(self, sections: Collection[str] = ()) -> str:
        shown = self.differences
        shown = shown[shown["over_plan_usd"].abs() >= _CENT]
        order = shown["over_plan_usd"].abs().sort_values(ascending=False, kind="stable").index
        shown = shown.loc[order]
        if len(shown) > _MAX_LINES:
            rest = shown.iloc[_MAX_LINES - 1 :]
            others = {"cost_of": f"{len(rest)} others", "kind": "", "id": ""}
            sums = rest[
                ["mine_lb", "planned_use_lb", "mine_usd", "plan_usd", "over_plan_usd"]
            ].sum()
            shown = shown.iloc[: _MAX_LINES - 1]
            shown.loc[len(self.differences)] = {**others, **sums}
        columns = ["product", "mine_made_lb", "plan_made_lb", "mine_lean_percent"]
        columns += ["plan_lean_percent", "min_lean_percent"]
        return "\n\n".join(
            filter(
                None,
                (
                    screen.wrapped(f"{self.headline} {self.margin_words}".strip()),
                    screen.table(
                        shown,
                        ["cost_of", "mine_lb", "planned_use_lb", "over_plan_usd"],
                        title="Where the difference comes from",
                        note="Lots at what is bought or pulled, less leftovers.",
                    ),
                    screen.table(self.products, columns, title="Made, and its lean"),
                    screen.watch(self._watch()),
                ),
            )
        )

    def _watch(self) -> Iterator[str]:
        for each in self.mine.broken:
            limit = printable(requirement_words(each.requirement, self.case))
            note = f" ({each.note})" if each.note else ""
            yield f"Broken: {limit}: {value(each.read, each.unit)}{note}"


def _lot_usd(lot: Lot, take: Take | None) -> float:
    if take is None:
        return 0.0
    return (
        take.pounds_lb * lot.delivered_usd_per_lb - take.leftover_lb * lot.salvage_value_usd_per_lb
    )


def _made_lb(runs: Iterable[BatchRun], product_id: str) -> float:
    return sum(run.batches * run.finished_lb for run in runs if run.product_id == product_id)


def compare(case: Case, lines: Iterable[GroundLine], plan: Plan) -> Comparison:
    """A recipe next to the plan of the same case."""
    mine = hand_made(case, lines)
    return Comparison(case, mine, plan, _more_lean_usd(case, mine))


def _more_lean_usd(case: Case, mine: HandMade) -> float | None:
    """What the LP relaxation costs more where each product is as lean as the recipe's."""
    lean = {run.product_id: run.lean for run in mine.runs}
    products = []
    for product in case.products:
        floor = min(lean.get(product.product_id, 0.0), product.max_lean)
        below = min(product.tolerance_below_share, product.target_lean - floor)
        products.append(replace(product, tolerance_below_share=below))
    at_lean = solve_linear(replace(case, products=tuple(products)))
    cheapest = solve_linear(case)
    if not at_lean.outcome is cheapest.outcome is Outcome.OPTIMAL:
        return None
    return max(0.0, at_lean.objective_usd - cheapest.objective_usd)
