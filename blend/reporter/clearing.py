"""Implied clearing prices: fit a market to its quotations, move it, and say why prices moved.

Calibration finds what cannot be seen (what buyers pay for products, lean and the rules; each
item's premium or discount) so that the quotations of the base date clear the market, with the
least adjustment. After that availability, imports, orders or rules are moved and the market is
cleared again: the move of each item is what the model implies, and no more is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from blend.check.why import certify_market_why
from blend.domain.case import Case
from blend.domain.certificates import Certified, ClearedBetween
from blend.domain.clearing import (
    Calibrated,
    Clearing,
    DemandCurve,
    ItemFit,
    ItemPrice,
    Market,
    MarketMove,
    MoveOf,
    ProductFit,
)
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import RuleKind, kept_per_lb
from blend.domain.selectors import Selector
from blend.errors import InputRefused, Problem, refusal
from blend.model.market import clear, fit_prices, nearest_base
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.reporter.draws import Draws, Priors
from blend.reporter.explained import ItemMove, Observed, explained, with_pounds
from blend.reporter.mixed import MARKET_DRIVERS, Driver, TwoCases

_MIN_SHARE = 1e-6
"""A product or an item with less than this share left at the base is not in the market."""
_NEAR_SHARE = 1e-7
_MIN_COUNT_ERROR_SHARE = 0.002
_GROUND_LOG_ODDS = math.log(10)
"""How much likelier the stated orders must be as pounds ground before they are taken for them."""
_FIRST_LB = 1.0
"""An item without pounds on the market is priced at its first pound."""


# The base ----------------------------------------------------------------------------------------


def calibrate(market: Market) -> Calibrated:
    """Fit the unobserved parts of a market to the quotations of its date.

    At the base every product lies at the lean limit that its cheapest blend at the quotations
    lies at, usually the lower one; volumes and, where they must, pounds adjust to that.
    Raises InputRefused for an item without a stated quantity, and where no demand with a price
    above zero explains the quotations.
    """
    endless = [lot.lot_id for lot in market.case.usable_lots() if lot.quantity_lb is None]
    if endless:
        allowed = "the pounds that come to market, for every item"
        raise InputRefused(
            [Problem("lots", None, "quantity_lb", f"none for {name}", allowed) for name in endless]
        )
    blends = {
        product.product_id: _cheapest_blend(market.case, product)
        for product in market.case.products
    }
    base = nearest_base(
        market.case,
        {each.product_id: each.volume_lb for each in market.demands},
        {name: each.lies_at for name, each in blends.items() if each.lies_at is not None},
    )
    made = [
        each
        for each in market.demands
        if base.volume_lb[each.product_id] > _MIN_SHARE * each.volume_lb
    ]
    if not made:
        read = "no product that these items can be blended into"
        raise refusal("products", None, read, "at least one")
    quoted = {lot.lot_id: lot.delivered_usd_per_lb for lot in market.case.usable_lots()}
    blend = {name: each.usd_per_lb for name, each in blends.items()}
    fit = fit_prices(base, quoted, blend)
    products = tuple(
        ProductFit(
            each.product_id,
            stated_lb=each.volume_lb,
            fitted_lb=base.volume_lb[each.product_id],
            blend_usd_per_lb=blend[each.product_id],
            fitted_usd_per_lb=fit.product_usd_per_lb[each.product_id],
        )
        for each in made
    )
    worthless = [each.product_id for each in products if each.fitted_usd_per_lb <= 0]
    if worthless:
        read = f"no price above zero for {', '.join(worthless)}"
        allowed = "quotations and volumes that some demand explains"
        raise refusal("product_demand", None, read, allowed)
    items = tuple(
        ItemFit(
            lot.lot_id,
            quoted_usd_per_lb=quoted[lot.lot_id],
            premium_usd_per_lb=-fit.adjustment_usd_per_lb[lot.lot_id],
            available_lb=lot.max_lb,
            to_grinders_lb=base.to_grinders_lb[lot.lot_id],
        )
        for lot in market.case.usable_lots()
        if base.to_grinders_lb[lot.lot_id] > _MIN_SHARE * lot.max_lb
    )
    return Calibrated(market, items, products)


@dataclass(frozen=True, slots=True)
class _Blend:
    """A finished pound of a product at the quotations, pounds without limit: what it costs, and
    the lean limit it lies at, if any. Nothing where there is no such blend."""

    usd_per_lb: float = 0.0
    lies_at: ConstraintClass | None = None


def _cheapest_blend(case: Case, product: Product) -> _Blend:
    ample = tuple(replace(lot, quantity_lb=None) for lot in case.usable_lots())
    rules = tuple(rule for rule in case.rules if rule.kind is not RuleKind.MUST_USE)
    pound = replace(
        product, min_lb=1.0, max_lb=1.0, shortage_penalty_usd_per_lb=None, sale_usd_per_lb=0.0
    )
    plan = solve_linear(replace(case, lots=ample, products=(pound,), rules=rules))
    if plan.outcome is not Outcome.OPTIMAL:
        return _Blend()
    lean = sum(
        lb * kept_per_lb(case.lot(lot_id), product, case.losses)[0]
        for (lot_id, _), lb in plan.use_lb.items()
    )
    limits = {
        ConstraintClass.LEAN_MIN: product.min_lean,
        ConstraintClass.LEAN_MAX: product.max_lean,
    }
    lies_at = next((each for each, at in limits.items() if abs(lean - at) < _NEAR_SHARE), None)
    return _Blend(plan.objective_usd, lies_at)


# The market moved --------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReadyMarket:
    """A market as the clearing takes it: what comes to grinders, and what they would pay."""

    case: Case
    curves: tuple[DemandCurve, ...]
    adjustment_usd_per_lb: dict[str, float]


def ready(calibrated: Calibrated, market: Market | None = None) -> ReadyMarket:
    """A market under the calibration of another date, that date's own where it is left out.

    Of each item the same share as at the base goes elsewhere; a product's demand is moved by
    the change of its volume, at the base price. Raises InputRefused for items and products that
    the base did not have.
    """
    market = market or calibrated.market
    _check_known(calibrated, market)
    lots = []
    for fit in calibrated.items:
        lot = market.case.lot(fit.lot_id)
        is_there = lot.reason_unusable(market.case.settings.plan_on) is None
        comes_lb = lot.max_lb * (1 - fit.elsewhere_share) if is_there else 0.0
        lots.append(
            replace(
                lot,
                quantity_lb=max(comes_lb, _FIRST_LB),
                min_purchase_lb=0.0,
                available_on=None,
                use_by=None,
            )
        )
    demands = {each.product_id: each for each in market.demands}
    curves = tuple(
        DemandCurve(
            fit.product_id,
            fit.fitted_lb * demands[fit.product_id].volume_lb / fit.stated_lb,
            fit.fitted_usd_per_lb,
            demands[fit.product_id].elasticity,
        )
        for fit in calibrated.products
        if fit.product_id in demands and demands[fit.product_id].volume_lb > 0
    )
    wanted = {curve.product_id for curve in curves}
    return ReadyMarket(
        case=replace(
            market.case,
            lots=tuple(lots),
            products=tuple(p for p in market.case.products if p.product_id in wanted),
        ),
        curves=curves,
        adjustment_usd_per_lb={fit.lot_id: -fit.premium_usd_per_lb for fit in calibrated.items},
    )


def _check_known(calibrated: Calibrated, market: Market) -> None:
    base = calibrated.market
    known_lots = {lot.lot_id for lot in base.case.usable_lots()}
    known_products = {each.product_id for each in base.demands}
    problems = [
        Problem("lots", None, "lot_id", lot.lot_id, "items quoted at the base date too")
        for lot in market.case.usable_lots()
        if lot.lot_id not in known_lots
    ] + [
        Problem("product_demand", None, "product_id", each.product_id, "products of the base date")
        for each in market.demands
        if each.product_id not in known_products
    ]
    there = {lot.lot_id for lot in market.case.lots}
    problems += [
        Problem(
            "lots", None, "lot_id", f"no {fit.lot_id}", "every item of the base, at 0 lb if none"
        )
        for fit in calibrated.items
        if fit.lot_id not in there
    ]
    if problems:
        raise InputRefused(problems)


def clear_market(
    calibrated: Calibrated,
    market: Market | None = None,
    *,
    ranges_of: Collection[str] | None = None,
) -> Clearing:
    """Clear a market under the calibration of another date; raises as `ready` does."""
    return _cleared(calibrated, market or calibrated.market, ranges_of).clearing


def moved_market(market: Market, moves: Iterable[MarketMove]) -> Market:
    """The market with the moves made, in the order of their rows."""
    for move in moves:
        market = _MOVED_BY[move.field](market, move)
    return market


def _new(old: float | None, move: MarketMove) -> float:
    return (old or 0.0) * move.value if move.is_factor else move.value


def _availability(market: Market, move: MarketMove) -> Market:
    lots = tuple(
        replace(lot, quantity_lb=_new(lot.quantity_lb, move)) if move.lots.holds(lot) else lot
        for lot in market.case.lots
    )
    return replace(market, case=replace(market.case, lots=lots))


def _orders(market: Market, move: MarketMove) -> Market:
    demands = tuple(
        replace(each, volume_lb=_new(each.volume_lb, move))
        if not move.products or each.product_id in move.products
        else each
        for each in market.demands
    )
    return replace(market, demands=demands)


def _rule_share(market: Market, move: MarketMove) -> Market:
    rules = tuple(
        rule
        if rule.rule_id != move.rule_id
        else replace(rule, min_share=_new(rule.min_share, move))
        if move.field is MoveOf.MIN_SHARE
        else replace(rule, max_share=_new(rule.max_share, move))
        for rule in market.case.rules
    )
    return replace(market, case=replace(market.case, rules=rules))


_MOVED_BY = {
    MoveOf.AVAILABILITY: _availability,
    MoveOf.ORDERS: _orders,
    MoveOf.MIN_SHARE: _rule_share,
    MoveOf.MAX_SHARE: _rule_share,
}


# Why prices moved --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MarketWhy:
    """Why the clearing price of an item moved between two markets."""

    item: Selector
    weights: dict[str, float]
    """Of the item's lots in its price: their pounds at the base, as shares."""
    price: ItemMove
    markets: int
    """Markets cleared for the split."""
    priors: Priors | None = None
    """What the errors rest on; None without."""
    between: Mapping[frozenset[Driver], ClearedBetween] = field(default_factory=dict)
    """What `certified` needs, by set of drivers moved."""

    def certified(self) -> Certified:
        """Check the clearings and the split against the tables without the solver."""
        reported = {"next": self.price.next.shares, "last": self.price.last.shares}
        between = {frozenset[str](moved): each for moved, each in self.between.items()}
        return certify_market_why(between, MARKET_DRIVERS, self.weights, reported)


