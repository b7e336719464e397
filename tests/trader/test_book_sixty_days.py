"""An invented book of 60 days, recounted twice: by a ledger in decimals, and in pandas."""

from __future__ import annotations

import random
from datetime import date
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from blend.domain.book import Book, BookRate, Deal, Pricing, RateKind, Side, Where
from blend.domain.quotations import Quotation
from blend.trader.book import PARTS, CostMethod
from blend.trader.book_day import book_day

CENT = 0.005
DAYS = [day.date() for day in pd.bdate_range("2026-03-02", periods=60)]
LEAN = {"50s": 0.50, "81s": 0.81, "90s": 0.90, "90 CL": 0.90}
LANE = "Auckland to Philadelphia"


class World:
    """Prices, rates, deals and 20 corrections, drawn at random; money in whole cents."""

    def __init__(self, seed: int, deals: int = 130) -> None:
        self.random = random.Random(seed)
        walk = {"50s": 90.0, "81s": 270.0, "90s": 345.0, "90 CL": 322.0, "NZD": 62.0, LANE: 9.0}
        self.at: dict[tuple[str, date], Decimal] = {}
        for day in DAYS:
            for name in walk:
                walk[name] = round(walk[name] + self.random.gauss(0, 1 if name != LANE else 0.1), 2)
                cents = Decimal(str(walk[name]))
                self.at[name, day] = cents / 100 if name == "NZD" else cents
        self.deals: list[Deal] = []
        for number in range(deals):
            self.deals.append(self._deal(f"D{number:05}"))
        for number in range(20):
            self.deals.append(self._correction(f"E{number:05}"))

    def _deal(self, deal_id: str) -> Deal:
        draw, at = self.random, self.random.randrange(58)
        item = draw.choice(list(LEAN))
        kind = draw.choice(["fixed", "fixed", "foreign", "locked", "formula", "basis"])
        given = {"pricing": Pricing(kind) if kind in ("formula", "basis") else Pricing.FIXED}
        price = float(self.at[item, DAYS[at]]) + draw.randrange(-900, 900) / 100
        if kind in ("foreign", "locked"):
            price = round(price / 0.62, 2)
            given |= {"currency": "NZD", "where": Where.AFLOAT, "freight_lane": LANE,
                      "to_land_usd_per_cwt": 14.2,
                      "usd_per_currency": 0.62 if kind == "locked" else None}  # fmt: skip
        if kind in ("formula", "basis"):
            price = draw.randrange(-500, 500) / 100
            given["priced_on"] = draw.choice([None, DAYS[min(at + draw.randrange(9), 59)]])
            given["priced_off"] = "90s" if kind == "basis" else ""
        pounds = 1_000.0 * draw.randrange(1, 90)
        return Deal(deal_id, DAYS[at], draw.choice(list(Side)), item, pounds, round(price, 2),
                    **given)  # fmt: skip

    def _correction(self, deal_id: str) -> Deal:
        """Of a deal that stands: other pounds and price, or a withdrawal."""
        corrected = {each.corrects for each in self.deals}
        free = [each for each in self.deals
                if each.deal_id not in corrected and not each.withdrawn]  # fmt: skip
        last = self.random.choice(free)
        known = DAYS.index(last.known_on)
        on = DAYS[self.random.randrange(known, 60)]
        made = {name: getattr(last, name) for name in Deal.__dataclass_fields__}
        made |= {"deal_id": deal_id, "corrects": last.deal_id, "recorded_on": on,
                 "pounds_lb": 1_000.0 * self.random.randrange(1, 90),
                 "price": round(last.price + 1.25, 2),
                 "withdrawn": self.random.random() < 0.3}  # fmt: skip
        return Deal(**made)

    @property
    def book(self) -> Book:
        kinds = {"NZD": RateKind.EXCHANGE, LANE: RateKind.FREIGHT}
        rates = [BookRate(name, kinds[name], day, float(value))
                 for (name, day), value in self.at.items() if name in kinds]  # fmt: skip
        return Book(tuple(self.deals), rates=tuple(rates))

    @property
    def quotations(self) -> list[Quotation]:
        return [
            Quotation(name, "beef", LEAN[name], float(value) / 100, day,
                      "frozen" if name == "90 CL" else "fresh")
            for (name, day), value in self.at.items() if name in LEAN
        ]  # fmt: skip


