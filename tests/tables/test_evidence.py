"""Logs of tests and temperatures: read whole, or every problem listed at once."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.errors import InputRefused
from blend.tables.cells import CellRefused, parse_cell
from blend.tables.columns import EVIDENCE_TABLES
from blend.tables.evidence import (
    holds_tests,
    packaged_methods,
    read_batch_tests,
    read_temperatures,
    read_tests,
)
from tests.published.cases import make_case, make_lot, make_product

CASE = make_case(
    [make_lot("L1", 0.90, 3.4, supplier="Alder"), make_lot("L2", 0.50, 0.9)],
    [make_product(0.80, 1000, "GB80")],
)
HEAD = "test_id,lot_id,supplier,tested_on,method,samples,tested_lean,stated_lean,taken_lb"


def put(folder: Path, name: str, *lines: str) -> Path:
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def problems(folder: Path, read=read_tests) -> list[str]:
    with pytest.raises(InputRefused) as refused:
        read(folder, CASE)
    return [str(each) for each in refused.value.problems]


def test_tests_of_past_lots_and_of_lots_on_the_sheet(tmp_path):
    put(
        tmp_path,
        "tests.csv",
        HEAD,
        "t1,old,Birch,2026-01-05,nir,12,0.888,0.90,4000",
        "t2,L1,,2026-03-01,solvent_extraction,12,0.894,,",
    )
    past, present = read_tests(tmp_path, CASE).tests
    assert (past.supplier, past.stated_lean, past.taken_lb) == ("Birch", 0.90, 4000)
    assert past.tested_on == date(2026, 1, 5)
    assert (present.supplier, present.stated_lean) == ("Alder", 0.90)
    assert present.taken_lb is None and present.sample_lb is None
    assert present.overstated_share == pytest.approx(0.006)


def test_figures_from_memory_get_a_warning(tmp_path):
    put(tmp_path, "tests.csv", HEAD, "t1,L1,,2026-03-01,nir,12,0.89,,")
    (warning,) = read_tests(tmp_path, CASE).warnings
    assert "nir" in str(warning) and "lean_test_methods.csv" in str(warning)


def test_no_table_is_no_tests(tmp_path):
    read = read_tests(tmp_path, CASE)
    assert read.tests == () and read.methods == packaged_methods()
    assert read_batch_tests(tmp_path, CASE) == ()
    assert read_temperatures(tmp_path, CASE) == {}
    assert not holds_tests(tmp_path)


def test_the_plant_overrides_a_method_and_adds_its_own(tmp_path):
    put(
        tmp_path,
        "lean_test_methods.csv",
        "method_id,title,method_error_points,sampling_error_points,sampling_lb,verified,source,"
        "sampling_verified,sampling_source",
        "nir,our own,0.6,2,1,own,duplicates of 2025,own,duplicates of 2025",
        "scan,our scanner,0.4,0,1,own,duplicates of 2025,own,whole stream",
    )
    put(tmp_path, "tests.csv", HEAD, "t1,L1,,2026-03-01,nir,12,0.89,,")
    read = read_tests(tmp_path, CASE)
    assert read.methods["nir"].method_sd_share == 0.006
    assert {"scan", "solvent_extraction"} < read.methods.keys()
    assert read.warnings == ()
    assert holds_tests(tmp_path)


def test_every_problem_at_once_and_each_in_its_place(tmp_path):
    put(
        tmp_path,
        "tests.csv",
        HEAD,
        "t1,L1,Birch,2026-03-01,nir,12,0.89,,",
        "t2,L1,,2026-03-01,nir,12,0.89,0.92,",
        "t3,gone,,2026-03-01,nir,12,0.89,0.90,",
        "t4,gone2,Birch,2026-03-01,nir,12,0.89,,",
        "t5,L2,,2026-03-01,nir,12,0.49,,",
        "t6,L1,,2026-03-01,nirr,12,0.89,,",
        "t7,L1,,2026-03-03,nir,12,0.89,,",
        "t8,L1,,2026-03-01,nir,0,890,,",
        "t8,L1,,2026-03-01,nir,12,0.89,,",
    )
    told = problems(tmp_path)
    expected = [
        "tests.csv row 2, supplier",
        "tests.csv row 3, stated_lean",
        "tests.csv row 4, supplier",
        "tests.csv row 5, stated_lean",
        "tests.csv row 6, supplier",
        "tests.csv row 7, method",
        "tests.csv row 8, tested_on",
        "tests.csv row 9, samples",
        "tests.csv row 9, tested_lean",
        "tests.csv row 10, test_id",
    ]
    assert len(told) == len(expected)
    for line, start in zip(told, expected, strict=True):
        assert line.startswith(start)
    assert "Did you mean nir?" in told[5]


def test_rows_of_one_lot_must_agree(tmp_path):
    put(
        tmp_path,
        "tests.csv",
        HEAD,
        "t1,old,Birch,2026-01-05,nir,12,0.888,0.90,",
        "t2,old,birch,2026-01-05,nir,12,0.889,0.90,4000",
        "t3,old,Cedar,2026-01-05,nir,12,0.889,0.91,5000",
    )
    told = problems(tmp_path)
    assert [line.split(":")[0] for line in told] == [
        f"tests.csv row 4, {name}" for name in ("supplier", "stated_lean", "taken_lb")
    ]


def test_a_faulty_method_is_not_also_told_as_unknown(tmp_path):
    put(tmp_path, "lean_test_methods.csv", "method_id,title", "scan,our scanner")
    put(tmp_path, "tests.csv", HEAD, "t1,L1,,2026-03-01,scan,12,0.89,,")
    told = problems(tmp_path)
    assert told and all(line.startswith("lean_test_methods.csv") for line in told)


def test_a_misnamed_table_is_refused(tmp_path):
    put(tmp_path, "test.csv", HEAD)
    assert problems(tmp_path)[0].startswith("test.csv")


# Batches -----------------------------------------------------------------------------------------

BATCH_HEAD = "batch_id,product_id,made_on,target_lean,tested_lean,pounds_lb"


def test_batches_come_in_the_order_made(tmp_path):
    put(
        tmp_path,
        "batch_tests.csv",
        BATCH_HEAD,
        "b3,GB80,2026-02-03,,0.81,4000",
        "b1,GB80,2026-02-02,,0.79|0.80|0.81,4000",
        "b2,old,2026-02-02,0.75,0.76,2000",
    )
    batches = read_batch_tests(tmp_path, CASE)
    assert [each.batch_id for each in batches] == ["b1", "b2", "b3"]
    assert batches[0].readings == (0.79, 0.80, 0.81)
    assert [each.target_lean for each in batches] == [0.80, 0.75, 0.80]
    assert batches[2].off_target_share == pytest.approx(0.01)


def test_problems_of_batches(tmp_path):
    put(
        tmp_path,
        "batch_tests.csv",
        BATCH_HEAD,
        "b1,GB08,2026-02-02,,0.79,4000",
        "b2,GB80,2026-02-02,,0.79|800,4000",
        "b3,GB80,2026-02-02,,0.79||0.8,4000",
        "b4,GB80,2026-02-02,,,4000",
    )
    told = problems(tmp_path, read_batch_tests)
    assert "row 2, product_id" in told[0] and "Did you mean GB80?" in told[0]
    assert "row 3, tested_lean" in told[1]
    assert "One | too many" in told[2]
    assert "row 5, tested_lean: blank" in told[3]


@given(st.lists(st.floats(0, 1, exclude_max=True), min_size=1, max_size=10))
def test_several_shares_read_back(numbers):
    column = EVIDENCE_TABLES["batch_tests"].column("tested_lean")
    assert parse_cell(column, "|".join(map(repr, numbers))) == tuple(numbers)


@pytest.mark.parametrize("cell", ["0.8|", "|", "0.8;0.9", "0.8 0.9", "nan", "-0.1"])
def test_what_is_no_list_of_shares(cell):
    with pytest.raises(CellRefused):
        parse_cell(EVIDENCE_TABLES["batch_tests"].column("tested_lean"), cell)


# Temperatures ------------------------------------------------------------------------------------


def test_temperatures_become_celsius(tmp_path):
    put(tmp_path, "temperatures.csv", "lot_id,temperature_f", "L1,14", "L2,35.6")
    assert read_temperatures(tmp_path, CASE) == pytest.approx({"L1": -10, "L2": 2})


def test_problems_of_temperatures(tmp_path):
    put(tmp_path, "temperatures.csv", "lot_id,temperature_f", "L11,14", "L2,356")
    told = problems(tmp_path, read_temperatures)
    assert "Did you mean L1?" in told[0]
    assert "row 3, temperature_f" in told[1]


def test_packaged_methods_have_a_source_for_each_figure():
    for method in packaged_methods().values():
        assert method.source and method.sampling_source
        assert method.verified in ("read", "memory")
        assert method.read_on is not None
    # Collaborative study of rapid fat determination (J. AOAC, about 1977), abstract.
    assert packaged_methods()["solvent_extraction"].method_sd_share == 0.0056
    assert packaged_methods()["rapid_extraction"].method_sd_share == 0.0083
