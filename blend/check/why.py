"""Certificates of why a cost or a price moved: of every coalition of drivers, and of the split.

Every coalition has a case between the two days. The cost of its plan is certified by pounds and
dual prices. What the next pound of the item is worth is the shadow price of the same case with one
pound more, what the last is worth that with one pound less, at prices that certify those optima
too. Of markets, each equilibrium is certified (`blend.check.clearing`). Each driver's part is then
the mean over all orders in which the drivers can move (Shapley 1953), counted here order by order
where `blend.reporter` weights coalitions.

A shadow price may be off by 0.00001 $/cwt, and a part by what adding up in floats loses.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import chain, combinations, permutations

from blend.check.certify import whole_numbers
from blend.check.clearing import certify_clearing
from blend.check.findings import Findings
from blend.check.statement import Statements
from blend.domain.case import Case
from blend.domain.certificates import (
    NEXT_POUND,
    Between,
    Certificate,
    Certified,
    ClearedBetween,
    Shares,
)
from blend.domain.exact import delivered_usd_per_lb, exact, with_weights
from blend.domain.lots import Lot
from blend.domain.rules import RuleKind

NEAR_SHARE = Fraction(1, 10**13)
"""Of the largest value in a split: a few hundred terms in floats lose 1e-16 each."""
_NEAR_USD_PER_LB = Fraction(1, 10**7)
_ZERO = Fraction(0)

Coalition = frozenset[str]
"""Drivers moved, all others as before."""


def certify_plan_why(
    drivers: Sequence[str],
    reference: Lot,
    between: Mapping[Coalition, Between],
    reported: Mapping[str, Shares],
) -> Certified:
    """Check every coalition's optimum, and the splits of "cost", "next" and "last" among drivers.

    `reference` is the lot that represents the item. Coalitions with equal cases may share
    one entry. That the case of a coalition is the right mixture of the two days is not checked.
    """
    found, statements = Findings(), Statements()
    known: set[int] = set()
    for moved, each in between.items():
        if id(each) not in known:
            known.add(id(each))
            _Coalition(_name(moved), each, reference, statements, found).check()
    values = {
        "cost": {moved: each.cost_usd for moved, each in between.items()},
        "next": {moved: each.next_usd_per_lb for moved, each in between.items()},
        "last": {moved: each.last_usd_per_lb for moved, each in between.items()},
    }
    for name, of_coalitions in values.items():
        found.faults += split_faults(name, of_coalitions, drivers, reported[name])
    return found.certified(len(known))


def certify_market_why(
    between: Mapping[Coalition, ClearedBetween],
    drivers: Sequence[str],
    weights: Mapping[str, float],
    reported: Mapping[str, Shares],
) -> Certified:
    """Check every coalition's equilibrium, and the split of an item's price among drivers.

    `weights` are those of the item's lots in its price. The calibration to the quotations of the
    base date is not checked.
    """
    found = Findings()
    values: dict[str, dict[Coalition, float]] = {"next": {}, "last": {}}
    known: dict[int, Certified] = {}
    for moved, each in between.items():
        if id(each) not in known:
            market = each.case, each.curves, each.adjustment_usd_per_lb, each.clearing
            known[id(each)] = certify_clearing(*market)
            text = f"{_name(moved)}: the prices are no equilibrium of the market"
            found.fault(not known[id(each)].is_valid, text)
        for name, by_coalition in values.items():
            by_coalition[moved] = sum(
                weight * getattr(each.clearing.item(lot_id), f"{name}_usd_per_lb")
                for lot_id, weight in weights.items()
            )
    for name, of_coalitions in values.items():
        found.faults += split_faults(name, of_coalitions, drivers, reported[name])
    gap = max((each.gap_usd for each in known.values()), default=0.0)
    return replace(found.certified(len(known)), gap_usd=gap)


class _Coalition:
    """One case between, and what its certificates show."""

    def __init__(
        self, name: str, each: Between, reference: Lot, statements: Statements, found: Findings
    ) -> None:
        self.name, self.each, self.reference = name, each, reference
        self.statements, self.found = statements, found

    def check(self) -> None:
        each = self.each
        cost, _ = self._optimum("", each.case, each.optimum)
        text = f"{self.name}: the plan does not cost what is reported"
        self.found.meet(Fraction(each.cost_usd), cost, _ZERO, text)
        more = _with_next_pound(each.case, self.reference)
        _, rents = self._optimum(", a pound more", more, each.next)
        saves = rents.get(("lot", self.reference.lot_id + NEXT_POUND), _ZERO)
        self._shadow_price("next", saves)
        if each.last is not None:
            self._shadow_price("last", max(Fraction(each.next_usd_per_lb), self._last(each.last)))
        elif each.last_usd_per_lb != each.next_usd_per_lb:
            self.found.fault(True, f"{self.name}: the value of the last pound is not certified")

    def _last(self, certificate: Certificate) -> Fraction:
        lot = self.each.case.lot(self.reference.lot_id)
        case = with_weights(self.each.case)
        if lot.quantity_lb is not None:
            less = replace(lot, quantity_lb=float(exact(lot.quantity_lb) - 1))
            case = replace(case, lots=tuple(less if each is lot else each for each in case.lots))
        _, rents = self._optimum(", a pound less", case, certificate)
        return delivered_usd_per_lb(lot) + rents.get(("lot", lot.lot_id), _ZERO)

    def _shadow_price(self, which: str, found: Fraction) -> None:
        reported = Fraction(getattr(self.each, f"{which}_usd_per_lb"))
        text = f"{self.name}: the prices give the {which} pound another value"
        self.found.fault(abs(found - reported) > _NEAR_USD_PER_LB, text)

    def _optimum(
        self, which: str, case: Case, certificate: Certificate
    ) -> tuple[Fraction, Mapping[object, Fraction]]:
        """The cost of an optimal plan, and by lot what a pound more saves at its dual prices."""
        statement = self.statements.of(case)
        primal, dual = statement.certify(case, certificate)
        name = f"{self.name}{which}"
        self.found.fault(not primal.is_feasible, f"{name}: the plan breaks a limit: {primal.worst}")
        text = f"{name}: that no plan costs less is not certified"
        self.found.meet(primal.cost, dual.bound, _ZERO, text)
        return primal.cost, dual.rents


def _with_next_pound(case: Case, reference: Lot) -> Case:
    """The case with a pound of the reference lot's meat, free and worth nothing unused."""
    case = with_weights(case)
    pound = replace(
        reference,
        lot_id=reference.lot_id + NEXT_POUND,
        quantity_lb=1.0,
        price_usd_per_lb=0.0,
        freight_usd_per_lb=0.0,
        salvage_value_usd_per_lb=0.0,
        min_purchase_lb=0.0,
    )
    rules = []
    for rule in case.rules:
        if rule.kind is RuleKind.MAX_TEMP:
            heat = dict(rule.excess_heat_btu_per_lb)
            heat[pound.lot_id] = heat[reference.lot_id]
            rule = replace(rule, excess_heat_btu_per_lb=tuple(heat.items()))
        rules.append(rule)
    return replace(case, lots=(*case.lots, pound), rules=tuple(rules))