def why_market_moved(
    before: Market,
    after: Market,
    item: Selector,
    *,
    observed: Observed | None = None,
    priors: Priors | None = None,
) -> MarketWhy:
    """Split the move of an item's clearing price among the drivers.

    `before` is calibrated to its own quotations. The observed move is that of the two
    quotations where none is given. With `priors`, parts have errors by draws. Raises InputRefused
    as `ready` and `calibrate` do, and where no lot is of the item.
    """
    calibrated = calibrate(before)
    weights = _weights(calibrated, item)
    if observed is None:
        _refuse_unquoted(after.case, weights)
        moved = _quoted(after.case, weights) - _quoted(before.case, weights)
        error = 0.0 if priors is None else math.sqrt(2) * priors.quotation_usd_per_lb
        observed = Observed(moved, error or None)
    two = TwoCases(before.case, after.case, item, MARKET_DRIVERS)
    split, between = _split(calibrated, after, two, weights)
    driver_of = {lot_id: two.drivers_of(lot_id)[1] for lot_id in two.lot_ids}
    stated = priors or Priors(0.0, 0.0, 0.0, draws=2)
    drawn = Draws(between, weights, driver_of, stated)
    following, last = (with_pounds(each, drawn.within) for each in (split.next, split.last))
    if priors is not None:
        following, last = drawn.errors_in(following), drawn.errors_in(last)
    move = ItemMove(
        following, last, observed, _orders_look_ground(between, observed, split, stated)
    )
    markets = len({id(each) for each in between.values()})
    return MarketWhy(item, weights, move, markets, priors, between)


