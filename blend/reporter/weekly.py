"""The weekly report: lean, fat and their spread, each complex, volumes, breadth, talk, next week.

Prices are those published where they were, else the method's; items that may not be shown are left
out and counted. Averages of the week are weighted by pounds traded where there were trades,
else the mean of the days' quotations. A year is compared with the same ISO week; week 53 has its
own comparison only where the year before had one. Year to date is given only where nearly every
week of this year has its counterpart last year.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.errors import refusal
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, cents, counted, day, printed_on, register
from blend.output.frames import DataFrame
from blend.reporter.calendar import Average, DayFigure, average, week_of
from blend.reporter.indicators import (
    Change,
    Indicator,
    Series,
    by_week,
    grouped,
    indicator,
    series_of,
)
from blend.reporter.leading import lead_lines, leads
from blend.reporter.ledger import Record, record_words, score_calls
from blend.reporter.volumes import year_to_date_words

if TYPE_CHECKING:
    from blend.store import Store

LOAD_LB = 40_000
_WEEK = timedelta(days=7)
WEEKS_SHOWN = 53
_FEW_WEEKS = 16
"""Fewer are drawn with points: a line of one week would not show."""
MIN_SPOKEN_S, MAX_SPOKEN_S = 66.0, 84.0
"""Within 60 to 90 seconds whether it is read at 140 or 165 words a minute."""
WORDS_PER_S = 2.5
"""As news is read."""
_MOST_NAMED = 3
"""Items of a complex named after the one that traded most; the table has them all."""
EVEN_SHARE = 0.005
"""A volume nearer than this to last year's is about even with it."""

register(
    {
        "week_usd_per_cwt": Format("Average", "$/cwt", 2),
        "on_week_usd_per_cwt": Format("On week", "$/cwt", 2, is_signed=True),
        "on_year_usd_per_cwt": Format("On year", "$/cwt", 2, is_signed=True),
        "week_loads": Format("Loads", "", 1, is_summed=True),
        "volume_lb": Format("Volume", "lb", 0, is_summed=True),
        "week_trades": Format("Trades", "", 0, is_summed=True),
        "on_week_percent": Format("On week", "%", 1, is_signed=True),
        "on_year_percent": Format("On year", "%", 1, is_signed=True),
        "year_to_date_percent": Format("Year to date", "%", 1, is_signed=True),
        "latest": Format("Latest", "", 0),
    }
)


@dataclass(frozen=True, slots=True)
class ItemWeek:
    """One item's week. Prices are $/cwt; None where there is too little to say."""

    item: Item
    now: Average
    before: Average
    year_ago: Average | None
    low: float | None
    high: float | None
    trades: int
    days: tuple[DayFigure, ...]

    @property
    def price(self) -> float | None:
        return _price(self.now)

    @property
    def on_week(self) -> float | None:
        return _change(self.now, self.before)

    @property
    def on_year(self) -> float | None:
        return _change(self.now, self.year_ago)


def _price(of: Average) -> float | None:
    return of.simple_usd_per_cwt if of.weighted_usd_per_cwt is None else of.weighted_usd_per_cwt


def _change(now: Average, then: Average | None) -> float | None:
    """None where either span has too few days to compare."""
    if then is None or now.is_patchy or then.is_patchy:
        return None
    first, last = _price(now), _price(then)
    return None if first is None or last is None else first - last


