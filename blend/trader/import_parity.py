"""Import parity: a foreign offer landed, thawed and at the lean of fresh meat.

Everything is computed for the whole customs entry and then per pound, as the processing fee has
a min and a max for each entry. The customs value leaves out ocean freight,
insurance and duty (19 U.S.C. 1401a, from memory), so that a price that covers them is stripped
first. All of it is arithmetic on the rates given: the current tariff, the customs broker and
the port decide what is due.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from blend.domain.imports import (
    USD,
    Basis,
    BuildUp,
    Cost,
    CostLine,
    ForeignOffer,
    ImportRate,
    Quota,
    RateKind,
    RateUnit,
)
from blend.errors import InputRefused, Problem
from blend.units import LB_PER_CWT, LB_PER_KG, POINTS_PER_SHARE

DAYS_PER_YEAR = 360
"""Of the money market's year; common practice, no source."""
_WORDS = {RateKind.DUTY_IN_QUOTA: "duty", RateKind.DUTY_OVER_QUOTA: "over-quota duty"}
LB_PER_UNIT = {"kg": LB_PER_KG, "lb": 1.0, "cwt": LB_PER_CWT, "t": 1000 * LB_PER_KG}
"""Pounds in each unit that a price may be for."""


def land(offer: ForeignOffer, rates: Iterable[ImportRate]) -> BuildUp:
    """Build up the cost of one foreign offer to its fresh equivalent.

    Raises InputRefused where a rate that the offer needs is in no table and not given.
    """
    due = _dues(offer, tuple(rates))
    return _build_up(offer, due)


def landed_usd_per_lb(offer: ForeignOffer, rates: Iterable[ImportRate]) -> float:
    """The landed price of an offer, frozen at the plant, USD per lb; raises as `land`."""
    due = _dues(offer, tuple(rates))
    return due.landed_usd(due.customs_value_usd(_price_usd_per_lb(offer))) / offer.net_weight_lb


# Rates ----------------------------------------------------------------------------------------


def find_rate(
    rates: Iterable[ImportRate], what: RateKind, offer: ForeignOffer
) -> ImportRate | None:
    """The offer's rate: the most specific one, and of several the one in force on the day of entry,
    else the one that ended last before it; None without any."""
    found = [
        rate
        for rate in rates
        if rate.concerns(what, offer.origin, offer.tariff_line, offer.program)
        and (rate.is_valid(offer.entry_on) or rate.has_ended(offer.entry_on))
    ]
    if not found:
        return None
    return max(
        found,
        key=lambda rate: (
            rate.program != "",
            rate.origin != "",
            len(rate.tariff_line),
            rate.is_valid(offer.entry_on),
            rate.valid_to or offer.entry_on,
            rate.rate_id,
        ),
    )


_GIVEN_BY = {
    RateKind.DUTY_IN_QUOTA: "duty_usd_per_kg or duty_share",
    RateKind.DUTY_OVER_QUOTA: "duty_usd_per_kg or duty_share",
    RateKind.SURCHARGE: "surcharge_share",
    RateKind.ASSESSMENT: "assessment_usd_per_kg",
}
"""The column of foreign_offers in which a user gives a rate that is not known."""


