"""What to do with a batch, step by step, and what to mind while doing it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.show.amounts import count_of, number_words, percent, pounds, printable
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.show.words import CONTAINERS_WORDS
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from blend.domain.correction import Added, Correction

_CAUTIONS = (
    "Write down the lot of everything added or taken out: the batch can then be traced and, if"
    " need be, called back.",
    "Keep the mix at or below 40 °F (4 °C) while it waits; longer mixing warms it. Test again after"
    " mixing.",
    "Meat taken out keeps the batch's lots, species and claims; rework it only where the label,"
    " the plan for food safety and the inspector allow.",
    "Check species, origin and program of what is added against the label. The current text of"
    " the rule and the inspector decide.",
)


def correction_tables(case: Case, correction: Correction) -> list[ShownTable]:
    """The verdict and steps, the batch before and after, and cautions."""
    return [_steps(case, correction), _before_and_after(correction), _cautions()]


def _steps(case: Case, correction: Correction) -> ShownTable:
    columns = (ShownColumn(""), ShownColumn(""))
    lines = [_verdict(correction), *_doing(case, correction), *_notes(correction)]
    rows = [(f"{number}.", line) for number, line in enumerate(lines, 1)]
    title = f"Putting right: {case.product(correction.product_id).name}"
    note = f"Every chance here {ASSUMES_INDEPENDENT}." if _has_chances(correction) else ""
    return shown_table(title, columns, rows, note)


def _has_chances(correction: Correction) -> bool:
    """Whether any chance is printed: all but a batch known exactly that needs nothing."""
    return correction.reading.sd_share > 0 or correction.act.value != "nothing"


def _verdict(correction: Correction) -> str:
    reading = correction.reading
    tested = f"{percent(reading.fat_share)} fat by {count_of(reading.readings, 'reading')}"
    limits = f"{percent(correction.min_fat_share)} to {percent(correction.max_fat_share)}"
    is_out = not (correction.min_fat_share <= reading.fat_share <= correction.max_fat_share)
    place = "outside" if is_out else "within"
    sure = "" if reading.sd_share == 0 else f"; {_sure(correction.sure_before)} that it is within"
    held = pounds(correction.held.held_lb)
    return f"The batch of {held} tests {tested}, {place} its limits of {limits}{sure}."


def _doing(case: Case, correction: Correction) -> list[str]:
    act = correction.act.value
    if act == "nothing":
        return ["Do nothing: it is within its limits as surely as asked."]
    steps = []
    if act == "retest":
        retest = correction.retest
        steps.append(
            f"Test it again first: {_sure(retest.clears)} that one more reading clears the batch,"
            f" which saves {number_words(retest.saving_usd)} USD on average, for a test of"
            f" {number_words(retest.cost_usd)} USD. If it does not clear it:"
        )
    if correction.removed_lb:
        steps.append(f"Take {_weight(correction.removed_lb)} out.")
    steps += [f"Add {_added(case, each)}." for each in correction.added]
    if not steps:
        return ["Nothing that is at hand and allowed by the product's rules brings it nearer."]
    then = (
        f"Mix and test again: {_weight(correction.finished_lb)} at {percent(correction.fat_share)}"
        f" fat then, {_sure(correction.sure_after)} within limits"
    )
    if act == "short":
        then += "; this comes nearest, and does not reach them"
    elif not correction.is_as_sure_as_asked:
        then += f", {percent(correction.asked)} asked: as sure as can be reached"
    return [*steps, f"{then}. What is added costs {number_words(correction.cost_usd)} USD."]


def _notes(correction: Correction) -> list[str]:
    return [f"{note[0].upper()}{note[1:]}." for note in correction.notes]


def _added(case: Case, each: Added) -> str:
    lot = case.lot(each.lot_id)
    text = (
        f"{_weight(each.pounds_lb)} of lot {each.lot_id}, {lot.item}, {percent(lot.fat_share)} fat"
    )
    if each.containers is None:
        return printable(text)
    many = CONTAINERS_WORDS[lot.container]
    return printable(f"{count_of(each.containers, lot.container, many)}, {text}")


def _weight(lb: float) -> str:
    return f"{number_words(lb, max_decimals=1)} lb"


def _sure(share: float) -> str:
    """Never "sure": a chance is told between one in a hundred and ninety-nine."""
    if share < 0.01:
        return "less than 1 %"
    return "more than 99 %" if share > 0.99 else f"{number_words(share * POINTS_PER_SHARE)} %"


def _before_and_after(correction: Correction) -> ShownTable:
    columns = (
        ShownColumn("Batch"),
        ShownColumn("Finished", "lb", Format.TENTHS),
        ShownColumn("Fat", "%", Format.HUNDREDTHS),
        ShownColumn("Least", "%", Format.HUNDREDTHS),
        ShownColumn("Most", "%", Format.HUNDREDTHS),
        ShownColumn("Within limits", "%", Format.TENTHS),
    )
    limits = tuple(
        share * POINTS_PER_SHARE for share in (correction.min_fat_share, correction.max_fat_share)
    )
    rows = [
        (
            name,
            finished_lb,
            fat_share * POINTS_PER_SHARE,
            *limits,
            sure * POINTS_PER_SHARE,
        )
        for name, finished_lb, fat_share, sure in (
            (
                "as tested",
                correction.held.held_lb,
                correction.reading.fat_share,
                correction.sure_before,
            ),
            (
                "put right",
                correction.finished_lb,
                correction.fat_share,
                correction.sure_after,
            ),
        )
    ]
    note = (
        f"Within limits: probability, {ASSUMES_INDEPENDENT}; given the error of the"
        " readings and of the lots' lean; a"
        " further test's own error is not in it."
    )
    return shown_table("Before and after", columns, rows, note)


def _cautions() -> ShownTable:
    return shown_table("Cautions", (ShownColumn(""),), [(caution,) for caution in _CAUTIONS])
