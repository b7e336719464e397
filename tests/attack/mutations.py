"""Sound tables made malformed: at the level of bytes, cells, rows, columns, names and parts.

Everything is drawn from one `random.Random`, so that a seed gives the same sheet again.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random
from typing import Any

from tests.attack.targets import Grid, Target

Files = dict[str, bytes]
"""By name within a folder."""

# Cells, rows, columns -------------------------------------------------------------------------

NASTY_CELLS = (
    *("", " ", "\u00a0", "\t", "\n", "\r\n", '"', "'", "''", "'=x", "\ufeff", "\x00", "\x1b[31m"),
    *("0", "-0", "1", "-1", "2", "0.5", "1e-320", "1e308", "-1e308", "1e999", "9" * 400, "1e", "."),
    *("nan", "inf", "-inf", "NaN", "Infinity", "0x10", "1_000", "1,000", "1.000,5", "90%", "$5"),
    *("٣", "９０", "½", "²", "−1", "1 000", "1e5", "1000000000", "1000000001", "999999", "0.99"),
    *("9999-12-31", "0001-01-01", "2026-02-30", "0000-00-00", "31.12.2026", "2026-11-25T00:00"),
    *("2026-11-25 24:00", "9999-12-31 23:59:59", "٢٠٢٦-١١-٢٥", "46000", "1900-02-29"),
    *("yes", "no", "TRUE", "maybe", "=1+1", '=HYPERLINK("x")', "+1", "@x", "#N/A", "#REF!"),
    *("|", ";", ",", "a|b", "a||b", "|a", "a|a", "a;b", "a,b", "beef|pork", "beef|BEEF"),
    *("lot=B50-1", "lot=", "=lot", "lean>=0.5", "lean>=nan", "lean=1e-400"),
    *(
        "fresh_or_frozen=frozen; fresh_or_frozen=fresh",
        "frm=frozen",
        "lean>0.1|0.2",
        ";;;",
        "lot!=" + "x|" * 500,
    ),
    *("a" * 33_000, "|".join("abc"[i % 3] * (i + 1) for i in range(200)), "ﬁ", "İ", "ß", "\u0345"),
    *("\u202e", "\u200b", "🥩", "e\u0301", "\u1e9e", "\u037e", "x\u2028y", "\ud7ff", "\U000e0001"),
    *[
        "domestic",
        "Domestic",
        "fixed",
        "normal",
        "base",
        "set",
        "multiply",
        "USD",
        "share",
        "drawn",
    ],
)


def _place(random: Random, grid: Grid) -> tuple[int, int] | None:
    rows = [number for number, row in enumerate(grid) if row]
    if not rows:
        return None
    # The header is one row of many, and as worth attacking as all of them.
    number = rows[0] if random.random() < 0.1 else random.choice(rows)
    return number, random.randrange(len(grid[number]))


def _cell_nasty(random: Random, grid: Grid) -> None:
    if place := _place(random, grid):
        grid[place[0]][place[1]] = random.choice(NASTY_CELLS)


def _cell_taken_from_elsewhere(random: Random, grid: Grid) -> None:
    to, of = _place(random, grid), _place(random, grid)
    if to and of:
        if random.random() < 0.6 and to[1] < len(grid[of[0]]):
            of = of[0], to[1]
        grid[to[0]][to[1]] = grid[of[0]][of[1]]


def _cell_edited(random: Random, grid: Grid) -> None:
    if place := _place(random, grid):
        text = grid[place[0]][place[1]]
        start = random.randint(0, len(text))
        end = random.randint(start, min(len(text), start + 3))
        junk = random.choice(("", "", *"0123456789.,-|;=e%\"' \t\n\x00é", text[start:end] * 2))
        grid[place[0]][place[1]] = text[:start] + junk + text[end:]


def _number_moved(random: Random, grid: Grid) -> None:
    numbers = [
        (row, place)
        for row, cells in enumerate(grid)
        for place, cell in enumerate(cells)
        if re.fullmatch(r"-?\d+(\.\d+)?", cell)
    ]
    if numbers:
        row, place = random.choice(numbers)
        factor = random.choice((0, -1, 0.01, 100, 1e-12, 1e12, 1e300, 1.0000001))
        grid[row][place] = repr(float(grid[row][place]) * factor)


def _row_dropped(random: Random, grid: Grid) -> None:
    if grid:
        del grid[random.randrange(len(grid))]


def _row_doubled(random: Random, grid: Grid) -> None:
    if grid:
        grid.insert(random.randint(0, len(grid)), list(random.choice(grid)))


def _row_moved(random: Random, grid: Grid) -> None:
    if grid:
        row = grid.pop(random.randrange(len(grid)))
        grid.insert(random.randint(0, len(grid)), row)


def _row_blank(random: Random, grid: Grid) -> None:
    blank = random.choice(([], [""], [" "] * 50, [""] * 200))
    grid.insert(random.randint(0, len(grid)), list(blank))


def _row_ragged(random: Random, grid: Grid) -> None:
    if rows := [row for row in grid if row]:
        row = random.choice(rows)
        if random.random() < 0.5:
            row.insert(random.randint(0, len(row)), random.choice(NASTY_CELLS))
        else:
            del row[random.randrange(len(row)) :]


def _rows_cut(random: Random, grid: Grid) -> None:
    del grid[random.randint(0, len(grid)) :]


def _rows_many(random: Random, grid: Grid) -> None:
    if grid:
        grid.extend([list(random.choice(grid)) for _ in range(random.choice((50, 300, 1500)))])


def _column(change: Callable[[Random, list[str], int], None]) -> Callable[[Random, Grid], None]:
    def mutate(random: Random, grid: Grid) -> None:
        width = max(map(len, grid), default=0)
        if width:
            place = random.randrange(width)
            seed = random.random()
            for row in grid:
                if place < len(row):
                    change(Random(seed), row, place)

    return mutate


def _drop(random: Random, row: list[str], place: int) -> None:
    del row[place]


def _double(random: Random, row: list[str], place: int) -> None:
    row.insert(random.randint(0, len(row)), row[place])


def _swap(random: Random, row: list[str], place: int) -> None:
    other = random.randrange(len(row))
    row[place], row[other] = row[other], row[place]


def _empty(random: Random, row: list[str], place: int) -> None:
    row[place] = ""


def _cells_of_column_nasty(random: Random, grid: Grid) -> None:
    width = max(map(len, grid), default=0)
    if width:
        place, cell = random.randrange(width), random.choice(NASTY_CELLS)
        for row in grid[1:]:
            if place < len(row):
                row[place] = cell


def _header_edited(random: Random, grid: Grid) -> None:
    if grid and grid[0]:
        place = random.randrange(len(grid[0]))
        name = grid[0][place]
        grid[0][place] = random.choice(
            (
                *(name.upper(), f"  {name} ", name[:-1], f"{name}s", name.replace("_", " "), ""),
                *(random.choice(grid[0]), "price_usd", "x" * 500, "note", "\x00", name[::-1]),
            )
        )


def _transposed(random: Random, grid: Grid) -> None:
    width = max(map(len, grid), default=0)
    grid[:] = [[row[place] if place < len(row) else "" for row in grid] for place in range(width)]


GRID_MUTATIONS: tuple[Callable[[Random, Grid], None], ...] = (
    *(_cell_nasty,) * 6,
    *(_cell_taken_from_elsewhere,) * 4,
    *(_cell_edited,) * 4,
    *(_number_moved,) * 3,
    _row_dropped,
    _row_doubled,
    _row_moved,
    _row_blank,
    _row_ragged,
    _rows_cut,
    _rows_many,
    _column(_drop),
    _column(_double),
    _column(_swap),
    _column(_empty),
    _cells_of_column_nasty,
    *(_header_edited,) * 2,
    _transposed,
)


GENTLE = (
    *(_number_moved,) * 4,
    *(_cell_taken_from_elsewhere,) * 3,
    *(_cell_edited, _cell_nasty, _row_dropped, _rows_cut, _column(_empty), _column(_swap)),
)
"""What leaves many a table readable, and odd."""


def mutated_grid(
    random: Random,
    grid: Grid,
    maximum: int = 5,
    mutations: tuple[Callable[[Random, Grid], None], ...] = GRID_MUTATIONS,
) -> Grid:
    grid = [list(row) for row in grid]
    for _ in range(random.randint(1, maximum)):
        random.choice(mutations)(random, grid)
    return grid


# CSV ------------------------------------------------------------------------------------------


def csv_bytes(
    grid: Grid,
    delimiter: str = ",",
    ending: str = "\n",
    quoting: Any = csv.QUOTE_MINIMAL,
    coding: str = "utf-8",
) -> bytes:
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator=ending, quoting=quoting).writerows(grid)
    return text.getvalue().encode(coding, errors="replace")


def _some_csv(random: Random, grid: Grid) -> bytes:
    """As some spreadsheet might save it."""
    return csv_bytes(
        grid,
        delimiter=random.choice((",", ",", ",", ";", "\t", "|")),
        ending=random.choice(("\n", "\r\n", "\n", "\r")),
        quoting=random.choice((csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL)),
        coding=random.choice(
            ("utf-8",) * 8 + ("utf-8-sig", "utf-16", "utf-32", "latin-1", "cp1252")
        ),
    )


def mutated_bytes(random: Random, data: bytes, maximum: int = 6) -> bytes:
    for _ in range(random.randint(1, maximum)):
        start = random.randint(0, len(data))
        end = random.randint(start, min(len(data), start + random.choice((0, 1, 1, 4, 40))))
        junk = random.choice(
            (
                b"",
                random.randbytes(random.choice((1, 1, 2, 8))),
                random.choice(
                    (b"\x00", b'"', b",", b"\n", b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b"|")
                ),
                data[end : end + random.randint(0, 60)],
            )
        )
        data = data[:start] + junk + data[end:]
    if random.random() < 0.05:
        data = data[: random.randint(0, len(data))]
    return data


# XLSX -----------------------------------------------------------------------------------------


def _typed(random: Random, text: str) -> Any:
    """As a person or a program may have left the cell: number, day, time, truth, formula."""
    if random.random() < 0.02:
        return random.choice(
            (
                *(time(6, 30), timedelta(hours=30), timedelta(days=-1), datetime(2026, 11, 25, 6)),
                *(True, False, 1e308, -0.0, 0, 2**60, 10**30, date(1900, 1, 1), date(9999, 12, 31)),
                *("=1+1", "=A1", "=SUM(A1:A9)", "=1/0", "#DIV/0!"),
            )
        )
    try:
        number = float(text)
    except ValueError:
        pass
    else:
        return number if abs(number) < 1e300 else text
    try:
        return date.fromisoformat(text)
    except ValueError:
        return {"yes": True, "no": False}.get(text, text)


_ILLEGAL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def workbook_parts(random: Random, grids: Mapping[str, Grid]) -> dict[str, bytes]:
    """The parts of a workbook with a sheet for each table, now and then with odd looks."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name, grid in grids.items():
        sheet = book.create_sheet(name)
        for row in grid:
            cells = (_ILLEGAL.sub("", text)[:32_767] for text in row)
            sheet.append([_typed(random, text) for text in cells])
        if random.random() < 0.2:
            sheet.merge_cells(random.choice(("A1:C1", "A2:A5", "B2:D4", "A1:XFD1")))
        if random.random() < 0.2:
            _odd_formats(random, sheet)
    if random.random() < 0.1:
        book.create_sheet(random.choice(("Sheet1", "notes", "lots ", "Lots (2)")))
    if random.random() < 0.1:
        book.create_sheet("hidden").sheet_state = "hidden"
    if random.random() < 0.1:
        from openpyxl.utils.datetime import CALENDAR_MAC_1904

        book.epoch = CALENDAR_MAC_1904
    saved = io.BytesIO()
    book.save(saved)
    parts = _parts(saved.getvalue())
    parts["docProps/core.xml"] = re.sub(rb"\d{4}-[^<]*Z", b"2026-11-25", parts["docProps/core.xml"])
    return with_shared_strings(parts) if random.random() < 0.7 else parts


