"""Estimates of lots and scores of suppliers: what a buyer may rely on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.lean.estimate import CONTRADICTS_FROM, case_with_estimates, estimate_lots
from blend.lean.value import price_line
from tests.lean.logs import METHODS, history, lean_test, sheet
from tests.published.cases import make_case, make_lot

OVERSTATES = [0.012, 0.014, 0.010, 0.016, 0.008] * 4
HONEST = [0.002, -0.002, 0.001, -0.001, 0.0] * 4
LOG = [*history("Over", OVERSTATES), *history("Honest", HONEST)]
CASE = sheet(("a", "Over", 0.90), ("b", "Honest", 0.90), ("c", "Stranger", 0.90), ("d", "", 0.75))


def test_an_untested_lot_is_corrected_by_its_supplier():
    estimates = estimate_lots(CASE, LOG, METHODS)
    over, honest = estimates.lot("a"), estimates.lot("b")
    assert 0.885 < over.lean < 0.892
    assert honest.lean == pytest.approx(0.90, abs=0.003)
    assert over.own_weight == 0 and over.tested_lean is None and over.contradiction is None


def test_a_supplier_never_tested_has_a_wider_error():
    estimates = estimate_lots(CASE, LOG, METHODS)
    known, stranger = estimates.lot("b"), estimates.lot("c")
    assert stranger.standard_error_share > 1.5 * known.standard_error_share
    assert estimates.lot("d").standard_error_share == stranger.standard_error_share


def test_own_tests_pull_the_estimate_to_them_and_narrow_it():
    tests = [*LOG, lean_test("a", "Over", 0.90, 0.87), lean_test("a", "Over", 0.90, 0.872)]
    once = estimate_lots(CASE, tests[:-1], METHODS).lot("a")
    twice = estimate_lots(CASE, tests, METHODS).lot("a")
    untested = estimate_lots(CASE, LOG, METHODS).lot("a")
    assert 0.87 < twice.lean < once.lean < untested.lean
    errors = [each.standard_error_share for each in (twice, once, untested)]
    assert errors == sorted(errors)
    assert 0 < once.own_weight < twice.own_weight < 1
    assert (once.tests, twice.tests) == (1, 2)


def test_an_exact_test_settles_it():
    tests = [*LOG, lean_test("a", "Over", 0.90, 0.861, "exact")]
    lot = estimate_lots(CASE, tests, METHODS).lot("a")
    assert lot.lean == pytest.approx(0.861, abs=3e-4)
    assert lot.standard_error_share < 6e-4


@pytest.mark.parametrize(
    ("samples", "sample_lb", "variance"),
    [
        (1, None, 0.008**2 + 0.035**2),
        (12, None, 0.008**2 + 0.035**2 / 12),
        (12, 0.5, 0.008**2 + 0.035**2 / 12),
        (12, 1.0, 0.008**2 + 0.035**2 / 24),
    ],
)
def test_error_of_a_test_falls_with_samples_and_their_weight(samples, sample_lb, variance):
    assert METHODS["rough"].variance(samples, sample_lb) == pytest.approx(variance)


def test_tests_that_contradict_their_statement():
    tests = [*LOG, lean_test("b", "Honest", 0.90, 0.83), lean_test("a", "Over", 0.90, 0.888)]
    estimates = estimate_lots(CASE, tests, METHODS)
    assert [lot.lot_id for lot in estimates.contradicted] == ["b"]
    assert estimates.lot("b").contradiction > CONTRADICTS_FROM


def test_an_expected_overstatement_contradicts_nothing():
    """A statement is compared with its tests after its supplier's bias."""
    log = [*history("Over", [0.05] * 20), *history("Honest", HONEST)]
    tests = [*log, lean_test("a", "Over", 0.90, 0.85)]
    assert abs(estimate_lots(CASE, tests, METHODS).lot("a").contradiction) < 0.5


def test_scores_have_bias_lots_and_money():
    over, honest = estimate_lots(CASE, LOG, METHODS).suppliers
    assert (over.supplier, honest.supplier) == ("Over", "Honest")
    assert over.min_bias_share > 0 > honest.min_bias_share
    assert (over.lots, over.tests, over.taken_lb) == (20, 20, 20_000)
    assert over.lost_usd(3.0) == pytest.approx(20_000 * over.bias_share * 3.0)
    assert over.lot_spread_share == 0, "its lots spread by less than tests alone would"


def test_lots_taken_are_counted_once_however_often_they_were_tested():
    twice = [lean_test("x", "Over", 0.9, 0.89), lean_test("x", "Over", 0.9, 0.88)]
    (score,) = estimate_lots(CASE, twice, METHODS).suppliers
    assert (score.lots, score.tests, score.taken_lb) == (1, 2, 1000)


def test_two_tests_alone_say_little_about_a_supplier():
    few = estimate_lots(CASE, [*LOG, *history("Few", [0.03, 0.03])], METHODS)
    score = next(each for each in few.suppliers if each.supplier == "Few")
    assert score.bias_share < 0.025, "drawn towards the others"
    assert score.max_bias_share - score.min_bias_share > 0.02
    assert score.lot_spread_share is None


def test_the_order_of_tests_and_capitals_of_names_do_not_matter():
    renamed = [replace(each, supplier=each.supplier.upper()) for each in LOG[::2]]
    mixed = estimate_lots(CASE, [*reversed(LOG[1::2]), *renamed], METHODS)
    straight = estimate_lots(CASE, LOG, METHODS)
    for one, other in zip(mixed.lots, straight.lots, strict=True):
        assert one.lean == pytest.approx(other.lean, abs=1e-12)


def test_one_test_in_all_is_answered_widely():
    estimates = estimate_lots(CASE, [lean_test("a", "Over", 0.90, 0.89)], METHODS)
    lot = estimates.lot("a")
    assert lot.contradiction is None
    assert lot.standard_error_share > 0.008
    assert estimates.lot("c").standard_error_share > 0.015


def test_the_case_is_planned_with_estimates_and_nothing_else_changed():
    estimates = estimate_lots(CASE, LOG, METHODS)
    changed = case_with_estimates(CASE, estimates)
    for lot, was in zip(changed.lots, CASE.lots, strict=True):
        assert lot.lean == estimates.lot(lot.lot_id).lean
        assert replace(lot, lean=was.lean) == was


def test_estimates_stay_between_nothing_and_all():
    case = sheet(("lean", "Under", 0.999), ("fat", "Over", 0.001))
    log = [*history("Under", [-0.05] * 10), *history("Over", [0.05] * 10)]
    estimates = estimate_lots(case, log, METHODS)
    for lot in estimates.lots:
        assert 0 <= lot.min_lean <= lot.lean <= lot.max_lean <= 1


def test_price_line_of_the_species_with_max_lots():
    pork = make_lot("p", 0.5, 9.0, species="pork")
    beef = [make_lot(f"b{lean}", lean, 0.40 + 3 * lean) for lean in (0.5, 0.7, 0.9)]
    line = price_line(make_case([*beef, pork], []))
    assert (line.species, line.lots) == ("beef", 3)
    assert line.usd_per_lean_lb == pytest.approx(3.0)
    assert price_line(make_case(beef[:2], [])) is None
    same = [replace(lot, lean=0.8) for lot in beef]
    assert price_line(make_case(same, [])) is None
