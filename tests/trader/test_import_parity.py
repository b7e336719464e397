"""Import parity: bases agree, buyers are indifferent at the break-even, gaps are reported."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from blend.domain.imports import Basis, Cost, ImportRate, Quota, RateKind, RateUnit
from blend.errors import InputRefused
from blend.trader.import_parity import (
    at_rate,
    find_rate,
    land,
    landed_usd_per_lb,
)
from blend.trader.landed import landed
from tests.published.test_import_parity import OFFER, RATES


@st.composite
def offers(draw: st.DrawFn):
    """Offers of every basis, small and large entries, in and over quota."""
    number = st.floats
    return replace(
        OFFER,
        origin=draw(st.sampled_from(("New Zealand", "Uruguay", "Australia"))),
        tariff_line=draw(st.sampled_from(("0202.30.50", "0202.30.30"))),
        lean=draw(number(0.6, 0.97)),
        price=draw(number(1.5, 12.0)),
        currency=draw(st.sampled_from(("AUD", "NZD"))),
        usd_per_currency=draw(number(0.4, 1.2)),
        price_per=draw(st.sampled_from(("kg", "lb"))),
        net_weight_lb=draw(number(500, 400_000)),
        ocean_freight_usd_per_lb=draw(number(0, 0.2)),
        insurance_share=draw(number(0, 0.01)),
        handling_usd_per_lb=draw(number(0, 0.05)),
        inland_usd_per_lb=draw(number(0, 0.05)),
        days_to_plant=draw(st.integers(0, 90)),
        finance_share_per_year=draw(number(0, 0.12)),
        thaw_lean_loss_share=draw(number(0, 0.06)),
        fresh_usd_per_lb=draw(number(2.0, 4.5)),
        point_usd_per_lb=draw(number(0.0, 0.08)),
    )


@given(offers())
def test_the_lines_sum_to_what_they_lead_to(offer):
    built = land(offer, RATES)
    before_thaw = [line for line in built.lines if line.cost not in (Cost.THAW, Cost.LEAN)]
    assert sum(line.usd_per_lb for line in before_thaw) == pytest.approx(built.landed_usd_per_lb)
    assert sum(line.usd_per_lb for line in built.lines) == pytest.approx(
        built.fresh_equivalent_usd_per_lb
    )
    assert landed_usd_per_lb(offer, RATES) == pytest.approx(built.landed_usd_per_lb)


@given(offers(), st.floats(0.01, 0.5))
def test_a_surcharge_is_paid_on_the_customs_value(offer, share):
    """It costs its share of the value, and all else stays as it was."""
    free, dear = (land(replace(offer, surcharge_share=each), RATES) for each in (0.0, share))
    value_usd_per_lb = dear.customs_value_usd / offer.net_weight_lb
    by = share * value_usd_per_lb
    assert dear.landed_usd_per_lb - free.landed_usd_per_lb == pytest.approx(by)
    charged = replace(offer, surcharge_share=share)
    assert landed_usd_per_lb(charged, RATES) == pytest.approx(dear.landed_usd_per_lb)
    if dear.break_even_price is not None:
        asked = replace(charged, price=dear.break_even_price)
        assert land(asked, RATES).over_fresh_usd_per_lb == pytest.approx(0, abs=1e-9)


@given(offers())
def test_a_price_that_covers_more_of_the_way_builds_up_the_same(offer):
    at_origin = land(offer, RATES)
    usd_per_unit = offer.price * offer.usd_per_currency
    per_lb = at_origin.line(Cost.ORIGIN).usd_per_lb
    covered = per_lb + sum(
        at_origin.line(cost).usd_per_lb for cost in (Cost.FREIGHT, Cost.INSURANCE)
    )
    for basis, ratio in (
        (Basis.CIF, covered / per_lb),
        (Basis.DELIVERED, at_origin.landed_usd_per_lb / per_lb),
    ):
        other = replace(offer, basis=basis, price=usd_per_unit * ratio / offer.usd_per_currency)
        built = land(other, RATES)
        for line in at_origin.lines:
            assert built.line(line.cost).usd_per_lb == pytest.approx(line.usd_per_lb, abs=1e-9)


@given(offers(), st.sampled_from(Basis))
def test_at_the_break_even_price_and_rate_buyers_are_indifferent(offer, basis):
    built = land(offer, RATES)
    if built.break_even_price is None:
        return
    same = replace(offer, basis=basis, price=offer.price * 2)
    try:
        told = land(same, RATES)
    except InputRefused:
        return
    at_price = replace(same, price=told.break_even_price)
    assert land(at_price, RATES).over_fresh_usd_per_lb == pytest.approx(0, abs=1e-9)
    moved = at_rate(same, told.break_even_usd_per_currency)
    assert land(moved, RATES).over_fresh_usd_per_lb == pytest.approx(0, abs=1e-9)


@settings(max_examples=30)
@given(offers())
def test_a_root_finder_comes_to_the_same_rate(offer):
    told = land(offer, RATES).break_even_usd_per_currency
    if told is None:
        return

    def dearer(rate: float) -> float:
        return land(at_rate(offer, rate), RATES).over_fresh_usd_per_lb

    assert brentq(dearer, told / 5, told * 5, xtol=1e-12) == pytest.approx(told, rel=1e-9)


def test_meat_that_is_not_value_its_way_has_no_break_even_price():
    built = land(replace(OFFER, fresh_usd_per_lb=0.10), RATES)
    assert built.break_even_price is None


def test_thawed_meat_is_fatter_and_dearer():
    built = land(replace(OFFER, thaw_lean_loss_share=0.03), RATES)
    assert built.kept_share == pytest.approx(0.973)
    assert built.thawed_lean == pytest.approx(0.873 / 0.973)
    assert built.thawed_usd_per_lb == pytest.approx(built.landed_usd_per_lb / 0.973)
    points = 100 * (0.9 - 0.873 / 0.973)
    assert built.line(Cost.LEAN).usd_per_lb == pytest.approx(points * OFFER.point_usd_per_lb)


# Rates that are not known -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"assessment_usd_per_kg": None}, "assessment_usd_per_kg"),
        ({"origin": "Brazil"}, "surcharge_share"),
        (
            {"origin": "Australia", "quota": Quota.OVER_QUOTA},
            "duty_usd_per_kg or duty_share",
        ),
        ({"tariff_line": "0202.30.99"}, "duty_usd_per_kg or duty_share"),
        ({"origin": "Mexico", "quota": Quota.NO_QUOTA}, "surcharge_share"),
        ({"program": "USMCA"}, "duty_usd_per_kg or duty_share"),
    ],
)
def test_an_unknown_rate_must_be_given(changes, column):
    with pytest.raises(InputRefused) as told:
        land(replace(OFFER, **changes), RATES)
    (problem,) = told.value.problems
    assert problem.column == column
    given_rates = {
        "assessment_usd_per_kg": {"assessment_usd_per_kg": 0.01},
        "surcharge_share": {"surcharge_share": 0.4},
    }.get(column, {"duty_share": 0.2})
    assert land(replace(OFFER, **changes | given_rates), RATES).landed_usd_per_lb > 3


def test_what_offers_lack_is_listed_and_the_others_are_priced():
    lacking = replace(OFFER, assessment_usd_per_kg=None)
    found = landed([lacking, OFFER, replace(lacking, origin="Brazil")], RATES)
    assert len(found.not_priced) == 3
    assert [each.offer for each in found.built] == [OFFER]
    with pytest.raises(InputRefused) as refused:
        landed([lacking], RATES)
    assert len(refused.value.problems) == 1


def test_the_rate_that_speaks_most_closely_and_is_in_force_is_taken():
    def found(day: date, origin: str = "New Zealand") -> str:
        offer = replace(OFFER, entry_on=day, origin=origin)
        return find_rate(RATES, RateKind.MPF_MAX, offer).rate_id

    assert found(date(2025, 9, 30)) == "mpf_max_2025"
    assert found(date(2025, 10, 1)) == "mpf_max_2026"
    assert found(date(2027, 10, 1)) == "mpf_max_2026"
    assert find_rate(RATES, RateKind.MPF, replace(OFFER, origin="australia")).value == 0
    before_all = replace(OFFER, entry_on=date(2020, 1, 1))
    assert find_rate(RATES, RateKind.MPF_MAX, before_all) is None


def test_beef_of_an_origin_without_quota_enters_at_the_rate_in_quota():
    mexico = replace(OFFER, origin="Mexico", surcharge_share=0.0)
    free = land(replace(mexico, quota=Quota.NO_QUOTA), RATES)
    within = land(replace(mexico, quota=Quota.IN_QUOTA), RATES)
    assert free.landed_usd_per_lb == within.landed_usd_per_lb
    assert [rate.origin for rate in free.quota_rates] == ["Mexico"]
    with pytest.raises(InputRefused, match="no rate says that Uruguay has no quota"):
        land(replace(OFFER, origin="Uruguay", quota=Quota.NO_QUOTA), RATES)


def test_a_preference_counts_only_for_offers_that_claim_it():
    preferred = ImportRate("own", RateKind.DUTY_IN_QUOTA, 0.0, RateUnit.SHARE, program="USMCA",
                           tariff_line="0202.30", verified="own", source="own")  # fmt: skip
    rates = (*RATES, preferred)
    dues = {
        program: next(
            line.usd_per_lb
            for line in land(replace(OFFER, program=program), rates).lines
            if line.cost is Cost.DUTY
        )
        for program in ("", "usmca")
    }
    assert dues[""] > 0 == dues["usmca"]
