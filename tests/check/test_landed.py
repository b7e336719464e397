"""Landed prices computed again: right build-ups pass, each thing moved in them is found."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.imports import Basis, Cost, Quota, RateKind
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


# Corruptions: each returns a build-up with one thing wrong in it


def _line(cost, **fields):
    lines = [replace(line, **fields) if line.cost is cost else line for line in LANDED.lines]
    return replace(LANDED, lines=tuple(lines))


def _two_lines_moved():
    """The sum stays, two lines are wrong."""
    by = {Cost.DUTY: 1e-4, Cost.HMF: -1e-4}
    lines = [
        replace(line, usd_per_lb=line.usd_per_lb + by.get(line.cost, 0.0)) for line in LANDED.lines
    ]
    return replace(LANDED, lines=tuple(lines))


def _of_another_quota():
    """The duty over quota on an entry within it."""
    other = land(replace(ABROAD, quota=Quota.OVER_QUOTA), RATES)
    return replace(other, offer=ABROAD)


def _fee_of_another_year():
    rates = tuple(
        replace(rate, valid_from=None, valid_to=None)
        for rate in RATES
        if rate.rate_id != "mpf_max_2026"
    )
    return land(ABROAD, rates)


CORRUPTIONS = {
    **{
        f"{name} moved": lambda name=name: replace(LANDED, **{name: getattr(LANDED, name) + 1e-6})
        for name in (
            "landed_usd_per_lb",
            "kept_share",
            "thawed_lean",
            "thawed_usd_per_lb",
            "next_to_fresh_usd_per_lb",
            "indifferent_price",
            "indifferent_usd_per_currency",
        )
    },
    "customs value moved": lambda: replace(LANDED, customs_value_usd=LANDED.customs_value_usd + 1),
    "a customs value of nothing": lambda: replace(LANDED, customs_value_usd=0.0),
    "a line moved": lambda: _line(Cost.DUTY, usd_per_lb=0.02),
    "two lines moved": _two_lines_moved,
    "a line twice": lambda: replace(LANDED, lines=(*LANDED.lines, LANDED.lines[0])),
    "a line left out": lambda: replace(LANDED, lines=LANDED.lines[:-1]),
    "a rate left out": lambda: _line(Cost.HMF, rates=()),
    "a rate of something else": lambda: _line(Cost.HMF, rates=LANDED.line(Cost.DUTY).rates),
    "the duty over quota": _of_another_quota,
    "the fee of another year": _fee_of_another_year,
    "no indifferent price": lambda: replace(
        LANDED, indifferent_price=None, indifferent_usd_per_currency=None
    ),
    "no indifferent rate": lambda: replace(LANDED, indifferent_usd_per_currency=None),
    "a rate though worth nothing": lambda: replace(WORTHLESS, indifferent_usd_per_currency=0.1),
    "a price though worth nothing": lambda: replace(
        WORTHLESS, indifferent_price=0.1, indifferent_usd_per_currency=0.1
    ),
}


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
def test_build_ups_of_any_offer_are_borne_out_and_moved_ones_are_not(offer, basis, data):
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
    if built.indifferent_price is not None:
        assert not sound(replace(built, indifferent_price=built.indifferent_price + 1e-5))
        rate = built.indifferent_usd_per_currency
        assert not sound(replace(built, indifferent_usd_per_currency=rate + 1e-5))


def test_a_fee_is_looked_up_where_one_is_due():
    """Without a processing fee its limits are not asked for; with one they must be there."""
    free = land(replace(ABROAD, origin="Australia"), RATES)
    assert {rate.charge for rate in free.line(Cost.MPF).rates} == {RateKind.MPF}
    assert sound(free)
    fee = LANDED.line(Cost.MPF).rates
    for kind in (RateKind.MPF, RateKind.MPF_MIN, RateKind.MPF_MAX):
        assert not sound(_line(Cost.MPF, rates=tuple(rate for rate in fee if rate.charge != kind)))
