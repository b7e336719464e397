"""What a reporter's own sentences claim, checked against what the store says.

Numbers, directions, ranks and causes are looked for in plain market English, sentence by sentence.
A claim that agrees with the store is verified; everything else is listed for the signer to confirm
one by one. The check errs on the side of asking: it never calls verified what it could not read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class ClaimKind(StrEnum):
    PRICE = "price"
    CHANGE = "change"
    DIRECTION = "direction"
    RANK = "rank"
    CAUSE = "cause"
    NUMBER = "number"
    """A number not tied to one item."""


@dataclass(frozen=True, slots=True)
class ItemFacts:
    """What the store says of one item on the note's day. Prices are $/cwt."""

    item_id: str
    names: tuple[str, ...] = ()
    """What else a sentence may call it: "fresh 90s", "50% lean trimmings"."""
    usd_per_cwt: float | None = None
    low_usd_per_cwt: float | None = None
    high_usd_per_cwt: float | None = None
    changes_usd_per_cwt: tuple[float, ...] = ()
    """On the day, week, month, year: whichever are known."""
    causes: tuple[str, ...] = ()
    """Words of drivers the model's gate let into a headline; empty where it let none."""


@dataclass(frozen=True, slots=True)
class Claim:
    """Something a sentence says. `why` is the reason it is not verified; empty where it is."""

    kind: ClaimKind
    sentence: str
    item_id: str = ""
    value: float | None = None
    why: str = ""

    @property
    def is_verified(self) -> bool:
        return not self.why


UP = (
    *(
        "rose",
        "rise",
        "rises",
        "rising",
        "up",
        "higher",
        "gained",
        "gain",
        "gains",
        "added",
        "adds",
    ),
    *("firmer", "firmed", "advanced", "climbed", "jumped", "stronger", "strengthened", "rallied"),
)
DOWN = (
    *("fell", "fall", "falls", "falling", "down", "lower", "lost", "loses", "slipped", "slips"),
    *("weaker", "weakened", "declined", "dropped", "eased", "softer", "sank", "slid", "shed"),
)
FLAT = ("steady", "unchanged", "flat", "held")
RANKS = (
    *(
        "highest",
        "lowest",
        "record",
        "largest",
        "smallest",
        "strongest",
        "weakest",
        "most",
        "least",
    ),
)
CAUSAL = (
    *("because", "due to", "owing to", "thanks to", "driven by", "caused by", "explained by"),
    *("on the back of", "as a result of", "reflecting", "in response to", "amid", "attributed to"),
    *("on tight", "on scarce", "on heavy", "on strong", "on weak", "on light", "on short"),
)
_NUMBER = re.compile(
    r"(?P<dollar>\$)?(?P<number>\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?)(?P<percent>\s?%|\spercent)?"
    r"(?P<unit>s\b| CL\b| (?:items?|trades?|loads?|companies|weeks?|days?|points?)\b)?"
)
_SENTENCE = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9$])")
_CENT = 0.005


@dataclass(frozen=True)
class Facts:
    """Everything a note may state: items, and numbers that belong to no single item."""

    items: Sequence[ItemFacts]
    numbers: frozenset[float] = field(default_factory=frozenset)
    """Counts, volumes and percentages printed elsewhere in the note, as printed."""

    def mentioned(self, sentence: str) -> list[ItemFacts]:
        """Items a sentence names, longest names first so that "fresh 90s" is not also "90s"."""
        found, left = [], sentence
        names = sorted(
            ((name, each) for each in self.items for name in (*each.names, each.item_id)),
            key=lambda pair: -len(pair[0]),
        )
        for name, each in names:
            pattern = rf"(?<![\w.]){re.escape(name)}(?![\w])"
            if re.search(pattern, left, re.IGNORECASE):
                left = re.sub(pattern, " ", left, flags=re.IGNORECASE)
                if each not in found:
                    found.append(each)
        return found


def claims_of(text: str, facts: Facts) -> list[Claim]:
    """Every claim of a text, in order; those not verified say why."""
    return [claim for sentence in sentences(text) for claim in _claims_of_sentence(sentence, facts)]


def unverified(text: str, facts: Facts) -> list[Claim]:
    """What the signer must confirm one by one."""
    return [claim for claim in claims_of(text, facts) if not claim.is_verified]


