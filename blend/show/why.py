"""Why a price or a cost moved, as tables and sentences.

The only words used of a driver are those of its counterfactual: what the model gives with that
driver put back. Nothing here says that one thing caused another.
"""

from __future__ import annotations

from collections.abc import Sequence

from blend.reporter.clearing import MarketWhy
from blend.reporter.explained import Contribution, Explained, ItemMove
from blend.reporter.headline import headline_of, no_cause_words
from blend.reporter.mixed import Driver
from blend.reporter.recipes import LotShift, RecipeSplit
from blend.reporter.why import PlanWhy
from blend.show.amounts import count_of, number_words, usd
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table
from blend.units import LB_PER_CWT

_SHOWS_USD_PER_CWT = 0.005
_SHOWS_USD = 0.5
CAUTION = (
    "A driver's part is the mean, over every order in which the drivers could have moved, of what"
    " its move changes in this model. It tells what the tables imply, not what caused the move."
)
_STAYED = {
    Driver.OWN_PRICE: "its own price",
    Driver.OTHER_PRICES: "the other prices",
    Driver.OWN_SUPPLY: "its own availability",
    Driver.FRESH_SUPPLY: "fresh availability",
    Driver.IMPORTED_SUPPLY: "imported availability",
    Driver.ORDERS: "orders",
    Driver.RULES: "the rules",
}


def plan_why_tables(why: PlanWhy) -> list[ShownTable]:
    """Worth, cost, and the cost inside the recipes."""
    lot = why.reference
    name = f"a pound like lot {lot.lot_id} ({lot.item})"
    return [
        move_table(why.value, f"What {name} is worth to the grinder"),
        cost_table(why),
        recipe_table(why),
    ]


def plan_why_lines(why: PlanWhy) -> list[str]:
    subject = f"the next pound of {why.reference.item}"
    return [
        *model_says_lines(why.value),
        *counterfactual_lines(why.value.next, subject),
        *cost_lines(why.cost),
        *unexplained_lines(why.value),
        CAUTION,
    ]


def market_why_tables(why: MarketWhy) -> list[ShownTable]:
    return [move_table(why.price, f"At which price {lots_words(why)} clears", why.draws)]


def market_why_lines(why: MarketWhy) -> list[str]:
    return [
        *model_says_lines(why.price),
        *counterfactual_lines(why.price.next, lots_words(why), "clear at"),
        *unexplained_lines(why.price),
        CAUTION,
    ]


def lots_words(why: MarketWhy) -> str:
    return ", ".join(why.weights)


# The headline ------------------------------------------------------------------------------------


def headline_line(move: ItemMove, item: str) -> str:
    """The one cause that may be named, or why none is."""
    headline = headline_of(move)
    if headline.driver is None:
        return no_cause_words(headline, item)
    line = (
        f"{item} moved {signed(move.observed.move_usd_per_lb)}: in our model, mostly"
        f" {headline.driver.driver} ({signed(headline.driver.amount)})."
    )
    if move.observed.standard_error_usd_per_lb is None:
        line += " Error of the quotation not given."
    return line


def model_title(move: ItemMove, title: str) -> str:
    """A heading that says the parts are the model's where it names no cause."""
    if headline_of(move).driver is not None:
        return title
    return f"What the model says: {title[0].lower()}{title[1:]}"


def model_says_lines(move: ItemMove) -> list[str]:
    """What goes before the parts where no cause is named."""
    if headline_of(move).driver is not None:
        return []
    return ["What the model says, which is no cause of the move:"]


# Tables ------------------------------------------------------------------------------------------


