"""Today's plan with chance constraints: batches that test in spec as often as asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from math import sqrt
from statistics import NormalDist, fmean
from time import monotonic

import numpy as np

from blend.check.certify import rounded_down
from blend.check.chance import check_chance_constraints
from blend.check.check import check_plan, count_money
from blend.check.conic import certify_chance_plan, chance_bound
from blend.check.gap import plan_bound
from blend.domain.case import Case
from blend.domain.certificates import Certified, ChanceCertificate
from blend.domain.plan import Plan, PlanCertificate
from blend.domain.uncertainty import (
    MAX_CONFIDENCE,
    ChanceCheck,
    ChanceConstraint,
    LeanUncertainty,
    Sides,
    TestValue,
    errors_words,
)
from blend.errors import BlendError, SolverTrouble
from blend.grinder.plan import make_plan
from blend.model.build import build_model
from blend.model.chance_constraints import (
    ChanceModel,
    SafeAnswer,
    WholeChance,
    min_lacking,
    solve_chance,
)
from blend.model.round_plan import RoundedPlan
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.model.tangents import ConicAnswer
from blend.units import LB_PER_CWT

Say = Callable[[str], None]

_BATCHES_GAP_SHARE = 1e-6
"""Where only batches must be whole, the search is cheap and runs to the end."""
_MAX_WEIGHINGS = 8
_FOR_ROUNDING = 1.003
"""Times the distance that a confidence needs: what rounding to whole pounds may take of it."""
_HEADROOM, _MIN_SHARE = 2.0, 2e-6
"""How many times the shortfall of a confidence is added to its margin, and at least this share of
what is made."""
_MIN_LB = 1e-6
_USED_LB = 1.0
_MAX_TESTS = 10
_MAX_LOWERINGS, _LOWER = 6, 0.75
_MIN_TIME_SHARE = 0.25
"""Of the time limit, for each search after confidences were lowered."""
_MOST_OUT = 0.49
"""Of one side: a confidence that lets more batches out is no better than none."""
_HAIR, _EXACT_HAIR = 0.002, 1e-6
"""Of confidence: allowance for whole containers below what the LP relaxation reaches, and for
rounding errors below what a plan reaches."""


@dataclass(frozen=True, slots=True)
class OneTest:
    """One more test of a lot: what it costs, and the standard deviation of its method.

    Its sample is taken from one container, so the spread of containers comes on top.
    """

    cost_usd: float
    method_sd_share: float

    def variance(self, container_sd_share: float) -> float:
        return self.method_sd_share**2 + container_sd_share**2


@dataclass(frozen=True, slots=True)
class SafePlan:
    """The plan that meets its chance constraints, and the one that holds spec on average only.

    `plan.certificate` compares the plan with the floor of its own search, by the solver; from dual
    prices in exact fractions no plan that meets the chance constraints costs less than
    `any_plan_usd`.
    """

    plan: Plan
    chance_constraints: tuple[ChanceCheck, ...]
    without: Plan
    divisible_usd: float
    """Of the LP relaxation, with the chance constraints."""
    divisible_without_usd: float
    any_plan_usd: float
    certificate: ChanceCertificate
    """What certifies `any_plan_usd`."""
    held: tuple[ChanceConstraint, ...]
    """What the plan is made to; below what was asked for where no more was found."""
    tests: tuple[TestValue, ...] = ()
    """Largest gain first; empty when no test was priced."""
    tests_stopped: bool = False
    """The user stopped the pricing: tests are missing."""

    def certified(
        self,
        case: Case,
        uncertainty: Mapping[str, LeanUncertainty],
        chance_constraints: Iterable[ChanceConstraint],
    ) -> Certified:
        """Check plan, chance constraints and bound against the case without the solver."""
        return certify_chance_plan(
            case,
            self.plan,
            self.chance_constraints,
            uncertainty,
            chance_constraints,
            self.certificate,
            any_plan_usd=self.any_plan_usd,
            without_usd=self.without.certificate.bound.bound_usd,
        )

    @property
    def is_kept(self) -> bool:
        is_valid = self.plan.certificate.is_valid
        return is_valid and all(check.is_kept for check in self.chance_constraints)

    @property
    def floor_usd(self) -> float:
        """The better of two floors: `any_plan_usd`, and that of the search in whole numbers."""
        return max(self.any_plan_usd, self.plan.certificate.bound.bound_usd)

    @property
    def is_floor_certified(self) -> bool:
        """`floor_usd` rests on exact dual checks alone, not on the solver's own bound."""
        without = self.without.certificate.bound
        by_prices = without.is_certified or self.any_plan_usd > without.bound_usd
        return by_prices and self.floor_usd == self.any_plan_usd

    @property
    def safety_usd(self) -> float:
        """What the chance constraints cost: one rounded plan less the other."""
        return self.plan.money.total_usd - self.without.money.total_usd

    @property
    def safety_usd_per_cwt(self) -> float:
        """Per finished hundredweight."""
        return self.safety_usd * LB_PER_CWT / self.plan.money.finished_lb

    @property
    def divisible_safety_usd(self) -> float:
        """The same between the two LP relaxations, without the luck of whole containers."""
        return self.divisible_usd - self.divisible_without_usd


