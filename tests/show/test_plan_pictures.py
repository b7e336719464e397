from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.plan import Ingredient
from blend.show.pictures import save
from blend.show.plan_pictures import blends_picture, shares_by_class
from tests.show.example_plan import example_case, example_plan
from tests.show.test_tables import any_plan
from tests.strategies import cases

CASE = example_case()
PLAN = example_plan(CASE)


def bars_of(axes) -> list[tuple[float, float]]:
    """From where to where each bar goes, in the order in which they are drawn."""
    return [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in axes.patches]


def test_a_bar_is_made_of_the_lean_classes_of_its_lots():
    shares = shares_by_class(CASE, PLAN.runs[0])
    assert set(shares) == {"40 to 59", "80 to 87", "88 to 92"}
    assert shares["88 to 92"] == pytest.approx(1072 / 2001.3, abs=1e-4)


def test_bars_run_from_nothing_to_the_whole_without_a_gap():
    bars, _ = blends_picture(CASE, PLAN).axes
    spans = bars_of(bars)
    starts = [index for index, (left, _) in enumerate(spans) if left == 0]
    assert len(starts) == len(PLAN.runs)
    for start, end in pairwise([*starts, len(spans)]):
        assert spans[end - 1][1] == pytest.approx(100, abs=0.01)
        for (_, before), (after, _) in pairwise(spans[start:end]):
            assert before == pytest.approx(after)


def test_the_dot_lies_where_the_plan_lands_between_its_limits():
    _, bands = blends_picture(CASE, PLAN).axes
    dots = [line for line in bands.lines if line.get_marker() == "o"]
    assert [dot.get_xdata()[0] for dot in dots] == pytest.approx(
        [(run.lean - CASE.product(run.product_id).target_lean) * 100 for run in PLAN.runs]
    )
    assert bars_of(bands)[0] == pytest.approx((-0.5, 1.0))
    assert {text.get_text() for text in bands.texts} == {"80.19 %", "72.22 %"}


@settings(max_examples=5, deadline=None)
@given(cases(max_lots=4, max_products=2))
def test_any_plan_has_a_picture(case):
    assert blends_picture(case, any_plan(case)).axes


@given(st.floats(0.0, 1.0))
def test_every_lean_has_a_class(lean):
    lots = (replace(CASE.lots[0], lean=lean),)
    run = replace(PLAN.runs[0], ingredients=(Ingredient(lots[0].lot_id, 10),))
    assert len(shares_by_class(replace(CASE, lots=lots), run)) == 1


def test_names_are_drawn_as_they_stand_and_the_picture_is_written(tmp_path):
    products = tuple(replace(product, name="$x$ & <b>") for product in CASE.products)
    made = blends_picture(replace(CASE, products=products), PLAN)
    save(made, tmp_path / "blends.svg")
    assert "$x$ &amp; &lt;b&gt;" in (tmp_path / "blends.svg").read_text()
