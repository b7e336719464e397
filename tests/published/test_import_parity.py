"""Duty arithmetic on published rates.

The rates are those of specs/import_rates.csv: 4.4 cents a kg within quota and 26.4% over it
(HTS 0202.30.50 and 0202.30.80), the merchandise processing fee of fiscal year 2026 (19 CFR
24.23; CBP Dec. 25-10) and the harbor maintenance fee (19 CFR 24.24(a)). The sums are worked
here by hand: 300 cents a lb on board, 25,000 kg, freight 12 cents, insurance 0.3% of both.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from blend.domain.imports import Basis, Cost, ForeignOffer, Quota
from blend.tables.imports import packaged_rates
from blend.trader.import_parity import Doubt, doubts, land
from blend.units import LB_PER_KG

RATES = tuple(packaged_rates().values())
IN_FORCE = date(2026, 3, 2)

OFFER = ForeignOffer(
    offer_id="worked",
    item="frozen 90 CL",
    origin="New Zealand",
    tariff_line="0202.30.50",
    lean=0.9,
    price=3.00,
    currency="USD",
    price_per="lb",
    usd_per_currency=1.0,
    basis=Basis.FOB,
    net_weight_lb=25_000 * LB_PER_KG,
    entry_on=IN_FORCE,
    quota=Quota.IN_QUOTA,
    ocean_freight_usd_per_lb=0.12,
    insurance_share=0.003,
    handling_usd_per_lb=0.0,
    inland_usd_per_lb=0.0,
    days_to_plant=0,
    finance_share_per_year=0.0,
    thaw_lean_loss_share=0.0,
    fresh_usd_per_lb=3.40,
    fresh_lean=0.9,
    point_usd_per_lb=0.0675,
    assessment_usd_per_kg=0.0,
)


@pytest.mark.parametrize(
    ("changes", "duty_usd", "mpf_usd", "landed_cents"),
    [
        pytest.param({}, 1_100.00, 572.76, 316.35, id="within quota"),
        pytest.param({"quota": Quota.OVER_QUOTA}, 43_651.53, 572.76, 393.55, id="over quota"),
        pytest.param({"origin": "Australia"}, 0.0, 0.0, 313.31, id="free trade agreement"),
    ],
)
def test_landed_cost(changes, duty_usd, mpf_usd, landed_cents):
    built = land(replace(OFFER, **changes), RATES)
    entry_lb = OFFER.net_weight_lb
    assert built.customs_value_usd == pytest.approx(165_346.70, abs=0.01)
    assert built.line(Cost.DUTY).usd_per_lb * entry_lb == pytest.approx(duty_usd, abs=0.005)
    assert built.line(Cost.MPF).usd_per_lb * entry_lb == pytest.approx(mpf_usd, abs=0.005)
    assert built.line(Cost.HMF).usd_per_lb * entry_lb == pytest.approx(206.68, abs=0.005)
    assert 100 * built.landed_usd_per_lb == pytest.approx(landed_cents, abs=0.005)


def test_duty_by_weight_in_cents_a_lb():
    assert 100 * land(OFFER, RATES).line(Cost.DUTY).usd_per_lb == pytest.approx(1.9958, abs=5e-5)


@pytest.mark.parametrize(
    ("usd_per_lb", "mpf_usd"),
    [
        (3.60, 651.50),  # at its most: 1.182 cents a lb, not 1.247
        (3.42, 651.50),  # the most binds above 188,077 USD, 341.2 cents
        (3.41, 0.003464 * 3.41 * 25_000 * LB_PER_KG),
    ],
)
def test_the_processing_fee_stops_at_its_max(usd_per_lb, mpf_usd):
    built = land(replace(OFFER, price=usd_per_lb), RATES)
    assert built.line(Cost.MPF).usd_per_lb * OFFER.net_weight_lb == pytest.approx(mpf_usd, abs=0.01)


@pytest.mark.parametrize(
    ("value_usd", "mpf_usd"), [(9_693.0, 33.58), (9_695.0, 33.5835), (100.0, 33.58)]
)
def test_the_processing_fee_begins_at_its_min(value_usd, mpf_usd):
    price = value_usd / OFFER.net_weight_lb
    built = land(replace(OFFER, price=price), RATES)
    assert built.line(Cost.MPF).usd_per_lb * OFFER.net_weight_lb == pytest.approx(mpf_usd, abs=1e-3)


def test_a_rate_in_another_currency_and_unit():
    """950 Australian cents a kg at 0.65 is 280.09 US cents a lb."""
    offer = replace(OFFER, price=9.50, currency="AUD", price_per="kg", usd_per_currency=0.65)
    assert 100 * land(offer, RATES).line(Cost.ORIGIN).usd_per_lb == pytest.approx(280.09, abs=0.005)


def test_mechanically_deboned_beef_pays_ten_percent():
    """US Customs, ruling NY G82353 (2000): at 300 cents a lb, 30.0 and not 2.0 cents."""
    built = land(replace(OFFER, tariff_line="0202.30.30"), RATES)
    assert 100 * built.line(Cost.DUTY).usd_per_lb == pytest.approx(30.0)


def test_fees_of_an_ended_year_are_flagged():
    late = replace(OFFER, entry_on=date(2026, 11, 25))
    ended = [rate for doubt, rate, _ in doubts([land(late, RATES)]) if doubt is Doubt.ENDED]
    assert len(ended) == 3
    assert {rate.valid_to for rate in ended} == {date(2026, 9, 30)}
    assert Doubt.ENDED not in {doubt for doubt, *_ in doubts([land(OFFER, RATES)])}


def test_fees_of_the_year_before_are_that_year_s():
    built = land(
        replace(
            OFFER,
            price=3.6,
            entry_on=date(2025, 3, 2),
            surcharge_share=0.0,
        ),
        tuple(
            replace(rate, valid_from=None) if rate.rate_id == "mpf_2026" else rate for rate in RATES
        ),
    )
    assert built.line(Cost.MPF).usd_per_lb * OFFER.net_weight_lb == pytest.approx(634.62)