_WITH_OTHERS = ", with the others you asked for:"
_ONLY_WHOLE = " with whole containers, counts and batches. One does if they can be split."


@dataclass(frozen=True, slots=True)
class OutOfReach:
    """A confidence that cannot be reached, and the highest one found."""

    product_id: str
    side: Sides
    asked: float
    reached: float


class ConfidenceOutOfReach(BlendError):
    """No plan meets every chance constraint; `is_certain` is whether that is certified.

    The lots are too uncertain, or the tolerance too narrow. `chance_constraints` is empty when
    only whole containers, counts and batches rule out a plan.
    """

    exit_code = 3

    def __init__(
        self,
        chance_constraints: tuple[OutOfReach, ...],
        is_certain: bool,
        words: str = "",
        *,
        is_whole: bool = True,
    ) -> None:
        self.chance_constraints = chance_constraints
        self.is_certain = is_certain
        self.is_whole = is_whole
        head = "No plan keeps" if is_certain else "No plan was found that keeps"
        lines = [f"{head} every confidence{_WITH_OTHERS if chance_constraints else _ONLY_WHOLE}"]
        lines += [
            f"  - {each.product_id}: at most about {each.reached:.2%} of batches hold the lean "
            f"limit {each.side.value}, {each.asked:.2%} asked ({words})"
            for each in chance_constraints
        ]
        lines.append("Widen the tolerance, ask for less confidence, or test the lots.")
        super().__init__("\n".join(lines))