def _orders_look_ground(
    between: Mapping[frozenset[Driver], ClearedBetween],
    observed: Observed,
    split: ItemMove,
    priors: Priors,
) -> bool:
    """Whether stated orders moved as the pounds ground would have with demand unchanged, and the
    quotation moved as if it was.

    Orders are what buyers would take at the prices of before. Pounds ground follow what comes to
    market, whatever demand does: given as orders they explain a shortage away. The two readings of
    the stated changes, by product, are compared by their likelihood.
    """
    every = frozenset(MARKET_DRIVERS)
    unchanged = between[every - {Driver.ORDERS}]
    was_ground = between[frozenset()].clearing.volume_lb
    stated = {curve.product_id: curve.volume_lb for curve in between[every].curves}
    error = math.sqrt(2) * max(priors.volume_share, _MIN_COUNT_ERROR_SHARE)
    log_odds = 0.0
    for curve in unchanged.curves:
        name = curve.product_id
        ordered = stated.get(name, 0.0) / curve.volume_lb - 1
        ground = unchanged.clearing.volume_lb[name] / was_ground[name] - 1
        log_odds += (ordered**2 - (ordered - ground) ** 2) / (2 * error**2)
    without = split.next.contribution(Driver.ORDERS).put_back - split.next.before
    seen = observed.move_usd_per_lb
    is_nearer = abs(seen - without) < abs(seen - split.next.change)
    return log_odds > _GROUND_LOG_ODDS and is_nearer


