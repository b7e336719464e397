"""The 3/70/20 guideline of USDA Market News (glossary; notice of August 2001), part by part."""

from __future__ import annotations

from datetime import timedelta

from blend.reporter.confidential import confidentiality
from tests.reporter.canvass import METHOD, MONDAY, talk, trade

LAST = MONDAY + timedelta(days=59)
FIRMS = ("Ash", "Birch", "Cedar", "Elm")


def held(entries, day=LAST):
    return confidentiality("F90", day, entries, METHOD)


def every_day(firms=FIRMS, days=range(60)):
    return [trade(firm, 350, after=day) for day in days for firm in firms]


def test_four_firms_that_share_alike_may_be_shown():
    made = held(every_day())
    assert made.may_be_shown and made.days == 60 and made.firms_often == 4
    assert made.largest_share == 0.25 and made.sole_share == 0


def test_three_firms_must_report_half_of_the_time():
    two_often = [*every_day(FIRMS[:2]), *every_day(FIRMS[2:], range(29))]
    assert held(two_often).failed == ("firms",)
    assert held([*every_day(FIRMS[:2]), *every_day(FIRMS[2:], range(30))]).may_be_shown


def test_seventy_per_cent_of_the_pounds_is_too_much():
    def one_large(pounds_lb):
        return [
            trade(firm, 350, after=day, pounds_lb=pounds_lb if firm == "Ash" else 10_000)
            for day in range(60)
            for firm in FIRMS
        ]

    assert held(one_large(70_000)).failed == ("largest",)
    assert held(one_large(69_000)).may_be_shown


def test_a_firm_may_be_the_only_one_on_a_fifth_of_the_days():
    def alone(days):
        return [*every_day(FIRMS, range(60 - days)), *every_day(FIRMS[:1], range(60 - days, 60))]

    assert held(alone(12)).may_be_shown
    assert held(alone(13)).failed == ("sole",)


def test_only_the_days_looked_back_on_count():
    assert not held(every_day(), LAST + timedelta(days=60)).may_be_shown
    before = [talk("Ash", 350, after=-1) for _ in range(500)]
    assert held([*before, *every_day()]).may_be_shown


def test_one_firm_under_several_spellings_is_one():
    spelt = [*every_day(("Ash", "ASH ", " ash", "Birch"))]
    assert held(spelt).firms_often == 2
