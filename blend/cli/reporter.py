"""What the reporter asks for: keep the canvass, quote, tell the tone, publish."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import FILE, step_line
from blend.domain.market import SOURCE_CLASSES, EntryKind
from blend.errors import FileTrouble

if TYPE_CHECKING:
    from blend.domain.method import Method
    from blend.reporter.quoting import Heard, Quoted
    from blend.store import Store

STORE_VARIABLE = "BLEND_STORE"
DAY = click.DateTime(["%Y-%m-%d"])
_MOMENT = click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%dT%H:%M:%S"])

with_store = click.option(
    "--store",
    "where",
    metavar="PATH|URL",
    help=f"An SQLite file or a postgresql:// URL; without it what {STORE_VARIABLE} says.",
)
with_method = click.option(
    "--method",
    "method_path",
    type=FILE,
    help="Your own quotation_method.csv, in the place of the one that comes with blend.",
)
with_items = click.option("--item", "item_ids", multiple=True, help="This item; may be repeated.")
with_all = click.option("--all", "every", is_flag=True, help="Every item of the store.")


def _where(where: str | None) -> str:
    """Read here, not by click, so that a URL with a password never stands in a help text."""
    where = where or os.environ.get(STORE_VARIABLE)
    if not where:
        raise click.UsageError(f"Name the store: --store PATH|URL, or set {STORE_VARIABLE}.")
    return where


@contextmanager
def open_store(where: str | None) -> Iterator[Store]:
    from blend.store import Store

    with Store.open(_where(where)) as opened:
        yield opened


# The store --------------------------------------------------------------------------------------


@click.group()
def store() -> None:
    """Make, fill, empty into files and look at the store of the market's history.

    The store keeps all that was ever heard and published: a correction is added, and what it
    corrects stays.
    """


@store.command()
@with_store
def init(where: str | None) -> None:
    """Make a store, or bring an older one up to date."""
    from blend.store import Store

    with Store.create(_where(where)) as made:
        click.echo(f"Ready: {made.name}")


@store.command("import")
@click.argument("path", type=click.Path(path_type=Path))
@with_store
def import_(path: Path, where: str | None) -> None:
    """Add items, canvass and volumes from a folder, a workbook or one table.

    All of it is added, or nothing and every problem told. What the store holds already word for
    word is passed over, so that an import can be repeated. See `blend columns canvass`.
    """
    from blend.show.amounts import count_of, printable
    from blend.show.store import added_lines
    from blend.tables.history import read_history

    with open_store(where) as opened:
        with step_line() as say:
            say(f"reading {path}")
            read = read_history(path)
        for warning in read.warnings:
            click.echo(f"warning: {printable(str(warning))}", err=True)
        with step_line() as say:
            say(f"adding {count_of(read.additions.count, 'row')}")
            added = opened.add(read.additions)
        for line in added_lines(added):
            click.echo(line)


@store.command()
@click.argument("path", type=click.Path(path_type=Path))
@with_store
def export(path: Path, where: str | None) -> None:
    """Write all that the store holds into a folder as CSV, or into one .xlsx workbook.

    Importing it into an empty store gives the same items, entries and volumes, corrections
    included. The table of what was published is for people.
    """
    from blend.tables.history import write_history

    with open_store(where) as opened:
        at = opened.position()
        files = write_history(
            path,
            opened.items(at).values(),
            opened.every_entry(at),
            opened.every_volume(as_of=at),
            opened.every_published(as_of=at),
        )
    for file in files:
        click.echo(file)


@store.command()
@click.option("--day", type=DAY, help="The entries of this market day.")
@click.option("--entry", "entry_id", help="One entry, what it corrects and what corrects it.")
@with_store
def show(day: datetime | None, entry_id: str | None, where: str | None) -> None:
    """Tell what the store holds; no source of an entry is told."""
    from blend.show.store import entries_table, store_tables
    from blend.show.text import tables_text

    with open_store(where) as opened:
        if entry_id is not None:
            chain = opened.history(entry_id)
            tables = [entries_table(f"Entry {entry_id}, the first first", chain)]
        elif day is not None:
            market_day = day.date()
            entries = opened.entries(days=(market_day, market_day))
            tables = [entries_table(f"Canvass of {market_day}", entries)]
        else:
            tables = store_tables(
                opened.name,
                opened.counts(),
                opened.items().values(),
                opened.entries(),
                opened.volumes(),
            )
    click.echo(tables_text(tables))


# The canvass ------------------------------------------------------------------------------------


@click.group()
def canvass() -> None:
    """Add one thing heard to the store, or withdraw one."""


@canvass.command()
@click.option("--item", "item_id", required=True, help="The item, as in the store.")
@click.option(
    "--kind",
    type=click.Choice([kind.value for kind in EntryKind]),
    required=True,
    help="What it is.",
)
@click.option("--price", "usd_per_cwt", required=True, help="USD per cwt, as told.")
@click.option("--pounds", "pounds_lb", default="", help="Weight; a trade must state it.")
@click.option("--source", required=True, help="The firm that told it; kept, never printed.")
@click.option(
    "--source-class", type=click.Choice(SOURCE_CLASSES), required=True, help="What the firm is."
)
@click.option("--day", "market_day", default="", help="Market day; without it that of --heard-at.")
@click.option(
    "--heard-at",
    default="",
    help="Day and time by your own clock, or a time of the market day; without it now.",
)
@click.option("--lean", "lean", default="", help="Chemical lean, if not the item's.")
@click.option("--basis", default="", help="fob or delivered; fob if not told.")
@click.option("--freight", "freight_usd_per_cwt", default="", help="USD per cwt, seller to buyer.")
@click.option("--within-days", "delivered_within_days", default="", help="Latest delivery.")
@click.option("--not-firm", is_flag=True, help="A bid or offer that could not be hit or lifted.")
@click.option("--affiliates", is_flag=True, help="Seller and buyer belong together.")
@click.option("--note", default="", help="What else was said.")
@click.option("--corrects", default="", help="entry_id whose place it takes.")
@click.option("--id", "entry_id", default="", help="Its entry_id; without it one is made.")
@with_store
def add(where: str | None, not_firm: bool, affiliates: bool, **words: str) -> None:
    """Add one thing heard."""
    from blend.store.canvass import new_entry_id
    from blend.tables.history import entry_of_words, filled_in, typed_addition

    words |= {
        "is_firm": "no" if not_firm else "yes",
        "between_affiliates": "yes" if affiliates else "no",
    }
    with open_store(where) as opened:
        entry = entry_of_words(filled_in(words, new_entry_id(), datetime.now()))
        opened.add(typed_addition(entry))
    click.echo(f"Added {entry.entry_id}")


@canvass.command()
@click.argument("entry_id")
@click.option("--note", required=True, help="Why.")
@with_store
def withdraw(entry_id: str, note: str, where: str | None) -> None:
    """Withdraw an entry: it is kept, and counts no more."""
    from blend.store.canvass import withdraw as withdraw_entry

    with open_store(where) as opened:
        gone = withdraw_entry(opened, entry_id, note)
    click.echo(f"Withdrew {entry_id} by {gone.entry_id}")


# Quotations and tone ----------------------------------------------------------------------------


@click.command()
@click.option("--day", type=DAY, required=True, help="Market day.")
@with_items
@with_all
@click.option("--evidence", is_flag=True, help="Every entry with its weight, or why it has none.")
@click.option("--publish", "is_published", is_flag=True, help="Keep the quotations as published.")
@click.option("--assessor", help="Who answers for what is published.")
@click.option("--override", type=float, help="With one --item: this price, USD per cwt.")
@click.option("--reason", default="", help="Why it is overridden; kept beside both prices.")
@click.option(
    "--reproduce",
    "again",
    is_flag=True,
    help="Make again what was published, from what was known then.",
)
@click.option("--as-of", type=_MOMENT, help="From what the store held at this moment.")
@with_method
@with_store
def quote(
    day: datetime,
    item_ids: Sequence[str],
    every: bool,
    evidence: bool,
    is_published: bool,
    assessor: str | None,
    override: float | None,
    reason: str,
    again: bool,
    as_of: datetime | None,
    method_path: Path | None,
    where: str | None,
) -> None:
    """Quote items of a day from the canvass, with what each quotation rests on.

    With --publish the quotations are kept as published: those that rest on nothing, or that the
    guideline on confidentiality speaks against, are not. A person's price takes the place of
    the method's by --override and --reason; both are kept.
    """
    _check_publishing(item_ids, is_published, assessor, override, reason, as_of)

    from blend.reporter.quoting import Override, publish, requote
    from blend.show.quotations import (
        evidence_table,
        publication_lines,
        quotation_tables,
        requoted_line,
    )
    from blend.show.text import tables_text

    with open_store(where) as opened:
        if again:
            for item_id in item_ids or _published_of(opened, day):
                click.echo(requoted_line(requote(opened, item_id, day.date(), as_of)))
            return
        method = method_of(method_path)
        known, quoted = _quoted(opened, day, item_ids, every, method, as_of)
        tables = quotation_tables(quoted, method)
        if evidence:
            tables += [evidence_table(each.assessed) for each in quoted]
        click.echo(tables_text(tables))
        if is_published:
            own = {} if override is None else {item_ids[0]: Override(override, reason)}
            click.echo()
            for line in publication_lines(publish(opened, known, quoted, method, assessor, own)):
                click.echo(line)


def _check_publishing(
    item_ids: Sequence[str],
    is_published: bool,
    assessor: str | None,
    override: float | None,
    reason: str,
    as_of: datetime | None,
) -> None:
    if is_published and not assessor:
        raise click.UsageError("--publish needs --assessor: somebody answers for it.")
    if is_published and as_of is not None:
        raise click.UsageError("--publish goes with what is known now, not with --as-of.")
    if override is None:
        return
    if not is_published or len(item_ids) != 1:
        raise click.UsageError("--override goes with --publish and one --item.")
    if not reason.strip():
        raise click.UsageError("--override needs its --reason.")
    from blend.tables.columns import MAX_USD_PER_CWT, MIN_USD_PER_CWT

    if not MIN_USD_PER_CWT <= override <= MAX_USD_PER_CWT:
        raise click.UsageError(
            f"--override is in USD per cwt: {MIN_USD_PER_CWT:g} to {MAX_USD_PER_CWT:g}."
        )


@click.command()
@click.option("--day", type=DAY, required=True, help="Market day.")
@with_items
@with_all
@click.option("--sources", is_flag=True, help="Where each word is from.")
@click.option("--as-of", type=_MOMENT, help="From what the store held at this moment.")
@with_method
@with_store
def tone(
    day: datetime,
    item_ids: Sequence[str],
    every: bool,
    sources: bool,
    as_of: datetime | None,
    method_path: Path | None,
    where: str | None,
) -> None:
    """Tell which way items went, how demand and offerings stood, and how spans compare."""
    from blend.reporter.quoting import comparisons, standings
    from blend.show.text import tables_text
    from blend.show.tone import comparisons_table, sources_table, tone_tables, words_used

    method = method_of(method_path)
    with open_store(where) as opened:
        known, quoted = _quoted(opened, day, item_ids, every, method, as_of)
        names = [each.assessed.item.item_id for each in quoted]
        compared = comparisons(opened, names, day.date(), method, known.position)
        together = standings(known, method)
    tables = [*tone_tables(quoted, together, method), comparisons_table(compared, day.date())]
    if sources:
        tables.append(sources_table(words_used(quoted, together)))
    click.echo(tables_text(tables))


def method_of(path: Path | None) -> Method:
    from blend.tables.method import read_method

    return read_method(path).method


def _quoted(
    opened: Store,
    day: datetime,
    item_ids: Sequence[str],
    every: bool,
    method: Method,
    as_of: datetime | None,
) -> tuple[Heard, list[Quoted]]:
    from blend.reporter.quoting import heard, quote

    if not item_ids and not every:
        raise click.UsageError("Name each --item, or ask for --all.")
    known = heard(opened, day.date(), method, as_of)
    names = list(known.items) if every else list(item_ids)
    if not names:
        raise FileTrouble(f"{opened.name}: holds no item; `blend store import` adds them")
    return known, [quote(known, name, method) for name in names]


def _published_of(opened: Store, day: datetime) -> list[str]:
    published = opened.published(days=(day.date(), day.date()))
    if not published:
        raise FileTrouble(f"{opened.name}: nothing was published of {day.date()}")
    return [each.item_id for each in published]