def make_safe_plan(
    case: Case,
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    *,
    test: OneTest | None = None,
    progress: Say | None = None,
    without: Plan | None = None,
    time_limit_s: float | None = None,
    settles: bool = False,
) -> SafePlan:
    """The least-cost plan whose batches meet their chance constraints, with its certificate.

    `uncertainty` has an entry for every usable lot that a constrained product may use. With
    `test`, also finds what one more test of each lot is worth. Raises ConfidenceOutOfReach when
    the constraints cannot be met, and what `make_plan` raises when no plan exists without them.
    With `settles`, the nearest plan found in whole numbers is given instead, and the confidences
    it is made to are what its batches reach.
    """
    say = progress or (lambda text: None)
    chance_constraints = tuple(chance_constraints)
    if without is None:
        # after Ctrl-C at this point there is nothing to show
        without = make_plan(case, shadow_prices=False, progress=progress, keep_interrupted=False)
    say("confidence, as if containers could be split")
    chance = ChanceModel(build_model(case.divisible()), uncertainty, chance_constraints)
    divisible = solve_chance(chance)
    if not divisible.is_kept or divisible.certificate is None:
        is_certain = bool((min_lacking(chance) > _MIN_LB).any())
        raise _out_of_reach(chance, divisible.answer.x, is_certain, is_whole=False)
    say("confidence, whole containers")
    model = build_model(case, whole=True)
    whole = ChanceModel(
        model, uncertainty, chance_constraints, chance.reference, headroom=_FOR_ROUNDING
    )
    search = WholeChance(whole, _gap_share(case, whole), divisible.bound_usd)
    time_limit_s = case.settings.time_limit_s if time_limit_s is None else time_limit_s
    found = search.search(
        time_limit_s,
        on_better=lambda usd, bound: say(f"best plan so far ${usd:,.0f}"),
    )
    if found.outcome is Outcome.INFEASIBLE:
        raise ConfidenceOutOfReach((), is_certain=False)
    held, less = chance_constraints, np.zeros(len(whole.chance))
    if len(found.x) and not whole.is_kept(found.x):
        out = _out_of_reach(whole, found.x, is_certain=False)
        if not settles:
            raise out
        held = _lowered(
            held, {(each.product_id, each.side): each.reached for each in out.chance_constraints}
        )
        less = search.lacking_share(found.x)
    if not len(found.x):
        raise SolverTrouble(
            f"No plan at these odds was found in {time_limit_s:.0f} s. Allow "
            "more time (--time-limit), or ask for whole containers in fewer places."
        )
    say("whole pounds and the checks")
    rounded_plan, checks = _weigh_kept(case, search, found.x, -less, uncertainty, held)
    if settles and not all(check.is_kept for check in checks):
        held = _lowered(held, _reached(checks), as_reached=True)
        checks = check_chance_constraints(case, rounded_plan.runs, uncertainty, held)
    by_prices = chance_bound(case, uncertainty, held, divisible.certificate)
    any_plan_usd = max(rounded_down(by_prices), without.certificate.bound.bound_usd)
    if held != chance_constraints:  # the search's floor is for the confidences asked for
        lacking = whole.model.names["lacking"]
        short_usd = float(whole.model.cost[lacking] @ found.x[lacking])
        found = replace(found, objective=found.objective - short_usd, bound=any_plan_usd)
    tests: tuple[TestValue, ...] = ()
    tests_stopped = False
    if test is not None:
        say("what one more test is worth")
        tests, tests_stopped = _value_tests(chance, divisible, test, found.was_interrupted)
    return SafePlan(
        plan=_plan(case, rounded_plan, found, search.exact(found.x)),
        chance_constraints=checks,
        without=without,
        divisible_usd=divisible.answer.objective,
        divisible_without_usd=solve_linear(case).objective_usd,
        any_plan_usd=any_plan_usd,
        certificate=divisible.certificate,
        held=held,
        tests=tests,
        tests_stopped=tests_stopped,
    )


@dataclass(frozen=True, slots=True)
class ConfidentPlan:
    """The plan at the confidence asked for, or at the highest that can be reached."""

    safe: SafePlan | None
    """None where no confidence above one half can be reached: `without` is the plan then."""
    without: Plan
    asked: tuple[ChanceConstraint, ...]
    held: tuple[ChanceConstraint, ...]
    """What the plan is made to; below what was asked for where that cannot be reached."""

    @property
    def lowered(self) -> dict[str, tuple[float, float]]:
        """By product, the lowest confidence asked for and held, where they differ."""
        held = {(each.product_id, each.sides): each.min_confidence for each in self.held}
        pairs = [
            (each.product_id, each.min_confidence, held.get((each.product_id, each.sides), 0.5))
            for each in self.asked
        ]
        return {product_id: (asked, got) for product_id, asked, got in pairs if got < asked}


def make_confident_plan(
    case: Case,
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    *,
    test: OneTest | None = None,
    progress: Say | None = None,
) -> ConfidentPlan:
    """The plan at the confidence asked for; where that cannot be reached, at the highest found.

    What was not reached is lowered to what was, and searched again. Where nothing was found in
    time, every confidence is lowered by a quarter of its standard deviations.
    """
    asked = held = tuple(chance_constraints)
    without = make_plan(case, shadow_prices=False, progress=progress, keep_interrupted=False)
    limit_s = case.settings.time_limit_s
    until = monotonic() + limit_s
    searched = 0
    for attempt in range(_MAX_LOWERINGS):
        try:
            safe = make_safe_plan(
                case,
                uncertainty,
                held,
                test=test,
                progress=progress,
                without=without,
                time_limit_s=max(_MIN_TIME_SHARE * limit_s, until - monotonic()),
                settles=searched > 0 or attempt > 1,
            )
            if safe.is_kept:
                return ConfidentPlan(safe, without, asked, safe.held)
            held = _lowered(held, _reached(safe.chance_constraints))
        except ConfidenceOutOfReach as out:
            lacking = {
                (each.product_id, each.side): each.reached for each in out.chance_constraints
            }
            held = _lowered(held, lacking) if lacking else _all_lower(held)
            searched += out.is_whole
        except SolverTrouble:
            held = _all_lower(held)
        held = tuple(each for each in held if each.max_out_of_side_share < _MOST_OUT)
        if not held:
            break
    return ConfidentPlan(None, without, asked, ())


