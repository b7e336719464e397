"""A small invented case and a plan for it, weighed out by hand, to be shown."""

from dataclasses import replace
from datetime import date
from typing import Any

from blend.check.check import check_plan, count_money
from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.plan import (
    BatchRun,
    Bound,
    Check,
    Ingredient,
    LotBreakEven,
    MarginalCost,
    Plan,
    PlanCertificate,
    ShadowPrice,
    Step,
    Take,
    Verdict,
)
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers, kept_per_lb
from blend.domain.selectors import parse_selector
from blend.domain.standards import Action, StandardRow
from blend.domain.stock import valued
from blend.grinder.day_plan import DayPlan
from blend.grinder.odds import errors_of

DAY = date(2026, 11, 25)


CHEEK, FROZEN = parse_selector("meat_class=cheek"), parse_selector("fresh_or_frozen=frozen")
COMBO = {"container": "combo", "container_lb": 2000}
READ = {"source": "invented reading"}


def example_case() -> Case:
    lots = (
        Lot("F90-03", "Fresh boneless beef 90s", "beef", 0.902, 2.9125, 20_000, **COMBO,
            supplier="Alder Ridge Packing", label_claims=frozenset({"no-hormone"}),
            price_basis="fob", freight_usd_per_lb=0.0475),
        Lot("F50-11", "Fresh beef trimmings 50s", "beef", 0.496, 1.0215, 24_000, **COMBO,
            supplier="Alder Ridge Packing"),
        Lot("Z85-02", "Frozen imported cow 85s", "beef", 0.853, 2.6333, 12_000,
            fresh_or_frozen="frozen", origin="Uruguay", container="box", container_lb=60),
        Lot("S73-01", "Beef trimmings 73s, in the cooler", "beef", 0.731, 1.85, 1_400,
            on_hand_or_offered="on hand", use_by=date(2026, 11, 27)),
        Lot("C87-05", "Beef cheek meat", "beef", 0.87, 2.15, 3_000, meat_class="cheek"),
        Lot("F75-08", "Fresh beef trimmings 75s", "beef", 0.75, 2.10, None),
        Lot("P72-01", "Pork trimmings 72s", "pork", 0.72, 0.98, 9_000),
        Lot("F90-99", "Fresh boneless beef 90s", "beef", 0.90, 2.90, 8_000,
            available_on=date(2026, 11, 27)),
        Lot("S65-00", "Beef trimmings 65s", "beef", 0.65, 1.4, 0.0, on_hand_or_offered="on hand"),
    )  # fmt: skip
    products = (
        Product("GB80", "House Patty 80", frozenset({"beef"}), 0.80, 0.005, 0.01, 10_000, 10_500,
                2_000, 1_800, 2_100, standards=("house_ground_beef",)),
        Product("GC73", "Chuck Grind 73", frozenset({"beef"}), 0.73, 0.01, 0.01, 6_000, 9_000,
                2_000, 1_800, 2_100, sale_usd_per_lb=0.0, shortage_penalty_usd_per_lb=0.25),
    )  # fmt: skip
    rules = (
        Rule("R1", RuleKind.SHARE, ("GB80",), FROZEN, max_share=0.35),
        Rule("R2", RuleKind.MUST_USE, (), parse_selector("lot=S73-01")),
        Rule("R3", RuleKind.MAX_LOTS, ("GB80",), max_count=4),
    )
    own = "house_ground_beef"
    standards = (
        StandardRow(own, "cheek_max", "cheek meat at most 25% of the product", "9 CFR 319.15(a)",
                    Action.REFUSE, RuleKind.SHARE, CHEEK, max_share=0.25,
                    read_on=date(2026, 11, 1), **READ),
        StandardRow(own, "frozen_max", "frozen meat at most 25% of the product",
                    "invented buyer's sheet, 2", Action.WARN, RuleKind.SHARE, FROZEN,
                    max_share=0.25, read_on=date(2025, 11, 1), **READ),
        StandardRow(own, "no_added_water", "no water, binders or extenders added",
                    "9 CFR 319.15(a)", Action.NOTE, None, verified="memory",
                    source="from memory"),
    )  # fmt: skip
    losses = (Loss("L1", "thaw", FROZEN, (), 0.02, 0.0),)
    settings = Settings(DAY, "Millrace Plant 2", WholeContainers.NO)
    return Case(settings, tuple(valued(lot, settings) for lot in lots), products, rules, losses,
                standards)  # fmt: skip


RECIPES = {
    "GB80": (5, {"F90-03": 1072, "F50-11": 430, "Z85-02": 508}),
    "GC73": (4, {"F90-03": 633, "F50-11": 517, "S73-01": 350}),
}
TAKEN_LB = {"F90-03": 8_000, "F50-11": 4_218, "Z85-02": 2_540, "S73-01": 1_400}


