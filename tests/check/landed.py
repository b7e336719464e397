"""The build-up of a foreign offer, computed again from the offer and its rates in fractions.

The customs value, the break-even price and exchange rate reported are put back in, and both sides
must come out the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from blend.domain.exact import exact
from blend.domain.imports import (
    USD,
    Basis,
    BuildUp,
    Cost,
    ForeignOffer,
    ImportRate,
    Quota,
    RateKind,
    RateUnit,
)

NEAR_SHARE = Fraction(1, 10**9)
"""Of a figure, or of 1 USD/lb where it is less: what sums in floats lose, and no more."""
_LB_PER_KG = 1 / Fraction("0.45359237")
_DAYS_PER_YEAR = 360
_ZERO = Fraction(0)


def landed_faults(built: BuildUp, rates: Iterable[ImportRate]) -> list[str]:
    """What is wrong with a build-up, by its offer and the rates there are."""
    return _Entry(built, tuple(rates)).faults()


class _Entry:
    """One customs entry; amounts are USD for all of it."""

    def __init__(self, built: BuildUp, rates: tuple[ImportRate, ...]) -> None:
        self.built, self.offer, self.rates = built, built.offer, rates
        self.used = {line.cost: line.rates for line in built.lines}
        self.lb = exact(self.offer.net_weight_lb)
        self.unit_lb = _LB_PER_KG if self.offer.price_per == "kg" else Fraction(1)
        self.freight_usd = exact(self.offer.ocean_freight_usd_per_lb) * self.lb

    def faults(self) -> list[str]:
        built, offer = self.built, self.offer
        wrong = [
            f"there is a closer rate of {kind.replace('_', ' ')}, or none that is used"
            for cost, kind in self._looked_up()
            if not self._is_closest(cost, kind)
        ]
        if wrong:
            return wrong
        value = exact(built.customs_value_usd)
        if value <= 0:
            return ["its customs value is nothing"]
        price = exact(offer.price) * exact(offer.usd_per_currency)
        if not _is_near(self.price_at(value), price):
            wrong.append("its customs value is not that of its price")
        stated = {line.cost: Fraction(line.usd_per_lb) for line in built.lines}
        reckoned = {cost: usd / self.lb for cost, usd in self.costs(value).items()}
        landed = sum(reckoned.values(), _ZERO)
        kept_lean = exact(offer.lean) * (1 - exact(offer.thaw_lean_loss_share))
        kept = kept_lean + 1 - exact(offer.lean)
        points = (kept_lean / kept - exact(offer.fresh_lean)) * 100
        for_lean = -points * exact(offer.point_usd_per_lb)
        reckoned |= {Cost.THAW: landed / kept - landed, Cost.LEAN: for_lean}
        wrong += [
            f"its line of {cost.value} is not what is due"
            for cost in Cost
            if cost not in stated or not _is_near(stated[cost], reckoned[cost])
        ]
        if len(stated) < len(built.lines):
            wrong.append("a line is listed twice")
        reported = {
            "sum landed": (built.landed_usd_per_lb, landed),
            "thawed weight": (built.kept_share, kept),
            "thawed lean": (built.thawed_lean, kept_lean / kept),
            "thawed price": (built.thawed_usd_per_lb, landed / kept),
            "price next to fresh": (built.fresh_equivalent_usd_per_lb, landed / kept + for_lean),
        }
        wrong += [
            f"its {charge} is another"
            for charge, (figure, right) in reported.items()
            if not _is_near(Fraction(figure), right)
        ]
        return wrong + self._faults_of_indifference(
            (exact(offer.fresh_usd_per_lb) - for_lean) * kept
        )

    def _faults_of_indifference(self, value_usd_per_lb: Fraction) -> list[str]:
        """Put back in, the price and the exchange rate land just at what the meat is worth."""
        built, offer = self.built, self.offer
        if built.break_even_price is None:
            as_a_gift = (sum(self.costs(_ZERO).values(), _ZERO)) / self.lb
            is_worthless = as_a_gift >= value_usd_per_lb - NEAR_SHARE
            if not is_worthless or built.break_even_usd_per_currency is not None:
                return ["that it is not worth its way even as a gift is wrong"]
            return []
        asked = {"price": (Fraction(built.break_even_price), exact(offer.usd_per_currency))}
        rate = built.break_even_usd_per_currency
        if (rate is None) != (offer.currency == USD):
            return ["it has an exchange rate where none is, or none where one is"]
        if rate is not None:
            asked["exchange rate"] = (exact(offer.price), Fraction(rate))
        wrong = []
        for charge, (price, usd_per_currency) in asked.items():
            landed = self._landed_at(price * usd_per_currency)
            if landed is None or not _is_near(landed, value_usd_per_lb):
                wrong.append(f"at the {charge} reported, buyers are not indifferent")
        return wrong

    def _landed_at(self, usd_per_unit: Fraction) -> Fraction | None:
        """USD a lb, at a price of the offer's own basis and unit; None where the customs value
        would be nothing."""
        price_usd = usd_per_unit / self.unit_lb * self.lb
        if self.offer.basis is Basis.DELIVERED:
            as_a_gift = sum(self.costs(_ZERO).values(), _ZERO)
            return price_usd / self.lb if price_usd > as_a_gift else None
        value = price_usd
        if self.offer.basis is Basis.CIF:
            value = price_usd / (1 + exact(self.offer.insurance_share)) - self.freight_usd
        return sum(self.costs(value).values(), _ZERO) / self.lb if value > 0 else None

    def price_at(self, value_usd: Fraction) -> Fraction:
        """USD per unit of the price, at a customs value."""
        if self.offer.basis is Basis.FOB:
            price_usd = value_usd
        elif self.offer.basis is Basis.CIF:
            price_usd = (value_usd + self.freight_usd) * (1 + exact(self.offer.insurance_share))
        else:
            price_usd = sum(self.costs(value_usd).values(), _ZERO)
        return price_usd / self.lb * self.unit_lb

    def costs(self, value_usd: Fraction) -> dict[Cost, Fraction]:
        """Every line before thawing."""
        offer, kg = self.offer, self.lb / _LB_PER_KG
        carried = value_usd + self.freight_usd
        insured = carried * (1 + exact(offer.insurance_share))
        days = Fraction(offer.days_to_plant, _DAYS_PER_YEAR)
        surcharge = self._own_or_rate(offer.surcharge_share, Cost.SURCHARGE, RateKind.SURCHARGE)
        per_kg = self._own_or_rate(
            offer.assessment_usd_per_kg, Cost.ASSESSMENT, RateKind.ASSESSMENT
        )
        hmf = self._rate(Cost.HMF, RateKind.HMF) if offer.by_sea else _ZERO
        return {
            Cost.ORIGIN: value_usd,
            Cost.FREIGHT: self.freight_usd,
            Cost.INSURANCE: insured - carried,
            Cost.DUTY: self._duty_usd(value_usd, kg),
            Cost.SURCHARGE: surcharge * value_usd,
            Cost.MPF: self._mpf_usd(value_usd),
            Cost.HMF: hmf * value_usd,
            Cost.ASSESSMENT: per_kg * kg,
            Cost.HANDLING: exact(offer.handling_usd_per_lb) * self.lb,
            Cost.INLAND: exact(offer.inland_usd_per_lb) * self.lb,
            Cost.FINANCE: exact(offer.finance_share_per_year) * days * insured,
        }

    def _duty_usd(self, value_usd: Fraction, kg: Fraction) -> Fraction:
        offer = self.offer
        if offer.duty_share is not None or offer.duty_usd_per_kg is not None:
            return (
                exact(offer.duty_share or 0.0) * value_usd
                + exact(offer.duty_usd_per_kg or 0.0) * kg
            )
        (rate,) = self.used[Cost.DUTY]
        return exact(rate.value) * (value_usd if rate.unit is RateUnit.SHARE else kg)

    def _mpf_usd(self, value_usd: Fraction) -> Fraction:
        share = self._rate(Cost.MPF, RateKind.MPF)
        if share == 0:
            return _ZERO
        minimum, maximum = (
            self._rate(Cost.MPF, kind) for kind in (RateKind.MPF_MIN, RateKind.MPF_MAX)
        )
        return min(max(share * value_usd, minimum), maximum)

    # Rates ------------------------------------------------------------------------------------

    def _looked_up(self) -> list[tuple[Cost, RateKind]]:
        """What has to come from the rates, as the offer does not give it itself."""
        offer = self.offer
        kinds = [(Cost.MPF, RateKind.MPF)]
        if offer.duty_share is None and offer.duty_usd_per_kg is None:
            is_in = offer.quota is Quota.IN_QUOTA
            duty = RateKind.DUTY_IN_QUOTA if is_in else RateKind.DUTY_OVER_QUOTA
            kinds.append((Cost.DUTY, duty))
        if offer.surcharge_share is None:
            kinds.append((Cost.SURCHARGE, RateKind.SURCHARGE))
        if offer.assessment_usd_per_kg is None:
            kinds.append((Cost.ASSESSMENT, RateKind.ASSESSMENT))
        if offer.by_sea:
            kinds.append((Cost.HMF, RateKind.HMF))
        fee = self._used(Cost.MPF, RateKind.MPF)
        if fee and fee[0].value:
            kinds += [(Cost.MPF, RateKind.MPF_MIN), (Cost.MPF, RateKind.MPF_MAX)]
        return kinds

    def _used(self, cost: Cost, kind: RateKind) -> list[ImportRate]:
        return [rate for rate in self.used.get(cost, ()) if rate.charge is kind]

    def _is_closest(self, cost: Cost, kind: RateKind) -> bool:
        """One rate is used, of those that there are, and no other speaks of the offer more
        closely, or as closely and of a time nearer to its entry."""
        used = self._used(cost, kind)
        if len(used) != 1 or used[0].value is None or not self._speaks(used[0], kind):
            return False
        others = [rate for rate in self.rates if self._speaks(rate, kind)]
        return used[0] in others and all(
            _closeness(used[0], self.offer) >= _closeness(rate, self.offer) for rate in others
        )

    def _speaks(self, rate: ImportRate, kind: RateKind) -> bool:
        begun = rate.valid_from is None or rate.valid_from <= self.offer.entry_on
        ended = rate.valid_to is not None and rate.valid_to < self.offer.entry_on
        concerned = rate.concerns(kind, self.offer.origin, self.offer.tariff_line)
        return concerned and (begun or ended)

    def _rate(self, cost: Cost, kind: RateKind) -> Fraction:
        (rate,) = self._used(cost, kind)
        return exact(rate.value)

    def _own_or_rate(self, own: float | None, cost: Cost, kind: RateKind) -> Fraction:
        return self._rate(cost, kind) if own is None else exact(own)


def _closeness(rate: ImportRate, offer: ForeignOffer) -> tuple:
    in_force = rate.valid_to is None or rate.valid_to >= offer.entry_on
    until = offer.entry_on if in_force else rate.valid_to
    return rate.origin != "", len(rate.tariff_line), in_force, until


def _is_near(figure: Fraction, right: Fraction) -> bool:
    return abs(figure - right) <= NEAR_SHARE * max(1, abs(right))
