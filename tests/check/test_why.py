"""Certificates of why a cost or price moved: the cases between, and the split."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.check.why import mean_over_orders, split_faults
from blend.domain.certificates import Shares
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.errors import InputRefused, NoPlan, SolverTrouble
from blend.reporter.clearing import why_market_moved
from blend.reporter.mixed import PLAN_DRIVERS, Driver
from blend.reporter.split import shapley
from blend.reporter.why import why_plan_moved
from tests.check.corrupt import changed, pounds_moved, shifted
from tests.check.mixture import mixture_faults
from tests.reporter.markets import imported, lot, market, plant
from tests.reporter.test_why import pairs

FEW = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
NINETIES = parse_selector("lot=90s")
RULE = Rule("lean", RuleKind.SHARE, lots=parse_selector("fresh_or_frozen=frozen"), max_share=0.3)


def _plant(ninety_lb, ninety_usd, import_lb, *rules):
    return plant(
        lot("50s", 0.5, 1.0, 400.0),
        lot("65s", 0.65, 1.7, 500.0),
        lot("90s", 0.9, ninety_usd, ninety_lb),
        lot("95s", 0.95, 3.6, None),
        imported("I90", 0.9, 2.9, import_lb),
        rules=rules,
    )


BEFORE = _plant(500.0, 3.0, 300.0)
AFTER = _plant(300.0, 3.1, 150.0, RULE)
WHY = why_plan_moved(BEFORE, AFTER, NINETIES, certify=True)
MARKET_WHY = why_market_moved(market(), market(I90=3700), NINETIES)
EVERY = frozenset(PLAN_DRIVERS)
SOME = frozenset({Driver.OWN_PRICE, Driver.IMPORTED_SUPPLY})


def _moved(answer, path, *by):
    """The parts of the first drivers moved by amounts."""
    for at, amount in enumerate(by):
        answer = changed(answer, f"{path}.contributions.{at}.amount", shifted(amount))
    return answer


def _traded(parts):
    """The amounts of the two largest parts, each given to the other's driver."""
    first, second, *rest = sorted(parts, key=lambda part: -abs(part.amount))
    one = replace(first, amount=second.amount, put_back=second.put_back)
    return (one, replace(second, amount=first.amount, put_back=first.put_back), *rest)


def _lean_prices(by_usd):
    return lambda lean: {name: usd + by_usd for name, usd in lean.items()}


def _cases_swapped():
    one, other = frozenset({Driver.OWN_PRICE}), frozenset({Driver.IMPORTED_SUPPLY})
    swap = {one: WHY.between[other], other: WHY.between[one]}
    return replace(WHY, between=WHY.between | swap)


def _cheaper_everywhere():
    """All costs reported lower by as much, so that every part stays as it was."""
    known = {id(each): replace(each, cost_usd=each.cost_usd - 1) for each in WHY.between.values()}
    why = replace(WHY, between={moved: known[id(each)] for moved, each in WHY.between.items()})
    for path in ("cost.before", "cost.after"):
        why = changed(why, path, shifted(-1))
    parts = tuple(replace(part, put_back=part.put_back - 1) for part in WHY.cost.contributions)
    return changed(why, "cost.contributions", parts)


PLAN_CORRUPTIONS = {
    "a part moved": lambda: _moved(WHY, "cost", 0.01),
    "a part moved, another compensating": lambda: _moved(WHY, "cost", 0.01, -0.01),
    "two labels swapped": lambda: changed(WHY, "cost.contributions", _traded),
    "a part of the value moved": lambda: _moved(WHY, "value.next", 1e-6, -1e-6),
    "a counterfactual moved": lambda: changed(WHY, "cost.contributions.0.put_back", shifted(0.01)),
    "the end moved": lambda: changed(WHY, "cost.after", shifted(0.01)),
    "a driver dropped": lambda: changed(WHY, "cost.contributions", lambda parts: parts[:-1]),
    "two cases swapped": _cases_swapped,
    "a case missing": lambda: replace(
        WHY, between={moved: each for moved, each in WHY.between.items() if moved != SOME}
    ),
    "all costs lower": _cheaper_everywhere,
    "another case": lambda: changed(WHY, ("between", SOME, "case"), BEFORE),
    "pounds of a plan moved": lambda: changed(
        WHY, ("between", SOME, "optimum"), lambda plan: pounds_moved(plan, 1.0)
    ),
    "prices moved": lambda: changed(
        WHY, ("between", SOME, "optimum", "prices", "lean_min"), _lean_prices(0.01)
    ),
    "prices of the next pound moved": lambda: changed(
        WHY, ("between", SOME, "next", "prices", "lean_min"), _lean_prices(0.01)
    ),
    "another lot for the item": lambda: replace(WHY, reference=AFTER.lot("95s")),
}


