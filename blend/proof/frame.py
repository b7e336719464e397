"""What prices and pounds leave as it is: which lots a product may hold, and what it keeps of them.

Kept pounds are whole numbers of one small unit, so that sums over all pairs are sums of whole
numbers: exact as fractions are, and by measurement thirty times as quick. A frame serves every
case that differs from its own in prices, quantities, orders and penalties alone, which is what
curves and mixtures of cases do.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.proof.exact import exact, kept_of_lb, reason_barred


@dataclass(frozen=True, slots=True)
class Pair:
    """A lot that a product may hold; kept pounds a pound put in, in the frame's units."""

    lot: int
    """Place among the frame's lots."""
    lean: int
    fat: int


@dataclass(frozen=True, slots=True)
class Framed:
    """One product: the rules that govern it, and its pairs, those alike to the rules together."""

    rules: tuple[Rule, ...]
    groups: tuple[tuple[frozenset[Selector], tuple[Pair, ...]], ...]
    """By the rules' selectors that mean a lot: the lots."""
    pairs: Mapping[int, Pair]
    """By lot."""
    chosen: Mapping[Rule, frozenset[int]]
    """By rule on shares: the lots that it means."""


class Frame:
    """The pairs of a case in whole numbers of `1 / unit` pounds."""

    def __init__(self, case: Case) -> None:
        day = case.settings.plan_on
        # a lot of which none is left may have some in a case that shares the frame
        stocked = [replace(lot, quantity_lb=None) for lot in case.lots]
        self.lots: tuple[Lot, ...] = tuple(
            lot for lot in stocked if lot.reason_unusable(day) is None
        )
        self.place = {lot.lot_id: place for place, lot in enumerate(self.lots)}
        rules = case.binding_rules()
        kept, may_hold = _kept(case), _may_hold(case)
        means = lru_cache(maxsize=None)(
            lambda selector: frozenset(
                place for place, lot in enumerate(self.lots) if selector.holds(lot)
            )
        )
        found = {
            product.product_id: _pairs(product, self.lots, rules, kept, may_hold, means)
            for product in case.products
        }
        shares = [share for _, pairs in found.values() for _, *both in pairs for share in both]
        self.unit = math.lcm(*(share.denominator for share in shares))
        self.products = {
            product_id: _framed(governing, pairs, self.unit, means)
            for product_id, (governing, pairs) in found.items()
        }
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
    "least_purchase_lb": 0.0,
    "leftover_value_usd_per_lb": 0.0,
}
_NO_ORDER = {
    "least_lb": 0.0,
    "most_lb": None,
    "shortfall_usd_per_lb": None,
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


def _pairs(
    product: Product,
    lots: Sequence[Lot],
    rules: Sequence[Rule],
    kept: Callable,
    may_hold: Callable,
    means: Callable[[Selector], frozenset[int]],
) -> tuple[tuple[Rule, ...], list[tuple[int, Fraction, Fraction]]]:
    governing = tuple(rule for rule in rules if rule.governs(product))
    banned = frozenset().union(
        *(means(rule.lots) for rule in governing if rule.kind is RuleKind.MUST_NOT_USE)
    )
    pairs = [
        (place, *kept(lot, product))
        for place, lot in enumerate(lots)
        if place not in banned and may_hold(lot, product)
    ]
    return governing, pairs


def _framed(
    governing: tuple[Rule, ...],
    pairs: Sequence[tuple[int, Fraction, Fraction]],
    unit: int,
    means: Callable[[Selector], frozenset[int]],
) -> Framed:
    selectors = {
        rule.lots: means(rule.lots)
        for rule in governing
        if rule.kind in (RuleKind.SHARE, RuleKind.MUST_USE)
    }
    groups: dict[frozenset[Selector], list[Pair]] = defaultdict(list)
    for place, lean, fat in pairs:
        chosen_by = frozenset(selector for selector, lots in selectors.items() if place in lots)
        groups[chosen_by].append(Pair(place, _units(lean, unit), _units(fat, unit)))
    return Framed(
        governing,
        tuple((by, tuple(each)) for by, each in groups.items()),
        {pair.lot: pair for each in groups.values() for pair in each},
        {rule: means(rule.lots) for rule in governing if rule.kind is RuleKind.SHARE},
    )


def _units(share: Fraction, unit: int) -> int:
    return share.numerator * (unit // share.denominator)


def _kept(case: Case) -> Callable[[Lot, Product], tuple[Fraction, Fraction]]:
    """What a product keeps of a lot, reckoned once for products that lose alike."""
    known: dict[tuple, tuple[Fraction, Fraction]] = {}

    def kept(lot: Lot, product: Product) -> tuple[Fraction, Fraction]:
        losing = tuple(
            loss.loss_id
            for loss in case.losses
            if not loss.products or product.product_id in loss.products
        )
        key = lot.lot_id, losing
        if key not in known:
            known[key] = kept_of_lb(lot, product, case.losses)
        return known[key]

    return kept


def _may_hold(case: Case) -> Callable[[Lot, Product], bool]:
    known: dict[tuple, bool] = {}

    def may_hold(lot: Lot, product: Product) -> bool:
        key = lot.lot_id, product.species, product.programmes
        if key not in known:
            known[key] = not reason_barred(lot, product, case.settings.plan_on)
        return known[key]

    return may_hold


def excess_heat(rule: Rule) -> dict[str, Fraction]:
    """By lot: heat that a pound brings beyond the limit of a warmth rule, Btu."""
    return {lot_id: exact(btu) for lot_id, btu in rule.excess_heat_btu_per_lb}