def sentences(text: str) -> Iterator[str]:
    """The sentences of a text; a line break ends one too."""
    for line in text.splitlines():
        yield from (part.strip() for part in _SENTENCE.split(line) if part.strip())


def _claims_of_sentence(sentence: str, facts: Facts) -> Iterator[Claim]:
    items = facts.mentioned(sentence)
    lowered = sentence.lower()
    yield from _numbers(sentence, items, facts)
    says = {way for way, words in (("up", UP), ("down", DOWN), ("flat", FLAT))
            if _has_word(lowered, words)}  # fmt: skip
    if says and items:
        yield from (_direction(sentence, each, says) for each in items)
    elif says:
        yield Claim(
            ClaimKind.DIRECTION, sentence, why="names no item whose direction can be checked"
        )
    if _has_word(lowered, RANKS):
        yield Claim(ClaimKind.RANK, sentence, items[0].item_id if items else "",
                    why="ranks and records are not checked; confirm it")  # fmt: skip
    if any(phrase in lowered for phrase in CAUSAL):
        yield _cause(sentence, lowered, items)


def _numbers(sentence: str, items: list[ItemFacts], facts: Facts) -> Iterator[Claim]:
    ids = {name.lower() for each in facts.items for name in (each.item_id, *each.names)}
    for match in _NUMBER.finditer(sentence):
        if (match["number"] + (match["unit"] or "")).strip().lower() in ids:
            continue  # the number of an item's own name: 90s, 85 CL
        value = float(match["number"].replace(",", ""))
        if any(_same(value, known) for known in facts.numbers):
            yield Claim(ClaimKind.NUMBER, sentence, value=value)
            continue
        matched = [
            (kind, each)
            for each in items
            for kind, known in _known(each)
            if _same(value, abs(known))
        ]
        if matched:
            kind, item = matched[0]
            yield Claim(kind, sentence, item.item_id, value)
        else:
            of = " or ".join(each.item_id for each in items) or "anything in the store"
            kind = ClaimKind.PRICE if match["dollar"] else ClaimKind.NUMBER
            shown = f"{match['dollar'] or ''}{match['number']}{(match['percent'] or '').strip()}"
            yield Claim(kind, sentence, items[0].item_id if items else "", value,
                        f"{shown} is not a number of {of}")  # fmt: skip


def _known(item: ItemFacts) -> Iterator[tuple[ClaimKind, float]]:
    for price in (item.usd_per_cwt, item.low_usd_per_cwt, item.high_usd_per_cwt):
        if price is not None:
            yield ClaimKind.PRICE, price
    for change in item.changes_usd_per_cwt:
        yield ClaimKind.CHANGE, change


def _same(value: float, known: float) -> bool:
    """As printed: to the cent, or to whole dollars where the sentence rounds."""
    return abs(value - known) <= _CENT or (value == round(value) and value == round(known))


def _direction(sentence: str, item: ItemFacts, says: set[str]) -> Claim:
    """A direction must be that of the change the sentence gives; without one, of any known."""
    given = [float(match["number"].replace(",", "")) for match in _NUMBER.finditer(sentence)]
    stated = [c for c in item.changes_usd_per_cwt if any(_same(value, abs(c)) for value in given)]
    went = {_way(change) for change in stated or item.changes_usd_per_cwt}
    if not went:
        why = f"no change of {item.item_id} is on file"
    elif len(says) > 1:
        why = f"says {' and '.join(sorted(says))}; which of them {item.item_id} did is not clear"
    elif not says <= went:
        why = f"says {next(iter(says))}; {item.item_id} went {' and '.join(sorted(went))}"
    else:
        why = ""
    return Claim(ClaimKind.DIRECTION, sentence, item.item_id, why=why)


def _way(change: float) -> str:
    return "flat" if abs(change) <= _CENT else "up" if change > 0 else "down"


def _cause(sentence: str, lowered: str, items: list[ItemFacts]) -> Claim:
    allowed = {cause.lower() for each in items for cause in each.causes}
    if not items or not allowed:
        why = "gives a cause where the model names none"
    elif not any(cause in lowered for cause in allowed):
        why = f"gives a cause other than the model's ({', '.join(sorted(allowed))})"
    else:
        why = ""
    return Claim(ClaimKind.CAUSE, sentence, items[0].item_id if items else "", why=why)


def _has_word(lowered: str, words: Iterable[str]) -> bool:
    return any(re.search(rf"\b{word}\b", lowered) for word in words)
