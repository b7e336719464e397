"""Every conversion and factor, once. Inside `blend`, weight is lb and price USD per lb."""

from __future__ import annotations

import math
import re
from datetime import date

LB_PER_CWT = 100.0
"""US hundredweight. NIST Handbook 44, appendix C."""

LB_PER_KG = 1 / 0.45359237
"""International avoirdupois pound, exact. NIST Handbook 44, appendix C."""

J_PER_KG_PER_BTU_PER_LB = 2326.0
"""Of the International Table Btu, exact. NIST Special Publication 811, appendix B."""

POINTS_PER_SHARE = 100.0
"""One lean point is 1% chemical lean: a share of 0.01."""

USD_PER_LB_BY_PRICE_UNIT = {
    "usd_per_lb": 1.0,
    "usd_per_cwt": 1 / LB_PER_CWT,
    "cents_per_lb": 1 / LB_PER_CWT,
    "usd_per_kg": 0.45359237,
}
"""Multiply a price in the unit by this to have USD per lb."""
_PRICE_UNITS = {
    "lb": "usd_per_lb",
    "cwt": "usd_per_cwt",
    "cents/lb": "cents_per_lb",
    "c/lb": "cents_per_lb",
    "kg": "usd_per_kg",
}
LB_PER_LOAD = 40_000.0
"""A truckload of trimmings, as the trade counts it."""
_LB_BY_WEIGHT_WORD = {
    word: pounds
    for pounds, words in (
        (1.0, ("lb", "lbs", "lb.", "lbs.", "pound", "pounds", "#")),
        (LB_PER_CWT, ("cwt",)),
        (LB_PER_KG, ("kg",)),
        (1000 * LB_PER_KG, ("t", "mt", "tonne", "tonnes", "metric tons")),
        (LB_PER_LOAD, ("load", "loads")),
    )
    for word in words
}
_CONTAINERS = re.compile(r"containers?(?: of ([\d.,]+ ?[a-z]+))?", re.IGNORECASE)
_DIGITS = r"\d{1,3}(?:,\d{3})+(?:\.\d*)?|\d+\.?\d*|\.\d+"
_NUMBER = re.compile(rf"([+-]?)\s*\$?\s*({_DIGITS})")
_AMOUNT = re.compile(rf"\$?\s*({_DIGITS})\s*(?:/|per\s+)?\s*([a-z¢/ ]*)", re.IGNORECASE)


def usd_per_lb_typed(text: str) -> float:
    """A price as people type it, in USD per lb: 324.50 or $324.50/cwt, 3.245/lb, 324.5 cents/lb,
    7.15/kg; $/cwt where no unit is named. Raises ValueError."""
    number, unit = _typed(text)
    unit = unit.replace("¢", "c").replace("per ", "/").replace(" ", "") or "cwt"
    if unit not in _PRICE_UNITS:
        raise ValueError("is not a price in $/cwt, or with /lb, cents/lb or /kg")
    return number * USD_PER_LB_BY_PRICE_UNIT[_PRICE_UNITS[unit]]


def pounds_typed(text: str) -> float:
    """A weight as people type it, in lb: 24000, 24,000 lb, 10.9 t, 10900 kg, 240 cwt, 3 loads, 2
    containers of 19 t; "any" or "inf" for no limit. Raises ValueError."""
    if text.strip().casefold() in ("any", "inf"):
        return math.inf
    found = re.fullmatch(rf"({_DIGITS})\s*(.*)", text.strip())
    if found is None:
        raise ValueError(_not_a_number(text))
    return float(found[1].replace(",", "")) * lb_per(found[2] or "lb")


def lb_per(unit: str) -> float:
    """Pounds in one of a unit of weight as people write it: lb, kg, t, cwt, loads, or containers
    of 19 t, as they differ in size. Raises ValueError."""
    word = unit.strip().casefold()
    if found := _CONTAINERS.fullmatch(word):
        if found[1] is None:
            raise ValueError("could be of any size. Enter what one holds: 2 containers of 19 t")
        return pounds_typed(found[1])
    if word in ("ton", "tons"):
        raise ValueError("could be short or metric tons. Enter pounds, or metric tons as t")
    if word not in _LB_BY_WEIGHT_WORD:
        raise ValueError("is not a weight in lb, or with kg, t, cwt, loads or containers of 19 t")
    return _LB_BY_WEIGHT_WORD[word]


def us_date(of: date) -> str:
    """Nov 25, 2026, as screens write a day."""
    return f"{of:%b} {of.day}, {of.year}"


def number_typed(text: str) -> float:
    """A number as people type it: 1,250, $1,250.50, -3. Raises ValueError."""
    found = _NUMBER.fullmatch(text.strip())
    if found is None:
        raise ValueError(_not_a_number(text))
    return float(found[1] + found[2].replace(",", ""))


def _typed(text: str) -> tuple[float, str]:
    found = _AMOUNT.fullmatch(text.strip())
    if found is None:
        raise ValueError(_not_a_number(text))
    return float(found[1].replace(",", "")), found[2].casefold().strip()


def _not_a_number(text: str) -> str:
    found = re.search(r"(\d+),(\d{1,2})(?!\d)", text)
    if found is None:
        return "is not a number"
    return f"could be {found[1]}.{found[2]} or {found[1]}{found[2]}. Enter one of them"


def usd_per_cwt(usd_per_lb: float | None) -> float | None:
    """A price per pound per hundredweight; None where there is no price."""
    return None if usd_per_lb is None else usd_per_lb * LB_PER_CWT