SHARED = "xl/sharedStrings.xml"
_MAIN = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OF_DOCUMENT = b"http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"
_CONTENT = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"


def with_shared_strings(parts: dict[str, bytes]) -> dict[str, bytes]:
    """Texts in a part of their own, as spreadsheets save them; openpyxl leaves them in place."""
    place_of: dict[bytes, int] = {}

    def shared(match: re.Match[bytes]) -> bytes:
        place = place_of.setdefault(match[2], len(place_of))
        return b'<c%st="s"><v>%d</v></c>' % (match[1], place)

    inline = re.compile(rb'<c([^>]*)t="inlineStr"><is>(.*?)</is></c>', re.DOTALL)
    found = {
        name: inline.sub(shared, content) if name.startswith("xl/worksheets/") else content
        for name, content in parts.items()
    }
    texts = b"".join(b"<si>%s</si>" % text for text in place_of)
    found[SHARED] = b'<sst xmlns="%s" count="%d" uniqueCount="%d">%s</sst>' % (
        *(_MAIN, len(place_of), len(place_of)),
        texts,
    )
    for name, end, link in (
        (
            "xl/_rels/workbook.xml.rels",
            b"</Relationships>",
            b'<Relationship Type="%s" Target="sharedStrings.xml" Id="rId99"/>' % _OF_DOCUMENT,
        ),
        (
            "[Content_Types].xml",
            b"</Types>",
            b'<Override PartName="/%s" ContentType="%s"/>' % (SHARED.encode(), _CONTENT),
        ),
    ):
        found[name] = found[name].replace(end, link + end)
    return found


