"""The phone round: whom to call yet, and entries read from pasted messages.

Company names appear here and nowhere else: the list is for the person who makes the calls.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property
from statistics import median

from blend.domain.market import LB_PER_LOAD, SOURCE_CLASSES, CanvassEntry, Item
from blend.domain.method import Method
from blend.errors import InputRefused, Problem
from blend.output.answer import Answer
from blend.output.formats import Format, counted, day, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, watch, wrapped
from blend.reporter.entry_questions import questions_of
from blend.store import Store

register(
    {
        "usual_items": Format("Usually trades"),
        "days_reporting": Format("Days", "", 0),
        "usual_time": Format("Around"),
    }
)
MOST_ITEMS = 3
MAX_LINES = 500
"""Of a message: each line is compared with the store."""


@dataclass(frozen=True, slots=True)
class Contact:
    """A company, what it usually trades and when it was heard."""

    company: str
    company_type: str
    items: tuple[str, ...]
    """Those it has most entries on, the most first."""
    days: int
    """Market days with an entry of it, of those looked back on."""
    last_heard: date
    usual_time: time
    is_reached: bool


@dataclass(frozen=True)
class CallList(Answer):
    """Companies of the last weeks, those not reached yet first."""

    day: date
    market_days: int
    contacts: tuple[Contact, ...]
    quiet: Mapping[str, tuple[str, ...]]
    """Items without an entry yet, and who usually trades them."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        columns = ("company", "company_type", "usual_items", "days_reporting", "last_heard",
                   "usual_time", "reached")  # fmt: skip
        rows = [
            (each.company, each.company_type, ", ".join(each.items), each.days, each.last_heard,
             f"{each.usual_time:%H:%M}", "yes" if each.is_reached else "")
            for each in self.contacts
        ]  # fmt: skip
        return {"calls": frame(columns, rows)}

    def screen(self, sections: Collection[str] = ()) -> str:
        left = sum(not each.is_reached for each in self.contacts)
        title = (
            f"{day(self.day)}: {left} of {counted(len(self.contacts), 'company', 'companies')} to "
            f"call. Days: of the last {self.market_days} with a market. Private: names companies."
        )
        nothing = [
            f"Nothing on {name} yet. Try {', '.join(who)}." for name, who in self.quiet.items()
        ]
        return "\n".join((wrapped(title), "", table(self.tables["calls"]), watch(nothing)))


def call_list(store: Store, on: date, method: Method) -> CallList:
    """Who is not reached yet on a day, and who usually trades what."""
    first = on - timedelta(days=2 * method.normal_days)
    entries = store.entries(days=(first, on))
    days = sorted({each.market_day for each in entries if each.market_day < on})
    days = days[-method.normal_days :]
    before = [each for each in entries if each.market_day in set(days)]
    today = [each for each in entries if each.market_day == on]
    reached = {each.firm for each in today}
    contacts = [
        _contact([each for each in before if each.firm == firm], firm in reached)
        for firm in sorted({each.firm for each in before})
    ]
    contacts.sort(key=lambda each: (each.is_reached, -each.days, each.company))
    heard = {each.item_id for each in today}
    quiet = {name: _who_trades(name, contacts) for name in store.items() if name not in heard}
    return CallList(on, len(days), tuple(contacts), {k: who for k, who in quiet.items() if who})


