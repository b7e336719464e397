"""Every conversion and factor, once. Inside `blend`, weight is lb and price USD per lb."""

from __future__ import annotations

LB_PER_CWT = 100.0
"""US hundredweight. NIST Handbook 44, appendix C."""

LB_PER_KG = 1 / 0.45359237
"""International avoirdupois pound, exact. NIST Handbook 44, appendix C."""

J_PER_KG_PER_BTU_PER_LB = 2326.0
"""Of the International Table Btu, exact. NIST Special Publication 811, appendix B."""

POINTS_PER_SHARE = 100.0
"""One lean point is one per cent chemical lean: a share of 0.01."""

USD_PER_LB_BY_PRICE_UNIT = {
    "usd_per_lb": 1.0,
    "usd_per_cwt": 1 / LB_PER_CWT,
    "cents_per_lb": 1 / LB_PER_CWT,
    "usd_per_kg": 0.45359237,
}
"""Multiply a price in the unit by this to have USD per lb."""
