"""What the reporter's codes are called on screens, in the note and on the page."""

from __future__ import annotations

from collections.abc import Iterable

from blend.reporter.assessed import NEEDS_DECISION, Assessed, Code, DataShares, Rung
from blend.reporter.confidential import Confidentiality
from blend.reporter.evidence import Use
from blend.reporter.quoting import Quoted

BASED_ON = {
    Rung.TRADES: "trades",
    Rung.THIN_TRADES: "few trades",
    Rung.BIDS_OFFERS: "bids/offers",
    Rung.OTHER: "other talk",
    Rung.CARRIED: "prior day",
    Rung.NOT_QUOTED: "no quote",
}
"""What a quotation is based on, best evidence first."""

ADJUSTMENTS = {
    Code.TRADES_FEW: "too few trades",
    Code.POUNDS_FEW: "too few pounds traded",
    Code.FIRMS_FEW: "too few companies trading",
    Code.CONCENTRATED: "one company has too much of the trade",
    Code.BIDS_OFFERS_OUTWEIGH: "bids and offers count for more than trades",
    Code.OTHER_INFORMATION: "partly based on other market talk",
    Code.ONE_SIDED: "bids without offers, or offers without bids",
    Code.CROSSED: "bids above offers, so neither was used",
    Code.SIDES_FEW: "too few companies bidding or offering",
    Code.AT_BID: "raised to a bid that enough companies back",
    Code.AT_OFFER: "lowered to an offer that enough companies back",
    Code.WITHIN_TRADES: "kept within the range of the trades",
    Code.OUTSIDE_SPREAD: "outside the best bid and offer",
    Code.OUTLIERS_LEFT_OUT: "outliers left out",
    Code.AFFILIATES_LEFT_OUT: "trades between affiliates left out",
    Code.TERMS_LEFT_OUT: "entries on other terms left out",
    Code.LEAN_ADJUSTED: "adjusted for lean",
    Code.FREIGHT_ADJUSTED: "adjusted for freight",
    Code.SCALE_UNKNOWN: "too few prices for an error",
    Code.CAPPED: "one company's pull limited",
    Code.HELD: "held for a second look",
    Code.CARRIED: "same as the previous day",
    Code.ONLY_ONE_BID: "unchanged: only one bid",
    Code.ONLY_ONE_OFFER: "unchanged: only one offer",
    Code.ONLY_BIDS_OFFERS: "unchanged: bids and offers from too few companies, or crossed",
    Code.OVERRIDDEN: "set by the reporter",
}

USES = {
    Use.USED: "used",
    Use.LATE: "heard too late",
    Use.LATER_DELIVERY: "later delivery",
    Use.OTHER_LEAN: "other lean",
    Use.NO_FREIGHT: "no freight given",
    Use.AFFILIATES: "between affiliates",
    Use.OTHER_PURCHASE: "not negotiated",
    Use.EXPORT: "export",
    Use.SAME_DEAL: "same deal",
    Use.OUTLIER: "outlier",
    Use.NOT_FIRM: "not firm",
    Use.NOT_BEST: "not its best",
    Use.NO_PAIR: "unpaired",
    Use.HIGHER_EVIDENCE: "outranked",
    Use.CROSSED: "crossed",
    Use.TOO_THIN: "too few with it",
}

WITHHELD = {
    "firms": "too few companies report often",
    "largest": "one company has too much of the data",
    "sole": "one company is too often the only one",
}


def adjustments(codes: Iterable[str]) -> str:
    """Codes in words; "none needed" where there are none."""
    return "; ".join(ADJUSTMENTS[Code(code)] for code in codes) or "none needed"


def based_on(made: Assessed) -> str:
    if made.carried_from is None or (made.day - made.carried_from).days == 1:
        return BASED_ON[made.rung]
    return f"{made.carried_from:%b} {made.carried_from.day}"


def weights(shares: DataShares) -> str:
    """What each kind of data counts for: 60% trades, 40% bids and offers."""
    names = ("trades", "bids and offers", "other talk", "previous quotation")
    parts = [f"{share:.0%} {name}" for name, share in zip(names, shares, strict=True) if share > 0]
    return ", ".join(parts) or "nothing"


def decision_needed(made: Assessed) -> str:
    """Why a reporter must decide first; empty where none must."""
    why = [
        f"held for a second look, {made.held}" if code is Code.HELD else ADJUSTMENTS[code]
        for code in made.codes
        if code in NEEDS_DECISION
    ]
    return "; ".join(f"{words} (your decision)" for words in why)


def not_ok(each: Quoted) -> str:
    """Why a quotation may not be published as it is; empty where it may."""
    words = [WITHHELD[name] for name in each.confidentiality.failed]
    return "; ".join(filter(None, [*words, decision_needed(each.assessed)]))


def publish(each: Quoted) -> str:
    return "yes" if each.may_be_published else f"no: {not_ok(each)}"


def confidentiality(found: Confidentiality) -> str:
    """What the 3/70/20 guideline looks at, as found."""
    return (
        f"Over {found.days} days: {found.firms_often} companies reported often enough; the "
        f"largest has {found.largest_share:.0%} of the data; one was the only one on "
        f"{found.sole_share:.0%} of the days."
    )
