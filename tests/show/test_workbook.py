import errno
import os
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from blend.domain.case import Case
from blend.errors import FileTrouble
from blend.show.cells import PLAIN, height_of
from blend.show.floor import TICK
from blend.show.letters import line_count, width_pt
from blend.show.pages import MIN_SCALE, lay_on_pages, orientation_for, set_up_page
from blend.show.tables import plan_tables
from blend.show.workbook import plan_workbook, sheet_name, write_plan_workbook
from tests.show.example_plan import example_case, example_plan
from tests.show.test_tables import any_plan
from tests.strategies import cases

CASE = example_case()
PLAN = example_plan(CASE)
PORTRAIT_PT = 11 * 72 - 2 * 0.6 * 72
HOSTILE = ("=cmd|' /C calc'!A0", "+1+1", "-2", "@SUM(A1)", "#N/A", "=1\x00+\x1b1", "<a>&'\"")


NAMES = st.text(max_size=40) | st.sampled_from(("Money", "HISTORY", "''", "a/b", "a:b", "x" * 40))


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "plan.xlsx"
    write_plan_workbook(CASE, PLAN, path)
    return load_workbook(path)


def texts(sheet) -> list[str]:
    return [c.value for row in sheet.iter_rows() for c in row if isinstance(c.value, str)]


def numbers_below(sheet, heading: str) -> list[float]:
    """Numbers of the column under a heading, as far as they go without a gap."""
    (head,) = [c for row in sheet.iter_rows() for c in row if c.value == heading]
    found = []
    for row in range(head.row + 1, sheet.max_row + 1):
        number = sheet.cell(row, head.column).value
        if not isinstance(number, int | float):
            break
        found.append(number)
    return found


def with_names(name: str) -> Case:
    """The example with a hostile name wherever a user's text can stand."""
    lots = tuple(replace(lot, item=name, origin=name) for lot in CASE.lots)
    products = tuple(replace(product, name=name) for product in CASE.products)
    standards = tuple(replace(row, title=name, section=name, note=name) for row in CASE.standards)
    plant = replace(CASE.settings, plant=name)
    return Case(plant, lots, products, CASE.rules, CASE.losses, standards)


def test_sheets_are_for_those_who_use_them(book):
    assert book.sheetnames == [
        "Purchases",
        "GB80",
        "GC73",
        "Money",
        "Worths",
        "Certificate",
        "Standards",
    ]


def test_without_shadow_prices_their_sheet_is_left_out():
    assert "Worths" not in plan_workbook(CASE, example_plan(CASE, shadow_prices=False)).sheetnames


@pytest.mark.parametrize("heading", ["Taken, lb", "Used, lb", "Left over, lb", "Cost, USD"])
def test_purchases_add_up(book, heading):
    *lots, total = numbers_below(book["Purchases"], heading)
    assert len(lots) == len(PLAN.takes)
    assert total == pytest.approx(sum(lots), abs=1e-6)


def test_money_adds_up_to_what_the_plan_costs(book):
    *parts, total = numbers_below(book["Money"], "Amount, USD")
    assert total == pytest.approx(sum(parts), abs=1e-6)
    assert total == pytest.approx(PLAN.money.total_usd, abs=0.03)


def test_every_shown_cell_stands_in_the_workbook(book):
    in_book = {c.value for sheet in book for row in sheet.iter_rows() for c in row}
    for table in plan_tables(CASE, PLAN):
        for row in table.rows:
            assert {cell for cell in row if cell not in (None, "")} <= in_book


def test_a_floor_sheet_has_the_recipe_for_a_batch_and_for_the_run(book):
    sheet = book["GB80"]
    assert numbers_below(sheet, "Each batch, lb") == [1072, 430, 508, 2010]
    assert numbers_below(sheet, "All 5 batches, lb") == [5360, 2150, 2540, 10050]


def test_a_floor_sheet_says_what_to_make_and_within_which_limits(book):
    said = " ".join(texts(book["GB80"]))
    for words in ("House Patty 80", "Millrace Plant 2", "2026-11-25", "5 batches", "80.19 % lean"):
        assert words in said
    assert "allowed from 79.5 % to 81.0 %" in said
    assert f"{TICK} no water, binders or extenders added (9 CFR 319.15(a))" in said
    assert "4 °C" in said


def test_a_floor_sheet_has_a_row_to_fill_in_for_each_batch(book):
    sheet = book["GB80"]
    (head,) = [c for row in sheet.iter_rows() for c in row if c.value == "Batch"]
    log = list(sheet.iter_rows(min_row=head.row, max_row=head.row + 6, values_only=True))
    assert log[0][:6] == ("Batch", "F90-03", "F50-11", "Z85-02", "Temperature, °F", "Initials")
    assert log[1][1:5] == ("1,072", "430", "508", "40 or below")
    for number, row in enumerate(log[2:], start=1):
        assert row[:6] == (number, TICK, TICK, TICK, None, None)