@dataclass(frozen=True)
class _Dues:
    """Everything due on an entry: a fixed sum, a share of the customs value, and the processing
    fee between its limits. Amounts are USD for the entry."""

    offer: ForeignOffer
    duty_share: float
    duty_usd: float
    surcharge_share: float
    mpf_share: float
    mpf_min_usd: float
    mpf_max_usd: float
    hmf_share: float
    assessment_usd: float
    used: dict[Cost, tuple[ImportRate, ...]]
    quota_rates: tuple[ImportRate, ...]

    @property
    def freight_usd(self) -> float:
        return self.offer.ocean_freight_usd_per_lb * self.offer.net_weight_lb

    @property
    def finance_share(self) -> float:
        """Of price, freight and insurance."""
        return self.offer.finance_share_per_year * self.offer.days_to_plant / DAYS_PER_YEAR

    @property
    def _slope(self) -> float:
        """USD landed for a USD more of customs value, the processing fee left out."""
        carried = (1 + self.offer.insurance_share) * (1 + self.finance_share)
        return carried + self.duty_share + self.surcharge_share + self.hmf_share

    @property
    def _fixed_usd(self) -> float:
        """USD landed whatever the customs value, the processing fee left out."""
        carried = (1 + self.offer.insurance_share) * (1 + self.finance_share)
        by_weight = self.offer.handling_usd_per_lb + self.offer.inland_usd_per_lb
        return (
            self.freight_usd * carried
            + self.duty_usd
            + self.assessment_usd
            + by_weight * self.offer.net_weight_lb
        )

    def mpf_usd(self, value_usd: float) -> float:
        if self.mpf_share == 0:
            return 0.0
        return min(max(self.mpf_share * value_usd, self.mpf_min_usd), self.mpf_max_usd)

    def landed_usd(self, value_usd: float) -> float:
        return self._slope * value_usd + self._fixed_usd + self.mpf_usd(value_usd)

    def value_landed_at(self, landed_usd: float) -> float | None:
        """The customs value that lands at a sum; None when no value above zero does.

        The sum rises with the value along three straight pieces, as the processing fee is at
        its min, a share of the value, or its max; just one of them has the answer.
        """
        left_usd = landed_usd - self._fixed_usd
        share = self.mpf_share
        if share == 0:
            value = left_usd / self._slope
        else:
            value = (left_usd - self.mpf_min_usd) / self._slope
            if value * share > self.mpf_min_usd:
                value = left_usd / (self._slope + share)
            if value * share > self.mpf_max_usd:
                value = (left_usd - self.mpf_max_usd) / self._slope
        return value if value > 0 else None

    def customs_value_usd(self, usd_per_lb: float) -> float:
        """Of the entry, from the offer's price in USD per lb; what it covers is stripped."""
        price_usd = usd_per_lb * self.offer.net_weight_lb
        if self.offer.basis is Basis.FOB:
            value: float | None = price_usd
        elif self.offer.basis is Basis.CIF:
            value = price_usd / (1 + self.offer.insurance_share) - self.freight_usd
        else:
            value = self.value_landed_at(price_usd)
        if value is None or value <= 0:
            raise InputRefused([_value_nothing(self.offer)])
        return value

    def price_usd_per_lb(self, value_usd: float) -> float:
        """The reverse of `customs_value_usd`."""
        if self.offer.basis is Basis.FOB:
            price_usd = value_usd
        elif self.offer.basis is Basis.CIF:
            price_usd = (value_usd + self.freight_usd) * (1 + self.offer.insurance_share)
        else:
            price_usd = self.landed_usd(value_usd)
        return price_usd / self.offer.net_weight_lb


def _value_nothing(offer: ForeignOffer) -> Problem:
    return Problem(
        "foreign_offers",
        None,
        "price",
        f"{offer.offer_id}: {offer.currency} {offer.price:g} per {offer.price_per} {offer.basis}"
        " leaves nothing for the seller at origin",
        "",
        "Enter a higher price or lower costs.",
    )


def _dues(offer: ForeignOffer, rates: tuple[ImportRate, ...]) -> _Dues:
    problems: list[Problem] = []
    used: dict[Cost, tuple[ImportRate, ...]] = {}

    def look_up(what: RateKind, cost: Cost) -> ImportRate | None:
        rate = find_rate(rates, what, offer)
        if rate is None or rate.value is None:
            problems.append(_lacking(offer, what, rate))
            return None
        used[cost] = (*used.get(cost, ()), rate)
        return rate

    def value_of(what: RateKind, cost: Cost, own: float | None = None) -> float:
        if own is not None:
            return own
        rate = look_up(what, cost)
        return 0.0 if rate is None or rate.value is None else rate.value

    duty_share, duty_usd_per_kg = offer.duty_share, offer.duty_usd_per_kg
    if duty_share is None and duty_usd_per_kg is None:
        over = offer.quota is Quota.OVER_QUOTA
        what = RateKind.DUTY_OVER_QUOTA if over else RateKind.DUTY_IN_QUOTA
        rate = look_up(what, Cost.DUTY)
        if rate is not None and rate.unit is RateUnit.SHARE:
            duty_share = rate.value
        elif rate is not None:
            duty_usd_per_kg = rate.value
    quotas = _quotas(rates, offer)
    if offer.quota is Quota.NO_QUOTA and not quotas:
        problems.append(_has_quota(offer))
    mpf_share = value_of(RateKind.MPF, Cost.MPF)
    has_mpf = mpf_share > 0
    net_kg = offer.net_weight_lb / LB_PER_KG
    due = _Dues(
        offer=offer,
        duty_share=duty_share or 0.0,
        duty_usd=(duty_usd_per_kg or 0.0) * net_kg,
        surcharge_share=value_of(RateKind.SURCHARGE, Cost.SURCHARGE, offer.surcharge_share),
        mpf_share=mpf_share,
        mpf_min_usd=value_of(RateKind.MPF_MIN, Cost.MPF) if has_mpf else 0.0,
        mpf_max_usd=value_of(RateKind.MPF_MAX, Cost.MPF) if has_mpf else 0.0,
        hmf_share=value_of(RateKind.HMF, Cost.HMF) if offer.by_sea else 0.0,
        assessment_usd=net_kg
        * value_of(RateKind.ASSESSMENT, Cost.ASSESSMENT, offer.assessment_usd_per_kg),
        used=used,
        quota_rates=quotas,
    )
    if problems:
        raise InputRefused(problems)
    return due


