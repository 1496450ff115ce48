"""Why an offer was not granted in full: a closed list of codes, each with one sentence that a person understands.

The list's order is the order of the checks (common practice of the trade; no source): an order is judged for
eligibility, then value, then the other offers of its group, then caps from the order outwards, then cautions and
stock. The reason of an outcome is the last check that lowered it.
"""

from collections.abc import Mapping
from dataclasses import field
from datetime import UTC
from enum import StrEnum
from zoneinfo import ZoneInfo

from makeweight.domain.moments import Instant
from makeweight.domain.money import to_major
from makeweight.domain.values import value


class Reason(StrEnum):
    """Reason codes, in the order of the checks. One code, one word everywhere: entry, decision, metric, summary."""

    CANCELLED = "cancelled"
    ORDER_CLASS = "order_class"
    OUTSIDE_WINDOW = "outside_window"
    DESTINATION = "destination"
    UNPAID = "unpaid"
    BELOW_THRESHOLD = "below_threshold"
    NO_PURCHASE = "no_purchase"
    VALUE_USED = "value_used"
    OUTRANKED = "outranked"
    ORDER_CAP = "order_cap"
    CAUTION = "caution"
    CUSTOMER_CAP = "customer_cap"
    CAMPAIGN_CAP = "campaign_cap"
    NO_STOCK = "no_stock"
    NOT_WANTED = "not_wanted"


@value
class Figures:
    """The numbers that decided a claim, as they stood at its place in the ledger; None where no limit applies.

    ``last_order``, placed at ``last_at``, is the order that took the last unit of what ran out; ``customer_refused``
    counts how often the cap of a customer has refused the same customer, this time included. Signals for a person:
    ``split_with`` are other orders of the customer, placed within an hour, that are just over the threshold as this one
    is; ``customer_unearned`` counts the customer's orders that lost their goods and kept the gift, this one included.
    """

    wanted: int
    customer_cap: int | None = None
    customer_live: int | None = None
    total_cap: int | None = None
    total_live: int | None = None
    stock_free: int | None = None
    last_order: str | None = None
    last_at: Instant | None = None
    customer_refused: int = 0
    split_with: list[str] = field(default_factory=list)
    customer_unearned: int = 0


_SENTENCES: Mapping[Reason, str] = {
    Reason.CANCELLED: "The order was cancelled.",
    Reason.ORDER_CLASS: "Orders of class {order_class} take no part in this campaign.",
    Reason.OUTSIDE_WINDOW: "The order was placed outside the campaign's window.",
    Reason.DESTINATION: "The offer is not made for this destination or service.",
    Reason.UNPAID: "It was to be paid by {pay_by}, and was not.",
    Reason.BELOW_THRESHOLD: "{value} counted where {word} {threshold} is asked: {gap} short.",
    Reason.NO_PURCHASE: "None of the goods that the offer asks for was bought at a price above zero.",
    Reason.VALUE_USED: "{value} is left where {word} {threshold} is asked: the rest earned {winner}.",
    Reason.OUTRANKED: "Only one offer of its group is given, and {winner} comes first.",
    Reason.ORDER_CAP: "At most {cap} to an order.",
    Reason.CAUTION: "Its gift is withheld: {caution}.",
    Reason.CUSTOMER_CAP: "This customer{known} already has {customer_live} of at most {customer_cap}{last}.",
    Reason.CAMPAIGN_CAP: "All {total_cap} of this offer were taken when the order's turn came{last}.",
    Reason.NO_STOCK: "No gift of this offer was left at a site that ships the order when its turn came{last}.",
    Reason.NOT_WANTED: "The order no longer asks for this gift.",
}


_KNOWN = {"email": " (known by the e-mail address)", "payment": " (known by the means of payment)"}


def sentence(reason: Reason, facts: Mapping[str, object]) -> str:
    """The one sentence of a reason with its figures filled in. A figure that is missing is a defect: ``KeyError``."""
    return _SENTENCES[reason].format_map(facts)


def flipped(why: str, how: str, verb: str = "would have been earned") -> str:
    """The sentence of a decline with the nearest change that would have flipped it, where there is one."""
    return f"{why.removesuffix('.')}; it {verb} {how}." if how else why


def known_by(customer_by: str) -> str:
    """How a customer without an account is known, as a sentence goes on: a cap counts who that is, not who orders."""
    return _KNOWN.get(customer_by, "")


def last_taken(figures: Figures, order: str) -> str:
    """Which order took the last of what ran out, as a sentence of ``order`` goes on; '' if it isn't known."""
    if figures.last_order is None:
        return ""
    whose = "this order" if figures.last_order == order else f"order {figures.last_order}"
    placed = f", placed on {clock(figures.last_at)}," if figures.last_at is not None else ""
    return f": {whose}{placed} took the last"


def measured(number: int, by: str, currency: str) -> str:
    """A qualifying value or threshold as sentences print it: money, or units where the offer counts units."""
    return f"{number} unit{'' if number == 1 else 's'}" if by == "units" else amount(number, currency)


def amount(minor: int, currency: str) -> str:
    """An amount as sentences print it: '40.00 EUR'."""
    return f"{to_major(minor, currency)} {currency}"


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def clock(instant: Instant, zone: str = "") -> str:
    """An instant as sentences print it: '30 Nov 10:00' on a zone's clock, or '30 Nov 10:00 UTC'."""
    local = instant.astimezone(ZoneInfo(zone) if zone else UTC)
    seconds = f":{local.second:02d}" if local.second else ""
    # No strftime: a decline is told on every ticket that has one.
    day, time = f"{local.day} {_MONTHS[local.month - 1]}", f"{local.hour:02d}:{local.minute:02d}"
    return f"{day} {time}{seconds}{'' if zone else ' UTC'}"


def span(seconds: int) -> str:
    """A length of time as sentences print it, exact: '4 minutes', '2 hours 5 minutes', '3 days'."""
    parts = []
    for name, length in (("day", 86_400), ("hour", 3_600), ("minute", 60), ("second", 1)):
        count, seconds = divmod(seconds, length)
        if count:
            parts.append(f"{count} {name}{'' if count == 1 else 's'}")
    return " ".join(parts) or "0 seconds"
