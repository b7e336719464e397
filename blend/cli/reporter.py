"""The reporter's commands: canvass, quote, volumes and note."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from blend.cli.answers import FILE, answers, examples
from blend.cli.common import step_line, warn_at_end
from blend.cli.params import DAY, MOMENT, QUOTE, Whole
from blend.cli.records import record_options
from blend.domain.market import CanvassEntry, Item
from blend.errors import FileTrouble, refusal

if TYPE_CHECKING:
    from blend.domain.calls import Call
    from blend.domain.method import Method
    from blend.output.answer import Answer
    from blend.store import Store

STORE_VARIABLE = "BLEND_STORE"

with_store = click.option(
    "--store",
    "where",
    metavar="PATH|URL",
    help=f"An SQLite file or a postgresql:// URL. Default: ${STORE_VARIABLE}.",
)
with_method = click.option(
    "--method-file",
    "method_path",
    type=FILE,
    metavar="FILE",
    help="Your own quotation_method.csv instead of the built-in one.",
)
with_items = click.option(
    "--item", "item_ids", multiple=True, metavar="ID", help="An item; may be repeated."
)
with_levels = click.option(
    "--level",
    "levels",
    multiple=True,
    metavar="SERIES",
    help="An inventory series, such as cold storage, averaged instead of summed; repeatable.",
)


with_calls = click.option(
    "--call",
    "calls",
    multiple=True,
    metavar="CALL",
    help="Your call on an item, a week out: '90s up 70%'; repeatable, with --sign.",
)


def calls_signed(
    store: Store, calls: tuple[str, ...], made_on: date, source: str, signed_by: str
) -> list[Call]:
    """Calls as typed, for a day. Refused unsigned, and where later days are known already."""
    from blend.reporter.ledger import signed_calls

    if calls and not signed_by:
        raise click.UsageError("--call needs --sign: who signs off on it.")
    try:
        return signed_calls(store, calls, made_on, f"{source}, {signed_by}")
    except ValueError as error:
        raise click.UsageError(f"--call {error}.") from error


def store_place(where: str | None) -> str:
    """Read here, not by click, so that a URL with a password never shows in a help text."""
    where = where or os.environ.get(STORE_VARIABLE)
    if not where:
        raise click.UsageError(f"Name the store: --store market.sqlite, or set {STORE_VARIABLE}.")
    return where


@contextmanager
def open_store(where: str | None) -> Iterator[Store]:
    from blend.store import Store

    with Store.open(store_place(where)) as opened:
        yield opened


def method_of(path: Path | None) -> Method:
    from blend.tables.method import read_method

    return read_method(path).method


def latest_day(opened: Store) -> date:
    days = opened.market_days()
    if not days:
        raise FileTrouble(f"{opened.name} has no entries yet. Add some: blend canvass import.")
    return days[-1]


is_confirmed = click.option("--yes", "confirmed", is_flag=True, help="Keep it even if questioned.")


# canvass -----------------------------------------------------------------------------------------


@click.group()
def canvass() -> None:
    """Add, correct or withdraw what you heard; import, export and show the store.

    The store keeps everything ever heard and published: a correction is added, and what it
    corrects stays on file.
    """


@canvass.command(
    epilog=examples(
        "blend canvass add --item 90s --kind bid --price 336 "
        "--source 'Grinder C' --company-type grinder",
        "blend canvass add --item 50s --kind trade --price 91.50 --pounds 40000 "
        "--source 'Packer A' --company-type packer",
    )
)
@record_options(
    CanvassEntry,
    skip=("corrects", "withdrawn"),
    own=("entry_id", "heard_at", "market_day"),
)
@is_confirmed
@with_method
@with_store
def add(where: str | None, method_path: Path | None, confirmed: bool, **words: str) -> None:
    """Add one entry, heard now unless you say otherwise.

    A price far from the last quotation, ten loads or more, or a trade heard before is questioned.
    """
    from blend.reporter.entry_questions import refuse_unconfirmed
    from blend.store.canvass import new_entry_id
    from blend.tables.history import entry_of_words, filled_in, typed_addition

    with open_store(where) as opened:
        entry = entry_of_words(filled_in(words, new_entry_id(), datetime.now()))
        refuse_unconfirmed(opened, entry, method_of(method_path), is_confirmed=confirmed)
        opened.add(typed_addition(entry))
    click.echo(f"Added {entry.entry_id}")


@canvass.command(
    epilog=examples(
        "blend canvass correct E17 --price 337.25 --note 'heard again'",
        "blend canvass correct E17 --pounds 40000",
    )
)
@click.argument("entry_id")
@record_options(CanvassEntry, skip=("entry_id", "corrects", "withdrawn"), required=False)
@is_confirmed
@with_method
@with_store
def correct(
    where: str | None, method_path: Path | None, entry_id: str, confirmed: bool, **words: str
) -> None:
    """Correct an entry.

    What you give replaces what it says; the old one stays on file.
    """
    from blend.reporter.entry_questions import refuse_unconfirmed
    from blend.tables.history import typed_addition

    given = {name: text for name, text in words.items() if text}
    with open_store(where) as opened:
        new = _corrected(opened, entry_id, given)
        refuse_unconfirmed(opened, new, method_of(method_path), is_confirmed=confirmed)
        opened.add(typed_addition(new))
    click.echo(f"Corrected {entry_id} ({new.entry_id})")


def _corrected(store: Store, entry_id: str, given: dict[str, str]) -> CanvassEntry:
    """The entry that corrects another: what is given, the rest as it was."""
    from blend.store.canvass import new_entry_id
    from blend.tables.cells import typed_text
    from blend.tables.columns import HISTORY_TABLES
    from blend.tables.history import entry_of_words

    chain = store.history(entry_id)
    if not chain or chain[-1].withdrawn:
        allowed = "the id of an entry that still counts"
        raise refusal("canvass", "entry_id", entry_id, allowed)
    last = chain[-1]
    was = {name: typed_text(getattr(last, name)) for name in HISTORY_TABLES["canvass"].column_names}
    was |= {name: "yes" if getattr(last, name) else "no" for name in _YES_OR_NO}
    own = {"entry_id": new_entry_id(), "corrects": last.entry_id, "note": ""}
    return entry_of_words({**was, **own, **given})


_YES_OR_NO = ("is_firm", "between_affiliates", "withdrawn")


@canvass.command(
    epilog=examples(
        "blend canvass withdraw E17 --note 'misheard'",
        "blend canvass withdraw E17 --note 'not a trade' --store market.sqlite",
    )
)
@click.argument("entry_id")
@click.option("--note", required=True, help="Why.")
@with_store
def withdraw(entry_id: str, note: str, where: str | None) -> None:
    """Withdraw an entry.

    It stays on file and no longer counts.
    """
    from blend.store.canvass import withdraw as withdraw_entry

    with open_store(where) as opened:
        gone = withdraw_entry(opened, entry_id, note)
    click.echo(f"Withdrew {entry_id} ({gone.entry_id})")


@canvass.command(
    "import",
    epilog=examples(
        "blend canvass import demo_data/history",
        "blend canvass import today.xlsx --store market.sqlite",
    ),
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--questions", "lists_all", is_flag=True, help="List every entry that looks wrong.")
@with_store
def import_(path: Path, where: str | None, lists_all: bool) -> None:
    """Import items, canvass and volumes.

    From a folder, a workbook or one table, all of it or none. What the store has already is
    skipped, so an import can be repeated. A store that is not there yet is made.
    """
    from blend.reporter.canvass import added_lines
    from blend.reporter.entry_questions import import_warnings
    from blend.store import Store
    from blend.tables.history import read_history

    with step_line() as say:
        say(f"reading {path}")
        read = read_history(path)
    warn_at_end(read.warnings)
    with Store.create(store_place(where)) as opened:
        with step_line() as say:
            say(f"adding {read.additions.count:,} rows")
            method = method_of(None)
            questioned = import_warnings(opened, read.additions, method, lists_all=lists_all)
            added = opened.add(read.additions)
        for line in added_lines(added):
            click.echo(line)
    warn_at_end(questioned)


@canvass.command(
    epilog=examples(
        "blend canvass export backup",
        "blend canvass export backup.xlsx",
    )
)
@click.argument("path", type=click.Path(path_type=Path))
@with_store
def export(path: Path, where: str | None) -> None:
    """Export the whole store, as CSV or .xlsx.

    To a folder of CSV tables, or to one workbook. Importing it into an empty store gives the same
    items, entries and volumes, corrections included. What was published is for reading only.
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
        click.echo(f"Saved {file}")