def example_plan(case: Case, *, shadow_prices: bool = True) -> Plan:
    runs = tuple(_run(case, product_id, *recipe) for product_id, recipe in RECIPES.items())
    used_lb = dict.fromkeys(TAKEN_LB, 0)
    for run in runs:
        for each in run.ingredients:
            used_lb[each.lot_id] += run.batches * each.pounds_lb
    takes = tuple(
        Take(lot_id, lb, lb // 2000 if lot_id == "F90-03" else None, used_lb[lot_id])
        for lot_id, lb in TAKEN_LB.items()
    )
    money = count_money(case, takes, runs, {"GC73": 0.0})
    plan = Plan(takes, runs, {"GC73": 0.0}, money, _certificate(money.total_usd))
    return with_shadow_prices(plan) if shadow_prices else plan


def _run(case: Case, product_id: str, batches: int, recipe: dict[str, int]) -> BatchRun:
    product = case.product(product_id)
    kept = {lot: kept_per_lb(case.lot(lot), product, case.losses) for lot in recipe}
    lean_lb = sum(lb * kept[lot][0] for lot, lb in recipe.items())
    finished_lb = sum(lb * sum(kept[lot]) for lot, lb in recipe.items())
    ingredients = tuple(Ingredient(lot, lb) for lot, lb in recipe.items())
    return BatchRun(product_id, batches, ingredients, finished_lb, lean_lb / finished_lb)


def _certificate(total_usd: float) -> PlanCertificate:
    def check(
        constraint_class, verdict, read, minimum=None, maximum=None, product="GB80", rule="", **more
    ):
        requirement = Requirement(constraint_class, product, rule_id=rule)
        return Check(requirement, read, minimum, maximum, "share", 0.0005, verdict, **more)

    return PlanCertificate(
        (
            check(ConstraintClass.LEAN_MIN, Verdict.WITHIN_ROUNDING, 0.79496, minimum=0.795),
            check(ConstraintClass.LEAN_MAX, Verdict.MET, 0.8, maximum=0.81),
            check(
                ConstraintClass.SHARE_MAX,
                Verdict.MET,
                0.0,
                maximum=0.25,
                rule="cheek_max on GB80",
                section="9 CFR 319.15(a)",
            ),
            check(
                ConstraintClass.SHARE_MAX,
                Verdict.WARNING,
                0.2503,
                maximum=0.25,
                rule="frozen_max on GB80",
                section="invented buyer's sheet, 2",
                note="a buyer may refuse it",
            ),
            check(ConstraintClass.MAY_HOLD, Verdict.NOTE, 0.0, rule="no_added_water"),
        ),
        Bound(total_usd - 0.35, total_usd - 4.1, "checked dual", total_usd, is_certified=True),
    )


def with_shadow_prices(plan: Plan) -> Plan:
    supply = Requirement(ConstraintClass.SUPPLY, lot_id="S73-01")
    return replace(
        plan,
        marginal_costs=(
            MarginalCost("GB80", 232.41, 94.2, -93.8),
            MarginalCost("GC73", 198.7, 61.05, float("inf")),
        ),
        shadow_prices=(
            ShadowPrice(
                Requirement(ConstraintClass.LEAN_MIN, "GB80"), Step.LEAN_POINT, 487.11, 491.6
            ),
            ShadowPrice(
                Requirement(ConstraintClass.SHARE_MAX, "GB80", rule_id="R1"),
                Step.SHARE_POINT,
                4.25,
                4.25,
            ),
            ShadowPrice(
                Requirement(ConstraintClass.MUST_USE, rule_id="R2"), Step.CWT, 0.0, float("inf")
            ),
            ShadowPrice(Requirement(ConstraintClass.LEAN_MAX, "GB80"), Step.LEAN_POINT, 0.0, 0.0),
            ShadowPrice(supply, Step.CWT, 0.0, 0.001),
        ),
        break_evens=(
            LotBreakEven("C87-05", 2.15, 0.0, 2.1134, 0.0),
            LotBreakEven("F50-11", 1.0215, 4218.0, float("inf"), 0.0),
            LotBreakEven("F75-08", 2.10, 0.0, 1.9875, 0.0),
            LotBreakEven("F90-03", 2.96, 7892.0, 3.0242, 0.0),
            LotBreakEven("P72-01", 0.98, 0.0, None, 0.0),
            LotBreakEven("S73-01", 1.85, 1400.0, 1.9125, 0.0625),
            LotBreakEven("Z85-02", 2.6333, 2540.0, 2.6711, 0.0),
        ),
    )


def any_plan(case: Case) -> Plan:
    """A batch of ten pounds of every usable lot for each product: not good, but a plan."""
    lots = case.usable_lots()
    runs = []
    for product in case.products if lots else ():
        kept = [kept_per_lb(lot, product, case.losses) for lot in lots]
        finished_lb = 10 * sum(map(sum, kept))
        lean = 10 * sum(lean_lb for lean_lb, _ in kept) / finished_lb
        ingredients = tuple(Ingredient(lot.lot_id, 10) for lot in lots)
        runs.append(BatchRun(product.product_id, 3, ingredients, finished_lb, lean))
    used_lb = 30 * len(runs)
    takes = tuple(Take(lot.lot_id, used_lb + 5, None, used_lb) for lot in lots)
    short = {product.product_id: 1.5 for product in case.products}
    money = count_money(case, takes, runs, short)
    bound = Bound(1.0, 0.5, "hand", money.total_usd)
    certificate = PlanCertificate(check_plan(case, takes, runs, short), bound)
    return Plan(takes, tuple(runs), short, money, certificate)


def answer(case: Case, plan: Plan, **more: Any) -> DayPlan:
    return DayPlan(case, plan, errors_of(case, {}), **more)
