"""`blend weekly`: the week's report as a page, Markdown, slides and a script to speak."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import click

from blend.cli.answers import FILE, check_files, examples, give
from blend.cli.reporter import DAY, calls_signed, open_store, with_calls, with_method, with_store
from blend.errors import FileTrouble


@click.command(
    epilog=examples(
        "blend weekly --week 11/20/2026", "blend weekly --out week.html --script week.txt"
    )
)
@with_store
@with_method
@click.option("--week", "of", type=DAY, help="Any day of the week. Default: the latest on file.")
@click.option("--out", type=FILE, metavar="FILE", help="Save the report (.html to print, .md).")
@click.option("--slides", type=FILE, metavar="FILE", help="Save the charts (.html, .png, .svg).")
@click.option(
    "--script", "spoken", type=FILE, metavar="FILE", help="Save the spoken script (.txt)."
)
@with_calls
@click.option("--sign", "signed_by", default="", metavar="NAME", help="Who signs the calls.")
@click.option("--volumes", is_flag=True, help="Also print volumes.")
@click.option("--text", is_flag=True, help="Also print each complex in words.")
@click.option("--all", "every", is_flag=True, help="Print everything, the script included.")
@click.option("--json", "as_json", is_flag=True, help="Print figures and tables as JSON.")
@click.option("--csv", type=FILE, metavar="FILE", help="Save the week's table as CSV.")
@click.option("--chart", type=FILE, metavar="FILE", help="Save a chart (.png, .svg, .pdf).")
def weekly(
    where: str | None,
    method_path: Path | None,
    of: date | None,
    out: Path | None,
    slides: Path | None,
    spoken: Path | None,
    calls: tuple[str, ...],
    signed_by: str,
    volumes: bool,
    text: bool,
    every: bool,
    as_json: bool,
    csv: Path | None,
    chart: Path | None,
) -> None:
    """The week: lean, fat and their spread, each complex, volumes, what to watch.

    Prints the first screen, and saves the report as a two-page print (.html) or Markdown (.md), the
    charts as slides, and a script of about a minute to speak. Calls are kept when you sign, and
    scored in later weeks.
    """
    from blend.files import check_place, write_bytes
    from blend.reporter.calendar import week_of
    from blend.reporter.weekly import weekly as report_week
    from blend.store.calls import add_calls
    from blend.tables.method import read_method

    if out is not None and out.suffix.lower() not in (".html", ".md"):
        raise FileTrouble(f"{out}: the report is saved as .html or .md. Change the ending.")
    if slides is not None and slides.suffix.lower() not in (".html", ".png", ".svg"):
        raise FileTrouble(f"{slides}: slides are saved as .html, .png or .svg. Change the ending.")
    for path in (out, slides, spoken):
        if path is not None:
            check_place(path)
    check_files(csv, chart)
    with open_store(where) as store:
        method = read_method(method_path).method
        days = store.market_days()
        if not days and of is None:
            raise FileTrouble("The store has no entries. Start with blend canvass import.")
        on = of or max(days)
        friday = week_of(on).monday + timedelta(days=4)
        add_calls(store, calls_signed(store, calls, friday, "weekly", signed_by))
        made = report_week(store, on, method)
    if out is not None:
        sources = out.with_name(f"{out.stem}-sources.md")
        is_html = out.suffix.lower() == ".html"
        page = made.html(sources.name, datetime.now()) if is_html else made.markdown()
        write_bytes(out, page.encode())
        write_bytes(sources, made.sources().encode())
    if slides is not None:
        is_page = slides.suffix.lower() == ".html"
        page = made.slides(datetime.now()) if is_page else ""
        write_bytes(slides, page.encode() if is_page else made.slide(slides.suffix))
    if spoken is not None:
        write_bytes(spoken, f"{made.script()}\n".encode())
    flags = {"volumes": volumes, "text": text, "all": every}
    sections = [name for name, asked in flags.items() if asked]
    give(made, sections, as_json=as_json, csv=csv, chart=chart)
    for path in (out, slides, spoken):
        if path is not None and not as_json:
            click.echo(f"Saved: {path}")
