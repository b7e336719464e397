"""Mix temperatures as a table, with what to mind."""

from __future__ import annotations

from collections.abc import Iterable

from blend.domain.case import Case
from blend.domain.heat import fahrenheit
from blend.grinder.temperature import BatchTemperature
from blend.show.amounts import number_words
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table

MAX_IN_GRINDING_F = 40.0
"""Good Retail Practices No. 4, Grinding (issuing body not shown), read: meat at or below 4 °C."""

FRESH_MIN_F, FRESH_MAX_F = 28.0, 35.0
"""Fresh beef 28 to 35 F at all times: Defense Commissary Agency, Technical Data Sheet, April
2012, paragraph E, read. That a final grind at 28 to 32 F smears less is from memory."""


J_PER_BTU = 1055.05585262
"""International table. NIST Special Publication 811, appendix B."""


def temperatures_table(
    case: Case, batches: Iterable[BatchTemperature], max_f: float | None = None
) -> ShownTable:
    """Runs of a plan with the temperature of their mix; where `max_f` is given, also the heat
    to take out of a batch to have it no warmer."""
    over = () if max_f is None else (ShownColumn("To take out", "Btu a batch", Format.WHOLE),)
    columns = (
        ShownColumn("Product"),
        ShownColumn("Batches", "", Format.WHOLE),
        ShownColumn("Coldest lot", "°F", Format.TENTHS),
        ShownColumn("Warmest lot", "°F", Format.TENTHS),
        ShownColumn("Mix", "°F", Format.TENTHS),
        ShownColumn("Ice", "% of weight", Format.TENTHS),
        ShownColumn("Plain average", "°F", Format.TENTHS),
        *over,
        ShownColumn("What to mind"),
    )
    rows = [
        (
            case.product(each.run.product_id).name,
            each.run.batches,
            None if each.coldest_c is None else fahrenheit(each.coldest_c),
            None if each.warmest_c is None else fahrenheit(each.warmest_c),
            None if each.mix is None else fahrenheit(each.mix.temperature_c),
            None if each.mix is None else each.mix.ice_share * 100,
            None if each.mix is None else fahrenheit(each.mix.plain_average_c),
            *(None if each.to_take_out_j is None else each.to_take_out_j / J_PER_BTU for _ in over),
            _to_mind(each),
        )
        for each in batches
    ]
    return shown_table(
        "How warm batches become",
        columns,
        rows,
        f"Partly frozen: below {number_words(FRESH_MIN_F)} °F, may need tempering. Warm: above"
        f" {number_words(FRESH_MAX_F)} °F, warmer than fresh beef is bought. A balance of heat"
        " with ice (specific heats of Choi and Okos 1986, composition of raw ground beef, ice after"
        " Miles 1974), as if all settled at once and nothing warmed it: grinding and mixing add"
        " heat, often several degrees. The plain average leaves ice out and is shown to be"
        " distrusted. An aid only: a thermometer in the meat, the plant's own limits and the"
        " inspector decide. * Rough: some lot is fatter or leaner than the ground beef whose"
        " composition was published (3 to 30 % fat).",
    )


def _to_mind(batch: BatchTemperature) -> str:
    """What to mind about a batch, empty where nothing; the note below the table says more."""
    if batch.mix is None:
        return f"no temperature of {', '.join(batch.missing)}"
    warm_f = fahrenheit(batch.mix.temperature_c)
    if warm_f > MAX_IN_GRINDING_F:
        told = f"above {number_words(MAX_IN_GRINDING_F)} °F: chill it before grinding"
    elif warm_f > FRESH_MAX_F:
        told = "warm"
    elif warm_f < FRESH_MIN_F:
        told = "partly frozen"
    else:
        told = ""
    return f"{told} {'*' if batch.mix.is_outside_lines else ''}".strip()