class Ledger:
    """The first way: one deal after another, in decimals."""

    def __init__(self, world: World) -> None:
        self.world = world

    def standing(self, day: date) -> list[Deal]:
        stands: dict[str, Deal] = {}
        for deal in self.world.deals:  # corrections come after what they correct
            if max(deal.traded_on, deal.recorded_on or deal.traded_on) <= day:
                stands.pop(deal.corrects, None)
                if not deal.withdrawn:
                    stands[deal.deal_id] = deal
        return sorted(stands.values(), key=lambda deal: (deal.traded_on, deal.deal_id))

    def all_in(self, deal: Deal, day: date) -> Decimal:
        price = Decimal(str(deal.price))
        if deal.pricing is not Pricing.FIXED:
            price += self.world.at[deal.priced_off or deal.item_id, min(deal.priced_on or day, day)]
        if deal.currency == "NZD":
            locked = deal.usd_per_currency
            price *= Decimal(str(locked)) if locked else self.world.at["NZD", day]
        costs = Decimal(0)
        if deal.freight_lane:
            costs = Decimal("14.2") + self.world.at[LANE, day]
        return price + costs if deal.side is Side.BUY else price - costs

    def position(self, item: str, day: date, method: CostMethod) -> tuple[Decimal, ...]:
        """Net cwt, cost, realized, total."""
        lots: list[list[Decimal]] = []
        realized = Decimal(0)
        for deal in self.standing(day):
            if deal.item_id != item:
                continue
            cwt = Decimal(str(deal.signed_lb)) / 100
            price = self.all_in(deal, day)
            if method is CostMethod.AVERAGE and lots:  # one lot at the average
                held = sum(lot[0] for lot in lots)
                lots = [[held, sum(lot[0] * lot[1] for lot in lots) / held]] if held else []
            while cwt and lots and lots[0][0] * cwt < 0:
                closed = min(abs(cwt), abs(lots[0][0]))
                sign = 1 if lots[0][0] > 0 else -1
                realized += sign * closed * (price - lots[0][1])
                lots[0][0] -= sign * closed
                cwt += sign * closed
                if not lots[0][0]:
                    del lots[0]
            if cwt:
                lots.append([cwt, price])
        net = sum((lot[0] for lot in lots), Decimal(0))
        cost = sum((lot[0] * lot[1] for lot in lots), Decimal(0))
        return net, cost, realized, realized + net * self.world.at[item, day] - cost


def frame_of(world: World) -> pd.DataFrame:
    frame = pd.DataFrame(
        [{name: getattr(deal, name) for name in Deal.__dataclass_fields__} for deal in world.deals]
    )
    frame["cwt"] = np.where(frame.side == Side.BUY, 1, -1) * frame.pounds_lb / 100
    frame["known"] = frame.recorded_on.fillna(frame.traded_on)
    frame["off"] = frame.priced_off.where(frame.priced_off != "", frame.item_id)
    return frame


def priced(world: World, frame: pd.DataFrame, day: date) -> pd.DataFrame:
    """The second way: what stands on a day, column by column."""
    at = pd.Series({key: float(value) for key, value in world.at.items()})
    known = frame[frame.known <= day]
    found = known[~known.deal_id.isin(known.corrects) & ~known.withdrawn].copy()
    found = found.sort_values(["traded_on", "deal_id"])
    of = found.priced_on.fillna(day).clip(upper=day)
    quoted = np.array([at[name, on] for name, on in zip(found.off, of, strict=True)])
    is_fixed = found.pricing == Pricing.FIXED
    rate = np.where(found.currency == "NZD", found.usd_per_currency.fillna(at["NZD", day]), 1.0)
    found["usd"] = np.where(is_fixed, found.price * rate, found.price + quoted)
    found["to_land"] = found.to_land_usd_per_cwt + np.where(found.freight_lane != "", at[LANE, day],
                                                            0)  # fmt: skip
    found["mark"] = found.item_id.map(lambda item: at[item, day])
    found["all_in"] = found.usd + np.sign(found.cwt) * found.to_land
    found["worth"] = found.cwt * (found.mark - found.all_in)
    money = ["usd", "to_land", "worth"]
    return found.assign(**found[money].astype(float))