def _lowered(
    held: tuple[ChanceConstraint, ...],
    reached: Mapping[tuple[str, Sides], float],
    *,
    as_reached: bool = False,
) -> tuple[ChanceConstraint, ...]:
    """Those not reached lowered to just below what was reached; on both sides to what
    a batch midway between them would reach, or `as_reached` by the plan to the lower."""
    normal = NormalDist()
    lowered = []
    for each in held:
        asked = 1 - each.max_out_of_side_share
        got = [reached.get((each.product_id, side), asked) for side in each.each_side]
        if min(got) < asked:
            if as_reached:
                out = 1 - min(got) + _EXACT_HAIR
            else:
                middle = fmean(normal.inv_cdf(min(share, MAX_CONFIDENCE)) for share in got)
                out = 1 - normal.cdf(middle) + _HAIR
            each = replace(each, min_confidence=max(0.0, 1 - out * len(got)))
        lowered.append(each)
    return tuple(lowered)


def _reached(checks: Iterable[ChanceCheck]) -> dict[tuple[str, Sides], float]:
    """What the batches that miss their confidence reach."""
    reached: dict[tuple[str, Sides], float] = {}
    for check in checks:
        if not check.is_kept:
            key = check.product_id, check.side
            reached[key] = min(check.confidence, reached.get(key, 1.0))
    return reached


def _all_lower(held: tuple[ChanceConstraint, ...]) -> tuple[ChanceConstraint, ...]:
    normal = NormalDist()

    def lower(each: ChanceConstraint) -> ChanceConstraint:
        out = 1 - normal.cdf(_LOWER * each.quantile)
        return replace(each, min_confidence=1 - out * len(each.each_side))

    return tuple(map(lower, held))


def _value_tests(
    chance: ChanceModel, divisible: SafeAnswer, test: OneTest, was_interrupted: bool
) -> tuple[tuple[TestValue, ...], bool]:
    """What tests are worth, from the most gain to the least, and whether Ctrl-C left some out."""
    shadow_prices: list[TestValue] = []
    if not was_interrupted:
        try:
            for value in _each_test(chance, divisible, test):
                shadow_prices.append(value)
        except KeyboardInterrupt:
            was_interrupted = True
    ordered = sorted(shadow_prices, key=lambda value: (-value.saving_usd, value.lot_id))
    return tuple(ordered), was_interrupted


def _each_test(chance: ChanceModel, divisible: SafeAnswer, test: OneTest) -> Iterator[TestValue]:
    """What one more test of each lot in the plan saves, and how many would pay.

    A test narrows the lot's error, and by what they share those of other lots; the lots' means are
    taken as they are, since a test is as likely to find them leaner as fatter. Program: the
    linear one.
    """
    sets, x = chance.sets, divisible.answer.x
    used_lb = np.bincount(sets.pair_lot, x[chance.model.use], len(sets.lots))
    cost = chance.model.cost
    whole_error = np.sqrt(chance.error**2 + (chance.shared**2).sum(1))
    for index in np.flatnonzero((used_lb > _USED_LB) & (whole_error > 0)):
        variance = test.variance(float(chance.container_sd[index]))
        if variance == 0:
            continue
        usd, errors = [divisible.answer.objective], [float(whole_error[index])]
        error, shared = chance.error, chance.shared
        while len(usd) <= _MAX_TESTS:
            error, shared = after_test(error, shared, int(index), variance)
            usd.append(float(cost @ chance.find_with(error, shared)))
            errors.append(float(np.linalg.norm(shared[index])))
            if usd[-2] - usd[-1] <= test.cost_usd:
                break
        saved = [before - after for before, after in pairwise(usd)]
        yield TestValue(
            lot_id=sets.lots[index].lot_id,
            standard_error_share=errors[0],
            error_after_share=errors[1],
            saving_usd=max(0.0, saved[0]),
            tests_that_pay=sum(usd > test.cost_usd for usd in saved),
            test_cost_usd=test.cost_usd,
        )


