"""How demand runs through a week: relative weights of its 168 hours in a zone, and time counted by them.

An **exposure hour** is an hour of average demand: a shop that sells nothing at night spends its night in a few minutes
of exposure. Burn and run-out are told in exposure hours and turned into instants here, by the wall clock of the zone at
each instant, so a day on which the clock is changed has 23 or 25 slots.
"""

from bisect import bisect_left
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cached_property, lru_cache
from itertools import accumulate
from math import isfinite

from makeweight.domain.moments import Instant, zone_of
from makeweight.domain.values import value

HOURS_A_DAY = 24
SLOTS = 7 * HOURS_A_DAY
MONDAY_HOURS = 72  # 1970-01-01 was a Thursday: so many hours after a Monday 00:00
SLACK_HOURS = 1e-9  # what a sum of hours may be out by, as a float; less than a hundredth of a millisecond
MEAN_SLACK = 1e-6


@value
class Profile:
    """Relative weights of the hours of a week, Monday 00 first, mean 1; and how much whole days differ beside that.

    ``day_variance`` is the variance of a day's level around what the profile expects, relative to its square (0.04:
    days are usually within some 20 %). 0 says that nothing but chance tells one Monday from another.
    ``ValueError`` for an unknown zone, or numbers that are no weights.
    """

    zone: str
    weights: tuple[float, ...]
    day_variance: float = 0.0

    def __post_init__(self) -> None:
        zone_of(self.zone)
        if len(self.weights) != SLOTS:
            raise ValueError(
                f"{len(self.weights)} weights; expected {SLOTS}, one for each hour of a week from Monday 00"
            )
        if not all(isfinite(weight) and weight >= 0 for weight in self.weights):
            raise ValueError("a weight is negative or no number; expected each from 0 up, with mean 1")
        mean = sum(self.weights) / SLOTS
        if abs(mean - 1) > MEAN_SLACK:
            raise ValueError(f"the weights' mean is {mean:.6g}; expected 1: divide each by the mean")
        if not (isfinite(self.day_variance) and self.day_variance >= 0):
            raise ValueError(f"day_variance {self.day_variance}: expected a number from 0 up")

    @classmethod
    def flat(cls, zone: str, day_variance: float = 0.0) -> "Profile":
        """Every hour alike: an exposure hour is a clock hour."""
        return cls(zone, (1.0,) * SLOTS, day_variance)

    def exposure_hours(self, start: Instant, end: Instant) -> float:
        """The integral of the weights from one instant to another; 0 if the end is not after the start."""
        return sum(self._used(last) - self._used(first) for first, last, _ in _stretches(self.zone, start, end))

    def when(self, start: Instant, exposure_hours: float, limit: Instant) -> Instant | None:
        """The first instant by which so many exposure hours have passed since the start; None if not by the limit."""
        if exposure_hours <= 0:
            return start if start <= limit else None
        left = exposure_hours
        for first, last, offset_hours in _stretches(self.zone, start, limit):
            used = self._used(first)
            here = self._used(last) - used
            if left <= here + SLACK_HOURS:
                local = min(max(self._hour_of(used + min(left, here)), first), last)
                return _EPOCH + timedelta(hours=local - offset_hours)
            left -= here
        return None

    @cached_property
    def _summed(self) -> tuple[float, ...]:
        return (0.0, *accumulate(self.weights))

    def _used(self, local_hours: float) -> float:
        """Exposure hours from a Monday 00:00 long ago to a local time, both as if the clock were never changed."""
        weeks, rest = divmod(local_hours, SLOTS)
        slot = int(rest)
        return weeks * self._summed[-1] + self._summed[slot] + (rest - slot) * self.weights[slot]

    def _hour_of(self, exposure_hours: float) -> float:
        """The inverse of ``_used``; of several hours without weight the first."""
        weeks, rest = divmod(exposure_hours, self._summed[-1])
        slot = min(bisect_left(self._summed, rest), SLOTS) - 1
        if slot < 0:
            return weeks * SLOTS
        return weeks * SLOTS + slot + (rest - self._summed[slot]) / self.weights[slot]


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC) - timedelta(hours=MONDAY_HOURS)


def _stretches(zone: str, start: Instant, end: Instant) -> Iterator[tuple[float, float, float]]:
    """The parts of a span without a clock change: from and to, in local hours since a Monday, and the offset."""
    first, last = _hours(start), _hours(end)
    if first >= last:
        return
    for year in range(start.astimezone(UTC).year, end.astimezone(UTC).year + 1):
        for begins, ends, offset_hours in _offsets(zone, year):
            low, high = max(first, begins), min(last, ends)
            if low < high:
                yield low + offset_hours, high + offset_hours, offset_hours


def _hours(instant: Instant) -> float:
    return (instant - _EPOCH) / timedelta(hours=1)


@lru_cache(maxsize=1024)
def _offsets(zone: str, year: int) -> tuple[tuple[float, float, float], ...]:
    """The zone's offsets in a year of UTC, in order: from, to, both in UTC hours as ``_hours``, and the offset."""
    info = zone_of(zone)

    def offset_at(instant: Instant) -> timedelta:
        return instant.astimezone(info).utcoffset() or timedelta(0)

    found: list[tuple[float, float, float]] = []
    since = at = datetime(year, 1, 1, tzinfo=UTC)
    while at.year == year:
        tomorrow = at + timedelta(days=1)
        if offset_at(tomorrow) != offset_at(at):
            low, high = at, tomorrow  # a zone changes its clock at a whole second, and at most once in a day
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=(high - low) // timedelta(seconds=2))
                low, high = (middle, high) if offset_at(middle) == offset_at(at) else (low, middle)
            found.append((_hours(since), _hours(high), offset_at(at) / timedelta(hours=1)))
            since = high
        at = tomorrow
    found.append((_hours(since), _hours(at), offset_at(since) / timedelta(hours=1)))
    return tuple(found)