def _clearing_moved(lot_id, by_usd):
    moved = frozenset({Driver.IMPORTED_SUPPLY})
    items = MARKET_WHY.between[moved].clearing.items
    at = next(place for place, item in enumerate(items) if item.lot_id == lot_id)
    why = MARKET_WHY
    for name in ("next_usd_per_lb", "last_usd_per_lb"):
        path = ("between", moved, "clearing", "items", at, name)
        why = changed(why, path, shifted(by_usd))
    return why


MARKET_CORRUPTIONS = {
    "a part moved, another compensating": lambda: _moved(MARKET_WHY, "price.next", 1e-5, -1e-5),
    "two labels swapped": lambda: changed(MARKET_WHY, "price.next.contributions", _traded),
    "a clearing price moved": lambda: _clearing_moved("90s", 0.001),
    "another item's price moved": lambda: _clearing_moved("81s", 0.001),
    "weights moved": lambda: replace(MARKET_WHY, weights={"90s": 0.5, "93s": 0.5}),
}


def mixed(before, after, why) -> list[str]:
    return [
        fault
        for moved, each in why.between.items()
        for fault in mixture_faults(before, after, why.item, PLAN_DRIVERS, moved, each.case)
    ]


def test_cases_between_are_mixtures_of_their_own_two_cases():
    assert not mixed(BEFORE, AFTER, WHY)
    assert mixed(AFTER, BEFORE, WHY)
    assert mixed(BEFORE, AFTER, _cases_swapped())
    without_rules = replace(WHY.between[EVERY].case, rules=())
    assert mixed(BEFORE, AFTER, changed(WHY, ("between", EVERY, "case"), without_rules))


@FEW
@given(pairs())
def test_any_two_cases_are_accepted(pair):
    try:
        why = why_plan_moved(*pair, EVERY_LOT, certify=True)
    except (InputRefused, NoPlan, SolverTrouble):
        assume(False)
    assert not mixed(*pair, why)
    certified = why.certified()
    assert certified.is_valid, certified.faults


# The split alone ---------------------------------------------------------------------------------

DRIVERS = ("a", "b", "c", "d")


@st.composite
def games(draw):
    sets = [
        frozenset(name for at, name in enumerate(DRIVERS) if code >> at & 1) for code in range(16)
    ]
    return {each: draw(st.floats(-1e6, 1e6)) for each in sets}


def _reported(values):
    every = frozenset(DRIVERS)
    return Shares(
        values[frozenset()],
        values[every],
        shapley(values.__getitem__, DRIVERS),
        {driver: values[every - {driver}] for driver in DRIVERS},
    )


@given(games())
def test_all_orders_agree_with_all_sets(values):
    assert not list(split_faults("game", values, DRIVERS, _reported(values)))
    parts = mean_over_orders(values, DRIVERS)
    assert sum(parts.values()) == exact_change(values)


def exact_change(values):
    return Fraction(values[frozenset(DRIVERS)]) - Fraction(values[frozenset()])


@given(games(), st.permutations(DRIVERS), st.floats(1e-5, 10))
def test_a_part_moved_and_another_compensating_is_found(values, order, amount):
    reported = _reported(values)
    parts = dict(reported.parts)
    parts[order[0]] += amount
    parts[order[1]] -= amount
    assert list(split_faults("game", values, DRIVERS, replace(reported, parts=parts)))
