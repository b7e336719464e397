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


def _moved(explained, *by):
    """The parts of the first drivers moved by amounts."""
    parts = list(explained.contributions)
    for at, amount in enumerate(by):
        parts[at] = replace(parts[at], amount=parts[at].amount + amount)
    return replace(explained, contributions=tuple(parts))


def _swapped(explained):
    """The parts of two drivers, each given to the other."""
    first, second, *rest = explained.contributions
    one = replace(first, amount=second.amount, put_back=second.put_back)
    other = replace(second, amount=first.amount, put_back=first.put_back)
    return replace(explained, contributions=(one, other, *rest))


def _cost(change):
    return replace(WHY, cost=change(WHY.cost))


def _next(change):
    return replace(WHY, value=replace(WHY.value, next=change(WHY.value.next)))


def _between(moved, **fields):
    """One case between with something changed, and every number that hangs on it."""
    between = dict(WHY.between)
    between[moved] = replace(between[moved], **fields)
    return replace(WHY, between=between)


def _plan_moved(certificate, by_lb):
    use = dict(certificate.pounds.use_lb)
    pair = max(use, key=use.get)
    use[pair] += by_lb
    return replace(certificate, pounds=replace(certificate.pounds, use_lb=use))


def _prices_moved(certificate, by_usd):
    lean = {name: usd + by_usd for name, usd in certificate.prices.lean_min.items()}
    return replace(certificate, prices=replace(certificate.prices, lean_min=lean))


def _cases_swapped():
    one, other = frozenset({Driver.OWN_PRICE}), frozenset({Driver.IMPORTED_SUPPLY})
    between = dict(WHY.between)
    between[one], between[other] = between[other], between[one]
    return replace(WHY, between=between)


def _without_a_case():
    between = dict(WHY.between)
    del between[SOME]
    return replace(WHY, between=between)


def _cheaper_everywhere():
    """All costs reported lower by as much, so that every part stays as it was."""
    known = {id(each): replace(each, cost_usd=each.cost_usd - 1) for each in WHY.between.values()}
    between = {moved: known[id(each)] for moved, each in WHY.between.items()}
    parts = tuple(replace(p, put_back=p.put_back - 1) for p in WHY.cost.contributions)
    cost = replace(
        WHY.cost, before=WHY.cost.before - 1, after=WHY.cost.after - 1, contributions=parts
    )
    return replace(WHY, between=between, cost=cost)


PLAN_CORRUPTIONS = {
    "a part moved": lambda: _cost(lambda cost: _moved(cost, 0.01)),
    "a part moved, another compensating": lambda: _cost(lambda cost: _moved(cost, 0.01, -0.01)),
    "two labels swapped": lambda: _cost(_swapped),
    "a part of the value moved": lambda: _next(lambda value: _moved(value, 1e-6, -1e-6)),
    "a counterfactual moved": lambda: _cost(
        lambda cost: replace(
            cost,
            contributions=(
                replace(cost.contributions[0], put_back=cost.contributions[0].put_back + 0.01),
                *cost.contributions[1:],
            ),
        )
    ),
    "the end moved": lambda: _cost(lambda cost: replace(cost, after=cost.after + 0.01)),
    "a driver dropped": lambda: _cost(
        lambda cost: replace(cost, contributions=cost.contributions[:-1])
    ),
    "two cases swapped": _cases_swapped,
    "a case missing": _without_a_case,
    "all costs lower": _cheaper_everywhere,
    "another case": lambda: _between(SOME, case=BEFORE),
    "pounds of a plan moved": lambda: _between(
        SOME, optimum=_plan_moved(WHY.between[SOME].optimum, 1.0)
    ),
    "prices moved": lambda: _between(SOME, optimum=_prices_moved(WHY.between[SOME].optimum, 0.01)),
    "prices of the next pound moved": lambda: _between(
        SOME, next=_prices_moved(WHY.between[SOME].next, 0.01)
    ),
    "another lot for the item": lambda: replace(WHY, reference=AFTER.lot("95s")),
}


def _clearing_moved(lot_id, by_usd):
    moved = frozenset({Driver.IMPORTED_SUPPLY})
    between = dict(MARKET_WHY.between)
    each = between[moved]
    items = tuple(
        replace(
            item,
            next_usd_per_lb=item.next_usd_per_lb + by_usd,
            last_usd_per_lb=item.last_usd_per_lb + by_usd,
        )
        if item.lot_id == lot_id
        else item
        for item in each.clearing.items
    )
    between[moved] = replace(each, clearing=replace(each.clearing, items=items))
    return replace(MARKET_WHY, between=between)


def _price(change):
    return replace(MARKET_WHY, price=replace(MARKET_WHY.price, next=change(MARKET_WHY.price.next)))


MARKET_CORRUPTIONS = {
    "a part moved, another compensating": lambda: _price(lambda n: _moved(n, 1e-5, -1e-5)),
    "two labels swapped": lambda: _price(
        lambda n: replace(n, contributions=_swapped(_turned(n)).contributions)
    ),
    "a clearing price moved": lambda: _clearing_moved("90s", 0.001),
    "another item's price moved": lambda: _clearing_moved("81s", 0.001),
    "weights moved": lambda: replace(MARKET_WHY, weights={"90s": 0.5, "93s": 0.5}),
}


def _turned(explained):
    """The driver that moved first, so that a swap changes something."""
    parts = sorted(explained.contributions, key=lambda part: -abs(part.amount))
    return replace(explained, contributions=tuple(parts))


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
    assert mixed(BEFORE, AFTER, _between(EVERY, case=without_rules))


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
    split = shapley(values.__getitem__, DRIVERS)
    every = frozenset(DRIVERS)
    return Shares(
        split.before,
        split.after,
        {part.driver: part.amount for part in split.parts},
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