@canvass.command(
    epilog=examples(
        "blend canvass show",
        "blend canvass show --day 11/20/2026",
    )
)
@click.option("--day", type=DAY, help="Entries of this market day.")
@click.option("--entry", "entry_id", help="One entry with its corrections.")
@with_store
@answers("terms")
def show(day: date | None, entry_id: str | None, where: str | None) -> Answer:
    """Show what the store holds. Sources are never shown."""
    from blend.reporter.canvass import canvass, entries_of_day, entry

    with open_store(where) as opened:
        if entry_id is not None:
            return entry(opened, entry_id)
        return canvass(opened) if day is None else entries_of_day(opened, day)


@canvass.command(
    "add-item",
    epilog=examples(
        "blend canvass add-item --item-id 42s --name 'Pork trimmings, 42% lean' --species pork "
        "--lean 42 --fresh-or-frozen fresh --origin domestic",
        "blend canvass add-item --item-id '95 CL' --name 'Imported 95s' --species beef "
        "--lean 95 --fresh-or-frozen frozen --origin imported --tick-usd-per-cwt 0.5",
    ),
)
@record_options(Item)
@with_store
def add_item(where: str | None, **words: str) -> None:
    """Add an item to quote, or give one that is there other terms from now on."""
    from blend.domain.market import Additions
    from blend.store import Store
    from blend.tables.history import item_of_words

    item = item_of_words(words)
    with Store.create(store_place(where)) as opened:
        added = opened.add(Additions(items=(item,)))
    click.echo(f"Added {item.item_id}" if added.items else f"{item.item_id} is already there")


