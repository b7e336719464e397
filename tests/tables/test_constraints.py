"""Linear constraints as LP text: read like a model file, refused by line, never executed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.errors import InputRefused
from blend.tables.constraints import parse_constraints, read_constraints
from tests.check.plans import easy_product
from tests.published.cases import make_case, make_lot

CASE = make_case([make_lot("I90-1", 0.9, 1.0), make_lot("trim", 0.7, 1.0)], [easy_product("GB80")])
USE = Term(1.0, Pounds.USE, "I90-1", "GB80")


def parsed(text: str) -> tuple[LinearConstraint, ...]:
    return parse_constraints(text, CASE, "added.lp")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("cap: take[I90-1] <= 20,000", ([(1.0, "take[I90-1]")], None, 20_000.0)),
        ("take[I90-1]>=5", ([(1.0, "take[I90-1]")], 5.0, None)),
        (
            "3 * use[I90-1,GB80] - .25 finished[GB80] = 1e2",
            ([(3.0, "use[I90-1,GB80]"), (-0.25, "finished[GB80]")], 100.0, 100.0),
        ),
        ("use(I90_1,GB80) =< 2", ([(1.0, "use[I90-1,GB80]")], None, 2.0)),
        ("10 <= take[trim] <= 20", ([(1.0, "take[trim]")], 10.0, 20.0)),
        (
            "take[trim] + 4 <= 2 take[I90-1]",
            ([(1.0, "take[trim]"), (-2.0, "take[I90-1]")], None, -4.0),
        ),
        ("take[trim] + take[trim] > - 2", ([(2.0, "take[trim]")], -2.0, None)),
        ("- - take[trim] < 1", ([(1.0, "take[trim]")], None, 1.0)),
    ],
)
def test_one_constraint(text, expected):
    (found,) = parsed(text)
    terms = [(term.coefficient, term.variable) for term in found.terms]
    assert (terms, found.minimum, found.maximum) == expected


def test_sections_comments_and_wrapped_lines():
    text = """\\* blend *\\
Subject To
a: take[trim]
 + take[I90-1]
 <= 100   \\ a comment
take[trim]
  >= 5
End
"""
    first, second = parsed(text)
    assert (first.name, second.name) == ("a", "line_6")
    assert len(first.terms) == 2 and second.minimum == 5.0


@given(
    st.lists(st.sampled_from([-2.5, -1.0, 1.0, 40.0]), min_size=2, max_size=2),
    st.sampled_from([(None, 3.0), (-1.5, None), (2.0, 2.0), (1.0, 4.0)]),
)
def test_what_a_constraint_prints_is_read_back(coefficients, limits):
    terms = (
        Term(coefficients[0], Pounds.USE, "I90-1", "GB80"),
        Term(coefficients[1], Pounds.FINISHED, "", "GB80"),
    )
    constraint = LinearConstraint("own", terms, *limits)
    assert parsed(f"own: {constraint}") == (constraint,)


def test_every_problem_is_reported_with_its_line():
    text = """take[I90-9] <= 5
take[trim] <=
__import__('os').system('true') <= 1
5 <= 6
take[trim] take[I90-1] <= 1
a: take[trim] <= 1
a: take[trim] <= 2
batches[GB80] <= 1
take[trim] + 2
2 3 take[trim] <= 1"""
    with pytest.raises(InputRefused) as refused:
        parsed(text)
    # line 2 is unfinished, so line 3 goes on with it
    assert [problem.row for problem in refused.value.problems] == [1, 2, 4, 5, 7, 8, 9]


@given(st.text(alphabet="takeusmfinhd[](),.:<>=+-*0123456789 I\n\\'\"_", max_size=60))
def test_any_text_is_read_or_refused(text):
    try:
        parsed(text)
    except InputRefused as refused:
        assert refused.problems


def test_a_file_is_read(tmp_path):
    file = tmp_path / "added.lp"
    file.write_text("cap: take[trim] <= 5\n")
    assert [each.name for each in read_constraints(file, CASE)] == ["cap"]