def _odd_formats(random: Random, sheet: Any) -> None:
    """Numbers that a format turns into days, times and lengths of time, and the reverse."""
    formats = ("yyyy-mm-dd", "h:mm:ss", "[h]:mm:ss", "0%", "@", "General", "[mm]:ss", "[Red]0;0")
    for _ in range(random.randint(1, 12)):
        row = random.randint(1, max(1, min(sheet.max_row, 40)))
        column = random.randint(1, max(1, min(sheet.max_column, 40)))
        cell = sheet.cell(row, column)
        if type(cell).__name__ == "Cell":
            cell.number_format = random.choice(formats)


def _parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped_parts(parts: Mapping[str, bytes]) -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            # A day of its own would make each run's archive another.
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return data.getvalue()


ODD_CELLS = (
    '<c r="B2" t="s"><v>999999</v></c>',
    '<c r="B2" t="s"><v>-1</v></c>',
    '<c r="B2" t="s"><v></v></c>',
    '<c r="B2" t="s"/>',
    '<c r="B2" t="n"><v>1e99999</v></c>',
    '<c r="B2" t="n"><v>nan</v></c>',
    '<c r="B2" t="n"><v>NaN.E</v></c>',
    '<c r="B2" t="n"><v>-9.9E307</v></c>',
    f'<c r="B2" t="n"><v>{"9" * 4200}</v></c>',
    f'<c r="B2" t="n"><v>{"9" * 4400}</v></c>',
    '<c r="B2" t="d"><v>2026-11-25</v></c>',
    '<c r="B2" t="d"><v>2026-11-25T06:00:00Z</v></c>',
    '<c r="B2" t="d"><v>06:00:00</v></c>',
    '<c r="B2" t="d"><v>0000-13-45</v></c>',
    '<c r="B2" t="b"><v>7</v></c>',
    '<c r="B2" t="b"><v>x</v></c>',
    '<c r="B2" t="e"><v>#REF!</v></c>',
    '<c r="B2" t="zz"><v>1</v></c>',
    '<c r="B2" t="str"><v>text</v></c>',
    '<c r="B2" t="inlineStr"><is><r><t>a</t></r><r><t>b</t></r></is></c>',
    '<c r="B2" t="inlineStr"/>',
    '<c r="B2" s="9999"><v>1</v></c>',
    '<c r="B2" s="1"><v>-5</v></c>',
    '<c r="B2" s="1"><v>2958466</v></c>',
    '<c r="B2" s="1"><v>1e12</v></c>',
    '<c r="B2" s="1"><v>0.25</v></c>',
    '<c r="B2" s="1"><v>60</v></c>',
    '<c r="XFD2"><v>1</v></c>',
    '<c r="XFE2"><v>1</v></c>',
    '<c r="ZZZZ2"><v>1</v></c>',
    '<c r="A9999999999"><v>1</v></c>',
    '<c r="0"><v>1</v></c>',
    '<c r=""><v>1</v></c>',
    "<c><v>1</v></c>",
    "<c/>",
    '<c r="B2"><f>1/0</f></c>',
    '<c r="B2"><f>SUM(A1:A9)</f><v>3</v></c>',
    '<c r="B2" t="str"><f>A1</f><v>beef</v></c>',
    '<c r="B2" t="e"><f>1/0</f><v>#DIV/0!</v></c>',
    '<c r="B2"><f t="shared" si="0"/><v>3</v></c>',
    '<c r="B2"><f t="shared" ref="B2:B9" si="0">A1</f><v>3</v></c>',
    '<c r="B2"><f t="array" ref="B2:B9">A1:A8</f><v>3</v></c>',
    '<c r="B2"><f t="array">A1:A8</f></c>',
    '<c r="B2"><f t="dataTable" ref="B2:B9" dt2D="1" r1="A1" r2="A2"/><v>3</v></c>',
    '<c r="B2"><f t="dataTable"/></c>',
    '<c r="B2"><f></f><v></v></c>',
    "</row>",
    '<row r="1048577"><c r="A1048577"><v>1</v></c></row>',
    '<row r="3"><c r="A3"><v>1</v></c></row>',
    '<row r="-3"/>',
    '<row r="x"/>',
    '<row r="100000"><c r="A100000"><v>1</v></c></row>',
)

