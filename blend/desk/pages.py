"""How a page is made: a template and its values, or the same tables as a file to take away."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, wraps
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from blend.desk import packaged
from blend.desk.desk import EDITED_TABLES, Desk
from blend.desk.jobs import Job
from blend.errors import BlendError, InputRefused, NoPlan, Problem
from blend.output.charts import look
from blend.output.formats import day, money, printable
from blend.output.shown import ShownTable
from blend.tables.forms import shown_word
from blend.tables.write import write_csv, write_plain_workbook

NAVIGATION = (
    (
        "/grinder",
        "Grinder",
        (
            ("/grinder", "Sheet"),
            ("/grinder/copies", "Compare"),
            ("/grinder/plan", "Plan"),
            ("/grinder/batches", "Batch sheets"),
            ("/grinder/work-order", "Work order"),
            ("/grinder/correct", "Adjust a batch"),
            ("/grinder/actuals", "Actuals"),
            ("/grinder/why-no-plan", "Why no plan"),
        ),
    ),
    (
        "/trader",
        "Trader",
        (
            ("/trader", "Lean and fat"),
            ("/trader/lots", "Lots"),
            ("/trader/landed", "Landed"),
            ("/trader/book", "Book"),
            ("/trader/positions", "Several days"),
            ("/trader/scenarios", "Scenarios"),
        ),
    ),
    (
        "/reporter",
        "Reporter",
        (
            ("/reporter", "Canvass"),
            ("/reporter/quotations", "Quotes"),
            ("/reporter/tone", "Trend"),
            ("/reporter/why", "Why"),
            ("/reporter/note", "Note"),
            ("/reporter/weekly", "Weekly report"),
            ("/reporter/calls", "Call record"),
        ),
    ),
)
"""Each person's pages: address and name."""
MAX_PARTS = 64
MAX_FIELDS = 2_000
SOON_SECONDS = 0.25
"""What takes no longer than this is waited for, without a word of it."""
FILE_SECONDS = 20.0
"""How long a file waits for the work that it is made from: whoever asks for one sees nothing
meanwhile, and each that waits holds a thread."""

View = Callable[..., Response]


def view(answer: View) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint from `answer(desk, request, form)`, run in a thread; errors made for people
    become a page that lists them."""

    @wraps(answer)
    async def endpoint(request: Request) -> Response:
        desk: Desk = request.app.state.desk
        if request.method == "POST":
            form = await _form_of(request)
            return await run_in_threadpool(_answered, answer, desk, request, form)
        return await run_in_threadpool(_answered, answer, desk, request, {})

    return endpoint


async def _form_of(request: Request) -> dict[str, str | Upload]:
    try:
        async with request.form(max_files=MAX_PARTS, max_fields=MAX_FIELDS,
                                max_part_size=2_000_000) as form:  # fmt: skip
            return await _read_uploads(form)
    except UnicodeError:
        raise HTTPException(400, "The fields are in no encoding that is read here.") from None


class Upload:
    """A file that was sent: its name, for messages and its ending only, and what is in it."""

    def __init__(self, name: str, data: bytes) -> None:
        self.name, self.data = printable(Path(name.replace("\\", "/")).name)[:100], data


Form = Mapping[str, str | Upload]


async def _read_uploads(form: FormData) -> dict[str, str | Upload]:
    """The fields of a form by name, files read."""
    read: dict[str, str | Upload] = {}
    for name, field in form.multi_items():
        read[name] = (
            readable(field)
            if isinstance(field, str)
            else Upload(field.filename or "file", await field.read())
        )
    return read


def readable(text: str) -> str:
    """Half characters and control characters, which no file can hold, become a mark."""
    return text.translate(_UNREADABLE)


_UNREADABLE = dict.fromkeys(
    [*(set(range(32)) - set(b"\t\n\r")), *range(0xD800, 0xE000), 0xFFFE, 0xFFFF], "\ufffd"
)


def whole_number(text: str, maximum: int = 10**9) -> int | None:
    """A whole number of an address or a form, from 0 to `most`; None for anything else."""
    is_number = text.isascii() and text.isdecimal() and len(text) <= 12
    return int(text) if is_number and int(text) <= maximum else None


def text_of(form: Form, name: str, default: str = "") -> str:
    """A field of a form as one text; a file or nothing in its place is the default."""
    field = form.get(name, default)
    return field if isinstance(field, str) else default


class NotYet(Exception):
    """A file was asked for whose work is still going on."""

    def __init__(self, job: Job) -> None:
        super().__init__(job.about)
        self.job = job


def in_time(request: Request, job: Job) -> Any:
    """The result that a file is made from; raise NotYet where it is long in coming."""
    if not job.wait(SOON_SECONDS if _looks_again(request) else FILE_SECONDS):
        raise NotYet(job)
    return job.result()


def _looks_again(request: Request) -> bool:
    """Whether a page that waits asks, and not a person."""
    return bool(request.headers.get("desk-part"))


def _answered(answer: View, desk: Desk, request: Request, form: Form) -> Response:
    try:
        with desk.as_of_now():
            made = answer(desk, request, form)
    except BlendError as error:
        return trouble_page(desk, request, error)
    except NotYet as not_yet:
        return _not_yet(desk, request, not_yet.job)
    if _looks_again(request) and "content-disposition" in made.headers:
        return page(desk, request, "ready_part.html")
    return made


def _not_yet(desk: Desk, request: Request, job: Job) -> Response:
    """That a file is still being made: a page that looks again, and then has its link."""
    if _looks_again(request):
        return page(desk, request, "working_part.html", job=job)
    title = "Still working"
    made = page(desk, request, "working.html", job=job, title=title)
    made.status_code, made.headers["retry-after"] = 503, "5"
    return made


def trouble_page(desk: Desk, request: Request, error: BlendError) -> Response:
    """The error in the desk's words, with the status that fits."""
    status = 422 if isinstance(error, InputRefused | NoPlan) else 409
    problems = error.problems if isinstance(error, InputRefused) else ()
    lines = [] if problems else error_lines(desk, error)
    if _looks_again(request):
        # a part of this id takes the place of the page's own
        return page(desk, request, "trouble_part.html", problems=problems, lines=lines)
    from blend.desk.tables import fault_of  # which is made of pages

    made = page(
        desk,
        request,
        "trouble.html",
        problems=problems,
        cells=[(each, fault_of(desk, each)) for each in problems],
        lines=lines,
        title="Not done",
    )
    made.status_code = status
    return made