@dataclass(frozen=True)
class Weekly(Answer):
    """The week ending on `friday`."""

    friday: date
    items: tuple[ItemWeek, ...]
    left_out: int
    """Items that may not be shown, by the confidentiality rule of the method."""
    volumes: tuple[Indicator, ...]
    talk: tuple[CanvassEntry, ...]
    measurable_usd_per_cwt: Mapping[str, float]
    """By item: a move below it counts as unchanged."""
    method_version: str
    method_digest: str
    position: int
    """Of the store: everything up to this import."""
    missing_days: tuple[date, ...]
    lead_lines: tuple[str, ...] = ()
    """Which volumes led lean, by their record out of sample."""
    corrections: tuple[str, ...] = ()
    """Notices of what was corrected in or for the week."""
    calls: Record | None = None
    """How published calls did; None where there are none."""

    # Tables --------------------------------------------------------------------------------------

    @cached_property
    def week(self) -> DataFrame:
        """One row an item: average, range, changes on week and year, volume, loads."""

        return DataFrame(
            [
                {
                    "item_id": each.item.item_id,
                    "week_usd_per_cwt": each.price,
                    "low_usd_per_cwt": each.low,
                    "high_usd_per_cwt": each.high,
                    "on_week_usd_per_cwt": each.on_week,
                    "on_year_usd_per_cwt": each.on_year,
                    "week_trades": each.trades,
                    "volume_lb": each.now.pounds_lb,
                    "week_loads": each.now.pounds_lb / LOAD_LB,
                }
                for each in self.items
            ]
        )

    @cached_property
    def supply(self) -> DataFrame:
        """One row a volume series: latest week, change on week, year and year to date."""

        return DataFrame(
            [
                {
                    "series": _series_name(each),
                    "latest": each.value,
                    "unit": each.series.unit,
                    "on_week_percent": _percent(each.on_week),
                    "on_year_percent": _percent(each.on_year),
                    "year_to_date_percent": _year_to_date(each),
                }
                for each in self.volumes
            ]
        )

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        return {"week": self.week, "supply": self.supply}

    @property
    def figures(self) -> Mapping[str, Any]:
        up, down, flat = (len(each) for each in self.breadth)
        return {
            "week_ending": self.friday,
            "lean_usd_per_cwt": self.lean and self.lean.price,
            "fat_usd_per_cwt": self.fat and self.fat.price,
            "spread_usd_per_cwt": self.spread,
            "advances": up,
            "declines": down,
            "unchanged": flat,
        }

    # What it says --------------------------------------------------------------------------------

    @property
    def lean(self) -> ItemWeek | None:
        return self._nearest(0.90)

    @property
    def fat(self) -> ItemWeek | None:
        return self._nearest(0.50)

    def _nearest(self, lean: float) -> ItemWeek | None:
        fresh = [each for each in self.items if _is_fresh(each.item) and each.price is not None]
        near = [each for each in fresh if abs(each.item.lean - lean) < 0.005]
        return near[0] if near else None

    @property
    def spread(self) -> float | None:
        """Lean over fat, $/cwt."""
        if self.lean is None or self.fat is None:
            return None
        return (self.lean.price or 0.0) - (self.fat.price or 0.0)

    @property
    def spread_change(self) -> float | None:
        if self.lean is None or self.fat is None:
            return None
        now, then = self.lean.on_week, self.fat.on_week
        return None if now is None or then is None else now - then

    @property
    def breadth(self) -> tuple[list[str], list[str], list[str]]:
        """Items that advanced, declined, and neither by a measurable amount."""
        up: list[str] = []
        down: list[str] = []
        flat: list[str] = []
        for each in self.items:
            if each.on_week is None:
                continue
            measurable = self.measurable_usd_per_cwt[each.item.item_id]
            side = flat if abs(each.on_week) < measurable else up if each.on_week > 0 else down
            side.append(each.item.item_id)
        return up, down, flat

    @property
    def breadth_words(self) -> str:
        up, down, flat = (len(each) for each in self.breadth)
        if not up + down + flat:
            return "No week before to compare with."
        said = (
            f"{count or 'none'} {way}"
            for count, way in ((up, "advanced"), (down, "declined"), (flat, "held steady"))
        )
        words = _listed(list(said))
        return f"{words[:1].upper()}{words[1:]} on the week."

    @property
    def headline(self) -> str:
        """Lean, fat and their spread in one line."""
        parts = [self._moved(each) for each in (self.lean, self.fat) if each is not None]
        if self.spread is not None and self.spread_change is not None:
            parts.append(f"spread {cents(self.spread)}, {_wider(self.spread_change)}")
        return "; ".join(parts) if parts else "No quotations to report this week"

    def _moved(self, each: ItemWeek) -> str:
        name = each.item.item_id
        if each.on_week is None:
            return f"{name} at {cents(each.price or 0.0)}"
        if abs(each.on_week) < self.measurable_usd_per_cwt[name]:
            return f"{name} steady at {cents(each.price or 0.0)}"
        way = "up" if each.on_week > 0 else "down"
        return f"{name} {way} {cents(abs(each.on_week))} to {cents(each.price or 0.0)}"

    def paragraphs(self) -> list[tuple[str, str]]:
        """Each complex in two or three sentences, with its heading."""
        made = []
        for name, holds in COMPLEXES:
            own = [each for each in self.items if holds(each.item) and each.price is not None]
            if own:
                made.append((name, self._complex(own)))
        if self.spread is not None:
            made.append(("Spread", self._spread_sentence()))
        supply = self._supply_sentence()
        if supply:
            made.append(("Supply", supply))
        return made

    def _complex(self, own: Sequence[ItemWeek]) -> str:
        """The item that traded most and how the others went, the trade, and the year."""
        lead = max(own, key=lambda each: (each.on_week is not None, each.now.pounds_lb))
        others = sorted((each for each in own if each is not lead),
                        key=lambda each: -abs(each.on_week or 0.0))[:_MOST_NAMED]  # fmt: skip
        first = self._went(lead)
        if others:
            first += f", with {_listed([self._alongside(each) for each in others])}"
        sentences = [f"{first}."]
        sentences += _loads_sentence(own, "{:.1f}")
        if lead.on_year is not None:
            way = "above" if lead.on_year > 0 else "below"
            size = cents(abs(lead.on_year))
            name = lead.item.item_id
            sentences.append(f"{name} averaged {size} {way} the same week last year.")
        return " ".join(sentences)

    def _went(self, each: ItemWeek) -> str:
        """90s gained $3.01 on the week to average $342.96."""
        name, price = each.item.item_id, cents(each.price or 0.0)
        if each.on_week is None:
            return f"{name} averaged {price}"
        if abs(each.on_week) < self.measurable_usd_per_cwt[name]:
            return f"{name} held steady on the week to average {price}"
        verb = "gained" if each.on_week > 0 else "lost"
        return f"{name} {verb} {cents(abs(each.on_week))} on the week to average {price}"

    def _alongside(self, each: ItemWeek) -> str:
        name, price = each.item.item_id, cents(each.price or 0.0)
        if each.on_week is None:
            return f"{name} at {price}"
        if abs(each.on_week) < self.measurable_usd_per_cwt[name]:
            return f"{name} steady at {price}"
        way = "up" if each.on_week > 0 else "down"
        return f"{name} {way} {cents(abs(each.on_week))} at {price}"

    def _spread_sentence(self) -> str:
        if self.lean is None or self.fat is None or self.spread is None:
            return ""
        premium = f"The {self.lean.item.item_id} premium over {self.fat.item.item_id}"
        if self.spread_change is None:
            return f"{premium} averaged {cents(self.spread)}."
        verb = "widened" if self.spread_change > 0 else "narrowed"
        return f"{premium} {verb} {cents(abs(self.spread_change))} to {cents(self.spread)}."

    def _supply_sentence(self) -> str:
        parts = []
        for each in self.volumes:
            share = each.on_year.share if each.on_year else None
            if share is not None and each.series.origin and not each.series.name.endswith(", all"):
                parts.append(f"{_series_name(each)} {_against_last_year(share)}")
        text = "; ".join(parts[:3])
        return f"{text[:1].upper()}{text[1:]}." if parts else ""

    def watch(self) -> list[str]:
        """What to watch next week: facts on file, no forecast."""
        listed = []
        wide = [each for each in self.items if each.low is not None and each.high is not None]
        if wide:
            most = max(wide, key=lambda each: (each.high or 0.0) - (each.low or 0.0))
            listed.append(
                f"{most.item.item_id} were quoted over the widest range, "
                f"{cents(most.low or 0.0)} to {cents(most.high or 0.0)}."
            )
        thin = [each.item.item_id for each in self.items if not each.trades]
        if thin:
            listed.append(f"No trades this week in {', '.join(thin)}: the next one sets the price.")
        holidays = [
            each for each in _days(self.friday + timedelta(days=3), 5) if not _is_market(each)
        ]
        if holidays:
            days = ", ".join(f"{each:%A, %B} {each.day}" for each in holidays)
            listed.append(f"Next week is short: no market on {days}.")
        return listed

    def script(self) -> str:
        """What is read aloud: 60 to 90 seconds, numbers rounded as one says them."""
        lines = [
            f"The boneless beef market for the week ending {self.friday:%B} {self.friday.day}."
        ]
        for each, of in ((self.lean, "lean"), (self.fat, "fat")):
            if each is not None:
                lines.append(_spoken(each, self.measurable_usd_per_cwt[each.item.item_id], of))
        if self.spread is not None:
            lines.append(f"That puts lean over fat at about {_say(self.spread)}.")
        if self.lean is not None and self.lean.on_year is not None:
            ago = (self.lean.price or 0.0) - self.lean.on_year
            name = self.lean.item.item_id
            lines.append(f"In the same week a year ago {name} stood at about {_say(ago)}.")
        imported = [
            each for each in self.items if not _is_fresh(each.item) and each.price is not None
        ]
        for each in imported[:2]:
            said = _spoken_move(each, self.measurable_usd_per_cwt[each.item.item_id])
            lines.append(f"Imported {said}.")
        up, down, flat = (len(each) for each in self.breadth)
        if compared := up + down + flat:
            lines.append(
                f"Of {counted(compared, 'item')} compared, {up or 'none'} gained, "
                f"{down or 'none'} lost and {flat or 'none'} held steady."
            )
        lines += _loads_sentence(self.items, "about {:.0f}")
        supply = self._supply_sentence()
        if supply:
            lines.append(_round_percents(supply))
        ahead = [_round_percents(each) for each in self.watch()[-1:]]
        end = (*ahead, "Those are this week's quotes, not a forecast.")
        for more in self._more_to_say():
            if spoken_seconds(" ".join((*lines, more, *end))) > MAX_SPOKEN_S:
                break
            if spoken_seconds(" ".join((*lines, *end))) < MIN_SPOKEN_S:
                lines.append(more)
        return " ".join((*lines, *end))

    def _more_to_say(self) -> list[str]:
        """For a week with little on file, so that the script is as long as one expects."""
        of_note = [each for each in (self.lean, self.fat) if each is not None]
        rest = [each for each in self.items if each not in of_note and each.price is not None]
        spans = [
            f"Over the week, {_name_said(each)} were quoted from about {_say(each.low)} to "
            f"{_say(each.high)}."
            for each in (*of_note, *rest)
            if each.low is not None and each.high is not None and _say(each.low) != _say(each.high)
        ]
        loads = [
            f"{_name_said(each)} traded about {round(each.now.pounds_lb / LOAD_LB)} loads."
            for each in (*of_note, *rest)
            if each.now.pounds_lb
        ]
        up, down, _ = self.breadth
        said = [
            f"{way} on the week: {', '.join(names)}."
            for way, names in (("Higher", up), ("Lower", down))
            if names
        ]
        return [*spans[:2], *loads[:3], *said, *spans[2:], *loads[3:]]

    def markdown(self) -> str:
        """The report as Markdown."""
        parts = [
            f"# Boneless beef and trimmings, week ending {day(self.friday)}",
            f"**{self.headline}**",
            *(f"**{name}.** {text}" for name, text in self.paragraphs()),
            "## The week",
            _markdown_table(self.week),
            self.breadth_words,
        ]
        if len(self.supply):
            parts += ["## Volumes", _markdown_table(self.supply)]
        if self.talk:
            parts += [
                "## Heard in the trade, not used in any figure",
                *(f"- {t}" for t in self.said),
            ]
        if self.lead_lines:
            parts += ["## Leading indicators", *(f"- {each}" for each in self.lead_lines)]
        if self.corrections:
            parts += ["## Corrections", *(f"- {each}" for each in self.corrections)]
        if self.call_lines:
            parts += ["## Our calls", *(f"- {each}" for each in self.call_lines)]
        if self.watch():
            parts += ["## Next week", *(f"- {each}" for each in self.watch())]
        parts.append(self.foot())
        return "\n\n".join(parts) + "\n"

    def sources(self) -> str:
        """Where every figure of the week is from, as Markdown."""
        week = week_of(self.friday)
        lines = [f"# Sources, week ending {day(self.friday)}", self.foot(), "## Quotations"]
        for each in self.items:
            quotes = "; ".join(
                f"{quote.day:%a} {quote.usd_per_cwt:,.2f}, {quote.pounds_lb:,.0f} lb"
                for quote in each.days
                if week.monday <= quote.day <= week.sunday
            )
            lines.append(f"- {each.item.item_id}: {quotes or 'no quotation'}")
        lines.append("## Volumes")
        for of in self.volumes:
            names = ", ".join(of.series.parts or (of.series.name,))
            than = f", against {day(of.on_year.against)}" if of.on_year else ""
            lines.append(f"- {_series_name(of)}: {names}, week to {day(of.day)}{than}")
        return "\n\n".join(lines) + "\n"

    def html(self, sources: str = "", printed_at: datetime | None = None) -> str:
        """The report as a page that prints on two sheets of Letter; `sources` is the address of
        the page of sources."""
        from importlib.resources import files

        from jinja2 import Environment
        from markupsafe import Markup

        from blend.output.charts import picture
        from blend.output.formats import format_of

        template = files("blend.reporter").joinpath("weekly.html").read_text("utf-8")
        page = Environment(autoescape=True).from_string(template)
        half = {"width": 380, "height": 220}  # two charts next to each other, still readable
        specs = [spec | half if place < 2 else spec for place, spec in enumerate(self.charts())]
        charts = [Markup(picture(each, ".svg").decode()) for each in specs]
        return page.render(
            report=self,
            charts=charts,
            format_of=format_of,
            ending=day(self.friday),
            sources=sources,
            printed=_printed(printed_at),
        )

    def charts(self) -> list[Spec]:
        """Lean and fat over a year, the week's changes item by item, and volumes on the year; each
        where there is something to compare."""
        changes = [self._changes_chart()] if any(self.breadth) else []
        has_years = any(_percent(each.on_year) is not None for each in self.volumes)
        return [self.chart(), *changes, *([self._volumes_chart()] if has_years else [])]

    def slide(self, ending: str) -> bytes:
        """The charts as one picture at newsletter size: .png, .svg or .pdf."""
        from blend.output.charts import chart, picture

        title = f"Boneless beef and trimmings, week ending {day(self.friday)}"
        alone = {"scale": dict.fromkeys(("x", "y", "color", "strokeDash"), "independent")}
        panels = {"vconcat": self.charts(), "resolve": alone}
        return picture(chart(title, [], panels, subtitle=self.headline), ending.lower())

    def slides(self, printed_at: datetime | None = None) -> str:
        """One page of charts at newsletter size, as SVG in HTML."""
        from html import escape

        from blend.output.charts import picture

        body = "\n".join(
            f"<figure>{picture(each, '.svg').decode()}</figure>" for each in self.charts()
        )
        title = f"Boneless beef and trimmings, week ending {day(self.friday)}"
        foot = escape(f"{self.foot()} {_printed(printed_at)}")
        return _SLIDES.format(title=title, body=body, foot=foot)

    def _changes_chart(self) -> Spec:
        from blend.output.charts import signed_bars

        moves = {each.item.item_id: each.on_week for each in self.items if each.on_week is not None}
        note = f"average of the week ending {day(self.friday)} against the week before"
        return signed_bars("Change on the week", moves, "$/cwt", subtitle=note)

    def _volumes_chart(self) -> Spec:
        from blend.output.charts import signed_bars

        moves = {
            _series_name(each): round(100 * share, 1) + 0.0  # no bar of -0.0
            for each in self.volumes
            if each.on_year and (share := each.on_year.share) is not None
        }
        return signed_bars(
            "Volumes against the same week last year",
            moves,
            "%",
            subtitle=f"week ending {day(self.friday)}",
            decimals=1,
            is_horizontal=True,
        )

    @property
    def said(self) -> list[str]:
        """Talk in its own words, with its day and no company."""
        return [f"{each.note.strip()} ({each.market_day:%a})" for each in self.talk]

    @property
    def call_lines(self) -> list[str]:
        """How the calls of earlier weeks did, and those of this week."""
        return [] if self.calls is None else record_words(self.calls, self.friday)

    def foot(self) -> str:
        """How it was made, and what is missing."""
        missing = ", ".join(map(day, self.missing_days))
        withheld = f"{counted(self.left_out, 'item')} withheld for confidentiality."
        sentences = [
            "Averages are weighted by pounds traded, where there were trades.",
            f"From the store up to import {self.position}, method {self.method_version} "
            f"(digest {self.method_digest[:12]}).",
            f"No entries on {missing}." if missing else "",
            year_to_date_words(self.volumes),
            withheld if self.left_out else "",
        ]
        return " ".join(filter(None, sentences))

    # Shown ---------------------------------------------------------------------------------------

    def screen(self, sections: Collection[str] = ()) -> str:
        moved = self.breadth_words
        columns = ["item_id", "week_usd_per_cwt", "on_week_usd_per_cwt", "on_year_usd_per_cwt",
                   "week_trades", "week_loads"]  # fmt: skip
        parts = [
            screen.strong(f"Boneless beef and trimmings, week ending {day(self.friday)}"),
            screen.wrapped(f"{self.headline}."),
            screen.table(self.week, columns),
            screen.wrapped(f"{moved} {self.foot()}"),
        ]
        if self.corrections:
            parts.append("\n".join(map(screen.wrapped, self.corrections)))
        if self.call_lines:
            parts.append("\n".join(("Calls", *map(screen.wrapped, self.call_lines))))
        every = "all" in sections
        if every or "volumes" in sections:
            parts.append(screen.table(self.supply, title="Volumes"))
        if every or "text" in sections:
            parts += [screen.wrapped(f"{name}. {text}") for name, text in self.paragraphs()]
        if every or "script" in sections:
            parts.append(screen.wrapped(self.script()))
        return "\n\n".join(parts)

    def chart(self) -> Spec:
        from blend.output.charts import chart

        rows = [
            {"item": each.item.item_id, "week": monday.isoformat(), "usd": price}
            for each in (self.lean, self.fat)
            if each is not None
            for monday, price in _weekly_prices(each.days)
        ]
        weeks = {row["week"] for row in rows}
        return chart(
            f"Lean and fat, {counted(len(weeks), 'week')} to {day(self.friday)}",
            rows,
            {
                "mark": {"type": "line", "point": len(weeks) < _FEW_WEEKS},
                "encoding": {
                    "x": {"field": "week", "type": "temporal", "title": None},
                    "y": {"field": "usd", "type": "quantitative", "title": "$/cwt",
                          "scale": {"zero": False}},
                    "color": {"field": "item", "type": "nominal", "title": None},
                    "strokeDash": {"field": "item", "type": "nominal", "title": None},
                    "tooltip": [{"field": "item"}, {"field": "week", "type": "temporal"},
                                {"field": "usd", "title": "$/cwt", "format": ".2f"}],
                },
            },
            subtitle="average of each week, as quoted",
        )  # fmt: skip