ODD_XML = (
    *(b"", b"<", b"\x00", b"<?xml version='1.0'?>", b"</x>", b"<a/>", b"&bomb;", b"]]>", b"<!--"),
    *(b'<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>', b"&#0;", b"&#x1F;"),
    *(b'<dimension ref="A1:XFD1048576"/>', b'<dimension ref="nonsense"/>', b"<dimension/>"),
    *(b"<si><t>x</t></si>", b"<si/>", b"<t/>", b"<sheetData/>", b"\xff\xfe", b"xmlns='urn:x'"),
    *(b'<sheetPr><tabColor rgb="zz"/></sheetPr>', b'<cols><col min="9" max="1"/></cols>'),
    *(b'<numFmt numFmtId="200" formatCode="[h]:mm"/>', b"<hyperlinks><hyperlink/></hyperlinks>"),
)


def _part_spoilt(random: Random, parts: dict[str, bytes], name: str) -> None:
    parts[name] = mutated_bytes(random, parts[name], 3)


def _shared_strings_spoilt(random: Random, parts: dict[str, bytes], name: str) -> None:
    if SHARED in parts:
        change = random.choice((_part_spoilt, _tag_gone, _xml_put_in, _attribute_changed))
        change(random, parts, SHARED)


def _part_gone(random: Random, parts: dict[str, bytes], name: str) -> None:
    del parts[name]