def error_lines(desk: Desk, error: BlendError) -> list[str]:
    case = desk.state().case
    if isinstance(error, NoPlan) and case is not None:
        from blend.grinder.no_plan import infeasible_lines

        return infeasible_lines(error.infeasible, case)
    return [printable(line) for line in str(error).splitlines()]


# Pages -------------------------------------------------------------------------------------------


def page(
    desk: Desk,
    request: Request,
    template: str,
    tables: Sequence[ShownTable | Section] = (),
    **values: Any,
) -> Response:
    """A page, or with `?as=xlsx` or `?as=csv&table=N` its `tables` as a file."""
    wanted = request.query_params.get("as")
    if wanted and tables:
        return _file_of(request, tables, wanted)
    values["part"] = lambda name: render_part(desk, request, name)
    from blend.desk.help import places, tour_of  # which are pages too

    values["places"], values["tour"] = places(), tour_of(request)
    values["sheet_names"] = list(EDITED_TABLES)
    values["here"] = request.url.path if request.method == "GET" else ""
    html = environment().get_template(template).render(
        desk=desk, request=request, tables=tables, **values
    )  # fmt: skip
    return HTMLResponse(html)


def render_part(desk: Desk, request: Request, name: str) -> Markup:
    """One part that may stand on any page."""
    template, values = request.app.state.parts[name]
    made = environment().get_template(template)
    return Markup(made.render(desk=desk, request=request, **values(desk, request)))


def working_or(
    desk: Desk,
    request: Request,
    job: Job,
    done: Callable[[Any], Response],
    *,
    title: str,
    part: bool = False,
) -> Response:
    """`done(result)` where the work is done, else a page that looks again by itself.

    `part` says that this is a part of a page, which `done` fills in, not a page of its own.
    `?stop=1` asks the work to end with the best so far, where it can. A file of the page is
    waited for as files are.
    """
    if request.query_params.get("as"):
        return done(in_time(request, job))
    if job.can_stop and request.query_params.get("stop"):
        job.stop()
    # what the tables have left behind is asked for again by the next look
    is_done = job.wait(SOON_SECONDS) and not job.is_superseded
    if is_done and _looks_again(request) and not part:
        return Response(headers={"desk-reload": "true"})
    if is_done:
        return done(job.result())
    is_part = part or _looks_again(request)
    return page(
        desk, request, "working_part.html" if is_part else "working.html", job=job, title=title
    )


