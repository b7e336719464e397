"""The bound from prices: tight at a solver's own prices, valid at any."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from blend.check.certify import PLENTY as PLENTY_LB
from blend.check.statement import dual_bound_usd
from blend.domain.case import Case
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.prices import DualPrices
from blend.domain.rules import Loss, Rule, RuleKind, kept_per_lb
from blend.domain.selectors import parse_selector
from blend.domain.standards import Action, StandardRow
from blend.model.prices import dual_prices
from blend.model.solve import solve_linear
from tests.published.cases import DAY, make_case, make_lot, make_product

# A second statement of the linear model, dense and plain -----------------------------------------


@dataclass(frozen=True)
class Solved:
    cost_usd: float
    prices: DualPrices


class PlainModel:
    """Rows `coefficients · columns <= limit`, each with the price field and key it belongs to."""

    def __init__(self, case: Case) -> None:
        self.case = case
        banned = [rule for rule in case.binding_rules() if rule.kind is RuleKind.MUST_NOT_USE]
        self.pairs = [
            (lot, product)
            for product in case.products
            for lot in case.usable_lots()
            if lot.species in product.species
            and product.label_claims <= lot.label_claims
            and not any(rule.governs(product) and rule.lots.holds(lot) for rule in banned)
        ]
        self.names = [
            *(("use", lot.lot_id, product.product_id) for lot, product in self.pairs),
            *(("take", lot.lot_id) for lot in case.usable_lots()),
            *(("short", product.product_id) for product in case.products),
        ]
        self.place = {name: index for index, name in enumerate(self.names)}
        self.kept = {
            (lot.lot_id, product.product_id): kept_per_lb(lot, product, case.losses)
            for lot, product in self.pairs
        }
        self.rows: list[np.ndarray] = []
        self.limits: list[float] = []
        self.keys: list[tuple[str, object, float]] = []
        self._state()

    def at_most(self, terms: dict, limit: float, field: str = "", key=None, sign=1.0) -> None:
        row = np.zeros(len(self.names))
        for name, value in terms.items():
            row[self.place[name]] += value
        self.rows.append(row)
        self.limits.append(limit)
        self.keys.append((field, key, sign))

    def at_least(self, terms: dict, limit: float, field: str = "", key=None) -> None:
        self.at_most({name: -value for name, value in terms.items()}, -limit, field, key)

    def _state(self) -> None:
        for lot in self.case.usable_lots():
            uses = {("use", a.lot_id, p.product_id): 1.0 for a, p in self.pairs if a is lot}
            self.at_most(uses | {("take", lot.lot_id): -1.0}, 0.0)
        for product in self.case.products:
            self._state_product(product)
        for rule in self.case.binding_rules():
            if rule.kind is RuleKind.MUST_USE:
                chosen = {
                    ("use", lot.lot_id, product.product_id): 1.0
                    for lot, product in self.pairs
                    if rule.lots.holds(lot) and rule.governs(product)
                }
                self.at_least(chosen, rule.min_lb, "must_use", rule.rule_id)

    def _state_product(self, product) -> None:
        product_id = product.product_id
        lots = [lot for lot, p in self.pairs if p is product]

        def sums(of) -> dict:
            return {
                ("use", lot.lot_id, product_id): of(lot, *self.kept[lot.lot_id, product_id])
                for lot in lots
            }

        finished = sums(lambda _lot, lean, fat: lean + fat)
        short = {("short", product_id): 1.0}
        self.at_least(finished | short, product.min_lb, "finished", product_id)
        if product.max_lb is not None:
            self.at_most(finished, product.max_lb, "finished", product_id, -1.0)

        def limit(name, of, minimum, maximum, key) -> None:
            if minimum is not None:
                more = sums(lambda lot, lean, fat: of(lot, lean, fat) - minimum * (lean + fat))
                self.at_least(more, 0.0, f"{name}_min", key)
            if maximum is not None:
                more = sums(lambda lot, lean, fat: of(lot, lean, fat) - maximum * (lean + fat))
                self.at_most(more, 0.0, f"{name}_max", key)

        def lean_of(_lot, lean, _fat):
            return lean

        limit("lean", lean_of, product.min_lean, product.max_lean, product_id)
        for rule in self.case.binding_rules():
            key = (rule.rule_id, product_id)
            if not rule.governs(product):
                continue
            if rule.kind is RuleKind.FAT:
                limit("fat", lambda _lot, _lean, fat: fat, rule.min_share, rule.max_share, key)
            if rule.kind is RuleKind.SHARE:

                def chosen(lot, lean, fat, rule=rule):
                    return (lean + fat) * rule.lots.holds(lot)

                limit("share", chosen, rule.min_share, rule.max_share, key)
            if rule.kind is RuleKind.MAX_TEMP:
                excess = dict(rule.excess_heat_btu_per_lb)
                heat = {("use", lot.lot_id, product_id): excess[lot.lot_id] for lot in lots}
                self.at_most(heat, 0.0, "temperature", key)

    def solve(self) -> Solved | None:
        """The optimum and its prices; None when there is no optimum."""
        case, cost, bounds = self.case, [], []
        for lot, product in self.pairs:
            made = sum(self.kept[lot.lot_id, product.product_id])
            cost.append(lot.salvage_value_usd_per_lb - product.sale_usd_per_lb * made)
            bounds.append((0, None))
        for lot in case.usable_lots():
            cost.append(lot.delivered_usd_per_lb - lot.salvage_value_usd_per_lb)
            bounds.append((0, lot.quantity_lb))
        for product in case.products:
            penalty = product.shortage_penalty_usd_per_lb
            cost.append(penalty or 0.0)
            bounds.append((0, 0 if penalty is None else product.min_lb))
        answer = linprog(cost, np.array(self.rows), self.limits, bounds=bounds, method="highs")
        if answer.status != 0:
            return None
        prices: dict[str, dict] = {field.name: {} for field in fields(DualPrices)}
        for (field, key, sign), marginal in zip(self.keys, answer.ineqlin.marginals, strict=True):
            if field:
                prices[field][key] = prices[field].get(key, 0.0) - sign * marginal
        return Solved(answer.fun, DualPrices(**prices))


# Worked by hand ---------------------------------------------------------------------------------

COW = make_lot("cow", 0.90, 0.99)
TRIM = make_lot("trim", 0.75, 0.79)
SQUARE = make_case([COW, TRIM], [make_product(0.80, 1_000.0)])
"""Teaching slides "Meat Calculations", example 1: 10 % and 25 % fat to 20 %."""


def test_the_square_has_two_prices():
    # 0.99 = y + 0.10 z and 0.79 = y - 0.05 z: lean z = 4/3, finished y = 0.85666... USD per lb
    prices = DualPrices(finished={"ground": 0.99 - 0.4 / 3}, lean_min={"ground": 4 / 3})
    bound = dual_bound_usd(SQUARE, prices)
    assert bound == pytest.approx(1_000 * (0.99 / 3 + 2 * 0.79 / 3), abs=1e-9)


def test_a_price_for_lean_alone_proves_nothing_here():
    # a pound of cow then earns 0.10 x 20 USD, and there is no end of it
    bound = dual_bound_usd(SQUARE, DualPrices(lean_min={"ground": 20.0}))
    assert bound == -PLENTY_LB * (2.00 - 0.99)


def test_prices_below_zero_count_as_zero():
    worthless = DualPrices(
        finished={"ground": -1.0}, lean_min={"ground": -1.0}, lean_max={"ground": -1.0}
    )
    assert dual_bound_usd(SQUARE, worthless) == dual_bound_usd(SQUARE, DualPrices()) == 0.0


@pytest.mark.parametrize("sale_usd_per_lb", [0.0, 0.5])
def test_a_hair_too_much_costs_a_hair_of_the_bound(sale_usd_per_lb: float):
    """Without a stated quantity, prices a hair too high prove nothing unless mended."""
    product = make_product(0.80, 1_000.0, sale_usd_per_lb=sale_usd_per_lb)
    finished = 0.99 - 0.4 / 3 - sale_usd_per_lb + 1e-9
    prices = DualPrices(finished={"ground": finished}, lean_min={"ground": 4 / 3})
    bound = dual_bound_usd(make_case([COW, TRIM], [product]), prices)
    assert bound == pytest.approx(1_000 * (2.57 / 3 - sale_usd_per_lb), abs=1e-5)


def test_a_cheap_lot_taken_whole_earns_its_rent():
    # 400 lb at 0.50 and 600 lb at 0.99; each cheap pound more would save 0.49
    cheap = replace(COW, lot_id="cheap", price_usd_per_lb=0.50, quantity_lb=400.0)
    case = make_case([COW, cheap], [make_product(0.90, 1_000.0)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.99}))
    assert bound == pytest.approx(400 * 0.50 + 600 * 0.99)


def test_the_max_volume_is_priced_below_zero():
    # sold at 1.50 and made for 0.99: 500 lb, the most, earn 255
    product = make_product(0.90, 100.0, max_lb=500.0, sale_usd_per_lb=1.50)
    case = make_case([COW], [product])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": -0.51}))
    assert bound == pytest.approx(-255.0)


def test_no_order_is_value_more_than_its_shortage():
    case = make_case([COW], [make_product(0.90, 1_000.0, shortage_penalty_usd_per_lb=0.30)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.99}))
    assert bound == pytest.approx(300.0)


def test_nothing_bounds_a_product_sold_above_its_cost_without_end():
    sold = make_case([COW], [make_product(0.90, 0.0, sale_usd_per_lb=1.0)])
    assert dual_bound_usd(sold, DualPrices()) == -PLENTY_LB * 0.01


def test_a_lot_value_more_left_over_than_it_costs():
    cow = replace(COW, quantity_lb=500.0, salvage_value_usd_per_lb=1.09)
    bound = dual_bound_usd(make_case([cow], [make_product(0.90, 0.0)]), DualPrices())
    assert bound == pytest.approx(-50.0)


def test_the_bound_is_rounded_down():
    # a tenth of a dollar; the float nearest to it lies above, so the one below is given
    case = make_case([make_lot("a", 0.9, 0.1)], [make_product(0.9, 1.0)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.1}))
    assert Fraction(bound) <= Fraction(1, 10) < Fraction(math.nextafter(bound, 1.0))


@pytest.mark.parametrize(
    ("field", "cow_usd_per_lb", "rule"),
    [
        ("share_min", 0.99, Rule("rule", RuleKind.SHARE, min_share=0.5)),
        ("share_max", 0.49, Rule("rule", RuleKind.SHARE, max_share=0.5)),
        ("fat_min", 0.49, Rule("rule", RuleKind.FAT, min_share=0.17)),
        ("fat_max", 0.99, Rule("rule", RuleKind.FAT, max_share=0.17)),
        ("must_use", 0.99, Rule("rule", RuleKind.MUST_USE, min_lb=420.0)),
        (
            "temperature",
            0.99,
            Rule(
                "rule",
                RuleKind.MAX_TEMP,
                max_temp_f=40.0,
                excess_heat_btu_per_lb=(("cow", -2.0), ("trim", 1.5)),
            ),
        ),
        ("lean_min", 0.99, None),
        ("lean_max", 0.49, None),
    ],
)
def test_each_price_counts(field: str, cow_usd_per_lb: float, rule: Rule | None):
    """The cheaper meat would be used alone, were it not for one requirement."""
    cow = replace(COW, price_usd_per_lb=cow_usd_per_lb, quantity_lb=900.0)
    purge = Loss("purge", "thaw", parse_selector("lot=trim"), lean_loss_share=0.03)
    tolerance = 0.04 if rule is None else 0.2
    product = make_product(
        0.82, 1_000.0, tolerance_below_share=tolerance, tolerance_above_share=tolerance
    )
    rules = [] if rule is None else [replace(rule, lots=parse_selector("lot=cow"))]
    case = make_case([cow, TRIM], [product], *rules, losses=(purge,))
    answer = PlainModel(case).solve()
    assert max(getattr(answer.prices, field).values()) > 0.01
    assert dual_bound_usd(case, answer.prices) == pytest.approx(answer.cost_usd, rel=1e-9)
    without = replace(answer.prices, **{field: {}})
    assert dual_bound_usd(case, without) < answer.cost_usd - 1
    for change in (-0.05, 0.05, 0.5, 5.0):
        changed = {key: price + change for key, price in getattr(answer.prices, field).items()}
        bound = dual_bound_usd(case, replace(answer.prices, **{field: changed}))
        assert bound < answer.cost_usd - 1


def test_lots_that_no_product_may_hold_do_not_count():
    free = {"price_usd_per_lb": 0.0, "quantity_lb": 10_000.0}
    others = [
        replace(TRIM, lot_id="pork", species="goat", **free),
        replace(TRIM, lot_id="old", use_by=DAY - timedelta(1), **free),
        replace(TRIM, lot_id="banned", **free),
    ]
    banned = Rule("rule", RuleKind.MUST_NOT_USE, lots=parse_selector("lot=banned"))
    case = make_case([COW, TRIM, *others], [make_product(0.80, 1_000.0)], banned)
    prices = DualPrices(finished={"ground": 0.99 - 0.4 / 3}, lean_min={"ground": 4 / 3})
    assert dual_bound_usd(case, prices) == dual_bound_usd(SQUARE, prices)


def test_a_must_use_without_a_weight_is_left_out():
    """All of a lot without a stated quantity: no plan keeps it, so no price is due for it."""
    rule = Rule("rule", RuleKind.MUST_USE, lots=parse_selector("lot=cow"))
    case = make_case([COW, TRIM], [make_product(0.80, 1_000.0)], rule)
    assert dual_bound_usd(case, DualPrices(must_use={"rule": 5.0})) == 0.0


# At any case ------------------------------------------------------------------------------------


def lots_of(draw) -> Iterable:
    for number in range(draw(st.integers(2, 5))):
        price = draw(st.integers(300, 3_000)) / 1_000
        yield make_lot(
            f"lot {number}",
            draw(st.integers(400, 970)) / 1_000,
            price,
            quantity_lb=draw(st.none() | st.integers(100, 4_000).map(float)),
            species=draw(st.sampled_from(("beef", "beef", "pork"))),
            fresh_or_frozen=draw(st.sampled_from(("fresh", "frozen"))),
            price_basis=draw(st.sampled_from(("delivered", "fob"))),
            freight_usd_per_lb=0.04,
            salvage_value_usd_per_lb=round(price * draw(st.sampled_from((-0.1, 0.0, 0.6))), 4),
            use_by=draw(st.sampled_from((None, None, None, DAY - timedelta(1)))),
        )


def products_of(draw) -> Iterable:
    for number in range(draw(st.integers(1, 2))):
        min_lb = draw(st.sampled_from((0.0, 500.0, 1_500.0)))
        yield make_product(
            draw(st.integers(600, 930)) / 1_000,
            min_lb,
            f"product {number}",
            tolerance_below_share=draw(st.sampled_from((0.0, 0.01, 0.05))),
            tolerance_above_share=draw(st.sampled_from((0.0, 0.01, 0.05))),
            max_lb=draw(st.sampled_from((None, min_lb, min_lb + 700.0))),
            species=draw(st.sampled_from((frozenset({"beef"}), frozenset({"beef", "pork"})))),
            shortage_penalty_usd_per_lb=draw(st.sampled_from((None, 0.8, 4.0))),
            sale_usd_per_lb=draw(st.sampled_from((0.0, 1.2, 2.5))),
            standards=draw(st.sampled_from(((), ("labeled",)))),
        )


def rules_of(draw) -> Iterable[Rule]:
    lots = parse_selector("fresh_or_frozen=frozen")
    limits = st.sampled_from(((0.1, None), (None, 0.3), (0.2, 0.4)))
    kinds = (RuleKind.SHARE, RuleKind.FAT, RuleKind.MUST_USE, RuleKind.MUST_NOT_USE)
    for kind in draw(st.lists(st.sampled_from(kinds), max_size=3, unique=True)):
        minimum, maximum = draw(limits)
        products = draw(st.sampled_from(((), ("product 0",))))
        if kind is RuleKind.MUST_USE:
            yield Rule(kind, kind, products, lots, min_lb=draw(st.sampled_from((0.0, 120.0))))
        elif kind is RuleKind.MUST_NOT_USE:
            yield Rule(kind, kind, products, parse_selector("lot=lot 0"))
        else:
            yield Rule(kind, kind, products, lots, min_share=minimum, max_share=maximum)


@st.composite
def cases(draw) -> Case:
    losses = (
        Loss("purge", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.03),
        Loss("melt", "grind", products=("product 1",), fat_loss_share=0.02),
    )
    row = StandardRow(
        "labeled", "row", "", "9 CFR 319.15(a)", Action.REFUSE, RuleKind.FAT, max_share=0.30
    )
    return make_case(
        list(lots_of(draw)),
        list(products_of(draw)),
        *rules_of(draw),
        losses=losses,
        standards=(row,),
    )


def solved(case: Case) -> Solved:
    answer = PlainModel(case).solve()
    assume(answer is not None)
    return answer


@settings(max_examples=40, deadline=None)
@given(case=cases())
def test_prices_of_the_optimum_prove_it(case: Case):
    answer = solved(case)
    # a solver's prices are off by some 1e-9 USD/lb, of orders of a thousand pounds
    assert dual_bound_usd(case, answer.prices) == pytest.approx(answer.cost_usd, rel=1e-6, abs=1e-5)


@settings(max_examples=40, deadline=None)
@given(case=cases(), data=st.data())
def test_no_prices_prove_more_than_the_optimum(case: Case, data: st.DataObject):
    answer = solved(case)

    def shaken(prices: dict) -> dict:
        shifts = st.floats(-2.0, 2.0) | st.just(0.0)
        return {key: price + data.draw(shifts) for key, price in prices.items()}

    prices = DualPrices(
        **{field.name: shaken(getattr(answer.prices, field.name)) for field in fields(DualPrices)}
    )
    assert dual_bound_usd(case, prices) <= answer.cost_usd + 1e-6 * max(1, abs(answer.cost_usd))


@pytest.mark.parametrize(
    "constraint",
    [
        LinearConstraint("mixed", (Term(1.0, Pounds.USE, "cow", "ground"),), maximum=300.0),
        LinearConstraint("bought", (Term(1.0, Pounds.TAKE, "trim"),), maximum=500.0),
        LinearConstraint("made", (Term(2.0, Pounds.FINISHED, product_id="ground"),), minimum=2_200),
        LinearConstraint(
            "both",
            (Term(1.0, Pounds.USE, "cow", "ground"), Term(-1.0, Pounds.TAKE, "trim")),
            minimum=-100.0,
            maximum=-100.0,
        ),
        LinearConstraint("absent", (Term(1.0, Pounds.TAKE, "none"),), maximum=5.0),
    ],
    ids=lambda constraint: constraint.name,
)
def test_added_constraints_count_in_the_bound(constraint: LinearConstraint):
    case = make_case([COW, TRIM], [make_product(0.80, 1_000.0, tolerance_above_share=0.1)])
    case = case.with_constraints([constraint])
    if constraint.name == "mixed":
        dear = replace(TRIM, lot_id="lean", lean=0.95, price_usd_per_lb=3.0)
        case = replace(case, lots=(*case.lots, dear))
    plan = solve_linear(case)
    bound = dual_bound_usd(case, dual_prices(plan))
    assert bound == pytest.approx(plan.objective_usd, rel=1e-9)
    if constraint.name != "absent":
        assert bound > solve_linear(replace(case, constraints=())).objective_usd + 1
