"""What tested batches say of the lots in them.

A batch's tested lean is one measurement of a mix of its lots, after losses. With lots' errors and
the test's error normal, the lots' lean given all batches is normal too, in closed form (the update
of a Kalman filter; D. Simon, Optimal State Estimation, 2006, from memory). What lots share, such as
a supplier's bias, moves lots that no tested batch held. Means keep their covariance, so a plan with
a confidence uses it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from blend.domain.case import Case
from blend.domain.products import Product
from blend.domain.rules import kept_per_lb
from blend.domain.uncertainty import LeanUncertainty

_STEP = 1e-5
_LEAST_SD = 1e-6


@dataclass(frozen=True, slots=True)
class TestedBatch:
    """One batch: pounds of each lot as weighed in, the lean it tested, and the error of the test
    with uneven mixing."""

    __test__ = False

    product_id: str
    pounds_lb: Mapping[str, float]
    tested_lean: float
    sd_share: float


@dataclass(frozen=True, slots=True)
class LotsAfter:
    """Lean of lots with what their batches tested, and its errors."""

    lean: Mapping[str, float]
    errors: Mapping[str, LeanUncertainty]

    def case(self, case: Case) -> Case:
        """The case with these leans; conditions on lean then use them too."""
        lots = tuple(replace(lot, lean=self.lean.get(lot.lot_id, lot.lean)) for lot in case.lots)
        return replace(case, lots=lots)


def lots_after(
    case: Case, errors: Mapping[str, LeanUncertainty], batches: Iterable[TestedBatch]
) -> LotsAfter:
    """Lean and errors of the lots in `errors`, given the batches that they went into."""
    import numpy as np

    ids = [lot.lot_id for lot in case.lots if lot.lot_id in errors]
    place = {lot_id: at for at, lot_id in enumerate(ids)}
    size = max((len(each.shared_error) for each in errors.values()), default=0)
    shared = np.zeros((len(ids), size))
    for at, lot_id in enumerate(ids):
        shared[at, : len(errors[lot_id].shared_error)] = errors[lot_id].shared_error
    own = np.array([errors[lot_id].standard_error_share for lot_id in ids])
    mean = np.array([case.lot(lot_id).lean for lot_id in ids])
    covariance = shared @ shared.T + np.diag(own**2)
    tested = [each for each in batches if any(lot in place for lot in each.pounds_lb)]
    if not tested:
        return LotsAfter({}, errors)

    rows = np.zeros((len(tested), len(ids)))
    surprise, noise = np.zeros(len(tested)), np.zeros(len(tested))
    for at, each in enumerate(tested):
        product = case.product(each.product_id)
        expected = _lean_of(case, product, each.pounds_lb)
        surprise[at], noise[at] = each.tested_lean - expected, each.sd_share**2
        for lot_id in each.pounds_lb:
            if lot_id in place:
                moved = _lean_of(case, product, each.pounds_lb, lot_id)
                rows[at, place[lot_id]] = weight = (moved - expected) / _STEP
                noise[at] += (weight * errors[lot_id].container_sd_share) ** 2
    seen = rows @ covariance @ rows.T + np.diag(np.maximum(noise, _LEAST_SD**2))
    gain = np.linalg.solve(seen, rows @ covariance).T
    mean = np.clip(mean + gain @ surprise, 0.0, 1.0)
    covariance = covariance - gain @ rows @ covariance
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return LotsAfter(
        dict(zip(ids, mean.tolist(), strict=True)),
        {
            lot_id: replace(
                errors[lot_id], standard_error_share=0.0, shared_error=tuple(root[at].tolist())
            )
            for lot_id, at in place.items()
        },
    )


def _lean_of(
    case: Case, product: Product, pounds_lb: Mapping[str, float], leaner: str = ""
) -> float:
    """Finished lean of a batch; one lot of it leaner by a step, where named."""
    lean_lb = fat_lb = 0.0
    for lot_id, lb in pounds_lb.items():
        lot = case.lot(lot_id)
        if lot_id == leaner:
            lot = replace(lot, lean=lot.lean + _STEP)
        lean, fat = kept_per_lb(lot, product, case.losses)
        lean_lb, fat_lb = lean_lb + lean * lb, fat_lb + fat * lb
    return lean_lb / (lean_lb + fat_lb)
