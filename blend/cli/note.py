"""What the reporter hands on: supply indicators, and the day's note as draft and as page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import click

from blend.cli.common import FILE, finite, read_market_folder, step_line
from blend.cli.reporter import DAY, method_of, open_store, with_levels, with_method, with_store
from blend.errors import FileTrouble, InputRefused, Problem
from blend.files import check_place

# The note ----------------------------------------------------------------------------------------


@click.command()
@click.option("--day", type=DAY, required=True, help="Market day.")
@click.option(
    "--out",
    type=FILE,
    required=True,
    help="Where to write it: .md is a draft to edit, .html a page to print.",
)
@click.option(
    "--draft",
    type=FILE,
    help="An edited draft: its words are kept, its figures held against the store.",
)
@click.option("--sign", "signed_by", default="", metavar="NAME", help="Who answers for the page.")
@click.option(
    "--title", default="Boneless beef and trimmings", show_default=True, help="Of the note."
)
@click.option(
    "--market",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Blends, rules and elasticities (as for blend clear), to explain moves with.",
)
@click.option("--since", type=DAY, help="Day that moves are explained from; a week before.")
@click.option(
    "--explain",
    "item_ids",
    multiple=True,
    metavar="ITEM",
    help="Item to explain; as a rule those that moved most up and down. May be repeated.",
)
@click.option(
    "--volume-error",
    type=click.FloatRange(0, 0.5),
    callback=finite,
    default=0.01,
    show_default=True,
    metavar="SHARE",
    help="Standard error of every volume, a share of it.",
)
@with_levels
@with_method
@with_store
def note(
    day: date,
    out: Path,
    draft: Path | None,
    signed_by: str,
    title: str,
    market: Path | None,
    since: date | None,
    item_ids: tuple[str, ...],
    volume_error: float,
    levels: Sequence[str],
    method_path: Path | None,
    where: str | None,
) -> None:
    """Write the note of a day: first a draft to edit (.md), then the page to print (.html).

    Every figure stands in the draft with its id, as [342.50](#90s.price), and is listed with
    where it is from. Of an edited draft the words are kept; a figure that is no longer what the
    store gives is marked, and nothing is signed before all agree.
    """
    suffix = out.suffix.lower()
    if suffix not in (".md", ".html"):
        raise FileTrouble(f"{out}: a note ends in .md or .html")
    check_place(out)
    if suffix == ".md" and (draft is not None or signed_by):
        raise click.UsageError("--draft and --sign are for the page: --out NAME.html.")
    if market is None and (since is not None or item_ids):
        raise click.UsageError("--since and --explain need --market to explain moves with.")
    text = None if draft is None else _draft_text(draft)

    from blend.reporter.note_content import note_of
    from blend.reporter.noting import asked_of_store, check_series, days_of_store, news_of
    from blend.reporter.quoting import heard
    from blend.show.note import draft_of, page_of
    from blend.show.note_pictures import pictures_of
    from blend.tables.write import write_text

    method = method_of(method_path)
    start = day - timedelta(days=7) if since is None else since
    if start >= day:
        raise click.BadParameter("must be before --day.", param_hint="--since")
    frame = None if market is None else read_market_folder(market)
    asked = None
    with open_store(where) as opened:
        known = heard(opened, day, method)
        volumes = opened.volumes(as_of=known.position)
        check_series(volumes, levels)
        if frame is not None:
            asked = asked_of_store(opened, known, method, frame, start, item_ids, volume_error)
        with step_line() as say:
            say("quoting two years of every item")
            days = days_of_store(opened, known, method)
    with step_line() as say:
        say("gathering the news" if frame is None else "explaining what moved")
        news = news_of(known, days, volumes, method, asked=asked, levels=levels)
        for each in news.explanations:
            say(f"proving the split of {each.item_id}")
            each.why.certified().must_be_valid(f"split of {each.item_id}")
    made = note_of(news, title)
    if suffix == ".md":
        write_text(out, draft_of(made))
        click.echo(f"Draft: {out}")
        return
    pictures = pictures_of(news)
    page = page_of(
        made,
        pictures,
        draft=text,
        draft_name="draft" if draft is None else draft.name,
        signed_by=signed_by,
    )
    problems = page.problems
    if market is None:
        problems = [_with_market_asked(each) for each in problems]
    if signed_by and problems:
        raise InputRefused(problems)
    for problem in problems:
        click.echo(f"warning: {problem}", err=True)
    write_text(out, page.html)
    click.echo(f"Note: {out}")


def _with_market_asked(problem: Problem) -> Problem:
    """What an explanation gave, and this run does not: as a rule an option that was left out."""
    if not (problem.column or "").startswith("why."):
        return problem
    return replace(problem, hint="Name --market, --since and --explain as for the draft.")


def _draft_text(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise FileTrouble(f"{path}: {reason}") from error
