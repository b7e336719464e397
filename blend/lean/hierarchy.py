"""Suppliers, their lots, their tests: a normal hierarchy with two unknown spreads.

A lot of supplier s differs from its statement by b + u: the supplier's bias b is normal about
a mean that all share, with the spread between suppliers; the lot's own u is normal about
zero, with the spread between lots of a supplier. A test adds an error of known variance.

Given both spreads, the rest is normal in closed form. The spreads are weighted on a grid by their
restricted likelihood (the mean integrated out, as in REML) and every answer is the mixture over
that grid, so that few suppliers or few tests give a wide interval, not a spread of zero. Gelman
et al., Bayesian Data Analysis, chapter 5.

Units are those of the differences; variances are their squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def half_normal_steps(scale: float, steps: int) -> Array:
    """Quantiles that cut a half-normal prior of that scale into equally likely parts.

    Gelman 2006 (Bayesian Analysis 1:515-534) on weak priors for spreads; from memory.
    """
    normal = NormalDist(0.0, scale)
    return np.array([normal.inv_cdf(0.5 + (step + 0.5) / (2 * steps)) for step in range(steps)])


@dataclass(frozen=True, slots=True)
class Groups:
    """Tested lots: each one's mean difference, the variance of that mean, and its supplier.

    `supplier` counts from 0, and every number below its maximum has a lot.
    """

    difference: Array
    variance: Array
    supplier: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Mixture:
    """Mean and standard deviation of a normal mixture."""

    mean: float
    deviation: float


@dataclass(frozen=True)
class Fit:
    """The hierarchy given the tests. Arrays over spreads are (between, within)."""

    groups: Groups
    between: Array
    within: Array

    # Closed form given the spreads ---------------------------------------------------------

    @cached_property
    def _lot_precision(self) -> Array:
        """(within, lots): of a lot's difference as a measurement of its supplier's bias."""
        return 1 / (self.within[:, None] ** 2 + self.groups.variance)

    @cached_property
    def _supplier_precision(self) -> Array:
        """(within, suppliers)."""
        return self._summed(self._lot_precision)

    @cached_property
    def _supplier_mean(self) -> Array:
        """(within, suppliers): what a supplier's own tests alone say of its bias."""
        weighted = self._summed(self._lot_precision * self.groups.difference)
        return weighted / self._supplier_precision

    def _summed(self, over_lots: Array) -> Array:
        suppliers = self.groups.supplier.max() + 1
        sums = np.zeros((len(over_lots), suppliers))
        np.add.at(sums.T, self.groups.supplier, over_lots.T)
        return sums

    @cached_property
    def _marginal_precision(self) -> Array:
        """(between, within, suppliers): of a supplier's mean as a reading of the common mean."""
        return 1 / (self.between[:, None, None] ** 2 + 1 / self._supplier_precision)

    @cached_property
    def _mean(self) -> tuple[Array, Array]:
        """The mean that all suppliers share, and its precision."""
        precision = self._marginal_precision.sum(-1)
        return (self._marginal_precision * self._supplier_mean).sum(-1) / precision, precision

    @cached_property
    def log_likelihood(self) -> Array:
        """Restricted log-likelihood of each pair of spreads, up to a constant."""
        mean, precision = self._mean
        spread_of_lots = (
            self.groups.difference - self._supplier_mean[:, self.groups.supplier]
        ) ** 2 * self._lot_precision
        by_within = (
            np.log(self._lot_precision).sum(-1)
            - spread_of_lots.sum(-1)
            - np.log(self._supplier_precision).sum(-1)
        )
        off_mean = (self._supplier_mean - mean[..., None]) ** 2 * self._marginal_precision
        by_both = np.log(self._marginal_precision).sum(-1) - off_mean.sum(-1) - np.log(precision)
        return (by_within + by_both) / 2

    # Mixed over the spreads ----------------------------------------------------------------

    @cached_property
    def weights(self) -> Array:
        """Posterior weight of each pair of spreads; they sum to 1."""
        believed = np.exp(self.log_likelihood - self.log_likelihood.max())
        return believed / believed.sum()

    def _mixed(self, mean: Array, variance: Array) -> Mixture:
        middle = float((self.weights * mean).sum())
        whole = float((self.weights * (variance + (mean - middle) ** 2)).sum())
        return Mixture(middle, whole**0.5)

    def mean(self) -> Mixture:
        """The bias that suppliers have in common."""
        mean, precision = self._mean
        return self._mixed(mean, 1 / precision)

    def spread_between(self) -> Mixture:
        return self._mixed(self.between[:, None], np.zeros(1))

    def spread_within(self) -> Mixture:
        return self._mixed(self.within[None, :], np.zeros(1))

    def bias(self, supplier: int | None) -> Mixture:
        """The bias of a supplier; None for one never tested."""
        return self._mixed(*self._bias(supplier))

    def lot(self, supplier: int | None, tested: tuple[float, float] | None) -> Mixture:
        """The difference of a lot; `tested` is the mean and variance of its own tests, which
        are among `groups`."""
        mean, variance = self._bias(supplier)
        own_variance = self.within**2
        if tested is None:
            return self._mixed(mean, variance + own_variance)
        weight = self._own_weight(tested[1])
        return self._mixed(
            mean + weight * (tested[0] - mean),
            own_variance * (1 - weight) + (1 - weight) ** 2 * variance,
        )

    def own_weight(self, variance: float) -> float:
        """Weight of a lot's own tests, whose mean has this variance, against its history."""
        return float((self.weights * self._own_weight(variance)).sum())

    def _own_weight(self, variance: float) -> Array:
        return self.within**2 / (self.within**2 + variance)

    def contradiction(self, lot: int) -> float | None:
        """Standard errors between a tested lot and its prediction from all other lots; None where
        there are no others."""
        if len(self.groups.difference) == 1:
            return None
        groups = self.groups
        mean, variance = self._bias(int(groups.supplier[lot]), without=lot)
        put = self._mixed(mean, variance + self.within**2 + groups.variance[lot])
        return (float(groups.difference[lot]) - put.mean) / put.deviation

    def _bias(self, supplier: int | None, without: int | None = None) -> tuple[Array, Array]:
        """Mean and variance of a supplier's bias for each pair of spreads, optionally without one
        lot. The spreads keep the weights that all lots gave them."""
        mean, mean_precision = self._mean
        prior = np.broadcast_to(self.between[:, None] ** 2, mean.shape)
        if supplier is None:
            return mean, prior + 1 / mean_precision
        precision = self._supplier_precision[:, supplier]
        own_mean = self._supplier_mean[:, supplier]
        if without is not None:
            marginal = self._marginal_precision[..., supplier]
            total = mean * mean_precision - marginal * own_mean
            mean_precision = mean_precision - marginal
            if np.count_nonzero(self.groups.supplier == supplier) == 1:
                mean = total / mean_precision
                return mean, prior + 1 / mean_precision
            lot_precision = self._lot_precision[:, without]
            left = precision - lot_precision
            difference = self.groups.difference[without]
            own_mean = (own_mean * precision - lot_precision * difference) / left
            precision = left
            marginal = 1 / (prior + 1 / precision)
            total = total + marginal * own_mean
            mean_precision = mean_precision + marginal
            mean = total / mean_precision
        shrink = prior / (prior + 1 / precision)
        variance = prior * (1 - shrink) + (1 - shrink) ** 2 / mean_precision
        return mean + shrink * (own_mean - mean), variance
