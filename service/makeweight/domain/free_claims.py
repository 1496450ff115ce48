"""What speaks against calling a gift 'free': a price that was raised for it, and being offered too often.

16 CFR 251.1: 'free' is relative to the regular price of what must be bought (a), (b), and no item is in free offers all
the time (h). 16 CFR 233.4 says the same of a raised price. The figures of (h) and the 30 days of a regular price are
from memory. Everything here is evidence for legal or compliance, who decide; a warning is no verdict.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from makeweight.domain.moments import Instant, Window, readings, zone_of
from makeweight.domain.prior_price import PriceHistory, PriorPriceUnknown, prior_price
from makeweight.domain.values import value

GAP_DAYS = 30
OFFERS_A_YEAR = 3
SHARE_PERCENT = 50


@value
class FreeOffer:
    """A time in which something is 'free' with an item, in one trade area."""

    name: str
    window: Window


def raised_before(history: PriceHistory, offer_from: Instant) -> str | None:
    """Why 'free' with this item is blocked by its price, or None if that is its regular one.

    Blocked where the price at the offer's start is above any of the 30 days before, or where those aren't all known.
    """
    try:
        before = prior_price(history, offer_from)
    except PriorPriceUnknown as error:
        return str(error)
    now = next(span.price for span in reversed(history.spans) if span.start <= offer_from)
    if now <= before.price:
        return None
    since = before.since.astimezone(zone_of(history.zone)).isoformat()
    text = f"the price of {history.sku} is {now} in minor units as the offer begins, and was {before.price} from"
    return f"{text} {since}: a gift is not free where what must be bought was raised for it"


def too_often(planned: FreeOffer, others: Iterable[FreeOffer], zone: str) -> list[str]:
    """Warnings on a planned free offer of an item, beside its others in the trade area; months are those of the zone.

    More than three offers in 12 months, fewer than 30 days between two, free for more than 6 of 12 months.
    """
    rest = [other for other in others if other.name != planned.name]
    offers = sorted([*rest, planned], key=lambda offer: (offer.window.start, offer.name))
    warned = []
    years = [Window(offer.window.start, _a_year(offer.window.start, zone, 1)) for offer in offers]
    most = max(
        sum(year.holds(offer.window.start) for offer in offers) for year in years if year.holds(planned.window.start)
    )
    if most > OFFERS_A_YEAR:
        warned.append(f"{most} free offers of the item begin within 12 months; at most {OFFERS_A_YEAR} are usual")
    for other in rest:
        between = _between(planned.window, other.window, zone)
        if between < timedelta(days=GAP_DAYS):
            days = max(0, between.days)
            warned.append(f"{days} days lie between it and {other.name}; at least {GAP_DAYS} are usual")
    years += [Window(_a_year(offer.window.end, zone, -1), offer.window.end) for offer in offers]
    if any(_free(year, offers) * 2 > year.length for year in years if _overlap(year, planned.window)):
        warned.append("the item would be in free offers for more than 6 of 12 months")
    return warned


def sold_too_much(units_under_offers: int, units: int) -> str | None:
    """A warning where more than half of an item's units in 12 months were sold under free offers."""
    if not 0 <= units_under_offers <= units:
        raise ValueError(f"{units_under_offers} of {units} units: expected from 0 to all")
    if units_under_offers * 100 <= units * SHARE_PERCENT:
        return None
    percent = units_under_offers * 100 // units
    return f"{percent} % of the item's units were sold under free offers; at most {SHARE_PERCENT} % are usual"


def _a_year(instant: Instant, zone: str, years: int) -> Instant:
    """The same date and time of the zone some years on; 29 February has its end in the 28th."""
    local = instant.astimezone(zone_of(zone)).replace(tzinfo=None, fold=0)
    day = 28 if (local.month, local.day) == (2, 29) else local.day
    moved = datetime(local.year + years, local.month, day, *local.timetuple()[3:6], local.microsecond)  # noqa: DTZ001
    return readings(moved, zone)[0]


def _between(one: Window, other: Window, zone: str) -> timedelta:
    """Time on the wall clock between two windows, so that a clock change makes no day of it short; below 0 if none."""
    later, earlier = (
        at.astimezone(zone_of(zone)).replace(tzinfo=None)
        for at in (max(one.start, other.start), min(one.end, other.end))
    )
    return later - earlier


def _overlap(one: Window, other: Window) -> timedelta:
    return max(timedelta(0), min(one.end, other.end) - max(one.start, other.start))


def _free(year: Window, offers: list[FreeOffer]) -> timedelta:
    """How much of a year some offer is on; what several share counts once."""
    free, reached = timedelta(0), year.start
    for offer in offers:
        end = min(offer.window.end, year.end)
        if end > reached:
            free += max(timedelta(0), end - max(reached, offer.window.start))
            reached = end
    return free
