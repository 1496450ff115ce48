"""Exposure hours: clock changes, their inverse, and what a profile is."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from makeweight.domain.moments import instant_of
from makeweight.insight.profile import SLOTS, Profile

ZONES = ("Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Africa/Casablanca", "UTC")


def profile_of(zone, weights):
    """A profile with these weights brought to mean 1."""
    mean = sum(weights) / len(weights)
    return Profile(zone, tuple(weight / mean for weight in weights))


profiles = st.builds(profile_of, st.sampled_from(ZONES), st.lists(st.floats(0.05, 5), min_size=SLOTS, max_size=SLOTS))
instants = st.datetimes(datetime(2016, 1, 1), datetime(2031, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - the zone is an argument of its own
spans = st.timedeltas(timedelta(0), timedelta(days=40))


def by_the_minute(profile, start, end):
    """The integral worked out minute by minute with zoneinfo alone; only for spans of whole minutes."""
    total, at = 0.0, start
    while at < end:
        local = at.astimezone(ZoneInfo(profile.zone))
        total += profile.weights[local.weekday() * 24 + local.hour] / 60
        at += timedelta(minutes=1)
    return total


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/New_York", datetime(2026, 3, 8), 23),  # noqa: DTZ001 - local, as all days here
        ("America/New_York", datetime(2026, 11, 1), 25),  # noqa: DTZ001
        ("Europe/London", datetime(2026, 3, 29), 23),  # noqa: DTZ001
        ("Europe/London", datetime(2026, 10, 25), 25),  # noqa: DTZ001
        ("Australia/Lord_Howe", datetime(2026, 10, 4), 23.5),  # noqa: DTZ001
        ("Australia/Lord_Howe", datetime(2026, 4, 5), 24.5),  # noqa: DTZ001
        ("Europe/London", datetime(2026, 6, 1), 24),  # noqa: DTZ001
    ],
)
def test_a_day_of_a_clock_change_has_as_many_slots_as_hours(zone, day, hours):
    """Source: IANA time zone database (2026 rules). A flat profile counts true hours, each slot once or twice."""
    start, end = instant_of(day, zone), instant_of(day + timedelta(days=1), zone)
    assert Profile.flat(zone).exposure_hours(start, end) == pytest.approx(hours, abs=1e-9)


def test_the_hour_that_happens_twice_counts_twice():
    """Dublin, 25 October 2026: 01:00 to 02:00 twice. In March it does not happen at all."""
    weights = [1.0] * SLOTS
    weights[6 * 24 + 1] = 9.0  # Sunday 01:00
    profile = profile_of("Europe/Dublin", weights)
    heavy = profile.weights[6 * 24 + 1]
    autumn = [datetime(2026, 10, day, tzinfo=UTC) for day in (24, 26)]
    spring = [datetime(2026, 3, day, tzinfo=UTC) for day in (28, 30)]
    light = profile.weights[0]
    assert profile.exposure_hours(*autumn) == pytest.approx(2 * heavy + 46 * light)
    assert profile.exposure_hours(*spring) == pytest.approx(48 * light)


@given(
    profile=profiles, start=instants.map(lambda at: at.replace(second=0, microsecond=0)), minutes=st.integers(0, 4000)
)
def test_exposure_is_that_of_zoneinfo_minute_by_minute(profile, start, minutes):
    """Reference: the standard library's zones, asked at each minute."""
    end = start + timedelta(minutes=minutes)
    assert profile.exposure_hours(start, end) == pytest.approx(by_the_minute(profile, start, end), abs=1e-7)


@given(profile=profiles, start=instants, one=spans, other=spans)
def test_exposure_adds_up(profile, start, one, other):
    """Of two spans that follow on each other it is the sum, and never negative."""
    middle, end = start + one, start + one + other
    whole = profile.exposure_hours(start, end)
    assert whole == pytest.approx(profile.exposure_hours(start, middle) + profile.exposure_hours(middle, end), abs=1e-7)
    assert whole >= 0
    assert profile.exposure_hours(end, start) == 0


@given(profile=profiles, start=instants, span=spans)
def test_when_is_the_inverse_of_exposure(profile, start, span):
    """The instant at which the exposure of a span has passed is the span's end, to a thousandth of a second."""
    end = start + span
    found = profile.when(start, profile.exposure_hours(start, end), end)
    assert found is not None
    assert abs(found - end) < timedelta(milliseconds=1)


@given(profile=profiles, start=instants, hours=st.floats(0.001, 400))
def test_exposure_is_the_inverse_of_when(profile, start, hours):
    """And the other way round; what isn't reached by the limit has no instant."""
    limit = start + timedelta(days=60)
    found = profile.when(start, hours, limit)
    total = profile.exposure_hours(start, limit)
    assume(abs(total - hours) > 1e-6)
    assert (found is None) == (total < hours)
    if found is not None:
        assert profile.exposure_hours(start, found) == pytest.approx(hours, abs=1e-6)


def test_a_week_of_any_profile_has_168_exposure_hours_unless_the_clock_is_changed():
    """The trap '7 x 24 h': 167 and 169 in the weeks of the change, with a flat profile."""
    flat = Profile.flat("America/New_York")
    starts = {datetime(2026, 3, 2): 167, datetime(2026, 10, 26): 169, datetime(2026, 6, 1): 168}  # noqa: DTZ001
    for start, hours in starts.items():
        span = instant_of(start, flat.zone), instant_of(start + timedelta(days=7), flat.zone)
        assert flat.exposure_hours(*span) == pytest.approx(hours, abs=1e-9)


def test_hours_without_weight_pass_in_no_time():
    """A shop that is shut from midnight to noon: what is used up at midnight is so then, not at noon."""
    profile = profile_of("UTC", ([0.0] * 12 + [1.0] * 12) * 7)
    evening = datetime(2026, 11, 24, 22, tzinfo=UTC)
    midnight = datetime(2026, 11, 25, tzinfo=UTC)
    assert profile.when(evening, 4.0, evening + timedelta(days=7)) == midnight
    assert profile.when(evening, 4.5, evening + timedelta(days=7)) == midnight + timedelta(hours=12.25)
    assert profile.when(midnight, 0.0, midnight) == midnight
    assert profile.when(midnight, 0.0, evening) is None


@pytest.mark.parametrize(
    ("zone", "weights", "variance", "message"),
    [
        ("Mars/Olympus", (1.0,) * SLOTS, 0.0, "not an IANA time zone"),
        ("UTC", (1.0,) * 24, 0.0, "expected 168"),
        ("UTC", (2.0,) * SLOTS, 0.0, "mean is 2"),
        ("UTC", (-1.0, 3.0) + (1.0,) * (SLOTS - 2), 0.0, "negative or no number"),
        ("UTC", (float("nan"),) * SLOTS, 0.0, "negative or no number"),
        ("UTC", (1.0,) * SLOTS, -0.1, "from 0 up"),
    ],
)
def test_what_is_no_profile(zone, weights, variance, message):
    """Refused with what was expected."""
    with pytest.raises(ValueError, match=message):
        Profile(zone, weights, variance)