def _wider(change: float) -> str:
    return f"{cents(abs(change))} {'wider' if change > 0 else 'narrower'}"


def _is_fresh(item: Item) -> bool:
    return item.fresh_or_frozen == "fresh"


_SLIDES = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<style>body {{ font: 16px Arial, sans-serif; margin: 1rem; }} figure {{ margin: 0 0 1rem; }}
svg {{ max-width: 100%; height: auto; }}</style></head>
<body><h1>{title}</h1>
{body}
<p>{foot}</p>
</body></html>
"""

COMPLEXES = (
    ("Fresh lean", lambda item: _is_fresh(item) and item.lean >= 0.845),
    ("Fresh trimmings", lambda item: _is_fresh(item) and item.lean < 0.845),
    ("Imported", lambda item: not _is_fresh(item)),
)


def weekly(store: Store, day_of_week: date, method: Method) -> Weekly:
    """The report of the week that a day falls in, from the store. Raises InputRefused where the
    week has no entries."""
    from blend.reporter.news import quotable
    from blend.reporter.quoting import figures, heard, quote

    week = week_of(day_of_week)
    friday = week.monday + timedelta(days=4)
    entries = store.entries(days=(week.monday, week.sunday))
    if not entries:
        latest = max((each for each in store.market_days() if each <= friday), default=None)
        fix = f"Latest day on file: {day(latest)}." if latest else "Import a canvass first."
        nothing = f"no entries in the week ending {day(friday)}"
        raise refusal("--week", None, nothing, "", fix)
    last_day = max(each.market_day for each in entries)
    known = heard(store, last_day, method)
    items, left_out = [], 0
    for item_id, item in known.items.items():
        quoted = quote(known, item_id, method)
        if not quoted.confidentiality.may_be_shown:
            left_out += 1
            continue
        days = tuple(figures(store, item, friday - timedelta(days=400), friday, method))
        items.append(_item_week(item, days, entries, friday))
    items.sort(key=lambda each: (not _is_fresh(each.item), each.item.lean))
    there = {each.market_day for each in entries}
    weekly_volumes = [series for series, _ in grouped(map(by_week, series_of(store.volumes())))]
    volumes = [
        made
        for series, whole in grouped(map(by_week, series_of(store.volumes())))
        if (made := indicator(series, friday, whole)) is not None
    ]
    measurable = {
        item_id: method.measurable_ticks * item.tick_usd_per_cwt
        for item_id, item in known.items.items()
    }
    return Weekly(
        friday,
        tuple(items),
        left_out,
        tuple(volumes),
        tuple(each for each in quotable(entries) if each.kind is EntryKind.OTHER),
        measurable,
        method.version,
        method.digest,
        known.position,
        tuple(each for each in _days(week.monday, 5) if _is_market(each) and each not in there),
        _lead_lines(items, weekly_volumes),
        tuple(each.notice for each in known.corrections),
        _scored_calls(store, items, measurable, friday),
    )


def _lead_lines(items: Sequence[ItemWeek], volumes: Sequence[Series]) -> tuple[str, ...]:
    """What led the first item of 90% lean, by whole weeks of two years."""
    lean = next((each for each in items if abs(each.item.lean - 0.90) < 0.005), None)
    if lean is None:
        return ()
    return tuple(lead_lines(leads(volumes, _weekly_prices(lean.days)), lean.item.item_id))


def _scored_calls(
    store: Store, items: Sequence[ItemWeek], measurable: Mapping[str, float], friday: date
) -> Record | None:
    """Calls made up to the week, scored on its last day."""
    from blend.store.calls import calls_of

    prices = {each.item.item_id: [(of.day, of.usd_per_cwt) for of in each.days] for each in items}
    made = [each for each in calls_of(store) if each.made_on <= friday and each.item_id in prices]
    return score_calls(made, prices, measurable, friday) if made else None


def _series_name(each: Indicator) -> str:
    """imported availability, rather than availability, imported."""
    name, _, origin = each.series.name.partition(", ")
    return name if origin in ("", "all") else f"{origin} {name}"


def _against_last_year(share: float) -> str:
    if abs(share) < EVEN_SHARE:
        return "ran about even with a year ago"
    return f"ran {abs(share):.1%} {'over' if share > 0 else 'under'} a year ago"


def _year_to_date(each: Indicator) -> float | None:
    share = each.year_to_date_share
    return None if share is None else 100 * share


def _item_week(
    item: Item, days: tuple[DayFigure, ...], entries: Sequence[CanvassEntry], friday: date
) -> ItemWeek:
    week = week_of(friday)
    ago = week.year_ago
    trades = [
        each
        for each in entries
        if each.item_id == item.item_id
        and each.kind is EntryKind.TRADE
        and each.sets_negotiated_quote
    ]
    within = [each.usd_per_cwt for each in days if week.monday <= each.day <= week.sunday]
    return ItemWeek(
        item,
        now=average(days, week.monday, week.sunday),
        before=average(days, week.before.monday, week.before.sunday),
        year_ago=None if ago is None else average(days, ago.monday, ago.sunday),
        low=min(within, default=None),
        high=max(within, default=None),
        trades=len(trades),
        days=days,
    )


def _weekly_prices(days: Sequence[DayFigure]) -> list[tuple[date, float]]:
    """Monday and average of each week there is, the last so many."""
    weeks: dict[date, list[float]] = {}
    for each in days:
        weeks.setdefault(week_of(each.day).monday, []).append(each.usd_per_cwt)
    found = [(monday, math.fsum(prices) / len(prices)) for monday, prices in sorted(weeks.items())]
    return found[-WEEKS_SHOWN:]


def _days(first: date, count: int) -> list[date]:
    return [first + timedelta(days=each) for each in range(count)]


def _is_market(of: date) -> bool:
    from blend.reporter.calendar import market_days

    return bool(market_days(of, of))


def _percent(change: Change | None) -> float | None:
    return None if change is None or change.share is None else 100 * change.share


def _say(usd: float) -> str:
    """A price as one says it: to the half dollar, without cents."""
    half = round(usd * 2) / 2
    whole = math.floor(half)
    if half != whole:
        return f"{whole} and a half dollars"
    return f"{whole} dollar{'' if whole == 1 else 's'}"


def _spoken(each: ItemWeek, measurable: float, kind: str) -> str:
    return f"On the {kind} side, {_spoken_move(each, measurable)}."


def _spoken_move(each: ItemWeek, measurable: float) -> str:
    name = _name_said(each)
    price = _say(each.price or 0.0)
    if each.on_week is None:
        return f"{name} averaged about {price}"
    if abs(each.on_week) < measurable:
        return f"{name} were steady at about {price}"
    way = "gained" if each.on_week > 0 else "lost"
    moved = abs(each.on_week)
    by = "half a dollar" if moved < 0.75 else _say(moved)
    return f"{name} {way} about {by}, to {price} a hundredweight"


def _loads_sentence(items: Sequence[ItemWeek], words: str) -> list[str]:
    """Loads traded, against the week before where there was trade; none where there was none."""
    now, before = (
        math.fsum(each.pounds_lb for each in of) / LOAD_LB
        for of in ([each.now for each in items], [each.before for each in items])
    )
    if not now:
        return []
    said, was = words.format(now), words.format(before).removeprefix("about ")
    than = f", {'up' if now > before else 'down'} from {was} the week before" if before else ""
    return [f"Negotiated trade came to {said} loads{than}."]


def _listed(words: Sequence[str]) -> str:
    """a, b and c."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def _name_said(each: ItemWeek) -> str:
    return each.item.item_id.replace("CL", "chemical lean")


def spoken_seconds(text: str) -> float:
    """How long a text takes to read aloud: a number counts as a word for each of its digits, up to
    four."""
    import re

    words = (min(4, len(re.findall(r"\d", word))) or 1 for word in text.split())
    return sum(words) / WORDS_PER_S


def _round_percents(text: str) -> str:
    import re

    return re.sub(r"(\d+\.\d+)%", lambda found: f"{float(found[1]):.0f} percent", text)


def _markdown_table(frame: DataFrame) -> str:
    from blend.output.formats import format_of

    formats = [format_of(name) for name in frame.columns]
    rows = [
        "| " + " | ".join(each.text(v) for each, v in zip(formats, row, strict=True)) + " |"
        for row in frame.itertuples(index=False, name=None)
    ]
    rule = "|".join("---" if each.decimals is None else "---:" for each in formats)
    return "\n".join(["| " + " | ".join(each.title for each in formats) + " |", f"|{rule}|", *rows])


def _printed(at: datetime | None) -> str:
    words = printed_on(at)
    return f"{words[:1].upper()}{words[1:]}." if words else ""
