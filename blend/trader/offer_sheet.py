"""An offer to one customer, to send as it is: it names no other customer and no cost."""

from __future__ import annotations

from datetime import date
from html import escape

from blend.output.formats import cents, counted, long_day
from blend.units import LB_PER_CWT, LB_PER_KG, LB_PER_LOAD

_BLANK = "____________"
_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>Offer: {item}</title>
<style>
body {{ font: 16px/1.5 "Liberation Sans", Arial, sans-serif; color: #1d2733; max-width: 42rem;
  margin: 3rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5rem; margin-bottom: 0; }}
table {{ border-collapse: collapse; width: 100%; margin: 1.5rem 0; }}
th, td {{ text-align: left; padding: 0.5rem 0.75rem; border-bottom: 1px solid #d5dbe1; }}
th {{ width: 30%; font-weight: normal; color: #46515c; }}
.price {{ font-size: 1.3rem; font-weight: bold; }}
@media print {{ body {{ margin: 0; }} }}
</style>
</head>
<body>
<h1>Offer: {item}</h1>
<p>To {customer}<br>From {house}</p>
<table>
{rows}
</table>
<p>Subject to prior sale. A contract confirmation follows when you take it.</p>
</body>
</html>
"""


def offer_sheet(
    item: str,
    customer: str,
    loads: int,
    delivered_usd_per_cwt: float,
    *,
    valid_until: date | None = None,
    house: str = "",
) -> str:
    """The page, with what is not known left to fill in by hand."""
    pounds = loads * LB_PER_LOAD
    rows = {
        "Item": escape(item),
        "Quantity": f"{counted(loads, 'load')}, {pounds:,.0f} lb ({pounds / LB_PER_KG:,.0f} kg)",
        "Price, delivered": (
            f'<span class="price">{cents(delivered_usd_per_cwt)}/cwt</span><br>'
            f"{delivered_usd_per_cwt:,.2f} cents/lb, "
            f"${delivered_usd_per_cwt / LB_PER_CWT * LB_PER_KG:,.4f}/kg"
        ),
        "Good until": long_day(valid_until) if valid_until else _BLANK,
        "Delivery": _BLANK,
        "Origin, plant": _BLANK,
        "Short lean settled": _BLANK,
    }
    return _PAGE.format(
        item=escape(item),
        customer=escape(customer),
        house=escape(house) or _BLANK,
        rows="\n".join(f"<tr><th>{name}</th><td>{text}</td></tr>" for name, text in rows.items()),
    )
