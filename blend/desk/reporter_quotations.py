"""Quotations of a day, and the evidence of each."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, view, working_or
from blend.desk.reporter_store import (
    QuotedDay,
    ask_quoted,
    assessor_of,
    day_of,
    no_items,
    of_store,
    query_of,
)
from blend.show.evidence_picture import evidence_picture
from blend.show.market_day import (
    confidentiality_line,
    day_table,
    ladder,
    ladder_line,
    published_table,
)
from blend.show.quotations import (
    evidence_table,
    judgments_table,
)
from blend.store import Store


def quotations_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)

    def done(found: QuotedDay) -> Response:
        if not found.quoted:
            return no_items(desk, request, day)
        published = store.published(days=(day.day, day.day))
        by_item = {each.item_id: each for each in published}
        tables = [
            day_table(f"Quotations of {day}", found.quoted, by_item, desk.method),
            judgments_table(found.quoted),
        ]
        if published:
            tables.append(published_table(f"Published of {day}", published))
        return page(
            desk,
            request,
            "reporter_quotations.html",
            tables,
            title="Quotations",
            day=day,
            links=[
                f"/reporter/quotations/item?{query_of(day, item=each.assessed.item.item_id)}"
                for each in found.quoted
            ],
            items=[each.assessed.item.item_id for each in found.quoted],
            draft=assessor_of(desk),
        )

    return working_or(desk, request, ask_quoted(desk, store, day), done, title="Quotations")


def evidence_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """One item: every entry with its weight or why it has none, and where the quotation falls."""
    day = day_of(store, request)

    def done(found: QuotedDay) -> Response:
        item_id = request.query_params.get("item", "")
        own = found.of(item_id)
        published = store.published(item_id, (day.day, day.day))
        tables = [
            day_table(
                f"{item_id} on {day}",
                [own],
                {each.item_id: each for each in published},
                desk.method,
            ),
            evidence_table(own.assessed),
        ]
        if published:
            tables.append(published_table(f"Published of {item_id} on {day}", published))
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
            links=[
                f"/reporter/entry?{urlencode({'entry': entry_id})}"
                for entry_id, *_ in tables[1].rows
            ],
            ladder=ladder(own.assessed),
            lines=[ladder_line(own.assessed), confidentiality_line(own.confidentiality)],
            picture=evidence_picture(own.assessed),
            beside=[names[at] if 0 <= at < len(names) else "" for at in (place - 1, place + 1)],
            items=[item_id],
            draft=assessor_of(desk),
        )

    return working_or(desk, request, ask_quoted(desk, store, day), done, title="Evidence")


routes = [
    Route("/reporter/quotations", view(of_store(quotations_page))),
    Route("/reporter/quotations/item", view(of_store(evidence_page))),
]