def move_table(move: ItemMove, title: str, draws: int = 0) -> ShownTable:
    """The move split among its drivers, in USD per cwt."""
    has_range = _has_range(move)
    columns = [ShownColumn("Driver"), _usd_per_cwt("Part")]
    if has_range:
        columns.append(_usd_per_cwt("Part, of the last pound"))
    if draws:
        columns.append(_usd_per_cwt("±"))
    columns += [_usd_per_cwt("Had it stayed"), _usd_per_cwt("That is")]

    def row(name: str, following: float, last: float, error: float | None, back: list[Cell]):
        cells: list[Cell] = [name, following * LB_PER_CWT]
        cells += [last * LB_PER_CWT] if has_range else []
        cells += [None if error is None else error * LB_PER_CWT] if draws else []
        return (*cells, *back)

    rows = [row("before", move.next.before, move.last.before, None, [None, None])]
    for each, twin in zip(move.next.contributions, move.last.contributions, strict=True):
        back = [each.put_back * LB_PER_CWT, (each.put_back - move.next.after) * LB_PER_CWT]
        rows.append(row(each.driver, each.amount, twin.amount, each.standard_error, back))
    rows.append(row("after", move.next.after, move.last.after, None, [None, None]))
    error = move.next.standard_error
    rows.append(row("move", move.next.change, move.last.change, error, [None, None]))
    note = "Had it stayed: the value after, with this driver alone as it was before."
    note += _rounding_words(move.next, LB_PER_CWT, Format.HUNDREDTHS)
    if has_range:
        note += " The plan sits on a kink: the next pound is worth less than the last one there is."
    if draws:
        note += f" ± is one standard error, from {count_of(draws, 'draw')} of what is in doubt."
    return shown_table(f"{model_title(move, title)}, USD/cwt", columns, rows, note)


def _rounding_words(move: Explained, scale: float, shown_as: Format) -> str:
    """What the parts add up to as they are shown, where that is not the move as it is shown."""
    decimals = shown_as.decimals
    parts = sum(round(each.amount * scale, decimals) for each in move.contributions)
    if round(parts, decimals) == round(move.change * scale, decimals):
        return ""
    return f" Rounded one by one, the parts add up to {parts:,.{decimals}f}."


def _has_range(move: ItemMove) -> bool:
    pairs = [(move.next.before, move.last.before), (move.next.after, move.last.after)]
    pairs += [
        (each.amount, twin.amount)
        for each, twin in zip(move.next.contributions, move.last.contributions, strict=True)
    ]
    return any(abs(a - b) * LB_PER_CWT > _SHOWS_USD_PER_CWT for a, b in pairs)


def cost_table(why: PlanWhy) -> ShownTable:
    columns = (
        ShownColumn("Driver"),
        ShownColumn("Part", "USD", Format.WHOLE),
        ShownColumn("Had it stayed", "USD", Format.WHOLE),
        ShownColumn("That is", "USD", Format.WHOLE),
    )
    cost = why.cost
    rounding = _rounding_words(cost, 1, Format.WHOLE)
    rows: list[tuple[Cell, ...]] = [("before", cost.before, None, None)]
    rows += [
        (each.driver, each.amount, each.put_back, each.put_back - cost.after)
        for each in cost.contributions
    ]
    rows += [("after", cost.after, None, None), ("move", cost.change, None, None)]
    bounds = why.bounds
    verdict = "holds" if bounds.hold else "DOES NOT HOLD"
    note = (
        f"Containers, counts and batches taken as divisible.{rounding}"
        " Check of the prices alone, everything"
        f" else as before: they move the cost by {usd(bounds.change_usd)}, which must lie between"
        f" {usd(bounds.min_usd)} (the new plan) and {usd(bounds.max_usd)} (the old plan):"
        f" {verdict}."
    )
    return shown_table("What the plan costs", columns, rows, note)


_MAX_LOTS = 12


def recipe_table(why: PlanWhy) -> ShownTable:
    """The change of cost inside the recipes, and the lots that moved most."""
    split = why.recipe
    columns = (
        ShownColumn("Inside the recipes"),
        ShownColumn("Before", "lb per cwt", Format.HUNDREDTHS),
        ShownColumn("After", "lb per cwt", Format.HUNDREDTHS),
        ShownColumn("By price", "USD", Format.WHOLE),
        ShownColumn("By recipe", "USD", Format.WHOLE),
    )
    lots = sorted(split.lots, key=lambda s: (-max(map(abs, _moved_usd(s))), s.lot_id))
    shifted = [s for s in lots if max(map(abs, _moved_usd(s))) >= _SHOWS_USD]
    rows: list[tuple[Cell, ...]] = [
        ("all meat", None, None, split.prices_usd, split.recipe_usd),
    ]
    rows += [
        (
            f"  {shift.lot_id}",
            shift.before_lb_per_lb * LB_PER_CWT,
            shift.after_lb_per_lb * LB_PER_CWT,
            shift.price_usd,
            shift.recipe_usd,
        )
        for shift in shifted[:_MAX_LOTS]
    ]
    rest = [shift for shift in lots if shift not in shifted[:_MAX_LOTS]]
    if rest:
        by_price, by_recipe = (sum(each) for each in zip(*map(_moved_usd, rest), strict=True))
        rows.append((f"  {count_of(len(rest), 'other lot')}", None, None, by_price, by_recipe))
    note = f"{_other_terms(split)} Prices count at the mean recipe; the change of recipe, which"
    note += " is substitution, at mean prices."
    return shown_table("Prices and substitution", columns, rows, note)