def _part_empty(random: Random, parts: dict[str, bytes], name: str) -> None:
    parts[name] = random.choice(ODD_XML)


def _part_renamed(random: Random, parts: dict[str, bytes], name: str) -> None:
    parts[random.choice((name.upper(), f"../{name}", f"/{name}", f"{name}x"))] = parts.pop(name)


def _parts_swapped(random: Random, parts: dict[str, bytes], name: str) -> None:
    other = random.choice(sorted(parts))
    parts[name], parts[other] = parts[other], parts[name]


def _xml_put_in(random: Random, parts: dict[str, bytes], name: str) -> None:
    tags = [each.end() for each in re.finditer(rb"<[^>]*>", parts[name])]
    if tags:
        place = random.choice(tags)
        junk = random.choice(ODD_XML)
        parts[name] = parts[name][:place] + junk + parts[name][place:]


def _attribute_changed(random: Random, parts: dict[str, bytes], name: str) -> None:
    found = list(re.finditer(rb'="([^"]*)"', parts[name]))
    if found:
        start, end = random.choice(found).span(1)
        junk = random.choice([b"", *b"-1 0 1 99999999999 x true ../x A1:B2 &#0; s".split()])
        parts[name] = parts[name][:start] + junk + parts[name][end:]


def _tag_gone(random: Random, parts: dict[str, bytes], name: str) -> None:
    found = list(re.finditer(rb"<[^>]*>", parts[name]))
    if found:
        start, end = random.choice(found).span()
        parts[name] = parts[name][:start] + parts[name][end:]


def _coding_changed(random: Random, parts: dict[str, bytes], name: str) -> None:
    text = parts[name].decode("utf-8", "replace")
    coding = random.choice(("utf-16", "latin-1", "utf-32", "cp500"))
    head = f'<?xml version="1.0" encoding="{random.choice((coding, "utf-8", "nope"))}"?>'
    text = head + re.sub(r"^<\?xml[^>]*\?>", "", text)
    parts[name] = text.encode(coding, "replace")


def _entities(random: Random, parts: dict[str, bytes], name: str) -> None:
    bomb = b'<!DOCTYPE x [<!ENTITY bomb "boom"><!ENTITY more "&bomb;&bomb;">]>'
    parts[name] = re.sub(rb"^(<\?xml[^>]*\?>)?", rb"\1" + bomb, parts[name], count=1).replace(
        b"</v>", b"&more;</v>", 1
    )


