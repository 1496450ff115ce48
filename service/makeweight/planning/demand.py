"""What was asked of an offer while it could give, and when its stock is gone by that."""

from collections.abc import Iterable, Mapping
from datetime import timedelta

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Offer
from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.values import value
from makeweight.insight.profile import Profile
from makeweight.insight.runout import Burn, RunOut, dispersion, run_out
from makeweight.planning.picture import Known, Limits
from makeweight.planning.watch import HOUR_SECONDS, Watch, hour_of, instant_of_hour

Span = tuple[Instant, Instant]


@value
class Opened:
    """The spans in which an offer could give, up to now, and their length in clock hours and in exposure hours."""

    spans: list[Span]
    hours: float
    exposure_hours: float
    profile: Profile


def opened(watch: Watch, known: Known, offer: Offer, as_of: Instant) -> Opened:
    """When an offer was open, orders were known and there was something to give."""
    spans, profile = _open_spans(watch, known, offer, as_of), known.profiles(offer.zone)
    hours = sum(seconds_between(start, end) for start, end in spans) / HOUR_SECONDS
    return Opened(spans, hours, sum(profile.exposure_hours(start, end) for start, end in spans), profile)


def clock(
    units_left: int, by_hour: Mapping[int, int], given: Opened, offer: Offer, as_of: Instant, limits: Limits
) -> RunOut | None:
    """When so many units are gone, from what was asked for while there was something to give; None once it is over."""
    if not given.spans or as_of >= offer.window.end:
        return None
    told = _by_exposure(by_hour, given.spans, given.profile)
    spread = dispersion([units for units, _ in told], [hours for _, hours in told]) if told else 1.0
    measured = Burn(max(0, sum(by_hour.values())), given.exposure_hours, spread)
    return run_out(units_left, measured, given.profile, as_of, offer.window.end, limits.pull_down)


def _open_spans(watch: Watch, known: Known, offer: Offer, as_of: Instant) -> list[Span]:
    """The spans in which the offer was open, orders were known and there was something to give, up to ``as_of``."""
    first = min(watch.orders_by_hour, default=None)
    if first is None:
        return []
    start, end = max(offer.window.start, instant_of_hour(first)), min(offer.window.end, as_of)
    gone = [(out, back or end) for out, back in watch.spans_out.get(offer.key, [])]
    found = []
    for closed, again in sorted([*gone, *_paused(known.book, offer, end)]):
        if start < closed:
            found.append((start, min(closed, end)))
        start = max(start, again)
    found.append((start, end))
    return [(one, other) for one, other in found if one < other]


def _paused(book: Book, offer: Offer, end: Instant) -> list[Span]:
    """The spans in which the revision in force had the offer paused, or did not have it."""
    revisions = sorted((c for c in book if c.campaign == offer.campaign), key=lambda c: (c.effective_at, c.revision))
    ends = [later.effective_at for later in revisions[1:]] + [end]
    return [
        (revision.effective_at, until)
        for revision, until in zip(revisions, ends, strict=True)
        if (then := revision.offer(offer.key)) is None or then.paused
    ]


def _by_exposure(by_hour: Mapping[int, int], spans: Iterable[Span], profile: Profile) -> list[tuple[int, float]]:
    """Units and exposure of every whole hour of the spans; an hour that a span cuts says nothing of how units vary."""
    found = []
    for start, end in spans:
        for hour in range(hour_of(start) + 1, hour_of(end)):
            at = instant_of_hour(hour)
            found.append((max(0, by_hour.get(hour, 0)), profile.exposure_hours(at, at + timedelta(hours=1))))
    return found