def _name(moved: Coalition) -> str:
    return f"with {', '.join(sorted(map(str, moved))) or 'nothing'} as after"


# The split --------------------------------------------------------------------------------------


def split_faults(
    name: str, values: Mapping[Coalition, float], drivers: Sequence[str], reported: Shares
) -> Iterator[str]:
    """What is wrong with a split of a change among drivers; nothing when it is right."""
    every = frozenset(drivers)
    subsets = chain.from_iterable(combinations(drivers, n) for n in range(len(drivers) + 1))
    if any(frozenset(subset) not in values for subset in subsets):
        yield f"{name}: a case between has no value"
        return
    if reported.parts.keys() != every or reported.put_back.keys() != every:
        yield f"{name}: the parts are not those of the drivers"
        return
    near = NEAR_SHARE * max(Fraction(1), *(abs(Fraction(value)) for value in values.values()))
    for side, moved in (("before", frozenset()), ("after", every)):
        if getattr(reported, side) != values[moved]:
            yield f"{name}: the value {side} is not that of its case"
    parts = mean_over_orders(values, drivers)
    for driver in drivers:
        if abs(Fraction(reported.parts[driver]) - parts[driver]) > near:
            yield f"{name}: the part of {driver} is not the mean over all orders"
        if reported.put_back[driver] != values[every - {driver}]:
            yield f"{name}: the value with {driver} as before is not that of its case"


def mean_over_orders(
    values: Mapping[Coalition, float], drivers: Sequence[str]
) -> dict[str, Fraction]:
    """By driver, exactly: the mean over all orders of the change that its move makes."""
    unit, numbers = whole_numbers([Fraction(value) for value in values.values()])
    whole = dict(zip(values, numbers, strict=True))
    sums = dict.fromkeys(drivers, 0)
    for order in permutations(drivers):
        moved: Coalition = frozenset()
        for driver in order:
            ahead = moved | {driver}
            sums[driver] += whole[ahead] - whole[moved]
            moved = ahead
    orders = math.factorial(len(drivers))
    return {driver: Fraction(total, unit * orders) for driver, total in sums.items()}
