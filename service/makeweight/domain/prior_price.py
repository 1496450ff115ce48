"""The prior price of a reduction: the lowest price of the days before it, and the percent that may be said from it.

Directive 98/6/EC Article 6a, with Commission Notice 2021/C 526/02: whoever announces a reduction shows the lowest price
of a period of not less than 30 days before it. CJEU C-330/23 (26 September 2024): a percentage that is announced is
computed from that price. What is said to customers is decided by legal or compliance; this only shows the evidence.
"""

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import NamedTuple

from makeweight.domain.moments import Instant, Window, instant_of, readings, zone_of
from makeweight.domain.values import value

LOOK_BACK_DAYS = 30


class PriorPriceUnknown(ValueError):
    """The history does not show every price of the days before: what is unknown blocks the claim."""


class NotAReduction(ValueError):
    """The sale price is not below the prior price."""


class PriceFrom(NamedTuple):
    """A price in minor units, and the instant from which it was asked."""

    start: Instant
    price: int


class PriceSpan(NamedTuple):
    """A price in minor units, in force over [start, end); the current one has no end."""

    start: Instant
    end: Instant | None
    price: int


@value
class PriceHistory:
    """The prices of one item in one market; days are counted on the wall clock of ``zone``. See ``history_of``."""

    sku: str
    market: str
    zone: str
    spans: tuple[PriceSpan, ...]


@value
class PriorPrice:
    """The prior price, the instant since which it was asked, and the days that were looked at.

    ``series_from`` is when the first of an uninterrupted series of reductions began, if that is what counted.
    """

    price: int
    since: Instant
    looked_at: Window
    series_from: Instant | None = None


def history_of(sku: str, market: str, prices: Iterable[PriceFrom], zone: str = "UTC") -> PriceHistory:
    """A history from prices in any order; each holds until the next. ``ValueError`` where two begin together."""
    zone_of(zone)
    steps = sorted(prices)
    if not steps:
        raise ValueError(f"{sku}: a price history needs at least one price")
    for step in steps:
        if step.price < 0:
            raise ValueError(f"{sku}: the price from {step.start.isoformat()} is below 0")
    for step, following in pairwise(steps):
        if step.start == following.start:
            raise ValueError(f"{sku}: two prices begin at {step.start.isoformat()}; keep the one that was asked")
    # A price that is said again is no new one: it doesn't interrupt a series, and was asked since its first saying.
    told = [steps[0], *(step for before, step in pairwise(steps) if step.price != before.price)]
    ends: list[Instant | None] = [*(step.start for step in told[1:]), None]
    spans = tuple(PriceSpan(step.start, end, step.price) for step, end in zip(told, ends, strict=True))
    return PriceHistory(sku, market, zone, spans)


def local_history(sku: str, market: str, zone: str, prices: Iterable[tuple[date, int]]) -> PriceHistory:
    """A history from local dates, each from the first instant of its day, or naive local times, of a zone.

    ``ClockChange`` for a time that names no instant or two; a day always has a first instant.
    """
    return history_of(sku, market, [PriceFrom(local_start(day, zone), price) for day, price in prices], zone)


def local_start(day: date, zone: str) -> Instant:
    """The instant of a naive local time, or the first one of a local day."""
    if isinstance(day, datetime):
        return instant_of(day, zone)
    # Where midnight is skipped the day begins as the gap ends, and where it comes twice with the first: both are the
    # first reading.
    return readings(datetime.combine(day, time.min), zone)[0]


def prior_price(
    history: PriceHistory,
    reduction_from: Instant,
    days: int = LOOK_BACK_DAYS,
    *,
    progressive: bool = False,
    sale: int | None = None,
) -> PriorPrice:
    """The lowest price in force at any time in the days before the reduction.

    A price that was in force when those days began counts, one that ended then doesn't. ``PriorPriceUnknown`` unless
    the history shows all of them.

    ``progressive``, only where the market has opted in (Article 6a(5)) and every fall of price was an announced
    reduction, which a history can't say: an uninterrupted series of growing reductions keeps the prior price of its
    first. A ``sale`` price that isn't below the last one interrupts the series.
    """
    first = _first_reduction(history, reduction_from, sale) if progressive else reduction_from
    looked_at = Window(_days_before(first, days, history.zone), first)
    spans = [span for span in history.spans if span.start < first]
    if not spans or spans[0].start > looked_at.start:
        zone = zone_of(history.zone)
        known, needed = (at.astimezone(zone).isoformat() for at in (history.spans[0].start, looked_at.start))
        raise PriorPriceUnknown(
            f"the prices of {history.sku} are known from {known} on; the {days} days before begin at {needed}"
        )
    in_force = [span for span in spans if span.end is None or span.end > looked_at.start]
    # Of equal ones the latest: the shortest way to look it up.
    lowest = min(reversed(in_force), key=lambda span: span.price)
    return PriorPrice(lowest.price, lowest.start, looked_at, first if first != reduction_from else None)


def claimed_percent(prior: int, sale: int) -> int:
    """The whole percent that may be said of a reduction: rounded down, never up. ``NotAReduction`` if it is none."""
    if sale >= prior:
        raise NotAReduction("not a reduction: the sale price is not below the prior price")
    return (prior - sale) * 100 // prior


def _first_reduction(history: PriceHistory, reduction_from: Instant, sale: int | None) -> Instant:
    """When the uninterrupted series of falls began that this reduction goes on with; itself if there is none."""
    spans = [span for span in history.spans if span.start < reduction_from]
    first = reduction_from
    lower = sale
    for before, span in reversed(list(pairwise(spans))):
        if (lower is not None and lower >= span.price) or span.price >= before.price:
            break
        first, lower = span.start, span.price
    return first


def _days_before(instant: Instant, days: int, zone: str) -> Instant:
    """Days on the wall clock: never so many times 24 hours, which a clock change makes an hour too few or too many."""
    local = instant.astimezone(zone_of(zone)).replace(tzinfo=None, fold=0)
    return min(readings(local - timedelta(days=days), zone))
