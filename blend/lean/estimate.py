"""What a lot's lean is likely to be, from its statement, its tests and its seller's history."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist, fmean, variance

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from blend.domain.lots import Lot

CONFIDENCE_SHARE = 0.95
DEVIATIONS_EACH_WAY = NormalDist().inv_cdf(0.5 + CONFIDENCE_SHARE / 2)
"""Of an interval that holds the truth with `CONFIDENCE_SHARE`."""

CONTRADICTS_FROM = 3.0
"""Standard deviations from which tests contradict a statement: by chance alone one lot in 370,
as with the limits of a control chart."""

USUAL_SPREAD_SHARE = 0.02
"""Scale of the half-normal prior of both spreads: biases of sellers, and lots of one seller,
rarely differ by more than four lean points. Common practice, no source; ten suppliers with a
few tested lots each outweigh it."""

_STEPS = 60


@dataclass(frozen=True, slots=True)
class LotEstimate:
    """The lean of one lot on the sheet. Shares are of 1, by weight."""

    lot_id: str
    supplier: str
    stated_lean: float
    lean: float
    standard_error_share: float
    tests: int
    tested_lean: float | None
    """Mean of its own tests, the surer ones counting more; None where there are none."""
    own_weight: float
    """Of its own tests, 0 to 1; the rest is its supplier's history."""
    contradiction: float | None
    """Standard deviations by which its tests lie below (above zero: the statement is too lean)
    what all other lots' tests let expect; None without tests or without others."""

    @property
    def min_lean(self) -> float:
        return max(0.0, self.lean - DEVIATIONS_EACH_WAY * self.standard_error_share)

    @property
    def max_lean(self) -> float:
        return min(1.0, self.lean + DEVIATIONS_EACH_WAY * self.standard_error_share)

    @property
    def is_contradicted(self) -> bool:
        return self.contradiction is not None and abs(self.contradiction) > CONTRADICTS_FROM


@dataclass(frozen=True, slots=True)
class SupplierScore:
    """How a supplier's statements compare with tests. Above zero it overstates lean."""

    supplier: str
    lots: int
    tests: int
    bias_share: float
    standard_error_share: float
    lot_spread_share: float | None
    """Spread of its lots beyond what tests explain, from its own tests alone; None below
    three lots. For information: the estimates use the spread of all suppliers."""
    taken_lb: float
    """As far as the test log notes it."""

    @property
    def min_bias_share(self) -> float:
        return self.bias_share - DEVIATIONS_EACH_WAY * self.standard_error_share

    @property
    def max_bias_share(self) -> float:
        return self.bias_share + DEVIATIONS_EACH_WAY * self.standard_error_share

    def lost_usd(self, usd_per_lean_lb: float) -> float:
        """Money paid for lean that was not there, over what was taken; below zero a gain."""
        return self.taken_lb * self.bias_share * usd_per_lean_lb


@dataclass(frozen=True, slots=True)
class Spread:
    """A component of the hierarchy and how surely it is known, as shares."""

    share: float
    standard_error_share: float


@dataclass(frozen=True, slots=True)
class Components:
    mean_bias: Spread
    """By which suppliers overstate on the whole. A bias of the laboratory itself is in it."""
    between_suppliers: Spread
    between_lots: Spread


@dataclass(frozen=True, slots=True)
class LeanEstimates:
    """Lots in the order of the case, suppliers from the most overstating to the least."""

    lots: tuple[LotEstimate, ...]
    suppliers: tuple[SupplierScore, ...]
    components: Components

    def lot(self, lot_id: str) -> LotEstimate:
        return next(each for each in self.lots if each.lot_id == lot_id)

    @property
    def contradicted(self) -> tuple[LotEstimate, ...]:
        return tuple(lot for lot in self.lots if lot.is_contradicted)


@dataclass(frozen=True, slots=True)
class _TestedLot:
    lot_id: str
    supplier: str
    tests: int
    overstated_share: float
    variance: float
    taken_lb: float