@canvass.command(
    "call-list",
    epilog=examples("blend canvass call-list", "blend canvass call-list --day 11/20/2026"),
)
@click.option("--day", "on", type=DAY, help="Market day. Default: today.")
@with_method
@with_store
@answers()
def call_list(on: date | None, method_path: Path | None, where: str | None) -> Answer:
    """Who is left to call, and what each usually trades.

    The list names companies; it is for you alone.
    """
    from blend.reporter.phone_round import call_list as listed

    with open_store(where) as opened:
        return listed(opened, on or date.today(), method_of(method_path))


@canvass.command(
    epilog=examples(
        "blend canvass paste messages.txt",
        "blend canvass paste messages.txt --yes",
    )
)
@click.argument("messages", type=click.File(encoding="utf-8-sig"))
@click.option("--day", "on", type=DAY, help="Market day. Default: today.")
@is_confirmed
@with_method
@with_store
def paste(
    messages: TextIO, on: date | None, confirmed: bool, method_path: Path | None, where: str | None
) -> None:
    """Read entries from messages, one a line; MESSAGES is a file, or - for what you paste.

    Such as: "Packer A: sold 2 loads 90s at 337.50 delivered". What was guessed and what looks
    wrong is listed first; --yes stores them, all or none.
    """
    from blend.domain.market import Additions
    from blend.output.formats import counted
    from blend.reporter.canvass import Entries
    from blend.reporter.phone_round import entries_of_messages
    from blend.store.canvass import new_entry_id
    from blend.tables.history import entries_of_words

    now, method, text = datetime.now(), method_of(method_path), messages.read()
    with open_store(where) as opened:
        day = on or now.date()
        read = entries_of_messages(opened, text, day, now, new_entry_id(), method, entries_of_words)
        entries = tuple(each.entry for each in read)
        click.echo(Entries("Read from the messages", entries).screen())
        for each in read:
            for words in each.remarks:
                click.echo(f"line {each.line}: {words}")
        if not confirmed:
            click.echo("Nothing was added. Add --yes to store these.")
            return
        opened.add(Additions(entries=entries))
    click.echo(f"Added {counted(len(entries), 'entry', 'entries')}.")


# quote -------------------------------------------------------------------------------------------


