"""What prices and pounds leave as it is: which lots a product may hold, and what it keeps of them.

Kept pounds are whole numbers of one small unit, so that sums over all pairs are sums of whole
numbers: exact as fractions are, and by measurement thirty times as quick. A frame serves every
case that differs from its own in prices, quantities, orders and penalties alone, which is what
curves and mixtures of cases do.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, partial
from itertools import compress

from blend.check.exact import exact, kept_of_lb, reason_barred
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector


@dataclass(frozen=True, slots=True)
class Pair:
    """A lot that a product may hold; kept pounds a pound put in, in the frame's units."""

    lot: int
    """Place among the frame's lots."""
    lean: int
    fat: int


Groups = tuple[tuple[frozenset[Selector], tuple[Pair, ...]], ...]
"""By the rules' selectors that mean a lot: the lots."""


@dataclass(frozen=True, slots=True)
class Framed:
    """One product: the rules that govern it, and its pairs, those alike to the rules together."""

    rules: tuple[Rule, ...]
    groups: Groups
    pairs: Mapping[int, Pair]
    """By lot."""
    chosen: Mapping[Rule, frozenset[int]]
    """By rule on shares: the lots that it means."""


class Frame:
    """The pairs of a case in whole numbers of `1 / unit` pounds.

    A product has a pair with nearly every lot. Products that are alike share them: what is kept
    of the lots, which of them may be held, and how rules part those is found once for each kind.
    """

    def __init__(self, case: Case) -> None:
        day = case.settings.plan_on
        # a lot of which none is left may have some in a case that shares the frame
        stocked = [replace(lot, quantity_lb=None) for lot in case.lots]
        self.lots: tuple[Lot, ...] = tuple(
            lot for lot in stocked if lot.reason_unusable(day) is None
        )
        self.place = {lot.lot_id: place for place, lot in enumerate(self.lots)}
        means = cache(partial(_meant, self.lots))
        self.unit, rounded_plan = _weighed(case, self.lots)
        held = _held(case, self.lots)
        grouped = cache(
            lambda losing, asked, banned, parting: _grouped(
                compress(rounded_plan[losing], held[asked]), banned, parting, means
            )
        )
        rules = case.binding_rules()
        self.products: dict[str, Framed] = {}
        for product in case.products:
            governing = tuple(rule for rule in rules if rule.governs(product))
            groups, pairs = grouped(
                _losing(case, product),
                _asked(product),
                _selectors(governing, RuleKind.MUST_NOT_USE),
                _selectors(governing, RuleKind.SHARE, RuleKind.MUST_USE),
            )
            chosen = {rule: means(rule.lots) for rule in governing if rule.kind is RuleKind.SHARE}
            self.products[product.product_id] = Framed(governing, groups, pairs, chosen)
        self.must_use: dict[Rule, frozenset[int]] = {
            rule: means(rule.lots) for rule in rules if rule.kind is RuleKind.MUST_USE
        }
        """By rule: the lots that it means."""


class Frames:
    """Frames of cases, one for all cases that can share it."""

    def __init__(self) -> None:
        self._known: dict[tuple, Frame] = {}

    def of(self, case: Case) -> Frame:
        key = _what_frames(case)
        if key not in self._known:
            self._known[key] = Frame(case)
        return self._known[key]


_NO_PRICE = {
    "price_usd_per_lb": 0.0,
    "price_basis": "delivered",
    "freight_usd_per_lb": 0.0,
    "quantity_lb": None,
    "min_purchase_lb": 0.0,
    "salvage_value_usd_per_lb": 0.0,
}
_NO_ORDER = {
    "min_lb": 0.0,
    "max_lb": None,
    "shortage_penalty_usd_per_lb": None,
    "sale_usd_per_lb": 0.0,
}


def _what_frames(case: Case) -> tuple:
    return (
        case.settings.plan_on,
        tuple(replace(lot, **_NO_PRICE) for lot in case.lots),
        tuple(replace(product, **_NO_ORDER) for product in case.products),
        case.rules,
        case.losses,
        case.standards,
    )


def _meant(lots: Sequence[Lot], selector: Selector) -> frozenset[int]:
    return frozenset(place for place, lot in enumerate(lots) if selector.holds(lot))


def _selectors(rules: Iterable[Rule], *kinds: RuleKind) -> tuple[Selector, ...]:
    return tuple(dict.fromkeys(rule.lots for rule in rules if rule.kind in kinds))


def _losing(case: Case, product: Product) -> tuple[str, ...]:
    """The losses that befall the product: it keeps what others keep that lose alike."""
    return tuple(
        loss.loss_id
        for loss in case.losses
        if not loss.products or product.product_id in loss.products
    )


def _asked(product: Product) -> tuple[frozenset[str], frozenset[str]]:
    """What the product asks of a lot: it may hold, rules aside, what others may that ask alike."""
    return product.species, product.label_claims


def _weighed(case: Case, lots: Sequence[Lot]) -> tuple[int, dict[tuple[str, ...], list[Pair]]]:
    """The unit of the frame, and by losses a pair with each lot."""
    alike = {_losing(case, product): product for product in case.products}
    kept = {
        losing: [kept_of_lb(lot, product, case.losses) for lot in lots]
        for losing, product in alike.items()
    }
    unit = math.lcm(
        *(share.denominator for shares in kept.values() for both in shares for share in both)
    )
    return unit, {
        losing: [
            Pair(place, _units(lean, unit), _units(fat, unit))
            for place, (lean, fat) in enumerate(shares)
        ]
        for losing, shares in kept.items()
    }


def _held(
    case: Case, lots: Sequence[Lot]
) -> dict[tuple[frozenset[str], frozenset[str]], list[bool]]:
    """By what products ask: of each lot, whether they may hold it."""
    day = case.settings.plan_on
    alike = {_asked(product): product for product in case.products}
    return {
        asked: [not reason_barred(lot, product, day) for lot in lots]
        for asked, product in alike.items()
    }


def _grouped(
    pairs: Iterable[Pair],
    banned: Iterable[Selector],
    parting: Sequence[Selector],
    means: Callable[[Selector], frozenset[int]],
) -> tuple[Groups, dict[int, Pair]]:
    """Pairs but those banned, parted by which selectors mean them; and again by lot."""
    barred = frozenset().union(*map(means, banned))
    parts = [(1 << number, means(selector)) for number, selector in enumerate(parting)]
    by_lot = {pair.lot: pair for pair in pairs if pair.lot not in barred}
    groups: dict[int, list[Pair]] = defaultdict(list)
    for place, pair in by_lot.items():
        groups[sum(mark for mark, lots in parts if place in lots)].append(pair)
    return tuple(
        (frozenset(s for n, s in enumerate(parting) if marks >> n & 1), tuple(each))
        for marks, each in groups.items()
    ), by_lot


def _units(share: Fraction, unit: int) -> int:
    return share.numerator * (unit // share.denominator)


def excess_heat(rule: Rule) -> dict[str, Fraction]:
    """By lot: heat that a pound brings beyond the limit of a warmth rule, Btu."""
    return {lot_id: exact(btu) for lot_id, btu in rule.excess_heat_btu_per_lb}