def estimate_lots(
    case: Case, tests: Iterable[LeanTest], methods: Mapping[str, LeanMethod]
) -> LeanEstimates:
    """Estimate the lean of every lot on the sheet and score every tested supplier.

    `tests` are at least one; `methods` has every method they name. Intervals allow for what
    is not known: spreads, biases, a supplier or a lot never tested. The model is told in
    `blend.lean.hierarchy`.
    """
    import numpy as np

    from blend.lean.hierarchy import Fit, Groups, half_normal_steps

    tested = _tested_lots(tests, methods)
    names = {each.supplier.casefold(): each.supplier for each in tested}
    number_of = {name: number for number, name in enumerate(names)}
    fit = Fit(
        Groups(
            np.array([each.overstated_share for each in tested]),
            np.array([each.variance for each in tested]),
            np.array([number_of[each.supplier.casefold()] for each in tested]),
        ),
        half_normal_steps(USUAL_SPREAD_SHARE, _STEPS),
        half_normal_steps(USUAL_SPREAD_SHARE, _STEPS),
    )
    place_of = {each.lot_id: place for place, each in enumerate(tested)}

    def lot_estimate(lot: Lot) -> LotEstimate:
        place = place_of.get(lot.lot_id)
        own = None if place is None else tested[place]
        supplier = lot.supplier if own is None else own.supplier
        reading = None if own is None else (own.overstated_share, own.variance)
        over = fit.lot(number_of.get(supplier.casefold()), reading)
        return LotEstimate(
            lot_id=lot.lot_id,
            supplier=supplier,
            stated_lean=lot.lean,
            lean=min(1.0, max(0.0, lot.lean - over.mean)),
            standard_error_share=over.deviation,
            tests=0 if own is None else own.tests,
            tested_lean=None if own is None else lot.lean - own.overstated_share,
            own_weight=0.0 if own is None else fit.own_weight(own.variance),
            contradiction=None if place is None else fit.contradiction(place),
        )

    def score(key: str, number: int) -> SupplierScore:
        lots = [each for each in tested if each.supplier.casefold() == key]
        bias = fit.bias(number)
        return SupplierScore(
            supplier=names[key],
            lots=len(lots),
            tests=sum(each.tests for each in lots),
            bias_share=bias.mean,
            standard_error_share=bias.deviation,
            lot_spread_share=_spread_of(lots),
            taken_lb=sum(each.taken_lb for each in lots),
        )

    mean, between, within = fit.mean(), fit.spread_between(), fit.spread_within()
    scores = [score(key, number) for key, number in number_of.items()]
    return LeanEstimates(
        lots=tuple(lot_estimate(lot) for lot in case.lots),
        suppliers=tuple(sorted(scores, key=lambda each: (-each.bias_share, each.supplier))),
        components=Components(
            *(Spread(each.mean, each.deviation) for each in (mean, between, within))
        ),
    )


def case_with_estimates(case: Case, estimates: LeanEstimates) -> Case:
    """The case with each lot's lean as estimated. Selectors on lean then mean the
    estimate as well."""
    lean_of = {each.lot_id: each.lean for each in estimates.lots}
    lots = tuple(replace(lot, lean=lean_of[lot.lot_id]) for lot in case.lots)
    return replace(case, lots=lots)


def _tested_lots(
    tests: Iterable[LeanTest], methods: Mapping[str, LeanMethod]
) -> tuple[_TestedLot, ...]:
    """Each lot's tests as one: their mean by precision, and its variance. Nothing is lost by
    it, as the errors of tests are known and independent."""
    by_lot: dict[str, list[LeanTest]] = defaultdict(list)
    for test in tests:
        by_lot[test.lot_id].append(test)
    lots = []
    for lot_id, own in sorted(by_lot.items()):
        precisions = [
            1 / methods[test.method].variance(test.samples, test.sample_lb) for test in own
        ]
        total = sum(precisions)
        over = sum(p * t.overstated_share for p, t in zip(precisions, own, strict=True)) / total
        taken = next((test.taken_lb for test in own if test.taken_lb is not None), 0.0)
        lots.append(_TestedLot(lot_id, own[0].supplier, len(own), over, 1 / total, taken))
    return tuple(lots)


def _spread_of(lots: list[_TestedLot]) -> float | None:
    """By moments: the variance of lots less the mean variance of their tests."""
    if len(lots) < 3:
        return None
    seen = variance(lot.overstated_share for lot in lots)
    return max(0.0, seen - fmean(lot.variance for lot in lots)) ** 0.5