def test_many_lots_and_batches_go_into_several_logs():
    case = replace(CASE, lots=tuple(replace(CASE.lots[0], lot_id=f"L{n:02}") for n in range(11)))
    ingredients = tuple(replace(PLAN.runs[0].ingredients[0], lot_id=f"L{n:02}") for n in range(11))
    run = replace(PLAN.runs[0], batches=30, ingredients=ingredients)
    sheet = plan_workbook(case, replace(PLAN, takes=(), runs=(run,), break_evens=()))["GB80"]
    first_column = [row[0].value for row in sheet.iter_rows()]
    assert first_column.count("Batch") == 2 * 3
    numbers = [value for value in first_column if isinstance(value, int)]
    assert sorted(numbers) == sorted(2 * list(range(1, 31)))
    heads = [value for row in sheet.iter_rows(values_only=True) for value in row]
    assert all(heads.count(f"L{n:02}") == 1 + 3 for n in range(11))


def test_batches_of_several_recipes_are_numbered_through():
    runs = tuple(replace(PLAN.runs[0], batches=count) for count in (2, 3))
    sheet = plan_workbook(CASE, replace(PLAN, runs=runs))["GB80"]
    numbers = [row[0].value for row in sheet.iter_rows() if isinstance(row[0].value, int)]
    assert numbers == [1, 2, 3, 4, 5]


def test_sheets_are_ready_to_print(book):
    for sheet in book:
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.page_setup.fitToWidth == 1
        assert sheet.print_title_rows
        assert sheet.freeze_panes
        assert "&P of &N" in sheet.oddFooter.right.text
        assert "40 °F (4 °C)" in sheet.oddFooter.left.text


def floor_sheet(lots: int, batches: int):
    """The foreman's sheet of one recipe of so many lots and batches."""
    ids = [f"L{number:02}" for number in range(lots)]
    case = replace(CASE, lots=tuple(replace(CASE.lots[0], lot_id=lot_id) for lot_id in ids))
    ingredients = tuple(replace(PLAN.runs[0].ingredients[0], lot_id=lot_id) for lot_id in ids)
    run = replace(PLAN.runs[0], batches=batches, ingredients=ingredients)
    return plan_workbook(case, replace(PLAN, takes=(), runs=(run,), break_evens=()))["GB80"]


def height_pt(sheet) -> float:
    return sum(sheet.row_dimensions[row].height for row in range(1, sheet.max_row + 1))


@pytest.mark.parametrize(("lots", "batches"), [(1, 1), (6, 5), (6, 9), (3, 14), (7, 7)])
def test_a_floor_sheet_is_one_page_where_it_stays_legible(lots, batches):
    sheet = floor_sheet(lots, batches)
    assert sheet.page_setup.orientation == "portrait"
    assert sheet.page_setup.fitToHeight == 1
    assert not sheet.row_breaks.brk
    assert height_pt(sheet) <= PORTRAIT_PT / MIN_SCALE


@settings(max_examples=8, deadline=None)
@given(st.integers(1, 14), st.integers(1, 45))
def test_a_floor_sheet_is_broken_only_where_it_would_be_too_small(lots, batches):
    sheet = floor_sheet(lots, batches)
    is_one_page = sheet.page_setup.fitToHeight == 1
    assert is_one_page == (height_pt(sheet) <= PORTRAIT_PT / MIN_SCALE)
    assert is_one_page == (not sheet.row_breaks.brk)
    ends = [0, *(each.id for each in sheet.row_breaks.brk), sheet.max_row]
    for first, last in pairwise(ends):
        rows = sum(sheet.row_dimensions[row].height for row in range(first + 1, last + 1))
        assert is_one_page or rows <= PORTRAIT_PT


def test_where_a_page_is_broken_no_log_is_cut_from_its_heading():
    sheet = floor_sheet(6, 30)
    heads = [c.row for row in sheet.iter_rows() for c in row if c.value == "Batch"]
    assert len(heads) == 3
    breaks = [each.id for each in sheet.row_breaks.brk]
    assert breaks
    assert not [row for head in heads for row in breaks if head <= row < head + 1 + 10]


def test_what_is_left_of_the_page_goes_to_the_rows_that_are_written_in():
    few, many = floor_sheet(2, 2), floor_sheet(6, 9)
    of_few, of_many = (
        {
            sheet.row_dimensions[cell.row].height
            for (cell,) in sheet.iter_rows(max_col=1)
            if isinstance(cell.value, int)
        }
        for sheet in (few, many)
    )
    assert len(of_few) == len(of_many) == 1
    assert min(of_few) > max(of_many)


def test_what_is_weighed_is_the_max_visible_number(book):
    sizes = {c.value: c.font.size for row in book["GB80"].iter_rows() for c in row if c.value}
    rounded_plan = [sizes[pounds_lb] for pounds_lb in (1072, 430, 508)]
    others = [size for value, size in sizes.items() if value not in (1072, 430, 508)]
    assert min(rounded_plan) > max(others)


