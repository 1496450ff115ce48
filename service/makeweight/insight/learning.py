"""A profile of demand learnt from history, cautiously: what few weeks say is drawn towards 'every hour alike'.

The weight of a slot is a product of three factors, each estimated against what the factors before it expect: of the
hour of day (pooled over the week's days), of the weekday (pooled over its hours), and of the slot alone. A factor of n
units where E were expected, seen on m occasions (days or weeks), is the mean of a gamma posterior with mean 1 before:

    factor = (K + n / d) / (K + E / d),    d = 1 + v E / m

K is the factor's strength (its relative variance across slots is 1 / K), v the variance of a day's level relative to
its square, d the dispersion of a count that m days or weeks make up: what a single day says of its weekday is worth
1 / v units at most, however many it sold. Without units every factor is 1.
"""

from collections.abc import Iterable
from datetime import timedelta
from itertools import pairwise

from makeweight.domain.moments import Instant, Window, zone_of
from makeweight.domain.values import value
from makeweight.insight.profile import HOURS_A_DAY, SLOTS, Profile

DAYS_A_WEEK = SLOTS // HOURS_A_DAY
QUARTER = timedelta(minutes=15)  # every offset of a zone in use is a multiple of it
QUARTERS_AN_HOUR = 4


@value
class Caution:
    """The strength of each factor in units, and what the variance of days is drawn to as if by so many more days.

    The values were chosen on the odd weeks of an open order history; tests/calibration says what the even ones came to.
    """

    hour: float = 3.0
    weekday: float = 10.0
    slot: float = 30.0
    day_variance: float = 0.03
    day_variance_days: float = 21.0


CAUTION = Caution()


def learn(history: Iterable[tuple[Instant, int]], zone: str, window: Window, caution: Caution = CAUTION) -> Profile:
    """The profile of what was sold or granted, as (instant, units), in a window that was watched from end to end.

    What lies outside the window is left out. The formula stands above; the variance of days is that of
    ``day_variance``. ``ValueError`` for an unknown zone.
    """
    info = zone_of(zone)
    units = [0.0] * SLOTS
    by_day: dict[int, float] = {}
    for instant, count in history:
        if window.holds(instant):
            local = instant.astimezone(info)
            units[local.weekday() * HOURS_A_DAY + local.hour] += count
            by_day[local.toordinal()] = by_day.get(local.toordinal(), 0.0) + count
    watched, day_slots = _watched(zone, window)
    if not sum(units):
        return Profile.flat(zone, caution.day_variance)
    weights, variance = [1.0] * SLOTS, caution.day_variance
    for _ in range(2):  # the second time with the variance of days that was found: of wild days each says less
        weights = _weights(units, watched, caution, max(variance, caution.day_variance))
        rate = sum(units) / sum(weight * hours for weight, hours in zip(weights, watched, strict=True))
        variance = day_variance(
            [
                (by_day.get(day, 0.0), rate * sum(weights[slot] * hours for slot, hours in slots.items()))
                for day, slots in sorted(day_slots.items())
            ],
            caution,
        )
    return Profile(zone, tuple(weights), variance)


def day_variance(days: Iterable[tuple[float, float]], caution: Caution = CAUTION) -> float:
    """The variance of a day's level beside the day before, relative to its square, of (units, expected units) of days.

    Burn is recent, so what counts is how far a day is from its neighbour, not from the year: a slow drift is in both.
    Moments (von Neumann's successive differences): with x = n / E and noise s = 1 / E + 1 / E' of two days,
    (x - x')^2 has mean 2 v + s, so v = sum(w ((x - x')^2 - s)) / (2 sum(w)) with w = 1 / s^2, at least 0. It is
    averaged with ``caution.day_variance``, which weighs as ``caution.day_variance_days`` days.
    """
    pairs = [((n / e - m / f) ** 2, 1 / e + 1 / f) for (n, e), (m, f) in pairwise(days) if e > 0 and f > 0]
    weights = sum(noise**-2 for _, noise in pairs)
    found = max(0.0, sum((square - noise) / noise**2 for square, noise in pairs) / (2 * weights)) if pairs else 0.0
    weight = caution.day_variance_days
    return (len(pairs) * found + weight * caution.day_variance) / (len(pairs) + weight)


def _weights(units: list[float], watched: list[float], caution: Caution, variance: float) -> list[float]:
    rate = sum(units) / sum(watched)
    expected = [rate * hours for hours in watched]
    weeks = sum(watched) / SLOTS
    weights = [1.0] * SLOTS
    by_hour = [[hour + HOURS_A_DAY * day for day in range(DAYS_A_WEEK)] for hour in range(HOURS_A_DAY)]
    by_weekday = [[hour + HOURS_A_DAY * day for hour in range(HOURS_A_DAY)] for day in range(DAYS_A_WEEK)]
    by_slot = [[slot] for slot in range(SLOTS)]
    for groups, strength in ((by_hour, caution.hour), (by_weekday, caution.weekday), (by_slot, caution.slot)):
        for group in groups:
            seen = sum(units[slot] for slot in group)
            due = sum(expected[slot] * weights[slot] for slot in group)
            occasions = weeks * (DAYS_A_WEEK if groups is by_hour else 1)
            spread = 1 + variance * due / occasions
            factor = (strength + seen / spread) / (strength + due / spread)
            for slot in group:
                weights[slot] *= factor
    mean = sum(weights) / SLOTS
    return [weight / mean for weight in weights]


def _watched(zone: str, window: Window) -> tuple[list[float], dict[int, dict[int, float]]]:
    """Clock hours of each slot in the window, and the same by day (its ordinal)."""
    info = zone_of(zone)
    hours = [0.0] * SLOTS
    days: dict[int, dict[int, float]] = {}
    at = window.start
    while at < window.end:
        local = at.astimezone(info)
        step = min(QUARTER, window.end - at)
        slot, share = local.weekday() * HOURS_A_DAY + local.hour, step / timedelta(hours=1)
        hours[slot] += share
        slots = days.setdefault(local.toordinal(), {})
        slots[slot] = slots.get(slot, 0.0) + share
        at += step
    return hours, days
