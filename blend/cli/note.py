"""blend note: the day's note, first as a draft to edit, then as the page to print."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import FILE, answers, examples
from blend.cli.common import read_market_folder, step_line
from blend.cli.params import DAY, Share
from blend.cli.reporter import (
    calls_signed,
    latest_day,
    method_of,
    open_store,
    with_calls,
    with_levels,
    with_method,
    with_store,
)
from blend.errors import FileTrouble, InputRefused, Problem
from blend.files import check_place

if TYPE_CHECKING:
    from blend.output.answer import Answer
    from blend.reporter.news import News
    from blend.reporter.note import Note


@click.command(
    epilog=examples(
        "blend note --out note.md",
        "blend note --draft note.md --sign 'A. Reporter' --out note.html",
    )
)
@click.option("--day", type=DAY, help="Market day. Default: latest day on file.")
@click.option("--out", type=FILE, help="A draft to edit (.md), or the page to print (.html).")
@click.option("--draft", type=FILE, help="Your edited draft: words kept, figures checked.")
@click.option("--sign", "signed_by", default="", metavar="NAME", help="Who signs the page.")
@with_calls
@click.option(
    "--confirm",
    "confirm",
    multiple=True,
    metavar="N|all",
    help="A point on the note's list that you have checked; repeatable.",
)
@click.option(
    "--title", default="Boneless beef and trimmings", show_default=True, help="Title of the note."
)
@click.option(
    "--market",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Blends, rules and elasticities, to explain moves with.",
)
@click.option(
    "--market-before",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="The same as of --since, where rules or products have changed.",
)
@click.option("--since", type=DAY, help="Explain moves from this day. Default: a week before.")
@click.option(
    "--explain",
    "item_ids",
    multiple=True,
    metavar="ID",
    help="Item to explain; repeatable. Default: the largest rise and fall.",
)
@click.option(
    "--volume-error",
    type=Share(0, 0.5, small=True),
    default=0.01,
    show_default="1%",
    help="Standard error of every volume.",
)
@with_levels
@with_method
@with_store
@answers()
def note(
    day: date | None,
    out: Path | None,
    draft: Path | None,
    signed_by: str,
    calls: tuple[str, ...],
    confirm: tuple[str, ...],
    title: str,
    market: Path | None,
    market_before: Path | None,
    since: date | None,
    item_ids: tuple[str, ...],
    volume_error: float,
    levels: tuple[str, ...],
    method_path: Path | None,
    where: str | None,
) -> Answer:
    """The note of a day: its lead here, the draft and the page in files.

    Every figure in the draft has its id, as [$342.50](#90s.price); sources are in a file next to
    it. Words of an edited draft are kept; a figure that is no longer what the store gives is
    marked, and nothing is signed before all agree. Your own sentences are checked against the
    store; what cannot be checked, and cautions you took out, are listed for you to confirm.
    """
    suffix = "" if out is None else out.suffix.lower()
    if out is not None:
        if suffix not in (".md", ".html"):
            raise FileTrouble(f"{out}: a note ends in .md or .html.")
        check_place(out)
    if suffix != ".html" and (draft is not None or signed_by):
        raise click.UsageError("--draft and --sign are for the page: --out NAME.html.")
    if calls and not signed_by:
        raise click.UsageError("--call needs --sign: who signs off on it.")
    if confirm and not signed_by:
        raise click.UsageError("--confirm goes with --sign.")
    if market is None and (since is not None or item_ids or market_before is not None):
        raise click.UsageError("--market-before, --since and --explain need --market.")
    text = None if draft is None else _draft_text(draft)

    from blend.reporter.note_page import WrittenNote
    from blend.reporter.note_text import note_of

    with open_store(where) as opened:
        on = day or latest_day(opened)
    markets = (market, market_before)
    news = _news(on, markets, since, item_ids, volume_error, levels, method_path, where)
    made = note_of(news, title)
    if out is None:
        return WrittenNote(made)
    if suffix == ".md":
        return WrittenNote(made, _write_draft(made, out))
    name = "draft" if draft is None else draft.name
    from blend.reporter.ledger import call_words
    from blend.store.calls import add_calls

    with open_store(where) as opened:
        signed_calls = calls_signed(opened, calls, on, "note", signed_by)
        words = list(map(call_words, signed_calls))
        saved = _write_page(
            made, news, out, text, name, signed_by, confirm, words, has_market=market is not None
        )
        add_calls(opened, signed_calls)
    return WrittenNote(made, saved)


def _news(
    day: date,
    markets: tuple[Path | None, Path | None],
    since: date | None,
    item_ids: tuple[str, ...],
    volume_error: float,
    levels: tuple[str, ...],
    method_path: Path | None,
    where: str | None,
) -> News:
    from blend.reporter.noting import asked_of_store, check_series, days_of_store, news_of
    from blend.reporter.quote import refuse_day_without_market
    from blend.reporter.quoting import heard

    method = method_of(method_path)
    start = day - timedelta(days=7) if since is None else since
    if start >= day:
        raise click.BadParameter("must be before --day.", param_hint="--since")
    frame, before = (None if each is None else read_market_folder(each) for each in markets)
    asked = None
    with open_store(where) as opened, step_line() as say:
        known = heard(opened, day, method)
        refuse_day_without_market(known)
        volumes = opened.volumes(as_of=known.position)
        check_series(volumes, levels)
        if frame is not None:
            asked = asked_of_store(
                opened, known, method, frame, start, item_ids, volume_error, before
            )
        say("quoting two years of every item")
        days = days_of_store(opened, known, method)
        say("gathering the news" if frame is None else "explaining what moved")
        news = news_of(known, days, volumes, method, asked=asked, levels=levels)
        for each in news.explanations:
            say(f"checking the split of {each.item_id}")
            each.why.certified().must_be_valid(f"split of {each.item_id}")
    return news


def _write_draft(made: Note, out: Path) -> tuple[str, ...]:
    from blend.reporter.note_page import draft_of, sources_text
    from blend.tables.write import write_text

    sources = out.with_name(f"{out.stem}-sources.md")
    write_text(out, draft_of(made))
    write_text(sources, sources_text(made))
    return f"Saved draft: {out}", f"Saved sources and figure ids: {sources}"


def _write_page(
    made: Note,
    news: News,
    out: Path,
    text: str | None,
    name: str,
    signed_by: str,
    confirm: tuple[str, ...],
    calls: list[str],
    *,
    has_market: bool,
) -> tuple[str, ...]:
    from blend.reporter.note_charts import pictures_of
    from blend.reporter.note_page import page_of, sources_page
    from blend.tables.write import write_text

    sources = out.with_name(f"{out.stem}-sources.html")
    page = page_of(
        made,
        pictures_of(news),
        draft=text,
        draft_name=name,
        signed_by=signed_by,
        sources=sources.name,
        calls=calls,
    )
    problems = page.problems if has_market else tuple(map(_with_market_asked, page.problems))
    if signed_by and problems:
        raise InputRefused(problems)
    if text is not None:
        _check_own_words(made, news, text, confirm, is_signed=bool(signed_by))
    write_text(out, page.html)
    write_text(sources, sources_page(made))
    for problem in problems:
        click.echo(f"warning: {problem}", err=True)
    return f"Saved page: {out}", f"Saved sources: {sources}"


def _check_own_words(
    made: Note, news: News, text: str, confirm: tuple[str, ...], *, is_signed: bool
) -> None:
    """List what the signer must confirm; raise NotConfirmed where some of it is not."""
    from blend.reporter.signing import NotConfirmed, confirmed, facts_of, to_confirm

    listed = to_confirm(made, facts_of(news, made), text)
    try:
        done, left = confirmed(listed, confirm)
    except ValueError as error:
        raise click.UsageError(f"--confirm {error}.") from error
    if is_signed and left:
        raise NotConfirmed(left)
    for each in done:
        click.echo(f"confirmed: {each}", err=True)
    for each in left:
        click.echo(f"to confirm before signing: {each}", err=True)


def _with_market_asked(problem: Problem) -> Problem:
    """A figure of an explanation that this run does not give: most likely an option left out."""
    if not (problem.column or "").startswith("why."):
        return problem
    return replace(problem, hint="Give --market, --since and --explain as for the draft.")


def _draft_text(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise FileTrouble(f"{path}: {reason}") from error
