"""Quotations of a day, and the evidence of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, us_day, view, working_or
from blend.desk.reporter_store import (
    QuotedDay,
    ask_of_store,
    ask_quoted,
    assessor_of,
    day_of,
    days_of,
    no_items,
    of_store,
    query_of,
    refuse,
)
from blend.domain.market import Published
from blend.output.shown import ShownTable, shown_of
from blend.reporter import quote, words
from blend.reporter.assessed import Rung
from blend.reporter.calendar import DayFigure
from blend.reporter.evidence_chart import evidence_chart
from blend.reporter.note_charts import prices_chart
from blend.store import Store


def quotations_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)

    def done(found: QuotedDay) -> Response:
        if not found.quoted:
            return no_items(desk, request, day)
        published = store.published(days=(day.day, day.day))
        by_item = {each.item_id: each for each in published}
        tables = [
            shown_of(
                quote.quotations_frame(found.quoted, by_item),
                None,
                f"Quotations, {us_day(day)}",
                f"{quote.EVIDENCE_NOTE} Method {quote.method_words(desk.method)}.",
            ),
            shown_of(quote.adjustments_frame(found.quoted), None, "Adjustments"),
        ]
        if published:
            tables.append(_published(f"Published for {us_day(day)}", published))
        return page(
            desk,
            request,
            "reporter_quotations.html",
            tables,
            title="Quotes",
            day=day,
            links=[
                f"/reporter/quotations/item?{query_of(day, item=each.assessed.item.item_id)}"
                for each in found.quoted
            ],
            items=[each.assessed.item.item_id for each in found.quoted],
            draft=assessor_of(desk),
        )

    return working_or(desk, request, ask_quoted(desk, store, day), done, title="Quotes")


def evidence_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """One item: every entry with its weight or why it has none, and where the quotation falls."""
    day = day_of(store, request)

    def done(found: QuotedDay) -> Response:
        item_id = request.query_params.get("item", "")
        own = found.of(item_id)
        published = store.published(item_id, (day.day, day.day))
        tables = [
            shown_of(
                quote.quotations_frame([own], {each.item_id: each for each in published}),
                None,
                f"{item_id} on {day}",
            ),
            shown_of(
                quote.evidence_frame([own.assessed]).drop(columns="item_id"),
                None,
                f"Evidence for {item_id} on {day}",
                quote.item_note(own.assessed.item),
            ),
        ]
        if published:
            tables.append(_published(f"Published of {item_id} for {day}", published))
        names = [each.assessed.item.item_id for each in found.quoted]
        place = names.index(item_id)
        return page(
            desk,
            request,
            "reporter_evidence.html",
            tables,
            title=f"Evidence for {item_id}",
            day=day,
            item=own.assessed.item,
            history_at=f"/reporter/quotations/history?{query_of(day, item=item_id)}",
            links=[
                f"/reporter/entry?{urlencode({'entry': entry_id})}"
                for entry_id, *_ in tables[1].rows
            ],
            ladder=[
                {"words": words.BASED_ON[rung], "stands_here": rung is own.assessed.rung}
                for rung in Rung
            ],
            lines=[
                f"Adjustments: {words.adjustments(own.assessed.codes)}.",
                words.confidentiality(own.confidentiality),
            ],
            spec=evidence_chart(own.assessed),
            beside=[names[at] if 0 <= at < len(names) else "" for at in (place - 1, place + 1)],
            items=[item_id],
            draft=assessor_of(desk),
        )

    return working_or(desk, request, ask_quoted(desk, store, day), done, title="Evidence")


def history_part(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Two years of an item's quotations: a part of the page that loads itself."""
    day, item_id = day_of(store, request), request.query_params.get("item", "")
    where, position, method = desk.store_place, store.position(), desk.method
    if item_id not in store.items():
        refuse("item", item_id, f"an item of the store: {', '.join(store.items())}")

    def done(days: Mapping[str, Sequence[DayFigure]]) -> Response:
        prices = [(each.day, each.usd_per_cwt) for each in days[item_id]]
        spec = prices_chart({item_id: prices}, [item_id]) if prices else None
        return page(desk, request, "reporter_history.html", spec=spec)

    job = ask_of_store(desk, "history", position, day.day, about="Two years of quotes",
                       work=lambda job: days_of(where, position, day.day, method))  # fmt: skip
    return working_or(desk, request, job, done, title="History", part=True)


def _published(title: str, published: Sequence[Published]) -> ShownTable:
    return shown_of(quote.published_frame(published), None, title)


routes = [
    Route("/reporter/quotations", view(of_store(quotations_page))),
    Route("/reporter/quotations/item", view(of_store(evidence_page))),
    Route("/reporter/quotations/history", view(of_store(history_part))),
]
