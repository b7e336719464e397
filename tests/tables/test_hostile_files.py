"""Whatever bytes stand in a file, the answer is a refusal in words, and it comes soon."""

from __future__ import annotations

import io
import time
import zipfile
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from blend.errors import FileTrouble, InputRefused
from blend.tables import tables as limits
from blend.tables import workbooks
from blend.tables.read import read_case
from tests.tables.plain_tables import SOUND, add_sheet, problems_in, sound, write_folder

SHEET = "xl/worksheets/sheet1.xml"


def expect_words(path: Path) -> str:
    with pytest.raises((InputRefused, FileTrouble)) as refused:
        read_case(path)
    assert str(refused.value)
    return str(refused.value)


def read_with(file: str, data: bytes) -> None:
    """Read a case with `data` in one file; it may only be refused with a message."""
    with TemporaryDirectory() as name:
        folder = write_folder(Path(name) / "case", sound())
        if file.endswith(".xlsx"):
            (folder / file).with_suffix(".csv").unlink()
        (folder / file).write_bytes(data)
        try:
            read_case(folder)
        except (InputRefused, FileTrouble) as refused:
            assert str(refused)


@cache
def workbook_bytes() -> bytes:
    workbook = Workbook()
    workbook.remove(workbook.active)
    add_sheet(workbook, "lots", SOUND["lots"])
    data = io.BytesIO()
    workbook.save(data)
    return data.getvalue()


def with_part(part: str, content: str) -> bytes:
    """The workbook with one of its parts replaced."""
    data = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook_bytes())) as old,
        zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            new.writestr(name, content if name == part else old.read(name))
    return data.getvalue()


def part_text(part: str) -> str:
    with zipfile.ZipFile(io.BytesIO(workbook_bytes())) as archive:
        return archive.read(part).decode()


PARTS = zipfile.ZipFile(io.BytesIO(workbook_bytes())).namelist()


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(SOUND)), st.binary(max_size=300))
@example("lots", b"\x00")
@example("lots", b'"')
@example("rules", b"rule_id,kind\n\x00,\x01")
def test_any_bytes_as_csv(table: str, data: bytes):
    read_with(f"{table}.csv", data)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(SOUND)), st.lists(st.lists(st.text(max_size=8), max_size=30)))
def test_any_cells_below_a_sound_header(table: str, rows: list[list[str]]):
    header = ",".join(SOUND[table][0])
    body = "\n".join(",".join(row) for row in rows)
    read_with(f"{table}.csv", f"{header}\n{body}".encode(errors="replace"))


@settings(max_examples=30, deadline=None)
@given(st.binary(max_size=300))
@example(b"")
@example(b"PK\x05\x06" + b"\x00" * 18)
@example(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
def test_any_bytes_as_workbook(data: bytes):
    read_with("lots.xlsx", data)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(workbook_bytes()) - 1), st.binary(min_size=1, max_size=4))
def test_a_damaged_workbook(place: int, junk: bytes):
    data = workbook_bytes()
    read_with("lots.xlsx", data[:place] + junk + data[place + len(junk) :])


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(PARTS), st.data())
def test_a_workbook_with_a_spoilt_part(part: str, data: st.DataObject):
    text = part_text(part)
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 40)))
    junk = data.draw(st.text(alphabet='<>/="0123456789aAZzcrvtsf', max_size=6))
    read_with("lots.xlsx", with_part(part, text[:start] + junk + text[end:]))


@pytest.mark.parametrize(
    "cell",
    [
        '<c r="A2" t="n"><v>9e99999</v></c>',
        f'<c r="A2" t="n"><v>{"9" * 5000}</v></c>',
        '<c r="A2" t="s"><v>999999</v></c>',
        '<c r="A2" t="d"><v>yesterday</v></c>',
        '<c r="A2" t="e"><v>#N/A</v></c>',
        '<c r="XFD2"><v>1</v></c>',
        '<c r="A2" s="99"><v>1</v></c>',
        '<c r="A2"><f>1/0</f></c>',
    ],
)
def test_odd_cells_of_a_workbook(tmp_path: Path, cell: str):
    text = part_text(SHEET)
    start = text.index('<row r="2"')
    rows = f'{text[:start]}<row r="2">{cell}</row></sheetData></worksheet>'
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.csv").unlink()
    (folder / "lots.xlsx").write_bytes(with_part(SHEET, rows))
    expect_words(folder)


def case_with_workbook(tmp_path: Path, data: bytes) -> Path:
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.csv").unlink()
    (folder / "lots.xlsx").write_bytes(data)
    return folder


def test_a_workbook_that_unpacks_without_end_is_not_unpacked(tmp_path: Path):
    data = io.BytesIO()
    with (
        zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open(SHEET, "w", force_zip64=True) as part,
    ):
        for _ in range(201):
            part.write(b"\x00" * 1_000_000)
    folder = case_with_workbook(tmp_path, data.getvalue())
    started = time.monotonic()
    assert "unpacks to more than" in expect_words(folder)
    assert time.monotonic() - started < 2


