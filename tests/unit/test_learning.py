"""Profiles learnt from history: what is there is found, few weeks say little, and nothing of it is made up."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from makeweight.domain.moments import Window, instant_of, zone_of
from makeweight.insight.learning import CAUTION, day_variance, learn
from makeweight.insight.profile import SLOTS, Profile

ZONE = "Europe/Dublin"
MONDAY = datetime(2026, 9, 28)  # noqa: DTZ001 - local; the clock is changed at the end of the fourth week
HOUR = timedelta(hours=1)
HOURS_OF_DAY = np.array([0.05] * 7 + [0.4, 0.8] + [1.2] * 8 + [1.8] * 4 + [1.0, 0.6, 0.2])
WEEKDAYS = np.array([1.0, 0.85, 0.85, 0.95, 1.0, 1.1, 1.25])
TRUTH = np.outer(WEEKDAYS / WEEKDAYS.mean(), HOURS_OF_DAY / HOURS_OF_DAY.mean()).ravel()


def weeks(count):
    """A window of so many weeks."""
    return Window(instant_of(MONDAY, ZONE), instant_of(MONDAY + timedelta(weeks=count), ZONE))


def drawn(count, a_day, variance=0.0, seed=1):
    """Units of an invented shop, drawn with NumPy: Poisson hours of the true profile, days with gamma levels."""
    rng, window, units, levels = np.random.default_rng(seed), weeks(count), [], {}
    at = window.start
    while at < window.end:
        local = at.astimezone(zone_of(ZONE))
        level = levels.setdefault(local.date(), rng.gamma(1 / variance, variance) if variance else 1.0)
        units.append((at, int(rng.poisson(level * a_day / 24 * TRUTH[local.weekday() * 24 + local.hour]))))
        at += HOUR
    return units, window


def learnt(*arguments):
    """The profile of ``drawn``."""
    units, window = drawn(*arguments)
    return learn(units, ZONE, window)


def off(weights):
    """Root mean square distance of weights from the true ones."""
    return float(np.sqrt(np.mean((np.array(weights) - TRUTH) ** 2)))


def test_a_long_history_gives_the_profile_back():
    """A year of 2,000 units a day: each weight within a few hundredths, and days as chance has them."""
    profile = learnt(52, 2000)
    assert off(profile.weights) < 0.05
    assert profile.day_variance < 0.003


def test_two_weeks_are_nearer_to_the_truth_than_their_raw_numbers():
    """40 units a day for two weeks: 560 units on 168 slots. Raw weights are wild; flat is further off as well."""
    units, window = drawn(2, 40)
    raw = np.zeros(SLOTS)
    for at, count in units:
        local = at.astimezone(zone_of(ZONE))
        raw[local.weekday() * 24 + local.hour] += count
    distance = off(learn(units, ZONE, window).weights)
    assert distance < 0.5 * off(raw / raw.mean())
    assert distance < 0.5 * off([1.0] * SLOTS)


def test_a_wild_day_is_told_as_a_variance_of_days_and_less_as_a_weekday():
    """A Tuesday of ten times the units, in two weeks: raw, each Tuesday would be 3.02 times the average day."""
    units, window = drawn(2, 2000)
    wild = [(at, 10 * n if window.start + 24 * HOUR <= at < window.start + 48 * HOUR else n) for at, n in units]
    profile, calm = learn(wild, ZONE, window), learn(units, ZONE, window)
    assert 1 < np.mean(profile.weights[24:48]) < 2.7
    assert profile.day_variance > 3 * calm.day_variance


@pytest.mark.parametrize("variance", [0.02, 0.1])
def test_the_variance_of_days_is_found(variance):
    """Drawn with NumPy: a year of 500 units a day with gamma levels."""
    assert learnt(52, 500, variance).day_variance == pytest.approx(variance, rel=0.25)


def test_chance_alone_is_no_variance_of_days():
    """Drawn with NumPy: 2,000 Poisson days of 20 units, whose own noise is 0.05."""
    counts = np.random.default_rng(3).poisson(20, 2000)
    assert day_variance([(float(n), 20.0) for n in counts]) < 0.005


def test_a_drift_over_months_is_no_variance_of_days():
    """Demand that doubles in a year: no day differs from the one before by more than chance."""
    days = [(500.0 * (1 + day / 364), 750.0) for day in range(365)]
    assert day_variance(days) < 0.003


def test_nothing_learnt_is_flat():
    """No unit, or none in the window: every hour alike, and days as cautiously as before."""
    window = weeks(2)
    for history in ([], [(window.end, 5)], [(window.start - HOUR, 5)]):
        assert learn(history, ZONE, window) == Profile.flat(ZONE, CAUTION.day_variance)


def test_the_hour_that_happened_twice_is_no_busier():
    """Dublin, four weeks with the Sunday of 25 October: one unit each true hour is flat, though 01:00 came five times.

    Read as a plain count it would weigh a quarter more than its neighbours.
    """
    window = weeks(4)
    history = [(window.start + n * HOUR, 1) for n in range(4 * SLOTS + 1)]
    profile = learn(history, ZONE, window)
    assert profile.weights == pytest.approx([1.0] * SLOTS)


@given(
    counts=st.lists(st.integers(0, 500), min_size=1, max_size=300),
    start=st.integers(0, 10_000),
    zone=st.sampled_from(["Europe/Dublin", "Asia/Kathmandu", "Australia/Lord_Howe"]),
)
def test_whatever_was_seen_a_profile_comes_of_it(counts, start, zone):
    """Any hours from anywhere on: weights above zero with mean 1, which `Profile` itself holds."""
    first = instant_of(MONDAY, "UTC") + start * HOUR
    history = [(first + n * HOUR, count) for n, count in enumerate(counts)]
    profile = learn(history, zone, Window(first, first + len(counts) * HOUR))
    assert min(profile.weights) > 0
    assert profile.day_variance >= 0