def fifo_by_units(own: pd.DataFrame) -> tuple[float, float, float]:
    """The n-th 1,000 lb bought are the n-th sold: net cwt, cost, realized."""
    units = own.loc[own.index.repeat((own.pounds_lb / 1_000).astype(int))]
    bought = units.all_in[units.cwt > 0].to_numpy()
    sold = units.all_in[units.cwt < 0].to_numpy()
    both = min(len(bought), len(sold))
    cost = bought[both:].sum() - sold[both:].sum()
    return own.cwt.sum(), 10 * cost, 10 * (sold[:both].sum() - bought[:both].sum())


def parts_of(world: World, frame: pd.DataFrame, before: date, after: date, item: str):
    """What moved an item's profit, from two days' columns."""
    then, now = (
        shown[shown.item_id == item].set_index("deal_id")
        for shown in (priced(world, frame, before), priced(world, frame, after))
    )
    came, left = now.index.difference(then.index), then.index.difference(now.index)
    is_new = now.traded_on[came] > before
    later = frame.set_index("deal_id").loc[then.index]
    at_end = priced(world, later.reset_index().assign(corrects=""), after).set_index("deal_id")
    at_end = at_end.loc[then.index]
    moved = -then.cwt * (at_end.usd - then.usd)
    is_fixed = then.pricing == Pricing.FIXED
    lines = []
    for day in (before, after):
        fresh = [name for name in LEAN if name != "90 CL"]
        prices = [float(world.at[name, day]) for name in fresh]
        fat, slope = np.polynomial.polynomial.polyfit([LEAN[name] for name in fresh], prices, 1)
        lines.append((fat + slope, fat))
    cwt, lean = then.cwt.sum(), LEAN[item]
    from_lean = cwt * lean * (lines[1][0] - lines[0][0])
    from_fat = cwt * (1 - lean) * (lines[1][1] - lines[0][1])
    mark = cwt * float(world.at[item, after] - world.at[item, before])
    return {
        "new_business": now.worth[came][is_new].sum(),
        "quantity": now.worth[came][~is_new].sum() - at_end.worth[left].sum(),
        "lean": from_lean,
        "fat": from_fat,
        "basis": mark - from_lean - from_fat,
        "exchange": moved[is_fixed].sum(),
        "formula": moved[~is_fixed].sum(),
        "freight": -(then.cwt.abs() * (at_end.to_land - then.to_land)).sum(),
        "side": 0.0,
    }


@pytest.mark.parametrize("seed", [1, 2])
def test_sixty_days_are_recounted_two_ways_to_the_cent(seed):
    world = World(seed)
    book, quotations = world.book, world.quotations
    ledger, frame = Ledger(world), frame_of(world)
    days = DAYS[::6] + DAYS[-3:]
    totals: dict[tuple[date, str], float] = {}
    for before, day in pairwise([DAYS[0], *days[1:]]):
        deals = priced(world, frame, day)
        shown = {
            method: book_day(book, quotations, day, before=before, method=method)
            for method in CostMethod
        }
        for item, own in deals.groupby("item_id"):
            for method, answer in shown.items():
                found = answer.held[item]
                net, cost, realized, total = map(float, ledger.position(item, day, method))
                assert found.net_lb == pytest.approx(100 * net)
                assert found.cost_usd == pytest.approx(cost, abs=CENT)
                assert found.realized_usd == pytest.approx(realized, abs=CENT)
                assert found.total_usd == pytest.approx(total, abs=CENT)
            held = shown[CostMethod.FIFO].held[item]
            assert (held.net_lb / 100, held.cost_usd, held.realized_usd) == pytest.approx(
                fifo_by_units(own), abs=CENT
            )
            assert held.total_usd == pytest.approx(own.worth.sum(), abs=CENT)
            moved = shown[CostMethod.FIFO].moved[item]
            parts = parts_of(world, frame, before, day, item)
            assert {part: getattr(moved, f"{part}_usd") for part in PARTS} == pytest.approx(
                parts, abs=CENT
            )
            totals[day, item] = held.total_usd
            change = held.total_usd - totals.get((before, item), _start(ledger, item, before))
            assert moved.total_usd == pytest.approx(change, abs=1e-6)
            assert abs(moved.unexplained_usd) < 1e-6


def _start(ledger: Ledger, item: str, day: date) -> float:
    return float(ledger.position(item, day, CostMethod.FIFO)[3])
