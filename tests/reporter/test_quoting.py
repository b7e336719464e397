"""From the store: quotations are published, withheld, overridden, and made again to the digit."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from blend.domain.market import Additions, EntryKind
from blend.errors import InputRefused
from blend.reporter.assessed import Rung
from blend.reporter.corrections import corrections_of, recent
from blend.reporter.quoting import (
    Override,
    comparisons,
    figures,
    heard,
    publish,
    quote,
    requote,
    withdraw,
)
from blend.store import Store
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, method, offer, trade

FIRMS = ("Ash", "Birch", "Cedar", "Elm", "Fir")
DAYS = 12
TODAY = MONDAY + timedelta(days=DAYS - 1)


def history():
    return [
        entry
        for after in range(DAYS)
        for n, firm in enumerate(FIRMS)
        for entry in (
            trade(firm, 350 + after / 3 + n / 7, after=after),
            bid(firm, 348, after=after),
            offer(firm, 353, after=after),
        )
    ]


@pytest.fixture
def store(tmp_path):
    with Store.create(tmp_path / "market.db") as store:
        store.add(Additions((ITEM, replace(ITEM, item_id="F50")), tuple(history())))
        yield store


def published(
    store, overrides=None, *, by=METHOD, day=TODAY, reason="", who="A. Reporter", at=None
):
    known = heard(store, day, by, at)
    quoted = [quote(known, item_id, by) for item_id in known.items]
    return publish(store, known, quoted, by, who, overrides, reason)


def test_what_is_quoted_is_published_and_the_rest_is_told(store):
    made = published(store)
    assert [each.item_id for each in made.published] == ["F90"]
    assert [each.assessed.item.item_id for each in made.not_quoted] == ["F50"]
    assert store.published("F90") == made.published
    kept = made.published[0]
    assert (kept.assessor, kept.evidence, kept.store_position) == ("A. Reporter", "trades", 1)
    assert kept.tone == "firm"


def test_a_published_quotation_is_made_again_to_the_last_digit(store):
    published(store)
    slip = trade("Ash", 399, after=DAYS - 1, corrects=history()[0].entry_id)
    late = [trade(f"New {n}", 360, after=DAYS - 1) for n in range(9)]
    corrected = store.entries("F90", (TODAY, TODAY))[0]
    store.add(Additions(entries=(replace(slip, corrects=corrected.entry_id), *late)))
    store.add(Additions((replace(ITEM, lean=0.91),)))
    again = requote(store, "F90", TODAY)
    assert again.is_same
    assert again.assessed.usd_per_cwt == again.published.assessed_usd_per_cwt
    now = quote(heard(store, TODAY, METHOD), "F90", METHOD).assessed
    assert now.usd_per_cwt != again.assessed.usd_per_cwt


def test_it_is_made_again_by_the_method_of_then(store):
    other = method(version="other", min_trades=99)
    published(store, by=other)
    again = requote(store, "F90", TODAY)
    assert again.is_same and again.assessed.method_digest == other.digest
    assert again.assessed.rung is Rung.THIN_TRADES


def test_what_is_carried_from_a_published_quotation_is_made_again(store):
    tomorrow = TODAY + timedelta(days=1)
    published(store, {"F90": Override(361.0, "heard after the close")})
    carried = published(store, day=tomorrow).published[0]
    assert (carried.evidence, carried.usd_per_cwt) == ("carried", 361.0)
    published(store, {"F90": Override(355.0, "a second thought")})
    assert requote(store, "F90", tomorrow).assessed.usd_per_cwt == 361.0


def test_an_override_is_kept_beside_the_methods_number(store):
    made = published(store, {"F90": Override(352.5, "two loads of poor color")}).published[0]
    assert made.usd_per_cwt == 352.5 and made.override_reason == "two loads of poor color"
    assert made.assessed_usd_per_cwt == pytest.approx(353.97, abs=0.3)
    assert requote(store, "F90", TODAY).is_same


def test_what_would_show_a_firm_is_withheld(store):
    made = published(store, by=method(confidential_firms=6))
    assert [each.assessed.item.item_id for each in made.withheld] == ["F90"]
    assert store.published() == ()


def test_a_quotation_carried_past_a_lone_bid_waits_for_the_reporters_price(store):
    tomorrow = TODAY + timedelta(days=1)
    store.add(Additions(entries=(bid("Ash", 500, after=DAYS),)))
    made = published(store, day=tomorrow)
    assert [each.assessed.item.item_id for each in made.undecided] == ["F90"]
    assert store.published() == () and not made.undecided[0].may_be_published
    own = {"F90": Override(354.0, "carried: nobody else would pay it")}
    made = published(store, own, day=tomorrow)
    assert [each.usd_per_cwt for each in made.published] == [354.0]


def test_an_earlier_publication_can_be_made_again(store):
    first = published(store).published[0]
    store.add(Additions(entries=(trade("Gum", 356, after=DAYS - 1),)))
    second = published(store, reason="a late trade").published[0]
    assert first.assessed_usd_per_cwt != second.assessed_usd_per_cwt
    earlier = requote(store, "F90", TODAY, as_of=first.published_at)
    # Both may have been recorded within one tick of the clock; then the last of them counts.
    assert earlier.published in (first, second) and earlier.is_same
    assert requote(store, "F90", TODAY).published == second


def test_what_was_not_published_cannot_be_made_again(store):
    with pytest.raises(InputRefused, match="what was published"):
        requote(store, "F90", TODAY)


def test_an_unknown_item_is_told_with_those_there_are(store):
    with pytest.raises(InputRefused, match=r"F9O.*F50, F90. Did you mean F90"):
        quote(heard(store, TODAY, METHOD), "F9O", METHOD)


def test_figures_are_as_published_and_hold_no_carried_day(store):
    published(store, {"F90": Override(361.0, "why")})
    published(store, day=TODAY + timedelta(days=1))
    days = figures(store, ITEM, MONDAY, TODAY + timedelta(days=3), METHOD)
    assert [each.day for each in days] == [MONDAY + timedelta(days=n) for n in range(DAYS)]
    assert days[-1].usd_per_cwt == 361.0
    assert days[-1].trade_average_usd_per_cwt == pytest.approx(353.95, abs=0.1)
    assert days[0].pounds_lb == 200_000


def test_spans_are_of_the_items_asked_for(store):
    (made,) = comparisons(store, ["F90"], TODAY, METHOD)
    assert made.item == ITEM and made.five_days.days == 5
    with pytest.raises(InputRefused):
        comparisons(store, ["F9O"], TODAY, METHOD)


# Corrections --------------------------------------------------------------------------------------


def test_a_change_after_publication_needs_a_reason_and_makes_a_notice(store):
    first = published(store).published[0]
    assert not published(store).corrections, "the same price again is no correction"
    slip = next(e for e in store.entries(days=(TODAY, TODAY)) if e.kind is EntryKind.TRADE)
    fixed = replace(
        slip, entry_id="fixed", usd_per_cwt=slip.usd_per_cwt + 2, corrects=slip.entry_id
    )
    store.add(Additions((), (fixed,)))
    with pytest.raises(InputRefused, match="Enter the reason"):
        published(store)
    (notice,) = published(store, reason="a trade was misheard").corrections
    assert notice.before_usd_per_cwt == first.usd_per_cwt
    assert notice.after_usd_per_cwt == store.published("F90")[0].usd_per_cwt
    assert "Reason: a trade was misheard." in notice.notice
    assert recent([notice], TODAY) and not recent([notice], TODAY - timedelta(days=1))


def test_two_people_publishing_at_once_are_told_of_each_other(store):
    seen = store.position()
    published(store, at=seen)
    with pytest.raises(InputRefused, match=r"published by A\. Reporter"):
        published(store, at=seen, who="B. Reporter")
    assert len(store.every_published("F90")) == 1


def test_a_withdrawn_quotation_no_longer_stands_and_may_be_published_again(store):
    published(store)
    gone = withdraw(store, heard(store, TODAY, METHOD), ["F90"], METHOD, "A. Reporter", "a slip")
    assert [each.after_usd_per_cwt for each in gone.corrections] == [None]
    assert store.published("F90") == ()
    assert published(store).published
    assert len(corrections_of(store.every_published())) == 1


def test_a_price_far_from_the_methods_needs_a_second_name_where_the_method_says_so(store):
    by = method(second_name_moves=2.0)
    far = Override(380.0, "one load of poor color")
    with pytest.raises(InputRefused, match="second person"):
        published(store, {"F90": far}, by=by)
    with pytest.raises(InputRefused, match="second person"):
        published(store, {"F90": replace(far, second="A. Reporter")}, by=by)
    made = published(store, {"F90": replace(far, second="B. Editor")}, by=by).published
    assert made[0].second_assessor == store.published("F90")[0].second_assessor == "B. Editor"