def _lacking(offer: ForeignOffer, what: RateKind, rate: ImportRate | None) -> Problem:
    column = _GIVEN_BY.get(what)
    why = f" ({rate.source}: {rate.note})" if rate is not None else ""
    return Problem(
        "foreign_offers" if column else "import_rates",
        None,
        column or "value",
        f"{offer.offer_id}: no {_WORDS.get(what, what.replace('_', ' '))} rate for {offer.origin},"
        f" {offer.tariff_line}, on {offer.entry_on:%b} {offer.entry_on.day}, {offer.entry_on.year}",
        "",
        f"Enter the rate that is due, 0 where none is{why}.",
    )


def _has_quota(offer: ForeignOffer) -> Problem:
    return Problem(
        "foreign_offers",
        None,
        "quota",
        f"{offer.offer_id}: no_quota",
        f"in_quota or over_quota: no rate says that {offer.origin} has no quota",
        f"Enter in_quota or over_quota, or a no_quota row for {offer.origin} in import_rates.csv.",
    )


def _quotas(rates: tuple[ImportRate, ...], offer: ForeignOffer) -> tuple[ImportRate, ...]:
    """Sizes of quotas that the offer may fall under, for its origin or for all others; for one
    without a quota, the rate that says so."""
    if offer.quota is Quota.NO_QUOTA:
        return tuple(filter(None, [find_rate(rates, RateKind.NO_QUOTA, offer)]))
    quotas = [rate for rate in rates if rate.charge is RateKind.QUOTA]
    named = [rate for rate in quotas if rate.origin.casefold() == offer.origin.casefold()]
    own = named or [rate for rate in quotas if rate.origin == "other"]
    every = [rate for rate in quotas if not rate.origin and rate.is_valid(offer.entry_on)]
    return (*own, *every)


# The build-up ---------------------------------------------------------------------------------


def _price_usd_per_lb(offer: ForeignOffer) -> float:
    return offer.price * offer.usd_per_currency / LB_PER_UNIT[offer.price_per]


