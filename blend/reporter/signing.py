"""What the signer of a note confirms one by one: own sentences that cannot be checked against the
store, and cautions that were taken out."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from urllib.parse import unquote_plus

from blend.errors import BlendError
from blend.output.formats import printable
from blend.reporter.claims import Facts, ItemFacts, unverified
from blend.reporter.headline import headline_of
from blend.reporter.marked import anchor, unescaped
from blend.reporter.news import ItemNews, News
from blend.reporter.note import Figure, Note, Paragraph, Sentence, Unit
from blend.reporter.note_page import draft_of
from blend.units import POINTS_PER_SHARE

_CITED = re.compile(r"\[(?P<text>(?:\\.|[^\[\]\\])*)\]\(#(?P<id>[^()\[\s]+)\)")
_MARKS = re.compile(r"^(#{1,3}|-)\s+|\*+")
_SHARES = (Unit.SHARE, Unit.SHARE_MOVE)
_COUNTED = (Unit.COUNT, Unit.POUNDS, Unit.NUMBER, *_SHARES)
"""Units of figures that are no price, so that one item's price never verifies another's."""
ALL = "all"


@dataclass(frozen=True, slots=True)
class ToConfirm:
    """One thing for the signer to confirm, by its number from 1."""

    number: int
    sentence: str
    why: str

    def __str__(self) -> str:
        return f"{self.number}. {self.words}"

    @property
    def words(self) -> str:
        return printable(f"{self.why}: {self.sentence}")


class NotConfirmed(BlendError):
    """The note is not signed: something in it is not confirmed yet."""

    exit_code = 2

    def __init__(self, left: Sequence[ToConfirm]) -> None:
        lines = "\n".join(map(str, left))
        super().__init__(
            "Not signed. Check each of these, then add --confirm N for it, or --confirm all:\n"
            f"{lines}"
        )


def confirmed(
    listed: Sequence[ToConfirm], numbers: Collection[str]
) -> tuple[list[ToConfirm], list[ToConfirm]]:
    """What is confirmed and what is left; ValueError for a number that is none of the list."""
    known = {str(each.number) for each in listed}
    wrong = sorted(set(numbers) - known - {ALL})
    if wrong:
        last = f"1 to {len(listed)}, or all" if listed else "nothing: there is nothing to confirm"
        raise ValueError(f"{', '.join(wrong)}: enter {last}")
    done = [each for each in listed if ALL in numbers or str(each.number) in numbers]
    return done, [each for each in listed if each not in done]


def to_confirm(note: Note, facts: Facts, draft: str) -> list[ToConfirm]:
    """Everything in an edited draft that its signer must confirm, in the order of the draft;
    cautions taken out come last."""
    found: list[tuple[str, str]] = []
    for own in own_words(note, draft):
        reasons: dict[str, list[str]] = {}
        for claim in unverified(own, facts):
            reasons.setdefault(claim.sentence, []).append(claim.why)
        found += [(said, "; ".join(dict.fromkeys(why))) for said, why in reasons.items()]
    found += [(_plain(each), "taken out of the note") for each in _taken_out(note, draft)]
    return [ToConfirm(place, *each) for place, each in enumerate(found, start=1)]


def own_words(note: Note, draft: str) -> Iterator[str]:
    """What the reporter wrote, line by line: the draft less the lines the note gave."""
    lines = {_key(line) for line in draft_of(note).splitlines() if line.strip()}
    given = sorted(lines, key=len, reverse=True)
    for line in draft.splitlines():
        if line.startswith(("|", "![")):
            continue  # tables and charts hold figures alone, and those are checked by their ids
        left = _key(line)
        for each in given:
            left = left.replace(each, "\n")
        left = _with_figures(left, line)
        left = unescaped(_MARKS.sub("", left)).strip()
        if re.search(r"[A-Za-z]", left):
            yield left


def _with_figures(keyed: str, line: str) -> str:
    """Figures by their ids as they read in the line."""
    texts = {unquote_plus(found["id"]): found["text"] for found in _CITED.finditer(line)}
    return re.sub(r"\{(.+?)\}", lambda found: texts.get(found[1], found[1]), keyed)


def _taken_out(note: Note, draft: str) -> Iterator[Sentence]:
    text = " ".join(_key(line) for line in draft.splitlines())
    for each in _sentences(note):
        if each.must_stay and _key(_written(each)) not in text:
            yield each


def _sentences(note: Note) -> Iterator[Sentence]:
    for section in note.sections:
        for block in section.blocks:
            if isinstance(block, Paragraph):
                yield from block.sentences


def _written(each: Sentence) -> str:
    """The sentence as it is in a draft, its figures by their ids."""
    return "".join(
        f"[x](#{anchor(part.figure_id)})" if isinstance(part, Figure) else printable(part)
        for part in each.parts
    )


def _key(text: str) -> str:
    """A text whose figures are their ids: the same however the figures read."""
    keyed = _CITED.sub(lambda found: "{" + unquote_plus(found["id"]) + "}", text)
    return unescaped(" ".join(keyed.split()))


def _plain(each: Sentence) -> str:
    return "".join(part.text if isinstance(part, Figure) else part for part in each.parts)


# What the store says -----------------------------------------------------------------------------


def facts_of(news: News, note: Note) -> Facts:
    """What the reporter's sentences are checked against."""
    numbers = {
        abs(figure.value) * (POINTS_PER_SHARE if figure.unit in _SHARES else 1)
        for figure in note.figures.values()
        if figure.unit in _COUNTED and isinstance(figure.value, int | float)
    }
    rounded = frozenset(round(each, 1) for each in numbers)
    return Facts([_item_facts(each, news) for each in news.items if each.may_be_shown], rounded)


def _item_facts(each: ItemNews, news: News) -> ItemFacts:
    made, own = each.quoted.assessed, each.published
    trend = each.quoted.tone.trend
    changes = [trend.change_usd_per_cwt if trend.is_tested else None]
    changes += [change for compared in each.comparisons
                for change in (compared.weighted_change, compared.simple_change)]  # fmt: skip
    low, high = (
        (made.low_usd_per_cwt, made.high_usd_per_cwt)
        if own is None
        else (own.low_usd_per_cwt, own.high_usd_per_cwt)
    )
    return ItemFacts(
        each.item.item_id,
        (each.item.name,),
        each.usd_per_cwt,
        low,
        high,
        tuple(round(change, 2) for change in changes if change is not None),
        tuple(_causes(each.item.item_id, news)),
    )


def _causes(item_id: str, news: News) -> Iterator[str]:
    """Words of the driver that the model lets into a headline on the item, if it lets one."""
    for each in news.explanations:
        driver = headline_of(each.why.price).driver
        if each.item_id == item_id and driver is not None:
            yield driver.driver