def _contact(own: Sequence[CanvassEntry], is_reached: bool) -> Contact:
    last = max(own, key=lambda each: each.heard_at)
    minutes = median(each.heard_at.hour * 60 + each.heard_at.minute for each in own)
    most = Counter(each.item_id for each in own).most_common(MOST_ITEMS)
    return Contact(
        last.source,
        last.source_class,
        tuple(name for name, _ in most),
        len({each.market_day for each in own}),
        last.market_day,
        time(int(minutes) // 60, int(minutes) % 60),
        is_reached,
    )


def _who_trades(item_id: str, contacts: Iterable[Contact]) -> tuple[str, ...]:
    who = [each.company for each in contacts if item_id in each.items]
    return tuple(who[:MOST_ITEMS])


# Pasted messages ---------------------------------------------------------------------------------

KINDS = {
    "trade": ("sold", "bought", "traded", "trade", "done", "paid", "sale"),
    "bid": ("bidding", "bids", "bid", "would pay", "looking for"),
    "offer": ("offering", "offers", "offered", "offer", "asking", "asks"),
    "other": ("talk", "hears", "heard", "indication", "thinks"),
}
_POUNDS = re.compile(r"(\d[\d,]*(?:\.\d+)?)\s*(k\b|lbs?\b|pounds?\b|loads?\b)", re.IGNORECASE)
_FREIGHT = re.compile(r"\bfreight\s*\$?(\d+(?:\.\d+)?)", re.IGNORECASE)
_PRICE = re.compile(r"(?<![\w.,])\$?(\d{1,3}(?:,\d{3})*(?:\.\d+)?|\d+(?:\.\d+)?)(?![\w%])")
_FIRST_PRICE = re.compile(rf"(?:\bat|@|\$)\s*{_PRICE.pattern}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ReadMessage:
    """One line of a message as the words of an entry, and what was guessed about it."""

    line: int
    words: Mapping[str, str]
    guesses: tuple[str, ...]


def read_messages(
    text: str, items: Iterable[Item], known_types: Mapping[str, str], on: date, now: datetime
) -> list[ReadMessage]:
    """Entries in pasted messages, one a line: "Packer A: sold 2 loads 90s at 337.50 delivered".

    `known_types` has the type of companies on file, in lower case. Blank lines are skipped. Raise
    InputRefused with every line that could not be read.
    """
    names = sorted((each.item_id for each in items), key=len, reverse=True)
    problems: list[Problem] = []
    found = []
    lines = text.splitlines()
    if len(lines) > MAX_LINES:
        raise InputRefused([Problem("messages", None, None, f"{len(lines)} lines",
                                    f"at most {MAX_LINES}; import a table of more")])  # fmt: skip
    for number, line in enumerate(lines, start=1):
        if line.strip():
            made = _read_line(number, line.strip(), names, known_types, problems)
            moment = now if on == now.date() else datetime.combine(on, now.time())
            heard_at = moment.isoformat(" ", "seconds")
            words = dict(made.words) | {"market_day": str(on), "heard_at": heard_at}
            found.append(ReadMessage(number, words, made.guesses))
    if not found:
        problems.append(Problem("messages", None, None, "no lines", "", "Paste one entry a line."))
    if problems:
        raise InputRefused(problems)
    return found


@dataclass(frozen=True, slots=True)
class HeardInMessage:
    """One line's entry, and what to look at before it is kept: what was guessed, what looks
    wrong."""

    line: int
    entry: CanvassEntry
    remarks: tuple[str, ...]


def entries_of_messages(
    store: Store,
    text: str,
    on: date,
    now: datetime,
    first_id: str,
    method: Method,
    entries_of_words: Callable[[str, Mapping[int, Mapping[str, str]]], Sequence[CanvassEntry]],
) -> list[HeardInMessage]:
    """Entries read from pasted messages and checked like typed ones; nothing is stored.

    `entries_of_words` is that of `blend.tables.history`, which checks words by their columns. Raise
    InputRefused with every line that could not be read.
    """
    types = {" ".join(name.split()).casefold(): kind for name, kind in store.companies().items()}
    read = read_messages(text, store.items().values(), types, on, now)
    rows = {each.line: {**each.words, "entry_id": f"{first_id}-{each.line:03}"} for each in read}
    entries = entries_of_words("messages", rows)
    found = []
    for place, (each, entry) in enumerate(zip(read, entries, strict=True)):
        asked = questions_of(store, entry, method, entries[:place])
        remarks = (*each.guesses, *(question.text for question in asked))
        found.append(HeardInMessage(each.line, entry, remarks))
    return found


def _read_line(
    number: int,
    line: str,
    names: Sequence[str],
    known_types: Mapping[str, str],
    problems: list[Problem],
) -> ReadMessage:
    guesses: list[str] = []

    def missing(column: str, required: str) -> str:
        problems.append(Problem("messages", number, column, "blank", required))
        return ""

    company, colon, said = line.partition(":")
    if not colon:
        company, said = missing("source", "the company, then a colon: Packer A: sold ..."), line
    company, company_type = _company_type(company.strip(), known_types, guesses)
    if company and not company_type:
        missing("source_class", f"in parentheses after the company: {', '.join(SOURCE_CLASSES)}")
    item, said = _taken(said, names)
    item = item or missing("item_id", f"one of {', '.join(sorted(names))}")
    kind = _kind(said) or missing("kind", "sold, bought, bid, offered or talk")
    pounds, said = _pounds(said, guesses)
    freight = _FREIGHT.search(said)
    if freight:
        said = said[: freight.start()] + said[freight.end() :]
    price = _FIRST_PRICE.search(said) or _PRICE.search(said)
    lowered = said.lower()
    is_delivered = bool(re.search(r"\b(delivered|dlvd|del)\b", lowered))
    words = {
        "item_id": item,
        "kind": kind,
        "usd_per_cwt": price[1] if price else missing("usd_per_cwt", "a price, such as 337.50"),
        "pounds_lb": pounds,
        "source": company,
        "source_class": company_type,
        "basis": "delivered" if is_delivered else "fob",
        "freight_usd_per_cwt": freight[1] if freight else "",
        "purchase_type": next((t for t in ("formula", "forward") if t in lowered), "negotiated"),
        "destination": "export" if "export" in lowered else "domestic",
        "is_firm": "no" if kind in ("bid", "offer") and "not firm" in lowered else "yes",
        "note": said.strip(" ,.") if kind == "other" else "",
    }
    if not is_delivered and "fob" not in lowered:
        guesses.append("basis: FOB plant")
    if is_delivered and not freight:
        guesses.append("delivered without freight: it counts only for an item quoted delivered")
    return ReadMessage(number, words, tuple(guesses))


def _company_type(
    company: str, known_types: Mapping[str, str], guesses: list[str]
) -> tuple[str, str]:
    stated = re.fullmatch(r"(.+?)\s*\((\w+)\)", company)
    if stated:
        return stated[1], stated[2].lower()
    known = known_types.get(" ".join(company.split()).casefold(), "")
    if known:
        return company, known
    named = next((each for each in SOURCE_CLASSES if each in company.lower().split()), "")
    if named:
        guesses.append(f"{company} is new: a {named}, by its name")
    return company, named


def _taken(said: str, names: Sequence[str]) -> tuple[str, str]:
    """The item a line names, and the line without it."""
    for name in names:
        pattern = rf"(?<![\w.]){re.escape(name)}(?!\w)"
        if re.search(pattern, said, re.IGNORECASE):
            return name, re.sub(pattern, " ", said, count=1, flags=re.IGNORECASE)
    return "", said


def _kind(said: str) -> str:
    lowered = said.lower()
    for kind, words in KINDS.items():
        if any(re.search(rf"\b{word}\b", lowered) for word in words):
            return kind
    return ""


def _pounds(said: str, guesses: list[str]) -> tuple[str, str]:
    """Pounds of a line, and the line without them."""
    found = _POUNDS.search(said)
    if found is None:
        return "", said
    amount, unit = float(found[1].replace(",", "")), found[2].lower()
    pounds = amount * (1_000 if unit == "k" else LB_PER_LOAD if unit.startswith("load") else 1)
    if unit == "k" or unit.startswith("load"):
        guesses.append(f"{found[0]}: {pounds:,.0f} lb")
    return f"{pounds:.0f}", said[: found.start()] + " " + said[found.end() :]