def market_put_back(before: Market, after: Market, item: Selector, driver: Driver) -> Market:
    """The market after, had this driver alone stayed as it was before."""
    two = TwoCases(before.case, after.case, item, MARKET_DRIVERS)
    return _mixed(two, before, after, frozenset(MARKET_DRIVERS) - {driver})


def _mixed(two: TwoCases, before: Market, after: Market, moved: frozenset[Driver]) -> Market:
    demands = (after if Driver.ORDERS in moved else before).demands
    there = {each.product_id for each in demands}
    # a product that only the other date has is not wanted on this side
    unwanted = tuple(
        replace(each, volume_lb=0.0)
        for each in {d.product_id: d for d in (*before.demands, *after.demands)}.values()
        if each.product_id not in there
    )
    return Market(two.mixed(moved), (*demands, *unwanted))


def _split(
    calibrated: Calibrated, after: Market, two: TwoCases, weights: dict[str, float]
) -> tuple[ItemMove, dict[frozenset[Driver], ClearedBetween]]:
    """The split, and by set of drivers the market cleared; equal mixtures share one."""
    before = calibrated.market
    known: dict[Market, ClearedBetween] = {}
    between: dict[frozenset[Driver], ClearedBetween] = {}

    def prices(moved: frozenset[Driver], of: Callable[[ItemPrice], float]) -> float:
        if moved not in between:
            market = _mixed(two, before, after, moved)
            if market not in known:
                known[market] = _cleared(calibrated, market, weights)
            between[moved] = known[market]
        clearing = between[moved].clearing
        return sum(share * of(clearing.item(lot_id)) for lot_id, share in weights.items())

    move = ItemMove(
        next=explained(lambda moved: prices(moved, lambda p: p.next_usd_per_lb), MARKET_DRIVERS),
        last=explained(lambda moved: prices(moved, lambda p: p.last_usd_per_lb), MARKET_DRIVERS),
    )
    return move, between


def _cleared(
    calibrated: Calibrated, market: Market, ranges_of: Collection[str] | None
) -> ClearedBetween:
    taken = ready(calibrated, market)
    parts = taken.case, taken.curves, taken.adjustment_usd_per_lb
    return ClearedBetween(*parts, clear(*parts, ranges_of))


def _weights(calibrated: Calibrated, item: Selector) -> dict[str, float]:
    case = calibrated.market.case
    own = [fit for fit in calibrated.items if item.holds(case.lot(fit.lot_id))]
    if not own:
        allowed = "conditions that some item of the base market meets"
        raise refusal("lots", None, f"no item with {item}", allowed)
    total = sum(fit.to_grinders_lb for fit in own)
    return {fit.lot_id: fit.to_grinders_lb / total for fit in own}


def _refuse_unquoted(case: Case, weights: dict[str, float]) -> None:
    there = {lot.lot_id for lot in case.lots}
    gone = [lot_id for lot_id in weights if lot_id not in there]
    if gone:
        read = f"no lot {', '.join(gone)} in the market after"
        allowed = "the same lots in both markets, or the move that was observed"
        raise refusal("lots", "lot_id", read, allowed)


def _quoted(case: Case, weights: dict[str, float]) -> float:
    return sum(share * case.lot(lot_id).delivered_usd_per_lb for lot_id, share in weights.items())
