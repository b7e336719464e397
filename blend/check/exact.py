"""The tables as exact fractions; see `blend.domain.exact`."""

from blend.domain.exact import (
    NEAR,
    at_delivered_price,
    delivered_usd_per_lb,
    exact,
    freight_usd_per_lb,
    is_near,
    kept_of_lb,
    lean_limits,
    must_use_lb,
    reason_barred,
    total,
    whole_if_near,
    with_weights,
)

__all__ = [
    "NEAR",
    "at_delivered_price",
    "delivered_usd_per_lb",
    "exact",
    "freight_usd_per_lb",
    "is_near",
    "kept_of_lb",
    "lean_limits",
    "must_use_lb",
    "reason_barred",
    "total",
    "whole_if_near",
    "with_weights",
]