def after_test(
    error: np.ndarray, shared: np.ndarray, index: int, variance: float
) -> tuple[np.ndarray, np.ndarray]:
    """Own errors and loadings of lots once one of them is tested with this variance.

    The covariance C becomes C − c c' / (C_ii + variance), c its column of the lot: the loadings
    times a symmetric root of 1 − a a' / (a'a + variance), a those of the lot, to which its own
    error is added as one more.
    """
    own = np.zeros((len(error), 1))
    own[index] = error[index]
    shared, error = np.hstack((shared, own)), error.copy()
    error[index] = 0.0
    lot = shared[index]
    square = float(lot @ lot)
    if square == 0:
        return error, shared
    share = (1 - sqrt(variance / (square + variance))) / square
    return error, shared - share * np.outer(shared @ lot, lot)


def _gap_share(case: Case, whole: ChanceModel) -> float:
    model = whole.model
    batches = model.names["batches"]
    others = model.whole.sum() - (batches.stop - batches.start)
    return case.settings.gap_share if others else min(_BATCHES_GAP_SHARE, case.settings.gap_share)


def _weigh_kept(
    case: Case,
    search: WholeChance,
    x: np.ndarray,
    more: np.ndarray,
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: tuple[ChanceConstraint, ...],
) -> tuple[RoundedPlan, tuple[ChanceCheck, ...]]:
    """Round, and where whole pounds break a confidence, round again with more margin."""
    for attempt in range(_MAX_WEIGHINGS):
        rounded_plan = search.rounded_plan(x, more)
        checks = check_chance_constraints(case, rounded_plan.runs, uncertainty, chance_constraints)
        if all(check.is_kept for check in checks):
            break
        lacking = np.array(
            [
                max(
                    (
                        check.needed_share - check.margin_share
                        for check in checks
                        if not check.is_kept
                        and check.product_id == side.chance_constraint.product_id
                        and check.side == side.side
                    ),
                    default=0.0,
                )
                for side in search.chance.chance
            ]
        )
        more = np.where(lacking > 0, more + _HEADROOM**attempt * lacking + _MIN_SHARE, more)
    return rounded_plan, checks


def _plan(
    case: Case,
    rounded_plan: RoundedPlan,
    found: ConicAnswer,
    exact: RoundedPlan,
) -> Plan:
    """The plan next to the bound of the search."""
    parts = (case, rounded_plan.takes, rounded_plan.runs, rounded_plan.shortage_lb)
    money, checks = count_money(*parts), check_plan(*parts)
    return Plan(
        takes=rounded_plan.takes,
        runs=rounded_plan.runs,
        shortage_lb=rounded_plan.shortage_lb,
        money=money,
        certificate=PlanCertificate(
            checks,
            plan_bound(
                found.objective,
                found.bound,
                "search in whole numbers under tangents of the confidences",
                exact=count_money(case, exact.takes, exact.runs, exact.shortage_lb),
                printed=money,
                verdicts=(check.verdict for check in checks),
                is_certified=False,
            ),
        ),
        stopped_early=found.outcome is Outcome.STOPPED,
    )


def _out_of_reach(
    chance: ChanceModel, x: np.ndarray, is_certain: bool, *, is_whole: bool = True
) -> ConfidenceOutOfReach:
    """What the chance constraints that a solution does not meet reach in it."""
    normal = NormalDist()
    lacking, lacking_lb = {}, chance.lacking_lb(x)
    for at in np.flatnonzero(lacking_lb > _MIN_LB):
        side, cone = chance.chance[at], chance.conic.cones[at]
        reached = normal.cdf(cone.factor - float(lacking_lb[at]) / cone.norm(x))
        asked = 1 - side.chance_constraint.max_out_of_side_share
        lacking[at] = OutOfReach(side.chance_constraint.product_id, side.side, asked, reached)
    words = errors_words(chance.uncertainty.values())
    return ConfidenceOutOfReach(tuple(lacking.values()), is_certain, words, is_whole=is_whole)
