"""Every line of a landed price against a second computation from the offer and the rates."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.imports import Basis, BuildUp, Cost, ForeignOffer, Quota, RateKind, RateUnit
from blend.errors import InputRefused
from blend.trader.import_parity import land
from tests.published.test_import_parity import OFFER, RATES
from tests.trader.test_import_parity import offers

KG_PER_LB = 0.45359237


def value_of(offer: ForeignOffer, kind: RateKind, entry_usd: float = 1.0) -> float:
    """The rate that names the offer's origin and most of its tariff line; the packaged rates are
    all in force on the day."""
    rates = [r for r in RATES if r.concerns(kind, offer.origin, offer.tariff_line)]
    rate = max(rates, key=lambda rate: (rate.origin != "", len(rate.tariff_line)))
    by_weight = rate.unit is RateUnit.USD_PER_KG
    return rate.value * (offer.net_weight_lb * KG_PER_LB if by_weight else entry_usd)


def expected_usd(offer: ForeignOffer, value_usd: float) -> dict[Cost, float]:
    """Each line before thawing for the whole entry, at a customs value."""
    lb = offer.net_weight_lb
    freight = offer.ocean_freight_usd_per_lb * lb
    insurance = offer.insurance_share * (value_usd + freight)
    in_quota = offer.quota is Quota.IN_QUOTA
    duty = RateKind.DUTY_IN_QUOTA if in_quota else RateKind.DUTY_OVER_QUOTA
    fee_share = value_of(offer, RateKind.MPF)
    least, most = value_of(offer, RateKind.MPF_MIN), value_of(offer, RateKind.MPF_MAX)
    days_share = offer.finance_share_per_year * offer.days_to_plant / 360
    return {
        Cost.ORIGIN: value_usd,
        Cost.FREIGHT: freight,
        Cost.INSURANCE: insurance,
        Cost.DUTY: value_of(offer, duty, value_usd),
        Cost.SURCHARGE: offer.surcharge_share * value_usd,
        Cost.MPF: min(max(fee_share * value_usd, least), most) if fee_share else 0.0,
        Cost.HMF: value_of(offer, RateKind.HMF, value_usd) if offer.by_sea else 0.0,
        Cost.ASSESSMENT: offer.assessment_usd_per_kg * lb * KG_PER_LB,
        Cost.HANDLING: offer.handling_usd_per_lb * lb,
        Cost.INLAND: offer.inland_usd_per_lb * lb,
        Cost.FINANCE: days_share * (value_usd + freight + insurance),
    }


def assert_lines_are_due(built: BuildUp) -> None:
    offer = built.offer
    lines = expected_usd(offer, built.customs_value_usd)
    price_covers = {
        Basis.FOB: [Cost.ORIGIN],
        Basis.CIF: [Cost.ORIGIN, Cost.FREIGHT, Cost.INSURANCE],
        Basis.DELIVERED: list(lines),
    }[offer.basis]
    units = offer.net_weight_lb * (KG_PER_LB if offer.price_per == "kg" else 1)
    paid_usd = offer.price * offer.usd_per_currency * units
    assert sum(lines[cost] for cost in price_covers) == pytest.approx(paid_usd)
    lean = offer.lean * (1 - offer.thaw_lean_loss_share)
    kept = lean + 1 - offer.lean
    landed = sum(lines.values()) / offer.net_weight_lb
    expected = {cost: usd / offer.net_weight_lb for cost, usd in lines.items()} | {
        Cost.THAW: landed / kept - landed,
        Cost.LEAN: -100 * (lean / kept - offer.fresh_lean) * offer.point_usd_per_lb,
    }
    found = {line.cost: line.usd_per_lb for line in built.lines}
    assert len(built.lines) == len(found)
    assert found == pytest.approx(expected, abs=1e-9)
    assert (built.kept_share, built.thawed_lean) == pytest.approx((kept, lean / kept))


@given(offers(), st.sampled_from(Basis), st.sampled_from(Quota), st.booleans())
def test_every_line_of_any_offer_is_what_is_due(offer, basis, quota, by_sea):
    asked = replace(offer, basis=basis, quota=quota, by_sea=by_sea, surcharge_share=0.1)
    try:
        built = land(asked, RATES)
    except InputRefused:
        return
    assert_lines_are_due(built)


def test_a_worked_offer():
    assert_lines_are_due(land(replace(OFFER, surcharge_share=0.0), RATES))
