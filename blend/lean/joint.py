"""How the lean errors of today's lots go together: suppliers' biases are shared by their lots.

Lots of one supplier are off the same way, and every supplier shares the common mean. Treating
their errors as independent understates the error of a mix. Conditional on the spreads the
hierarchy is normal, so the covariance of biases is in closed form (C. R. Henderson's mixed-model
equations); it is averaged over the grid of spreads like every other answer of `hierarchy`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.lean.hierarchy import Array, Fit

_FLOOR = 1e-12
"""Of a variance, so that a matrix of rounding errors stays positive."""


@dataclass(frozen=True)
class JointErrors:
    """Lean errors of lots as `loading` times the bias of their `group` plus an error of their own.

    `covariance` is (groups, groups), of the groups' biases; the other arrays are (lots,).
    Units are those of the differences the fit was made from.
    """

    covariance: Array
    group: np.ndarray
    loading: Array
    own_sd: Array

    @cached_property
    def factors(self) -> Array:
        """(lots, groups with a lot): loadings on independent factors of unit variance."""
        groups, place = np.unique(self.group, return_inverse=True)
        values, vectors = np.linalg.eigh(self.covariance[np.ix_(groups, groups)])
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return self.loading[:, None] * root[place]


def joint_errors(
    fit: Fit, supplier: Sequence[int | str], tested: Sequence[tuple[float, float] | None]
) -> JointErrors:
    """Joint errors of lots of these suppliers: numbers of the fit's groups, or the name of one
    never tested. `tested` is each lot's own mean test and its variance, as for `Fit.lot`.
    """
    names = [each for each in dict.fromkeys(supplier) if isinstance(each, str)]
    count = int(fit.groups.supplier.max()) + 1
    places: dict[int | str, int] = {number: number for number in range(count)}
    places |= {name: count + at for at, name in enumerate(names)}
    covariance = _bias_covariance(fit, count, len(names))
    loading = np.array([1.0 if own is None else 1 - fit.own_weight(own[1]) for own in tested])
    group = np.array([places[each] for each in supplier])
    deviation = np.array(
        [
            fit.lot(None if isinstance(each, str) else each, own).deviation
            for each, own in zip(supplier, tested, strict=True)
        ]
    )
    shared = loading**2 * covariance[group, group]
    own_sd = np.sqrt(np.maximum(deviation**2 - shared, _FLOOR))
    return JointErrors(covariance, group, loading, own_sd)


def _bias_covariance(fit: Fit, tested: int, untested: int) -> Array:
    """(groups, groups): covariance of biases, tested suppliers first, averaged over spreads."""
    mean, mean_precision = fit._mean
    between2 = np.broadcast_to(fit.between[:, None] ** 2, mean.shape)
    size = tested + untested
    bias = np.empty((*mean.shape, size))
    kept = np.empty((*mean.shape, size))  # what of the common mean's error each bias carries
    alone = np.empty((*mean.shape, size))
    for number in range(tested):
        precision = fit._supplier_precision[:, number]
        shrink = between2 / (between2 + 1 / precision)
        bias[..., number] = mean + shrink * (fit._supplier_mean[:, number] - mean)
        kept[..., number] = 1 - shrink
        alone[..., number] = between2 * (1 - shrink)
    bias[..., tested:] = mean[..., None]
    kept[..., tested:] = 1.0
    alone[..., tested:] = between2[..., None]
    weights = fit.weights[..., None]
    off = bias - (weights * bias).sum((0, 1))
    moved = np.einsum("ab,abi,abj->ij", fit.weights, off, off)
    shared = np.einsum("ab,abi,abj->ij", fit.weights / mean_precision, kept, kept)
    return moved + shared + np.diag((weights * alone).sum((0, 1)))