def _build_up(offer: ForeignOffer, due: _Dues) -> BuildUp:
    value_usd = due.customs_value_usd(_price_usd_per_lb(offer))
    carried_usd = value_usd + due.freight_usd
    insurance_usd = offer.insurance_share * carried_usd
    pounds = offer.net_weight_lb
    amounts_usd = {
        Cost.ORIGIN: value_usd,
        Cost.FREIGHT: due.freight_usd,
        Cost.INSURANCE: insurance_usd,
        Cost.DUTY: due.duty_share * value_usd + due.duty_usd,
        Cost.SURCHARGE: due.surcharge_share * value_usd,
        Cost.MPF: due.mpf_usd(value_usd),
        Cost.HMF: due.hmf_share * value_usd,
        Cost.ASSESSMENT: due.assessment_usd,
        Cost.HANDLING: offer.handling_usd_per_lb * pounds,
        Cost.INLAND: offer.inland_usd_per_lb * pounds,
        Cost.FINANCE: due.finance_share * (carried_usd + insurance_usd),
    }
    landed = sum(amounts_usd.values()) / pounds
    kept_lean = offer.lean * (1 - offer.thaw_lean_loss_share)
    kept = kept_lean + 1 - offer.lean
    thawed_lean = kept_lean / kept
    thawed = landed / kept
    points = (thawed_lean - offer.fresh_lean) * POINTS_PER_SHARE
    for_lean = -points * offer.point_usd_per_lb
    lines = [
        CostLine(cost, usd / pounds, due.used.get(cost, ()), _note(cost, due, value_usd))
        for cost, usd in amounts_usd.items()
    ]
    lines += [CostLine(Cost.THAW, thawed - landed), CostLine(Cost.LEAN, for_lean)]
    price, rate = _break_even(offer, due, (offer.fresh_usd_per_lb - for_lean) * kept)
    return BuildUp(
        offer=offer,
        lines=tuple(lines),
        landed_usd_per_lb=landed,
        kept_share=kept,
        thawed_lean=thawed_lean,
        thawed_usd_per_lb=thawed,
        fresh_equivalent_usd_per_lb=thawed + for_lean,
        customs_value_usd=value_usd,
        break_even_price=price,
        break_even_usd_per_currency=rate,
        quota_rates=due.quota_rates,
    )


def _note(cost: Cost, due: _Dues, value_usd: float) -> str:
    if cost is Cost.MPF and due.mpf_share:
        by_share = due.mpf_share * value_usd
        if by_share > due.mpf_max_usd:
            return f"the max, ${due.mpf_max_usd:.2f} an entry"
        if by_share < due.mpf_min_usd:
            return f"the min, ${due.mpf_min_usd:.2f} an entry"
    if cost is Cost.DUTY and (due.offer.duty_share, due.offer.duty_usd_per_kg) != (None, None):
        return "as given with the offer"
    own = {
        Cost.SURCHARGE: due.offer.surcharge_share,
        Cost.ASSESSMENT: due.offer.assessment_usd_per_kg,
    }.get(cost)
    return "" if own is None else "as given with the offer"


def _break_even(
    offer: ForeignOffer, due: _Dues, landed_usd_per_lb: float
) -> tuple[float | None, float | None]:
    """The price, in the offer's terms, and the exchange rate at which it lands at exactly that."""
    value_usd = due.value_landed_at(landed_usd_per_lb * offer.net_weight_lb)
    if value_usd is None:
        return None, None
    usd_per_lb = due.price_usd_per_lb(value_usd)
    per_unit_usd = usd_per_lb * LB_PER_UNIT[offer.price_per]
    rate = None if offer.currency == USD else per_unit_usd / offer.price
    return per_unit_usd / offer.usd_per_currency, rate


def at_rate(offer: ForeignOffer, usd_per_currency: float) -> ForeignOffer:
    """The same offer at another exchange rate."""
    return replace(offer, usd_per_currency=usd_per_currency)


class Doubt(StrEnum):
    """Why a rate that was used should be looked at."""

    ENDED = "ended"
    OLD = "old"
    NOT_READ = "not read"


OLD_DAYS, OLD_SURCHARGE_DAYS = 365, 60
"""Between the day a rate was read and the entry; surcharges come and go by order (own rule)."""


def doubts(
    built: Iterable[BuildUp],
) -> tuple[tuple[Doubt, ImportRate, ForeignOffer], ...]:
    """Rates used past their last day, read long before the entry, or not read at their source;
    each once, with the first offer that it concerns."""
    seen: dict[tuple[str, Doubt], tuple[Doubt, ImportRate, ForeignOffer]] = {}
    for each in built:
        for line in each.lines:
            for rate in line.rates:
                for doubt in _doubts_of(rate, each.offer):
                    seen.setdefault((rate.rate_id, doubt), (doubt, rate, each.offer))
    return tuple(seen.values())


def _doubts_of(rate: ImportRate, offer: ForeignOffer) -> Iterator[Doubt]:
    if rate.has_ended(offer.entry_on):
        yield Doubt.ENDED
        return
    limit = OLD_SURCHARGE_DAYS if rate.charge is RateKind.SURCHARGE else OLD_DAYS
    is_open = rate.valid_to is None
    known = rate.known_on
    if is_open and known is not None and (offer.entry_on - known).days > limit:
        yield Doubt.OLD
    if rate.verified != "read":
        yield Doubt.NOT_READ
