"""What the note says of why prices moved: parts with their errors, and what each would undo."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

from blend.domain.market import EntryKind, Volume
from blend.reporter.explained import Contribution
from blend.reporter.headline import headline_of, is_told_apart, no_cause_words
from blend.reporter.news import Explanation, News
from blend.reporter.note import (
    Block,
    Figure,
    Paragraph,
    Picture,
    Points,
    Section,
    Sentence,
    Source,
    Unit,
    sentence,
)
from blend.units import LB_PER_CWT

WHY_PICTURE = "picture.why"
MODEL_SAYS = "What the model says"


def shortest_why(news: News) -> list[Sentence]:
    """The cause to name for the first move, or why none is named."""
    if not news.explanations:
        return []
    first = news.explanations[0]
    headline = headline_of(first.why.price)
    largest = headline.driver
    if largest is None:
        return [sentence(no_cause_words(headline, first.item_id))]
    return [
        sentence(
            f"Of the move of {first.item_id} since ",
            _since(first),
            f" the model lays the largest part to {largest.driver}: ",
            _part(first, largest),
            " USD per cwt, with a standard error of ",
            _part_error(first, largest),
            ".",
        )
    ]


def why(news: News) -> Section | None:
    if not news.explanations:
        return None
    blocks: list[Block] = []
    for index, each in enumerate(news.explanations):
        blocks += _explained(each)
        if index == 0:
            caption = f"{each.item_id} in the model, part by part"
            blocks.append(Picture(WHY_PICTURE, caption))
    blocks += _said(news)
    caution = sentence(
        "A part is the mean, over every order in which the drivers could have moved, of what its "
        "move changes in a model of the whole market: what counted pounds and stated elasticities "
        "imply, not what caused the move."
    )
    has_cause = any(headline_of(each.why.price).driver for each in news.explanations)
    heading = "Why it moved" if has_cause else MODEL_SAYS
    return Section(heading, (*blocks, Paragraph((caution,))))


def _explained(each: Explanation) -> list[Block]:
    move = each.why.price
    told = [part for part in move.next.contributions if is_told_apart(part)]
    rest = [
        part
        for part in move.next.contributions
        if not is_told_apart(part) and (part.amount or part.standard_error)
    ]
    headline = headline_of(move)
    sentences = [*_observed(each)]
    if headline.driver is None:
        sentences.append(sentence(no_cause_words(headline, each.item_id)))
        sentences.append(sentence(f"{MODEL_SAYS}, which is no cause of the move:"))
    sentences += _modelled(each)
    for part in sorted(told, key=lambda part: -abs(part.amount)):
        sentences.append(_counterfactual(each, part))
    if rest:
        sentences.append(_not_told_apart(each, rest))
    sentences += _unexplained(each)
    return [Paragraph(tuple(sentences))]


def _figure_of_why(each: Explanation, name: str, usd_per_lb: float, unit: Unit, how: str) -> Figure:
    keys = tuple(dict.fromkeys(_volume_key(volume) for volume in each.volumes))
    value = usd_per_lb * LB_PER_CWT
    source = Source(f"volumes, and quotations of {each.since}", keys, how)
    return Figure(f"why.{each.item_id}.{name}", value, unit, source)


def _volume_key(volume: Volume) -> str:
    return " ".join(filter(None, (volume.series_id, volume.item_id, str(volume.period_end))))


def _since(each: Explanation) -> Figure:
    return Figure(f"why.{each.item_id}.since", each.since, Unit.DAY, Source("asked", (), ""))


def _part(each: Explanation, part: Contribution) -> Figure:
    how = f"Shapley part of {part.driver} in the clearing price, {each.why.markets} markets"
    return _figure_of_why(each, part.driver, part.amount, Unit.USD_PER_CWT_MOVE, how)


def _part_error(each: Explanation, part: Contribution) -> Figure:
    how = "standard error, to first order, from those of the volumes"
    return _figure_of_why(each, f"{part.driver}.error", part.standard_error, Unit.USD_PER_CWT, how)


def _observed(each: Explanation) -> list[Sentence]:
    seen = each.why.price.observed
    if seen is None:
        return []
    figure = Figure(
        f"why.{each.item_id}.observed",
        seen.move_usd_per_lb * LB_PER_CWT,
        Unit.USD_PER_CWT_MOVE,
        Source("canvass", (f"{each.item_id} on both days",), "quotation less the earlier one"),
    )
    parts = [
        f"{each.item_id}: since ",
        _since(each),
        " the quotation moved ",
        figure,
        " USD per cwt",
    ]
    if seen.standard_error_usd_per_lb is not None:
        error = Figure(
            f"why.{each.item_id}.observed.error",
            seen.standard_error_usd_per_lb * LB_PER_CWT,
            Unit.USD_PER_CWT,
            Source("canvass", (f"{each.item_id} on both days",), "from both standard errors"),
        )
        parts += [" (± ", error, ")"]
    return [sentence(*parts, ".")]


def _modelled(each: Explanation) -> list[Sentence]:
    move = each.why.price.next
    counted = [volume.period_end for volume in each.volumes]
    how = "clearing price of the market after, less that before"
    return [
        sentence(
            "In the model, fitted to the earlier day's quotations and with pounds counted to ",
            _counted_to(each, "first", min(counted)),
            " and ",
            _counted_to(each, "last", max(counted)),
            ", the price that clears the market moves ",
            _figure_of_why(each, "modeled", move.change, Unit.USD_PER_CWT_MOVE, how),
            " (± ",
            _figure_of_why(each, "modeled.error", move.standard_error, Unit.USD_PER_CWT, how),
            ").",
        )
    ]


def _counted_to(each: Explanation, name: str, day: date) -> Figure:
    keys = tuple(dict.fromkeys(_volume_key(v) for v in each.volumes if v.period_end == day))
    return Figure(f"why.{each.item_id}.{name} count", day, Unit.DAY, Source("volumes", keys))


def _counterfactual(each: Explanation, part: Contribution) -> Sentence:
    how = f"clearing price with {part.driver} alone as before"
    after = each.why.price.next.after
    return sentence(
        f"{part.driver.capitalize()}: ",
        _part(each, part),
        " (± ",
        _part_error(each, part),
        f"); had {part.driver} alone been as before, {each.item_id} would clear at ",
        _figure_of_why(each, f"{part.driver}.put back", part.put_back, Unit.USD_PER_CWT, how),
        " instead of ",
        _figure_of_why(each, "after", after, Unit.USD_PER_CWT, "clearing price after"),
        ".",
    )


def _not_told_apart(each: Explanation, parts: Sequence[Contribution]) -> Sentence:
    words: list[str | Figure] = ["Not to be told from nothing: "]
    for index, part in enumerate(parts):
        words += ["; " if index else "", f"{part.driver} ", _part(each, part), " (± "]
        words += [_part_error(each, part), ")"]
    return sentence(*words, ".")


def _unexplained(each: Explanation) -> list[Sentence]:
    move = each.why.price
    rest, error = move.unexplained_usd_per_lb, move.unexplained_error_usd_per_lb
    if rest is None:
        return []
    how = "quotation's move less the model's"
    parts: list[str | Figure] = [
        "Not explained by the model: ",
        _figure_of_why(each, "unexplained", rest, Unit.USD_PER_CWT_MOVE, how),
    ]
    if error is not None:
        how = "from the errors of both quotations and of the volumes"
        parts += [
            " (± ",
            _figure_of_why(each, "unexplained.error", error, Unit.USD_PER_CWT, how),
            ")",
        ]
    else:
        parts.append(", how surely cannot be told, as a quotation rests on too few prices")
    return [sentence(*parts, ".")]


def _said(news: News) -> list[Block]:
    """What firms said, counted; no figure rests on it."""
    by_words: dict[str, list[str]] = defaultdict(list)
    for entry in news.talk:
        if entry.kind is EntryKind.OTHER:
            by_words[" ".join(entry.note.split())].append(entry.entry_id)
    if not by_words:
        return []
    points = [
        sentence(
            f"“{words}”: ",
            Figure(f"said.{words}", len(ids), Unit.COUNT, Source("canvass", tuple(ids), "notes")),
            " times.",
        )
        for words, ids in sorted(by_words.items(), key=lambda pair: -len(pair[1]))
    ]
    lead = sentence("What was said in that time, on which no figure here rests:")
    return [Paragraph((lead,)), Points(tuple(points))]


def of_the_model(news: News) -> list[Sentence]:
    """What the explanations take as given."""
    if not news.explanations:
        return []
    words: list[str | Figure] = ["Elasticities given to the model, not estimated: "]
    for index, each in enumerate(news.explanations[0].market.demands):
        source = Source("market", (f"product_demand {each.product_id}",))
        words += [
            ", " if index else "",
            f"{each.product_id} ",
            Figure(f"{each.product_id}.elasticity", each.elasticity, Unit.NUMBER, source),
        ]
    error = Figure("volume error", news.volume_error_share, Unit.SHARE, Source("asked"))
    return [
        sentence(*words, "."),
        sentence("Every volume is taken to be off by ", error, ", one standard error."),
    ]
