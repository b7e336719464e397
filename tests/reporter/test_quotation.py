"""Quotations: the ladder rung by rung, one voice a firm, nothing dropped in silence."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter.assessed import Code, Confidence, Rung
from blend.reporter.evidence import Use
from blend.reporter.quotation import assess, assess_day, publication_of
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, method, offer, talk, trade

FIVE = [
    trade("Ash", 350),
    trade("Birch", 351),
    trade("Cedar", 349),
    trade("Elm", 350.5),
    trade("Fir", 350),
]


def quoted(*entries, item=ITEM, by=METHOD, day=MONDAY, published=()):
    return assess(item, day, entries, by, published)


def use_of(assessed, entry) -> Use:
    return next(each.use for each in assessed.evidence if each.entry == entry)


# The ladder -------------------------------------------------------------------------------------


def test_trades_that_suffice_stand_alone():
    low_bid = bid("Gum", 340)
    made = quoted(*FIVE, low_bid, talk("Hazel", 400))
    assert (made.rung, made.confidence, made.codes) == (
        Rung.TRADES,
        Confidence.HIGH,
        (Code.OUTLIERS_LEFT_OUT,),
    )
    assert made.usd_per_cwt == pytest.approx(350.1, abs=0.2)
    assert (made.trades, made.pounds_lb, made.firms) == (5, 200_000, 5)
    assert made.shares.trades == pytest.approx(1)
    assert (made.low_usd_per_cwt, made.high_usd_per_cwt) == (349, 351)
    assert use_of(made, low_bid) in (Use.HIGHER_EVIDENCE, Use.OUTLIER)
    assert made.trade_average_usd_per_cwt == pytest.approx(350.1)
    assert 0 < made.standard_error_usd_per_cwt < 1


def test_thin_trades_are_set_beside_bids_and_offers():
    # One trade at weight 1; two pairs at 350 of weight one half each.
    sides = bid("Birch", 349), offer("Cedar", 351), bid("Elm", 349), offer("Fir", 351)
    made = quoted(trade("Ash", 352), *sides)
    assert made.rung is Rung.THIN_TRADES
    assert {Code.TRADES_FEW, Code.POUNDS_FEW, Code.FIRMS_FEW} <= set(made.codes)
    # The median of 352 at one half and 350 at one half is 351, at the offers.
    assert made.usd_per_cwt == pytest.approx(351)
    assert made.shares == pytest.approx((0.5, 0.5, 0, 0))
    assert made.confidence is Confidence.MODERATE
    assert made.standard_error_usd_per_cwt is None and Code.SCALE_UNKNOWN in made.codes


def test_bids_and_offers_alone_give_the_middle_between_the_best():
    bids = bid("Ash", 348), bid("Birch", 348), bid("Cedar", 344)
    made = quoted(*bids, offer("Elm", 352), offer("Fir", 352))
    assert (made.rung, made.usd_per_cwt) == (Rung.BIDS_OFFERS, 350)
    assert Code.BIDS_OFFERS_OUTWEIGH in made.codes
    assert sorted(each.use for each in made.evidence) == ["no_pair", *["used"] * 4]
    assert (made.firms_bidding, made.firms_offering) == (3, 2)


def test_more_bids_do_not_pull_the_middle_down():
    both = bid("Ash", 348), bid("Birch", 348), offer("Elm", 352), offer("Fir", 352)
    many = quoted(*both, *(bid(f"Firm {n}", 347) for n in range(9)))
    assert many.usd_per_cwt == quoted(*both).usd_per_cwt == 350


def test_bids_alone_make_no_price():
    made = quoted(bid("Ash", 348), bid("Birch", 349))
    assert (made.rung, made.usd_per_cwt) == (Rung.NOT_QUOTED, None)
    assert Code.ONE_SIDED in made.codes
    assert made.confidence is Confidence.NONE


def test_crossed_bids_and_offers_are_flagged_and_not_averaged():
    made = quoted(bid("Ash", 353), offer("Birch", 351), talk("Cedar", 352), talk("Elm", 351))
    assert made.rung is Rung.OTHER
    assert Code.CROSSED in made.codes
    assert made.usd_per_cwt == pytest.approx(351.5)
    assert [each.use for each in made.evidence[:2]] == [Use.CROSSED, Use.CROSSED]


def test_other_information_stands_behind_bids_and_offers():
    made = quoted(bid("Ash", 349), talk("Birch", 351), talk("Cedar", 352))
    assert made.rung is Rung.OTHER and made.confidence is Confidence.LOW
    assert Code.OTHER_INFORMATION in made.codes
    assert made.shares.other == pytest.approx(1)


def test_a_bid_that_is_not_firm_is_other_information():
    made = quoted(bid("Ash", 349, is_firm=False), offer("Birch", 351), talk("Cedar", 350))
    assert made.rung is Rung.OTHER
    assert made.usd_per_cwt == pytest.approx(349.5)


def test_one_firm_alone_sets_no_quotation():
    made = quoted(trade("Ash", 350), trade("Ash", 351), bid("ash", 349), offer(" Ash ", 352))
    assert made.rung is Rung.NOT_QUOTED
    assert {each.use for each in made.evidence} == {Use.TOO_THIN, Use.HIGHER_EVIDENCE}


def test_thin_evidence_gives_way_to_what_two_companies_bid_or_offer():
    said = talk("Ash", 349), talk("Birch", 349)
    made = quoted(*said, bid("Cedar", 353), bid("Elm", 350))
    assert made.usd_per_cwt == 350 and Code.AT_BID in made.codes
    made = quoted(*said, offer("Cedar", 345), offer("Elm", 348))
    assert made.usd_per_cwt == 348 and Code.AT_OFFER in made.codes


# No quotation from a lone bid or offer ----------------------------------------------------------

TUESDAY = MONDAY + timedelta(days=1)


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        ([bid("Gum", 550, 1)], Code.ONLY_ONE_BID),
        ([offer("Gum", 150, 1)], Code.ONLY_ONE_OFFER),
        ([bid("Gum", 550, 1), bid("Hazel", 549, 1)], Code.ONLY_BIDS_OFFERS),
        ([bid("Gum", 550, 1), offer("Hazel", 552, 1)], Code.ONLY_BIDS_OFFERS),
        (
            [bid("Gum", 550, 1), offer("Hazel", 552, 1), offer("Ivy", 552, 1)],
            Code.ONLY_BIDS_OFFERS,
        ),
        ([bid("Gum", 550, 1), offer("Hazel", 549, 1)], Code.ONLY_BIDS_OFFERS),
        ([trade("Ash", 350, 1), bid("Gum", 550, 1), offer("Ivy", 552, 1)], Code.ONLY_BIDS_OFFERS),
    ],
)
def test_too_few_companies_on_a_side_leave_the_last_quotation_unchanged(entries, why):
    made = quoted(*FIVE, *entries, day=TUESDAY)
    assert made.rung is Rung.CARRIED and made.usd_per_cwt == quoted(*FIVE).usd_per_cwt
    assert why in made.codes and made.needs_decision


def test_a_carried_quotation_nobody_bids_against_needs_no_decision():
    assert not quoted(*FIVE, day=TUESDAY).needs_decision
    left_out = bid("Gum", 550, 1, delivered_within_days=45)
    assert not quoted(*FIVE, left_out, day=TUESDAY).needs_decision


def test_a_lone_bid_and_offer_make_no_quotation_without_an_earlier_one():
    made = quoted(bid("Ash", 348), offer("Birch", 352))
    assert (made.rung, made.usd_per_cwt) == (Rung.NOT_QUOTED, None)
    assert Code.SIDES_FEW in made.codes


def test_one_bid_beside_talk_does_not_move_it():
    made = quoted(talk("Ash", 349), talk("Birch", 349), bid("Cedar", 450))
    assert made.usd_per_cwt == 349 and Code.OUTSIDE_SPREAD in made.codes


@pytest.mark.parametrize(
    "others", [[bid("Gum", 450)], [offer("Gum", 250)], [bid("Gum", 450), offer("Ivy", 452)]]
)
def test_lone_bids_and_offers_among_few_trades_leave_it_where_trades_put_it(others):
    few = trade("Ash", 350), trade("Birch", 352)
    assert quoted(*few, *others).usd_per_cwt == quoted(*few).usd_per_cwt == 351


def test_one_trade_that_a_bid_and_an_offer_confirm_is_quoted_at_the_trade():
    made = quoted(trade("Ash", 352), bid("Birch", 349), offer("Cedar", 351))
    assert (made.rung, made.usd_per_cwt) == (Rung.THIN_TRADES, 352)
    assert Code.WITHIN_TRADES in made.codes


@given(
    st.lists(st.tuples(st.sampled_from(("Ash", "Birch", "Cedar")), st.integers(340, 360))),
    st.integers(1, 900),
    st.sampled_from([bid, offer]),
)
def test_one_bid_among_trades_stays_in_the_traded_range(trades, price, make):
    made = quoted(*(trade(firm, usd) for firm, usd in trades), make("Gum", price))
    if made.usd_per_cwt is not None:
        prices = [usd for _, usd in trades]
        assert min(prices) - 1e-6 <= made.usd_per_cwt <= max(prices) + 1e-6


def test_trades_outside_the_standing_spread_say_so():
    made = quoted(*FIVE, bid("Gum", 351.5))
    assert made.rung is Rung.TRADES and Code.OUTSIDE_SPREAD in made.codes
    assert made.usd_per_cwt < 351 and made.confidence is Confidence.MODERATE


# Carrying ---------------------------------------------------------------------------------------


def test_the_last_quotation_is_carried_with_its_age():
    made = quoted(*FIVE, day=MONDAY + timedelta(days=3))
    assert (made.rung, made.carried_from) == (Rung.CARRIED, MONDAY)
    assert made.usd_per_cwt == quoted(*FIVE).usd_per_cwt
    assert made.shares.carried == 1 and made.trades == 0
    assert quoted(*FIVE, day=MONDAY + timedelta(days=6)).rung is Rung.NOT_QUOTED


def test_what_was_published_goes_before_what_the_method_makes_of_it():
    as_published = publication_of(
        quoted(*FIVE), assessor="A", at=datetime.now(UTC), override_usd_per_cwt=355.0,
        override_reason="two loads heard after the close",
    )  # fmt: skip
    made = quoted(*FIVE, day=MONDAY + timedelta(days=1), published=[as_published])
    assert made.usd_per_cwt == 355


def test_what_is_carried_is_not_carried_again():
    tuesday = MONDAY + timedelta(days=1)
    carried = publication_of(quoted(*FIVE, day=tuesday), assessor="A", at=datetime.now(UTC))
    made = quoted(day=MONDAY + timedelta(days=6), published=[carried])
    assert made.rung is Rung.NOT_QUOTED


# One footing ------------------------------------------------------------------------------------


def test_freight_brings_a_delivered_price_to_fob():
    entry = trade("Ash", 354.5, basis="delivered", freight_usd_per_cwt=4.5)
    made = quoted(entry, *FIVE[1:])
    assert (made.evidence[-1].entry, made.evidence[-1].usd_per_cwt) == (entry, 350)
    assert Code.FREIGHT_ADJUSTED in made.codes
    on_delivered = replace(ITEM, basis="delivered")
    fob = trade("Ash", 350, freight_usd_per_cwt=4.5)
    made = quoted(fob, *FIVE[1:], item=on_delivered)
    assert next(each.usd_per_cwt for each in made.evidence if each.entry == fob) == 354.5


def test_lean_is_adjusted_by_proportion_or_by_the_items_slope():
    entry = trade("Ash", 340, lean=0.88)
    by_proportion = quoted(entry, *FIVE[1:])
    price = next(each.usd_per_cwt for each in by_proportion.evidence if each.entry == entry)
    assert price == pytest.approx(340 * 0.90 / 0.88)
    by_slope = quoted(entry, *FIVE[1:], item=replace(ITEM, point_usd_per_cwt=5.0))
    price = next(each.usd_per_cwt for each in by_slope.evidence if each.entry == entry)
    assert price == pytest.approx(350)
    assert Code.LEAN_ADJUSTED in by_slope.codes


@pytest.mark.parametrize(
    ("more", "use"),
    [
        ({"delivered_within_days": 45}, Use.LATER_DELIVERY),
        ({"lean": 0.86}, Use.OTHER_LEAN),
        ({"basis": "delivered"}, Use.NO_FREIGHT),
        ({"between_affiliates": True}, Use.AFFILIATES),
        ({"heard_at": datetime(2026, 3, 3, 9)}, Use.LATE),
    ],
)
def test_what_does_not_count_stays_with_its_rule(more, use):
    entry = trade("Gum", 350, **more)
    made = quoted(*FIVE, entry)
    assert use_of(made, entry) is use
    assert len(made.evidence) == 6 and made.trades == 5
    code = Code.AFFILIATES_LEFT_OUT if use is Use.AFFILIATES else Code.TERMS_LEFT_OUT
    assert code in made.codes


def test_lean_three_points_off_is_still_the_item():
    assert use_of(made := quoted(*FIVE, entry := trade("Gum", 339, lean=0.87)), entry), made
    assert use_of(made, entry) is Use.USED


# Robustness -------------------------------------------------------------------------------------


def test_a_slip_of_the_hand_is_flagged_and_left_out():
    slip = trade("Gum", 530)
    made = quoted(*FIVE, slip)
    assert use_of(made, slip) is Use.OUTLIER
    assert made.usd_per_cwt == pytest.approx(quoted(*FIVE).usd_per_cwt)
    assert Code.OUTLIERS_LEFT_OUT in made.codes


def test_a_slip_of_one_entry_does_not_take_its_firm_with_it():
    slip = trade("Ash", 35.0)
    made = quoted(*FIVE, slip)
    assert use_of(made, slip) is Use.OUTLIER and use_of(made, FIVE[0]) is Use.USED


def test_equal_prices_do_not_make_a_tick_an_outlier():
    near = trade("Gum", 350.25)
    made = quoted(*(trade(f"Firm {n}", 350) for n in range(5)), near)
    assert use_of(made, near) is Use.USED


def test_with_three_firms_nothing_is_called_an_outlier():
    far = trade("Cedar", 370)
    made = quoted(trade("Ash", 350), trade("Birch", 351), far)
    assert use_of(made, far) is Use.USED
    assert made.usd_per_cwt == 351 and Code.SCALE_UNKNOWN in made.codes


def test_one_firm_is_one_voice_however_often_it_speaks():
    one_each = [trade("Ash", 350), trade("Birch", 352), trade("Cedar", 354)]
    often = [*one_each, *(trade("Cedar", 354, pounds_lb=1) for _ in range(20))]
    assert quoted(*often).usd_per_cwt == pytest.approx(quoted(*one_each).usd_per_cwt)


def test_the_largest_firm_bears_no_more_than_the_cap():
    made = quoted(*FIVE, trade("Ash", 350, pounds_lb=200_000), by=method(max_firm_share=0.9))
    shares = {}
    for each in made.evidence:
        shares[each.firm] = shares.get(each.firm, 0) + each.weight
    assert max(shares.values()) == pytest.approx(METHOD.firm_weight_cap)


def test_a_concentrated_canvass_says_so_and_falls_back():
    entries = [*FIVE[:3], trade("Ash", 350, pounds_lb=400_000)]
    made = quoted(*entries)
    assert made.rung is Rung.THIN_TRADES and Code.CONCENTRATED in made.codes


def test_at_seventy_per_cent_it_is_concentrated():
    entries = [
        trade("Ash", 350, pounds_lb=140_000),
        trade("Birch", 350, pounds_lb=30_000),
        trade("Cedar", 350, pounds_lb=30_000),
    ]
    assert Code.CONCENTRATED in quoted(*entries).codes


# Properties -------------------------------------------------------------------------------------

FIRMS = ("Ash", "Birch", "Cedar", "Elm", "Fir", "Gum", "Hazel")
some_entries = st.lists(
    st.builds(
        lambda make, firm, ticks: make(firm, 350 + ticks / 4),
        st.sampled_from([trade, bid, offer, talk]),
        st.sampled_from(FIRMS),
        st.integers(-12, 12),
    ),
    max_size=14,
)


@given(some_entries, st.randoms())
def test_the_order_of_entries_changes_nothing(entries, random):
    shuffled = random.sample(entries, len(entries))
    assert quoted(*entries) == quoted(*shuffled)


@given(some_entries)
def test_every_entry_is_accounted_for(entries):
    made = quoted(*entries)
    assert sorted(each.entry.entry_id for each in made.evidence) == sorted(
        each.entry_id for each in entries
    )
    weights = [each.weight for each in made.evidence]
    assert all(
        (weight > 0) == (each.use is Use.USED)
        for weight, each in zip(weights, made.evidence, strict=True)
    )
    if made.usd_per_cwt is None:
        assert made.rung is Rung.NOT_QUOTED and not any(weights)
    else:
        assert sum(weights) == pytest.approx(1)
        assert sum(made.shares) == pytest.approx(1)
        assert made.low_usd_per_cwt <= made.usd_per_cwt <= made.high_usd_per_cwt
        assert made.firms >= METHOD.min_firms_if_thin


@given(some_entries, st.integers(-40, 40))
def test_a_market_that_moves_as_one_moves_the_quotation_as_much(entries, ticks):
    moved = [replace(each, usd_per_cwt=each.usd_per_cwt + ticks / 4) for each in entries]
    before, after = quoted(*entries), quoted(*moved)
    assert before.rung is after.rung and before.codes == after.codes
    if before.usd_per_cwt is not None:
        assert after.usd_per_cwt == pytest.approx(before.usd_per_cwt + ticks / 4, abs=1e-5)


# Publishing -------------------------------------------------------------------------------------


def test_an_override_keeps_both_numbers_and_the_reason():
    made = quoted(*FIVE)
    at = datetime.now(UTC)
    own = publication_of(
        made, assessor="A. Reporter", at=at, override_usd_per_cwt=352.004, override_reason="why"
    )
    assert own.usd_per_cwt == 352 and own.assessed_usd_per_cwt == made.usd_per_cwt
    assert own.override_reason == "why" and "overridden" in own.rationale
    assert own.high_usd_per_cwt == 352
    with pytest.raises(ValueError, match="reason"):
        publication_of(made, assessor="A", at=at, override_usd_per_cwt=352, override_reason=" ")
    with pytest.raises(ValueError, match="not quoted"):
        publication_of(quoted(), assessor="A", at=at)


@pytest.mark.parametrize("more", [{"purchase_type": "formula"}, {"destination": "export"}])
def test_formula_forward_and_export_trades_never_enter_a_negotiated_quote(more):
    honest = [trade(firm, 350.0 + n) for n, firm in enumerate(("Ash", "Birch", "Cedar", "Elm"))]
    other = trade("Fir", 320.0, pounds_lb=4e5, **more)
    made = assess_day(ITEM, MONDAY, [*honest, other], METHOD)
    assert made.usd_per_cwt == assess_day(ITEM, MONDAY, honest, METHOD).usd_per_cwt
    assert Code.TERMS_LEFT_OUT in made.codes


def test_two_sides_of_one_deal_count_once():
    sides = [trade(firm, 352.0, deal_id="D1") for firm in ("Ash", "Birch")]
    made = assess_day(ITEM, MONDAY, [*sides, trade("Cedar", 350.0), trade("Elm", 351.0)], METHOD)
    assert (made.trades, made.pounds_lb) == (3, 120_000.0)
