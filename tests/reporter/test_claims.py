"""Sentences of a note checked against the store: what agrees passes, what does not is listed."""

from __future__ import annotations

import random

import pytest

from blend.reporter.claims import ClaimKind, Facts, ItemFacts, claims_of, unverified

FACTS = Facts(
    [
        ItemFacts(
            "90s", ("fresh 90s",), 373.57, 373.0, 374.0, (-1.05, 30.49), ("imported supply",)
        ),
        ItemFacts("50s", (), 45.27, 42.75, 47.0, (1.56, -34.97)),
        ItemFacts("90 CL", ("imported 90s",), 357.0, 356.0, 358.0, (0.0,)),
    ],
    frozenset({44.0, 12.4}),
)


@pytest.mark.parametrize(
    "sentence",
    [
        "90s slipped $1.05 on the week to $373.57.",
        "50s added $1.56 to $45.27 ($42.75 to $47.00).",
        "90 CL steady at $357.",
        "Fresh 90s rose $30.49 since mid October, driven by tighter imported supply.",
        "There were 44 trades, with imports 12.4% under last year.",
    ],
)
def test_what_agrees_with_the_store_is_verified(sentence):
    assert not unverified(sentence, FACTS)


@pytest.mark.parametrize(
    ("sentence", "kind"),
    [
        ("90s slipped $1.50 on the week.", ClaimKind.PRICE),
        ("90s closed at $45.27.", ClaimKind.PRICE),  # another item's price
        ("90 CL fell.", ClaimKind.DIRECTION),
        ("90s slipped $30.49 since mid October.", ClaimKind.DIRECTION),  # that change was a rise
        ("Prices rose across the board.", ClaimKind.DIRECTION),
        ("50s rose due to lower slaughter.", ClaimKind.CAUSE),  # the model names no cause
        ("90s slipped because of weak retail demand.", ClaimKind.CAUSE),  # not the model's
        ("90s were the strongest item of the week.", ClaimKind.RANK),
        ("There were 440 trades.", ClaimKind.NUMBER),
    ],
)
def test_what_does_not_is_listed_with_its_kind(sentence, kind):
    assert kind in [claim.kind for claim in unverified(sentence, FACTS)]
    assert all(claim.why for claim in unverified(sentence, FACTS))


def test_an_invented_paragraph_leaves_nothing_verified_that_is_wrong():
    text = (
        "90s slipped $1.05 to $373.57. "
        "Cow slaughter fell 7% and 50s jumped to $61.00 on tight supply."
    )
    listed = unverified(text, FACTS)
    assert {claim.value for claim in listed if claim.value is not None} == {7.0, 61.0}
    assert all("90s slipped" not in claim.sentence for claim in listed)


def test_no_wrong_price_is_ever_verified():
    rng = random.Random(5)
    for _ in range(500):
        item = rng.choice(FACTS.items)
        price = round(rng.uniform(30, 400), 2)
        known = {item.usd_per_cwt, item.low_usd_per_cwt, item.high_usd_per_cwt,
                 *map(abs, item.changes_usd_per_cwt), *FACTS.numbers}  # fmt: skip
        claims = claims_of(f"{item.item_id} traded at ${price:.2f}.", FACTS)
        (claim,) = [each for each in claims if each.value == price]
        if all(abs(price - each) > 0.005 and price != round(each) for each in known):
            assert not claim.is_verified