def _moved_usd(shift: LotShift) -> tuple[float, float]:
    return shift.price_usd, shift.recipe_usd


def _other_terms(split: RecipeSplit) -> str:
    terms = (
        ("volume", split.volume_usd),
        ("what is left over", split.left_over_usd),
        ("falling short", split.shortage_penalty_usd),
        ("sales", split.sales_usd),
    )
    told = [f"{name} {usd(amount)}" for name, amount in terms if abs(amount) >= _SHOWS_USD]
    return f"Beside them: {', '.join(told)}." if told else "Nothing else moved the cost."


# Sentences ---------------------------------------------------------------------------------------


def counterfactual_lines(move: Explained, subject: str, verb: str = "be worth") -> list[str]:
    """For each driver that matters: what the value after would be, had it stayed."""
    minimum = _SHOWS_USD_PER_CWT / LB_PER_CWT
    lines = [
        counterfactual_line(each, move.after, subject, verb)
        for each in _largest_first(move.contributions, minimum, move.after)
    ]
    return lines or ["With any one driver as before, the value after would be the same."]


def counterfactual_line(
    each: Contribution, after: float, subject: str, verb: str = "be worth"
) -> str:
    """What the value after would be, had one driver stayed."""
    would = (
        f"Had {_STAYED[each.driver]} been as before, all else as after, {subject} would {verb}"
        f" {cwt_words(each.put_back)}"
    )
    more = (each.put_back - after) * LB_PER_CWT
    if abs(more) < _SHOWS_USD_PER_CWT:
        return f"{would} too."
    instead = f"{_unsigned(more)} {'more' if more > 0 else 'less'}"
    return f"{would} instead of {cwt_words(after)}: {instead}."


def cost_lines(cost: Explained) -> list[str]:
    lines = []
    for each in _largest_first(cost.contributions, _SHOWS_USD, cost.after):
        more = each.put_back - cost.after
        lines.append(
            f"Had {_STAYED[each.driver]} been as before, all else as after, the plan would cost"
            f" {usd(abs(more))} {'more' if more > 0 else 'less'}."
        )
    return lines


def _largest_first(
    contributions: Sequence[Contribution], minimum: float, after: float
) -> list[Contribution]:
    told = [each for each in contributions if abs(each.put_back - after) >= minimum]
    return sorted(told, key=lambda each: -abs(each.put_back - after))


def unexplained_lines(move: ItemMove) -> list[str]:
    """What the quotation did beyond the model, and how sure that is."""
    if move.observed is None:
        return ["No quotation's move was given to hold the model against."]
    rest, error = move.unexplained_usd_per_lb, move.unexplained_error_usd_per_lb
    lines = [
        f"The quotation moved {signed(move.observed.move_usd_per_lb)}"
        f"{plus_minus(move.observed.standard_error_usd_per_lb)}; the model moves"
        f" {signed(move.next.change)}{plus_minus(move.next.standard_error or None)}."
        f" Not explained: {signed(rest)}{plus_minus(error)}."
    ]
    if error is None:
        lines.append("How sure that is cannot be told without the quotation's standard error.")
    elif abs(rest) <= 2 * error:
        lines.append("That is within two standard errors.")
    else:
        lines.append("That is beyond two standard errors.")
    if not move.next.standard_error:
        lines.append(
            "The split is exact; prices, pounds and rules of both tables are taken as exact."
        )
    return lines


def plus_minus(error: float | None) -> str:
    return "" if error is None else f" ± {number_words(error * LB_PER_CWT, min_decimals=2)}"


def cwt_words(usd_per_lb: float) -> str:
    return f"{number_words(usd_per_lb * LB_PER_CWT, min_decimals=2)} USD/cwt"


def _unsigned(usd_per_cwt: float) -> str:
    return f"{number_words(abs(usd_per_cwt), min_decimals=2)} USD/cwt"


def signed(usd_per_lb: float) -> str:
    amount = round(usd_per_lb * LB_PER_CWT, 2) + 0.0
    return f"{amount:+,.2f} USD/cwt"


def _usd_per_cwt(name: str) -> ShownColumn:
    return ShownColumn(name, "", Format.HUNDREDTHS)
