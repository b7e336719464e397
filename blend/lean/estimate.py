"""What a lot's lean is likely to be, from its statement, its tests and its supplier's history."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist, fmean, variance

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from blend.domain.lots import Lot
from blend.domain.uncertainty import LeanUncertainty

CONFIDENCE_SHARE = 0.95
DEVIATIONS_EACH_WAY = NormalDist().inv_cdf(0.5 + CONFIDENCE_SHARE / 2)
"""Half-width of a `CONFIDENCE_SHARE` interval, in standard errors."""

CONTRADICTS_FROM = 3.0
"""Standard errors from which tests contradict a statement: by chance alone one lot in 370, as
with the limits of a control chart."""

USUAL_SPREAD_SHARE = 0.02
"""Scale of the half-normal prior of both spreads: biases of suppliers, and lots of one supplier,
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
    """Mean of its own tests, weighted by precision; None where there are none."""
    own_weight: float
    """Weight of its own tests, 0 to 1; the rest is its supplier's history."""
    own_error_share: float
    """What of `standard_error_share` no other lot has."""
    shared_error: tuple[float, ...]
    """The rest, as loadings on errors shared with other lots (`blend.lean.joint`)."""
    contradiction: float | None
    """Standard errors by which its tests are below what all other lots' tests predict (positive:
    the statement is too lean); None without tests or without others."""

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
    """How a supplier's statements compare with tests. Positive: it overstates lean."""

    supplier: str
    lots: int
    tests: int
    bias_share: float
    standard_error_share: float
    lot_spread_share: float | None
    """Spread of its lots beyond the tests' errors, from its own tests alone; None for fewer than
    three lots. For information: the estimates use the spread of all suppliers."""
    taken_lb: float
    """Where the test log has it."""

    @property
    def min_bias_share(self) -> float:
        return self.bias_share - DEVIATIONS_EACH_WAY * self.standard_error_share

    @property
    def max_bias_share(self) -> float:
        return self.bias_share + DEVIATIONS_EACH_WAY * self.standard_error_share

    def lost_usd(self, usd_per_lean_lb: float) -> float:
        """Money paid for lean that was not there, on what was taken; negative is a gain."""
        return self.taken_lb * self.bias_share * usd_per_lean_lb


@dataclass(frozen=True, slots=True)
class Spread:
    """A component of the hierarchy and its standard error, as shares."""

    share: float
    standard_error_share: float


@dataclass(frozen=True, slots=True)
class Components:
    mean_bias: Spread
    """By which suppliers overstate on average. It includes any bias of the laboratory itself."""
    between_suppliers: Spread
    between_lots: Spread


@dataclass(frozen=True, slots=True)
class LeanEstimates:
    """Lots in the order of the case; suppliers by how much they overstate, most first."""

    lots: tuple[LotEstimate, ...]
    suppliers: tuple[SupplierScore, ...]
    components: Components

    @property
    def errors(self) -> dict[str, LeanUncertainty]:
        """By lot, with what lots share; of containers they know nothing."""
        return {
            each.lot_id: LeanUncertainty(each.lot_id, each.own_error_share, 0.0, each.shared_error)
            for each in self.lots
        }

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
    is not known: spreads, biases, a supplier or a lot never tested. `blend.lean.hierarchy` is
    the model.
    """
    import numpy as np

    from blend.lean.hierarchy import Fit, Groups, half_normal_steps
    from blend.lean.joint import joint_errors

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

    def own_tests(lot: Lot) -> tuple[_TestedLot | None, str, tuple[float, float] | None]:
        """Its tests, its supplier, and the mean and variance of its tests."""
        place = place_of.get(lot.lot_id)
        if place is None:
            return None, lot.supplier, None
        own = tested[place]
        return own, own.supplier, (own.overstated_share, own.variance)

    names_today = [own_tests(lot)[1].casefold() for lot in case.lots]
    joint = joint_errors(
        fit,
        [number_of.get(name, name) for name in names_today],
        [own_tests(lot)[2] for lot in case.lots],
    )

    def lot_estimate(lot: Lot, own_error: float, shared: list[float]) -> LotEstimate:
        own, supplier, reading = own_tests(lot)
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
            own_error_share=own_error,
            shared_error=tuple(shared),
            contradiction=None if own is None else fit.contradiction(place_of[lot.lot_id]),
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
        lots=tuple(map(lot_estimate, case.lots, joint.own_sd.tolist(), joint.factors.tolist())),
        suppliers=tuple(sorted(scores, key=lambda each: (-each.bias_share, each.supplier))),
        components=Components(
            *(Spread(each.mean, each.deviation) for each in (mean, between, within))
        ),
    )


def case_with_estimates(case: Case, estimates: LeanEstimates) -> Case:
    """The case with each lot's lean as estimated. Conditions on lean then use the estimate too."""
    lean_of = {each.lot_id: each.lean for each in estimates.lots}
    lots = tuple(replace(lot, lean=lean_of[lot.lot_id]) for lot in case.lots)
    return replace(case, lots=lots)


def _tested_lots(
    tests: Iterable[LeanTest], methods: Mapping[str, LeanMethod]
) -> tuple[_TestedLot, ...]:
    """Each lot's tests as one: their precision-weighted mean and its variance. That loses nothing,
    as the errors of tests are known and independent."""
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