def test_wide_sheets_lie_on_their_side_and_narrow_ones_stand():
    assert orientation_for([98.0]) == "portrait"
    assert orientation_for([130.0]) == "landscape"


def test_groups_stay_together_where_a_page_holds_them():
    sheet = Workbook().active
    for row in range(1, 101):
        sheet.cell(row, 1, row)
        sheet.row_dimensions[row].height = 20.0
    sheet.column_dimensions["A"].width = 20
    set_up_page(sheet, "", "", orientation="portrait")
    lay_on_pages(sheet, [[3, 20], [30, 40], [50, 95]])
    # A page holds 35 rows, with two of titles from the second page on. The first group fits, the
    # second would pass row 35; of the third, longer than a page, only the last block moves.
    assert [each.id for each in sheet.row_breaks.brk] == [29, 94]


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(codec="ascii", exclude_categories=("C",)), max_size=80),
       st.floats(20, 400))  # fmt: skip
def test_wrapped_lines_hold_the_text(text, room_pt):
    lines = line_count(text, room_pt, 10)
    assert lines >= 1
    assert lines * room_pt >= width_pt("".join(text.split()), 10) - 1e-6
    if width_pt(text, 10) <= room_pt:
        assert lines == 1


@pytest.mark.parametrize(
    ("text", "size", "is_bold", "points"),
    [("Hamburger", 1000, False, 5001), ("1,593", 1000, True, 2502), ("牛", 10, False, 10.0)],
)
def test_widths_are_those_of_the_face(text, size, is_bold, points):
    assert width_pt(text, size, is_bold=is_bold) == pytest.approx(points)


def test_rows_are_no_higher_than_their_text(book):
    """All requirements of the example are short enough for one line."""
    sheet = book["Worths"]
    rows = [c.row for row in sheet.iter_rows() for c in row if str(c.value).startswith("lean of")]
    assert {sheet.row_dimensions[row].height for row in rows} == {height_of(1, PLAIN)}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_texts(name, tmp_path):
    case = with_names(name)
    write_plan_workbook(case, PLAN, tmp_path / "plan.xlsx")
    written = load_workbook(tmp_path / "plan.xlsx")
    cells = [c for sheet in written for row in sheet.iter_rows() for c in row]
    assert {c.data_type for c in cells} <= {"s", "inlineStr", "n"}
    shown = name.replace("\x00", " ").replace("\x1b", " ")
    items = [c for c in cells if c.value == shown]
    assert items
    if name[0] in "=+-@":
        assert all(c.quotePrefix for c in items)


@settings(max_examples=8, deadline=None)
@given(cases(max_lots=4, max_products=2))
def test_any_case_has_a_workbook_without_formulas(case):
    book = plan_workbook(case, any_plan(case))
    assert all(c.data_type != "f" for sheet in book for row in sheet.iter_rows() for c in row)


@settings(max_examples=50, deadline=None)
@given(st.lists(NAMES, max_size=6))
def test_sheet_names_are_ones_a_spreadsheet_takes_and_never_met_twice(product_ids):
    taken = {"money", "history"}
    for product_id in product_ids:
        name = sheet_name(product_id, taken)
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        assert name.strip("'") == name
        assert name.casefold() not in taken
        taken.add(name.casefold())


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    for name in ("one.xlsx", "two.xlsx"):
        write_plan_workbook(CASE, PLAN, tmp_path / name)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()


def test_an_older_workbook_is_replaced(tmp_path):
    path = tmp_path / "plan.xlsx"
    path.write_text("older")
    write_plan_workbook(CASE, PLAN, path)
    assert load_workbook(path).sheetnames[0] == "Purchases"
    assert os.listdir(tmp_path) == ["plan.xlsx"]


def test_a_missing_folder_is_file_trouble(tmp_path):
    path = tmp_path / "nowhere" / "plan.xlsx"
    with pytest.raises(FileTrouble, match=r"plan\.xlsx: there is no folder"):
        write_plan_workbook(CASE, PLAN, path)


def test_a_folder_in_its_place_is_file_trouble(tmp_path):
    (tmp_path / "plan.xlsx").mkdir()
    with pytest.raises(FileTrouble, match="is a folder, where a file is wanted"):
        write_plan_workbook(CASE, PLAN, tmp_path / "plan.xlsx")
    assert os.listdir(tmp_path) == ["plan.xlsx"]


def test_a_full_disk_leaves_the_older_workbook_whole(tmp_path, monkeypatch):
    path = tmp_path / "plan.xlsx"
    path.write_text("older")

    def full(source, target):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(FileTrouble, match="No space left on device"):
        write_plan_workbook(CASE, PLAN, path)
    assert path.read_text() == "older"
    assert os.listdir(tmp_path) == ["plan.xlsx"]