@click.command(
    epilog=examples(
        "blend quote --day 11/20/2026",
        "blend quote --item 90s --evidence",
    )
)
@click.option("--day", type=DAY, help="Market day. Default: latest day on file.")
@with_items
@click.option("--publish", "is_published", is_flag=True, help="Keep as published.")
@click.option("--assessor", metavar="NAME", help="Who signs off on what is published.")
@click.option("--override", type=QUOTE, metavar="$/CWT", help="Your price, for one --item.")
@click.option("--second", default="", metavar="NAME", help="Who else reviewed your price.")
@click.option("--reason", default="", help="Why you override, correct or withdraw; kept.")
@click.option("--withdraw", "is_withdrawn", is_flag=True, help="Withdraw what was published.")
@click.option("--reproduce", is_flag=True, help="Rebuild what was published.")
@click.option("--as-of", type=MOMENT, metavar="DATE[TIME]", help="Use only what was on file then.")
@click.option("--report", type=FILE, metavar="FILE", help="A public report (.csv) to compare.")
@with_method
@with_store
@answers("evidence", "stats", "trend", "purchases", "method")
def quote(
    day: date | None,
    item_ids: tuple[str, ...],
    is_published: bool,
    assessor: str | None,
    override: float | None,
    second: str,
    reason: str,
    is_withdrawn: bool,
    reproduce: bool,
    as_of: datetime | None,
    report: Path | None,
    method_path: Path | None,
    where: str | None,
) -> Answer:
    """Quotations of a day from the canvass, and what each is based on.

    With --publish they are kept as published, except those with no basis and those the
    guideline on confidentiality holds back. Your own price replaces the method's by --override
    and --reason; both are kept. Publishing a day again corrects it: give a --reason.
    """
    _check_publishing(item_ids, is_published or is_withdrawn, assessor, override, reason, as_of)
    if is_withdrawn and (is_published or not item_ids or not reason.strip()):
        raise click.UsageError("--withdraw goes with --item, --assessor and --reason.")
    from blend.reporter.quote import quote_day, refuse_day_without_market
    from blend.reporter.quote import reproduce as made_again
    from blend.reporter.quoting import Override, publish
    from blend.reporter.quoting import withdraw as withdraw_quotations

    with open_store(where) as opened:
        if as_of and not opened.items(as_of):
            raise FileTrouble(f"{opened.name} had no items by {as_of:%b %d, %Y %H:%M}.")
        if not opened.items(as_of):
            raise FileTrouble(f"{opened.name} has no items. Add some: blend canvass import.")
        on = day or latest_day(opened)
        if reproduce:
            return made_again(opened, on, item_ids, as_of)
        method = method_of(method_path)
        made = replace(quote_day(opened, on, method, item_ids, as_of), report=report)
        is_to_write = is_published or is_withdrawn
        refuse_day_without_market(made.known, " Nothing written." if is_to_write else "")
        if is_withdrawn:
            gone = withdraw_quotations(opened, made.known, item_ids, method, assessor or "", reason)
            return replace(made, publication=gone)
        if not is_published:
            return made
        own = {} if override is None else {item_ids[0]: Override(override, reason, second)}
        done = publish(opened, made.known, made.quoted, method, assessor or "", own, reason.strip())
        return replace(made, publication=done)


def _check_publishing(
    item_ids: tuple[str, ...],
    is_published: bool,
    assessor: str | None,
    override: float | None,
    reason: str,
    as_of: datetime | None,
) -> None:
    if is_published and not (assessor or "").strip():
        raise click.UsageError("--publish needs --assessor: who signs off on it.")
    if is_published and as_of is not None:
        raise click.UsageError("--publish uses what is known now: leave --as-of out.")
    if override is None:
        return
    if not is_published or len(item_ids) != 1:
        raise click.UsageError("--override goes with --publish and one --item.")
    if not reason.strip():
        raise click.UsageError("--override needs a --reason.")
    from blend.domain.market import MAX_USD_PER_CWT, MIN_USD_PER_CWT

    if not MIN_USD_PER_CWT <= override <= MAX_USD_PER_CWT:
        raise click.UsageError(
            f"--override {override:g}: enter $/cwt, {MIN_USD_PER_CWT:g} to {MAX_USD_PER_CWT:g}."
        )


# volumes -----------------------------------------------------------------------------------------


@click.command(
    epilog=examples(
        "blend volumes --level 'cold storage'",
        "blend volumes --against 90s --lags",
    )
)
@click.option("--day", type=DAY, help="As known that day. Default: latest day on file.")
@click.option("--series", "wanted", multiple=True, metavar="SERIES", help="Only this one.")
@with_levels
@click.option("--against", "item_id", metavar="ID", help="Compare the item's price.")
@click.option(
    "--max-lag",
    type=Whole(0, 26),
    default=4,
    show_default=True,
    help="Weeks a price may follow a volume.",
)
@with_method
@with_store
@answers("by-series", "lags", "breadth", chart=True)
def volumes(
    day: date | None,
    wanted: tuple[str, ...],
    levels: tuple[str, ...],
    item_id: str | None,
    max_lag: int,
    method_path: Path | None,
    where: str | None,
) -> Answer:
    """Volumes on the week, the year and year to date, and how many items moved.

    With --against, how the item's weekly price moved after each volume: only that they went
    together.
    """
    from blend.reporter.volumes import volumes_on

    method = method_of(method_path)
    with open_store(where) as opened, step_line() as say:
        say("quoting two years of every item")
        return volumes_on(
            opened, day, method, wanted=wanted, levels=levels, item_id=item_id, max_lag=max_lag
        )
