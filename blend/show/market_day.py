"""A reporter's day as tables: what was heard, what is quoted, what is to be published.
No firm is ever named in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from blend.domain.market import CanvassEntry, Published
from blend.domain.method import Method
from blend.reporter.assessed import Assessed, Rung
from blend.reporter.confidential import Confidentiality
from blend.reporter.quoting import Publication, Quoted
from blend.reporter.tone import Trend
from blend.show.amounts import count_of, number_words, percent
from blend.show.quotations import (
    QUOTED_COLUMNS,
    RUNG_WORDS,
    codes_words,
    failed_words,
    method_words,
    quoted_cells,
)
from blend.show.shown import ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.store import HEARD_COLUMNS, heard_cells

# The canvass -------------------------------------------------------------------------------------


def canvass_table(title: str, entries: Sequence[CanvassEntry]) -> ShownTable:
    """All that was heard, the last first, with what corrects what; `entries` in the order of
    recording."""
    corrected_by = {each.corrects: each for each in entries if each.corrects}
    own_columns = ShownColumn("Terms"), ShownColumn("Note"), ShownColumn("Stands")
    rows = [
        (
            *heard_cells(each),
            _terms(each),
            each.note,
            _stands(each, corrected_by.get(each.entry_id)),
        )
        for each in reversed(entries)
    ]
    note = "A correction is added; what it corrects stays." if rows else "Nothing was heard."
    return shown_table(title, (*HEARD_COLUMNS, *own_columns), rows, note)


def _terms(each: CanvassEntry) -> str:
    words = [] if each.lean is None else [f"{percent(each.lean)} lean"]
    words.append(each.basis)
    if each.freight_usd_per_cwt is not None:
        words.append(f"freight {number_words(each.freight_usd_per_cwt, min_decimals=2)}")
    if each.delivered_within_days is not None:
        words.append(f"within {count_of(each.delivered_within_days, 'day')}")
    words += [] if each.is_firm else ["not firm"]
    words += ["between affiliates"] if each.between_affiliates else []
    return ", ".join(words)


def _stands(each: CanvassEntry, later: CanvassEntry | None) -> str:
    words = f"withdraws {each.corrects}" if each.withdrawn else "yes"
    if each.corrects and not each.withdrawn:
        words = f"yes, corrects {each.corrects}"
    if later is None:
        return words
    return f"no, {'withdrawn' if later.withdrawn else 'corrected'} by {later.entry_id}"


# Quotations of a day -----------------------------------------------------------------------------


def day_table(
    title: str, quoted: Iterable[Quoted], published: Mapping[str, Published], method: Method
) -> ShownTable:
    """Every item of a day: what it is quoted at, on what, how it went, and whether it may be
    shown; `published` by item."""
    columns = (
        *QUOTED_COLUMNS,
        ShownColumn("Confidence"),
        ShownColumn("Tone"),
        usd_per_cwt_column("Change"),
        ShownColumn("To be shown"),
        usd_per_cwt_column("Published"),
    )
    rows = []
    for each in quoted:
        made, trend = each.assessed, each.tone.trend
        last = published.get(made.item.item_id)
        rows.append(
            (
                *quoted_cells(made),
                made.confidence.value,
                trend.word.value,
                None if trend.word is Trend.NO_DAY else trend.change_usd_per_cwt,
                "yes" if each.may_be_published else f"no: {failed_words(each)}",
                None if last is None else last.usd_per_cwt,
            )
        )
    note = (
        "Change: of firms that spoke on both days. To be shown: by the 3/70/20 guideline of USDA "
        "Market News. ± is one standard error, rough, and blank where prices are too few to tell. "
        + method_words(method)
    )
    return shown_table(title, columns, rows, note)


@dataclass(frozen=True, slots=True)
class LadderStep:
    """One rung, in words, and whether the quotation stands on it."""

    words: str
    stands_here: bool


def ladder(made: Assessed) -> list[LadderStep]:
    """The rungs of evidence, the best first."""
    return [LadderStep(RUNG_WORDS[rung], rung is made.rung) for rung in Rung]


def ladder_line(made: Assessed) -> str:
    """Why it stands on its rung and on none above."""
    judged = codes_words(made.codes)
    return f"Judged: {judged}." if made.codes else "Trades suffice, and nothing had to be judged."


def confidentiality_line(found: Confidentiality) -> str:
    """What the guideline asks, as found."""
    return (
        f"Over {count_of(found.days, 'day')}: {count_of(found.firms_often, 'firm')} told often "
        f"enough; the largest has {percent(found.largest_share)} of the data; one was the only one "
        f"on {percent(found.sole_share)} of the days."
    )


# Publishing --------------------------------------------------------------------------------------


def publication_table(planned: Publication) -> ShownTable:
    """What would be published, withheld, and left out, and why."""
    columns = (
        ShownColumn("Item"),
        ShownColumn("Comes to"),
        usd_per_cwt_column("Price"),
        usd_per_cwt_column("By the method"),
        ShownColumn("Why"),
    )
    rows = [
        (
            each.item_id,
            "published",
            each.usd_per_cwt,
            each.assessed_usd_per_cwt,
            f"set by a person: {each.override_reason}"
            if each.override_reason
            else codes_words(each.rationale),
        )
        for each in planned.published
    ]
    rows += [
        (
            each.assessed.item.item_id,
            "withheld",
            None,
            each.assessed.usd_per_cwt,
            f"it could show a firm: {failed_words(each)}",
        )
        for each in planned.withheld
    ]
    rows += [
        (
            each.assessed.item.item_id,
            "not published",
            None,
            each.assessed.usd_per_cwt,
            f"{failed_words(each)}: set its price and give the reason",
        )
        for each in planned.undecided
    ]
    rows += [
        (each.assessed.item.item_id, "left out", None, None, "it is not quoted")
        for each in planned.not_quoted
    ]
    return shown_table("What would be published", columns, rows)


def published_table(title: str, published: Iterable[Published]) -> ShownTable:
    """What was published, by whom and when."""
    columns = (
        ShownColumn("Item"),
        usd_per_cwt_column("Published"),
        usd_per_cwt_column("Low"),
        usd_per_cwt_column("High"),
        usd_per_cwt_column("By the method"),
        ShownColumn("Tone"),
        ShownColumn("Stands on"),
        ShownColumn("Assessor"),
        ShownColumn("At"),
        ShownColumn("Set by a person"),
    )
    rows = [
        (
            each.item_id,
            each.usd_per_cwt,
            each.low_usd_per_cwt,
            each.high_usd_per_cwt,
            each.assessed_usd_per_cwt,
            each.tone,
            RUNG_WORDS[Rung(each.evidence)],
            each.assessor,
            f"{each.published_at:%Y-%m-%d %H:%M %Z}",
            each.override_reason,
        )
        for each in published
    ]
    return shown_table(title, columns, rows, "" if rows else "Nothing was published.")