@cache
def environment() -> Environment:
    made = Environment(
        loader=PackageLoader("blend.desk", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    made.globals |= {
        "same_page": same_page,
        "navigation": NAVIGATION,
        "packaged": packaged.PATH,
        "chart_looks": {"light": look("light"), "dark": look("dark")},
    }
    made.filters |= {
        "json_data": _json_data,
        "section": section_of,
        "shown_word": shown_word,
        "us_day": us_day,
        "gain": gain,
    }
    return made


def same_page(request: Request, **query: str | int) -> str:
    """The address of this page with other query values; an empty one is left out."""
    merged = dict(request.query_params) | {name: str(text) for name, text in query.items()}
    kept = {name: text for name, text in merged.items() if text}
    return f"{request.url.path}?{urlencode(kept)}" if kept else request.url.path


def gain(usd: float) -> str:
    """Profit or loss in words and sign, not in color alone: ▲ $1,200 gain, ▼ -$51 loss."""
    if not round(usd):
        return "$0"
    return f"▲ {money(usd)} gain" if usd > 0 else f"▼ {money(usd)} loss"


def us_day(of: Any) -> str:
    """Nov 25, 2026, of a date or of what holds one as its `day`."""
    return "" if of is None else day(of if isinstance(of, date) else of.day)


def _json_data(value: Any) -> Markup:
    """JSON for a data element: nothing in it can end the element."""
    text = json.dumps(value, ensure_ascii=False)
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026"))


# Sections ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Section:
    """A table of results as page and files show it: `rows` are values, `texts` and `totals` as
    people read them. A column has name, unit, heading and align."""

    title: str
    columns: Sequence[Any]
    rows: Sequence[Sequence[Any]]
    texts: Sequence[Sequence[str]]
    totals: Sequence[str] = ()
    note: str = ""


def section_of(table: ShownTable | Section) -> Section:
    """One way to show every table, whichever way it was made."""
    if isinstance(table, Section):
        return table
    columns = table.columns
    texts = [[c.text(cell) for c, cell in zip(columns, row, strict=True)] for row in table.rows]
    totals = table.totals or ()
    total_texts = [c.text(cell) for c, cell in zip(columns, totals, strict=False)]
    rows = [*table.rows]
    return Section(table.title, columns, rows, texts, total_texts, table.note)


# Files -------------------------------------------------------------------------------------------

_TYPES = {
    ".csv": "text/csv; charset=utf-8",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".html": "text/html; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".md": "text/markdown; charset=utf-8",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
}


def file_response(name: str, data: bytes) -> Response:
    """A file to take away under `name`, of plain letters."""
    kept = "".join(mark if mark.isalnum() or mark in "-_." else "_" for mark in name)
    ascii_name = kept.encode("ascii", "replace").decode().replace("?", "_")
    return Response(
        data,
        media_type=_TYPES[Path(ascii_name).suffix],
        headers={"content-disposition": f'attachment; filename="{ascii_name}"'},
    )


def written(name: str, write: Callable[[Path], object]) -> Response:
    """A file to take away, made by a function that writes it to a path."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"made{Path(name).suffix}"
        write(path)
        return file_response(name, path.read_bytes())


def _file_of(request: Request, tables: Sequence[ShownTable | Section], wanted: str) -> Response:
    name = request.url.path.strip("/").replace("/", "_") or "desk"
    if wanted == "xlsx":
        return written(f"{name}.xlsx", lambda path: _write_workbook(path, tables))
    asked = request.query_params.get("table", "0")
    number = whole_number(asked, len(tables) - 1)
    if wanted != "csv" or number is None:
        read = f"as={wanted}, table={asked}"
        allowed = f"as=xlsx, or as=csv with table=0 to {len(tables) - 1}"
        raise InputRefused([Problem("address", None, None, printable(read)[:60], allowed)])
    table = section_of(tables[number])
    header = [column.heading for column in table.columns]
    return written(f"{name}_{asked}.csv", lambda path: write_csv(path, header, _rows(table)))


def _write_workbook(path: Path, tables: Sequence[ShownTable | Section]) -> None:
    sheets: dict[str, tuple[list[str], list[Sequence[Any]]]] = {}
    for number, table in enumerate(map(section_of, tables), 1):
        # a sheet's name holds 31 characters, and none of []:*?/\
        words = "".join(" " if mark in "[]:*?/\\'" else mark for mark in table.title)
        name = f"{number} {words}"[:31].strip()
        sheets[name] = [column.heading for column in table.columns], _rows(table)
    write_plain_workbook(path, sheets)


def _rows(table: Section) -> list[Sequence[Any]]:
    return [*table.rows, *([table.totals] if table.totals else [])]


def static_folder() -> Path:
    return Path(str(files("blend.desk") / "static"))