def test_entities_that_multiply_are_not_followed(tmp_path: Path):
    entities = "".join(f'<!ENTITY e{level} "{f"&e{level - 1};" * 20}">' for level in range(1, 10))
    bomb = (
        f'<?xml version="1.0"?><!DOCTYPE worksheet [<!ENTITY e0 "{"x" * 50}">{entities}]>'
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        '<sheetData><row r="1"><c r="A1" t="str"><v>&e9;</v></c></row></sheetData></worksheet>'
    )
    expect_words(case_with_workbook(tmp_path, with_part(SHEET, bomb)))


def test_a_far_away_cell_does_not_take_for_ever(tmp_path: Path):
    text = part_text(SHEET)
    end = text.index("</sheetData>")
    far = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    folder = case_with_workbook(tmp_path, with_part(SHEET, text[:end] + far + text[end:]))
    started = time.monotonic()
    assert "more than 200,000 rows" in expect_words(folder)
    assert time.monotonic() - started < 10


def test_wide_rows_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(workbooks, "MAX_CELLS", 30)
    folder = case_with_workbook(tmp_path, workbook_bytes())
    assert "more than 30 cells in a sheet" in expect_words(folder)


def test_too_many_rows_are_refused_at_the_first_too_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(limits, "MAX_ROWS", 2)
    folder = write_folder(tmp_path / "case", sound())
    (problem, *_) = problems_in(folder)
    assert (problem.file, problem.row) == ("lots.csv", 3)


def test_a_thousand_problems_of_one_table_are_enough(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "losses.csv").write_text("loss_id,step\n" + "a|b,\n" * 5000)
    problems = problems_in(folder)
    assert len(problems) < 1010
    assert problems[-1].hint == "Fix them first."


STYLES, NAMES = "xl/styles.xml", "xl/workbook.xml"


def swollen(part: str, before: str, element: str, times: int) -> bytes:
    """The workbook with an element put very often into one of its parts."""
    text = part_text(part)
    place = text.index(before)
    return with_part(part, text[:place] + element * times + text[place:])


def with_shared_strings(count: int) -> bytes:
    """The workbook with so many texts that its cells could share."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    stated = f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
    data = io.BytesIO(
        with_part(
            "[Content_Types].xml", part_text("[Content_Types].xml").replace("</Types>", stated)
        )
    )
    with zipfile.ZipFile(data, "a", zipfile.ZIP_DEFLATED) as archive:
        texts = "<si><t>a</t></si>" * count
        archive.writestr("xl/sharedStrings.xml", f'<sst xmlns="{main}">{texts}</sst>')
    return data.getvalue()


def lying(data: bytes) -> bytes:
    """The same zip file, saying of its largest part that it unpacks to ten bytes."""
    part = max(zipfile.ZipFile(io.BytesIO(data)).infolist(), key=lambda each: each.file_size)
    size = part.file_size.to_bytes(4, "little")
    return data.replace(size, (10).to_bytes(4, "little"))


ATTACKS = {
    "styles": lambda: swollen(STYLES, "</cellXfs>", '<xf numFmtId="0" fontId="0"/>', 2_500_000),
    "fonts": lambda: swollen(STYLES, "</fonts>", '<font><sz val="9"/></font>', 1_000_000),
    "shared strings": lambda: with_shared_strings(5_000_000),
    "names": lambda: swollen(
        NAMES, "<calcPr", '<definedName name="a">lots!$A$1</definedName>', 1_500_000
    ),
    "many cells": lambda: swollen(SHEET, "</sheetData>", '<row><c r="XFD9"/></row>', 400_000),
    "a lying header": lambda: lying(
        swollen(SHEET, "</sheetData>", "<row><c/></row>" * 1_000, 20_000)
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("attack", ATTACKS)
def test_a_workbook_that_eats_memory_is_refused_soon(tmp_path: Path, attack: str):
    import resource

    folder = case_with_workbook(tmp_path, ATTACKS[attack]())
    began = time.monotonic()
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    expect_words(folder)
    assert time.monotonic() - began < 4 * workbooks.MAX_SECONDS  # other work shares the machine
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 500_000


def test_a_workbook_read_by_the_child_says_the_same(tmp_path: Path, monkeypatch):
    folder = case_with_workbook(tmp_path, workbook_bytes())
    ours = read_case(folder)
    monkeypatch.setattr(workbooks, "_SMALL_BYTES", 0)
    assert read_case(folder) == ours


def test_a_child_that_takes_too_long_is_ended(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(workbooks, "_SMALL_BYTES", 0)
    monkeypatch.setattr(workbooks, "MAX_SECONDS", 0.0)
    folder = case_with_workbook(tmp_path, workbook_bytes())
    assert "too much time or memory" in expect_words(folder)
