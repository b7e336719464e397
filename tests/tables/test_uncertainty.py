"""confidence and lean_spread as tables: what is read, and every fault listed at once."""

from __future__ import annotations

import pytest

from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty, Sides
from blend.errors import InputRefused
from blend.tables.uncertainty import read_chance_constraints, read_spread, read_uncertainty
from tests.grinder.uncertain import day

CASE = day()
CONFIDENCE = "product_id,min_confidence,sides,mixing_sd_points,test_error_points\n"
SPREAD = "lot_id,standard_error_points,container_sd_points\n"
ALL_LOTS = "".join(f"{lot.lot_id},0.6,1.2\n" for lot in CASE.lots)


@pytest.fixture
def folder(tmp_path):
    def write(confidence: str | None, spread: str | None):
        for name, text in (("confidence", confidence), ("lean_spread", spread)):
            if text is not None:
                (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
        return tmp_path

    return write


def problems_of(*arguments) -> list[str]:
    with pytest.raises(InputRefused) as raised:
        read_uncertainty(*arguments)
    return [str(problem) for problem in raised.value.problems]


def test_chance_constraints_and_spread_as_read(folder):
    path = folder(f"{CONFIDENCE}eighty,0.975,,0.2,0.3\nninety,0.9,both,,\n", SPREAD + ALL_LOTS)
    read = read_uncertainty(path, CASE)
    assert read.chance_constraints == (
        ChanceConstraint("eighty", 0.975, Sides.BELOW, BatchUncertainty(0.002, 0.003)),
        ChanceConstraint("ninety", 0.9, Sides.BOTH, BatchUncertainty()),
    )
    assert read.spread["fresh 50s"] == LeanUncertainty("fresh 50s", 0.006, 0.012)
    assert len(read.spread) == len(CASE.lots)
    assert read_chance_constraints(path, CASE) == read.chance_constraints
    assert read_spread(path, CASE) == read.spread


def test_no_table_is_no_chance_constraint(folder):
    read = read_uncertainty(folder(None, None), CASE)
    assert (read.chance_constraints, dict(read.spread)) == ((), {})


def test_estimates_count_before_the_table_which_may_leave_them_blank(folder):
    rows = ALL_LOTS.replace("fresh 50s,0.6", "fresh 50s,")
    path = folder(f"{CONFIDENCE}eighty,0.975,,,\n", SPREAD + rows)
    errors = {"fresh 50s": 0.011, "fresh 73s": 0.5}
    estimated = {name: LeanUncertainty(name, error, 0.0, (0.01,)) for name, error in errors.items()}
    read = read_uncertainty(path, CASE, estimated)
    assert read.spread["fresh 50s"] == LeanUncertainty("fresh 50s", 0.011, 0.012, (0.01,))
    assert read.spread["fresh 73s"].standard_error_share == 0.5
    assert read.spread["fresh 81s"].standard_error_share == 0.006
    (problem,) = problems_of(path, CASE)
    assert "lean_spread.csv row 2, standard_error_points" in problem
    assert "fresh 50s" not in read_spread(path, CASE)


def test_every_fault_is_listed_at_once(folder):
    path = folder(
        f"{CONFIDENCE}eigthy,0.975,,,\nninety,0.4,sideways,,50\n",
        f"{SPREAD}fresh 50,0.6,1.2\nfresh 73s,50,\n",
    )
    told = problems_of(path, CASE)
    assert [text.split(":")[0] for text in told] == [
        "confidence.csv row 2, product_id",
        "confidence.csv row 3, min_confidence",
        "confidence.csv row 3, sides",
        "confidence.csv row 3, test_error_points",
        "lean_spread.csv row 2, lot_id",
        "lean_spread.csv row 3, standard_error_points",
        "lean_spread.csv row 3, container_sd_points",
    ]
    assert "Did you mean eighty?" in told[0]


def test_a_lot_that_a_chance_product_may_hold_needs_its_row(folder):
    rows = ALL_LOTS.replace("frozen 90s,0.6,1.2\n", "")
    path = folder(f"{CONFIDENCE}eighty,0.975,,,\n", SPREAD + rows)
    (problem,) = problems_of(path, CASE)
    assert "no row for frozen 90s" in problem
    no_table = folder(f"{CONFIDENCE}eighty,0.975,,,\n", None)
    (no_table / "lean_spread.csv").unlink()
    assert "and 1 more" in problems_of(no_table, CASE)[0]
