"""Landed prices agree with a second computation from the offer and the rates."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.imports import Basis, Cost, Quota
from blend.errors import InputRefused
from blend.trader.import_parity import land
from tests.check.landed import landed_faults
from tests.published.test_import_parity import OFFER, RATES
from tests.trader.test_import_parity import offers

ABROAD = replace(
    OFFER,
    price=9.5,
    currency="AUD",
    price_per="kg",
    usd_per_currency=0.65,
    handling_usd_per_lb=0.01,
    inland_usd_per_lb=0.04,
    days_to_plant=45,
    finance_share_per_year=0.06,
    thaw_lean_loss_share=0.03,
)
LANDED = land(ABROAD, RATES)
WORTHLESS = land(replace(ABROAD, fresh_usd_per_lb=0.10), RATES)


def sound(built, rates=RATES) -> bool:
    return not landed_faults(built, rates)


@pytest.mark.parametrize(
    "changes",
    [
        {name: getattr(ABROAD, name) * 1.01}
        for name in (
            "lean",
            "price",
            "usd_per_currency",
            "net_weight_lb",
            "ocean_freight_usd_per_lb",
            "insurance_share",
            "handling_usd_per_lb",
            "inland_usd_per_lb",
            "finance_share_per_year",
            "thaw_lean_loss_share",
            "fresh_usd_per_lb",
            "fresh_lean",
            "point_usd_per_lb",
        )
    ]
    + [
        {"price_per": "lb"},
        {"basis": Basis.CIF},
        {"basis": Basis.DELIVERED},
        {"days_to_plant": 46},
        {"by_sea": False},
        {"currency": "USD"},
        {"duty_share": 0.1},
        {"duty_usd_per_kg": 0.1},
        {"surcharge_share": 0.1},
        {"assessment_usd_per_kg": 0.01},
        {"quota": Quota.OVER_QUOTA},
        {"origin": "Australia"},
        {"tariff_line": "0202.30.30"},
        {"entry_on": date(2025, 9, 30)},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_a_build_up_is_of_its_own_offer(changes):
    assert not sound(replace(LANDED, offer=replace(ABROAD, **changes)))


def test_a_closer_rate_would_have_had_to_be_used():
    """One that names the origin, or the tariff line more closely, or is in force."""
    (hmf,) = LANDED.line(Cost.HMF).rates
    for closer in (
        replace(hmf, origin="New Zealand"),
        replace(hmf, tariff_line="0202.30"),
    ):
        assert not sound(LANDED, (*RATES, closer))
        assert sound(land(ABROAD, (*RATES, closer)), (*RATES, closer))
    ended = replace(hmf, valid_to=date(2026, 1, 1))
    others = tuple(rate for rate in RATES if rate is not hmf)
    assert sound(land(ABROAD, (*others, ended)), (*others, ended))
    assert not sound(land(ABROAD, (*others, ended)), (*RATES, ended))
    later = replace(hmf, origin="New Zealand", valid_from=date(2026, 4, 1))
    assert sound(LANDED, (*RATES, later))


@given(offers(), st.sampled_from(Basis), st.data())
def test_build_ups_of_any_offer_agree_and_moved_ones_do_not(offer, basis, data):
    surcharge = data.draw(st.sampled_from((None, 0.0, 0.1, 0.4)))
    try:
        built = land(replace(offer, basis=basis, surcharge_share=surcharge), RATES)
    except InputRefused:
        return
    assert not landed_faults(built, RATES)
    cost = data.draw(st.sampled_from(Cost))
    lines = [
        replace(line, usd_per_lb=line.usd_per_lb + 1e-6) if line.cost is cost else line
        for line in built.lines
    ]
    assert not sound(replace(built, lines=tuple(lines)))
    if built.break_even_price is not None:
        assert not sound(replace(built, break_even_price=built.break_even_price + 1e-5))
        rate = built.break_even_usd_per_currency
        assert not sound(replace(built, break_even_usd_per_currency=rate + 1e-5))
