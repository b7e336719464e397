"""A day's quotations in plain pandas: the same canvass as one table, grouped and joined.

Stated are the terms, the outliers, trades firm by firm with capped weights, Huber's location or
the weighted median, and whether a quotation may be shown. Items whose trades alone do not
suffice are left out, and so are tone and the record of what became of every entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas

from blend.domain.market import CanvassEntry, Item
from blend.domain.method import Method


def canvass_frame(entries: Iterable[CanvassEntry]) -> Any:
    """The canvass as a table, a row for each entry."""
    frame = pandas.DataFrame([asdict(entry) | {"firm": entry.firm} for entry in entries])
    frame["kind"] = frame["kind"].astype(str)
    frame["heard_on"] = pandas.to_datetime(frame["heard_at"]).dt.date
    return frame.sort_values("entry_id", ignore_index=True)


def quotations(
    frame: Any, items: Mapping[str, Item], day: date, method: Method
) -> dict[str, tuple[float, bool]]:
    """By item: its quotation in USD per cwt, and whether it may be shown."""
    terms = pandas.DataFrame([asdict(item) for item in items.values()])
    today = frame[frame["market_day"] == day].merge(terms, on="item_id", suffixes=("", "_item"))
    today = _on_terms(today, day, method)
    trades_like = today[
        (today["kind"] == "trade")
        | (today["kind"] == "other")
        | (today["kind"].isin(["bid", "offer"]) & ~today["is_firm"])
    ]
    near = trades_like.groupby("item_id", group_keys=False)[list(trades_like.columns)].apply(
        lambda own: _without_outliers(own, method)
    )
    may_be_shown = _may_be_shown(frame, day, method)
    trades = near[near["kind"] == "trade"]
    quoted = {}
    for item_id, own in trades.groupby("item_id"):
        price = _quotation(own, method)
        if price is not None:
            quoted[item_id] = price, bool(may_be_shown.get(item_id, False))
    return quoted


def _on_terms(today: Any, day: date, method: Method) -> Any:
    lean = today["lean"].astype(float).fillna(today["lean_item"])
    other_basis = today["basis"] != today["basis_item"]
    freight = today["freight_usd_per_cwt"].astype(float)
    sign = np.where(today["basis_item"] == "delivered", 1.0, -1.0)
    price = today["usd_per_cwt"] + np.where(other_basis, sign * freight.fillna(0.0), 0.0)
    points = (today["lean_item"] - lean) * 100
    by_slope = price + points * today["point_usd_per_cwt"].astype(float)
    by_share = price * today["lean_item"] / lean
    same_lean = lean == today["lean_item"]
    today["price"] = np.where(same_lean, price, by_slope.fillna(by_share))
    within = today["delivered_within_days"].astype(float).fillna(0.0)
    late = today["heard_on"].map(lambda heard: (heard - day).days) > method.late_days
    return today[
        ~late
        & (within <= today["delivered_within_days_item"])
        & ((lean - today["lean_item"]).abs() <= method.lean_within_share + 1e-9)
        & ~(other_basis & freight.isna())
        & ~(today["between_affiliates"] & (method.affiliate_weight == 0))
    ]


def _without_outliers(own: Any, method: Method) -> Any:
    counts = own.groupby("firm")["price"].transform("size")
    if own["firm"].nunique() < 4:
        return own
    middle = weighted_median(own["price"], 1 / counts)
    distance = (own["price"] - middle).abs()
    minimum = method.min_spread_ticks * own["tick_usd_per_cwt"].iloc[0]
    spread = max(weighted_median(distance, 1 / counts), minimum)
    return own[0.6745 * distance / spread <= method.outlier_cut]


def _quotation(trades: Any, method: Method) -> float | None:
    """Of one item's trades; None where they do not suffice."""
    pounds = trades.groupby("firm")["pounds_lb"].sum()
    money = (trades["price"] * trades["pounds_lb"]).groupby(trades["firm"]).sum()
    if (
        len(trades) < method.min_trades
        or pounds.sum() < method.min_pounds_lb
        or len(pounds) < method.min_firms
        or pounds.max() / pounds.sum() >= method.max_firm_share
    ):
        return None
    price, weight = money / pounds, _capped(pounds / pounds.sum(), method.firm_weight_cap)
    if len(price) < 4:
        return weighted_median(price, weight)
    distance = (price - price.median()).abs().median()
    minimum = method.min_spread_ticks * trades["tick_usd_per_cwt"].iloc[0]
    return _huber(price, weight, max(distance, minimum) / 0.6745, method.huber_k)


def weighted_median(price: Any, weight: Any) -> float:
    order = np.argsort(price.to_numpy(), kind="stable")
    prices, so_far = price.to_numpy()[order], weight.to_numpy()[order].cumsum()
    half = so_far[-1] / 2
    at = int(np.argmax(so_far >= half * (1 - 1e-12)))
    if abs(so_far[at] - half) <= 1e-12 * half and at + 1 < len(prices):
        return float(prices[at] + prices[at + 1]) / 2
    return float(prices[at])


def _capped(share: Any, cap: float) -> Any:
    if len(share) * cap <= 1:
        return share * 0 + 1 / len(share)
    capped = share >= np.inf
    while (share > cap + 1e-12).any():
        capped |= share >= cap
        share = share.where(~capped, cap)
        share = share.where(capped, share * (1 - cap * capped.sum()) / share[~capped].sum())
    return share


def _huber(price: Any, weight: Any, scale: float, k: float) -> float:
    """By reweighting until it stands, the textbook way."""
    location = weighted_median(price, weight)
    for _ in range(500):
        far = ((price - location) / scale).abs()
        pull = weight * (k / far).where(far > k, 1.0)
        moved = float((pull * price).sum() / pull.sum())
        if abs(moved - location) < 1e-9:
            return moved
        location = moved
    return location


def _may_be_shown(frame: Any, day: date, method: Method) -> Any:
    """The guideline of firms, largest and sole over the days looked back on, by item."""
    first = day - timedelta(days=method.confidential_days - 1)
    span = frame[(frame["market_day"] >= first) & (frame["market_day"] <= day)]
    days = span.groupby("item_id")["market_day"].nunique()
    by_day = span.groupby(["item_id", "market_day"])["firm"].agg(["nunique", "first"])
    reported = span.groupby(["item_id", "firm"])["market_day"].nunique()
    enough = (
        reported
        >= method.confidential_time_share
        * days.reindex(reported.index.get_level_values(0)).to_numpy()
    )
    often = enough.groupby(level=0).sum()
    entries = span.groupby(["item_id", "firm"]).size()
    largest = entries.groupby(level=0).max() / entries.groupby(level=0).sum()
    pounds = span[span["kind"] == "trade"].groupby(["item_id", "firm"])["pounds_lb"].sum()
    of_pounds = (pounds.groupby(level=0).max() / pounds.groupby(level=0).sum()).fillna(0.0)
    largest = largest.combine(of_pounds, max, fill_value=0.0)
    alone = by_day[by_day["nunique"] == 1].groupby(["item_id", "first"]).size()
    sole = (alone.groupby(level=0).max() / days).fillna(0.0)
    return (
        (often >= method.confidential_firms)
        & (largest < method.confidential_max_share)
        & (sole <= method.confidential_sole_share)
    )