def _odd_cell(random: Random, parts: dict[str, bytes], name: str) -> None:
    sheets = [each for each in parts if each.startswith("xl/worksheets/sheet")]
    if not sheets:
        return
    sheet = random.choice(sheets)
    # Some cells are added to the others, some replace one.
    cells = list(re.finditer(rb"<c [^>]*?(/>|>.*?</c>)", parts[sheet], re.DOTALL))
    if cells:
        start, end = random.choice(cells).span()
        junk = random.choice(ODD_CELLS).encode()
        own = re.search(rb' r="([A-Z]+\d+)"', parts[sheet][start:end])
        if own and random.random() < 0.7:
            junk = junk.replace(b'r="B2"', b'r="' + own[1] + b'"')
        if random.random() < 0.3:
            end = start
        parts[sheet] = parts[sheet][:start] + junk + parts[sheet][end:]


PART_MUTATIONS: tuple[Callable[[Random, dict[str, bytes], str], None], ...] = (
    *(_odd_cell,) * 8,
    *(_part_spoilt,) * 3,
    *(_xml_put_in,) * 3,
    *(_attribute_changed,) * 5,
    *(_tag_gone,) * 2,
    *(_shared_strings_spoilt,) * 2,
    _part_gone,
    _part_empty,
    _part_renamed,
    _parts_swapped,
    _coding_changed,
    _entities,
)


def mutated_workbook(random: Random, grids: Mapping[str, Grid]) -> bytes:
    """A workbook with parts changed, then now and then with its archive damaged."""
    parts = workbook_parts(random, grids)
    level = random.random()
    if level < 0.75:
        for _ in range(random.randint(1, 3)):
            if parts:
                random.choice(PART_MUTATIONS)(random, parts, random.choice(sorted(parts)))
    data = zipped_parts(parts)
    if level > 0.7:
        data = random.choice((_sizes_declared, mutated_bytes, mutated_bytes))(random, data)
    return data


def _sizes_declared(random: Random, data: bytes) -> bytes:
    """Sizes, sums, methods and flags of the archive's headers that are not what they say."""
    heads = [each.start() for each in re.finditer(rb"PK\x01\x02|PK\x03\x04|PK\x05\x06", data)]
    place = random.choice(heads) + random.randint(4, 45)
    value = random.choice((b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\x01\x00\x00\x00", b"\x7f"))
    return data[:place] + value + data[place + len(value) :]


# A whole folder -------------------------------------------------------------------------------


def malformed(random: Random, target: Target) -> Files:
    """The target's sound tables with one of them, or what it is saved as, made malformed."""
    grids = dict(target.tables)
    table = random.choice(target.attacked)
    form = random.choice(("csv", "bytes")) if target.csv_only else random.choice(FORMS)
    if form in ("csv", "table_workbook", "case_workbook") and (
        form == "csv" or random.random() < 0.5
    ):
        grids[table] = mutated_grid(random, grids[table])
    plain = {name: csv_bytes(grid) for name, grid in grids.items() if name != table}
    files = {f"{name}.csv": data for name, data in plain.items()}
    match form:
        case "csv":
            files[f"{table}.csv"] = _some_csv(random, grids[table])
        case "bytes":
            files[f"{table}.csv"] = mutated_bytes(random, csv_bytes(grids[table]))
        case "table_workbook":
            one = {table: grids[table]}
            files[f"{table}.xlsx"] = mutated_workbook(random, one)
        case "case_workbook":
            return {"case.xlsx": mutated_workbook(random, grids)}
        case "names":
            files[f"{table}.csv"] = csv_bytes(grids[table])
            _names_changed(random, files, table)
    return files


FORMS = ("csv", "csv", "csv", "bytes", "table_workbook", "table_workbook", "case_workbook", "names")


def _names_changed(random: Random, files: Files, table: str) -> None:
    data = files.pop(f"{table}.csv")
    name = random.choice(
        (
            *(f"{table.upper()}.CSV", f"{table}s.csv", f"{table[:-1]}.csv", f"{table}.xls"),
            *(f"{table}.xlsx", f"{table}.csv/x", f"{table}.tsv", f".{table}.csv", f"{table}.ods"),
            *(f"{table} .csv", f"{table}", f"{table}.csv.csv", f"ｌ{table}.csv", f"~${table}.xlsx"),
        )
    )
    files[name] = data
    if random.random() < 0.4 and "/" not in name:
        files[f"{table}.csv"] = data


def write_csvs(grids: Mapping[str, Grid], folder: Path) -> None:
    write_files({f"{name}.csv": csv_bytes(grid) for name, grid in grids.items()}, folder)


def write_files(files: Files, folder: Path) -> Path:
    """Write the files; return what a reader is given: the folder, or the one workbook."""
    folder.mkdir(parents=True)
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder / "case.xlsx" if list(files) == ["case.xlsx"] else folder
