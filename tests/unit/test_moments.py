"""Windows and instants against RFC 5545 section 3.3.5, the IANA zones and the worked examples.

'Ex-n' is a worked example of the rules of the trade. Hours and offsets are those of the IANA time zone database (2026f,
tzdata 2026.6); each is a fact of its zone, so a test that fails after an update of tzdata may tell of a new law.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from makeweight.domain.moments import ClockChange, instant_of, readings, seconds_between, window_of, zone_of

NEW_YORK = "America/New_York"
HOUR = timedelta(hours=1)


def local(text: str) -> datetime:
    """A wall-clock time."""
    return datetime.fromisoformat(text)


def utc(text: str) -> datetime:
    """An instant; the text is in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        # 'the DATE-TIME value refers to the first occurrence of the referenced time': 1:30 EDT, the offset of -4 h
        ("20071104T013000", "2007-11-04T05:30"),
        # 'interpreted using the UTC offset before the gap in local times': 3:30 EDT
        ("20070311T023000", "2007-03-11T07:30"),
    ],
)
def test_first_reading_is_that_of_rfc_5545(written, expected):
    """Source: RFC 5545 section 3.3.5, form 3, whose two examples these are; icalendar and zoneinfo agree."""
    event = icalendar.Event.from_ical(
        f"BEGIN:VEVENT\r\nUID:1\r\nDTSTART;TZID={NEW_YORK}:{written}\r\nEND:VEVENT\r\n",
    )
    naive = datetime.strptime(written, "%Y%m%dT%H%M%S")  # noqa: DTZ007 - wall-clock time is what it is about
    assert readings(naive, NEW_YORK)[0] == utc(expected)
    assert event["DTSTART"].dt.astimezone(UTC) == utc(expected)
    assert naive.replace(tzinfo=ZoneInfo(NEW_YORK), fold=0).astimezone(UTC) == utc(expected)


CLOCK_CHANGES = [
    # zone, wall clock, the two instants it could mean, whether the clock skips it
    (NEW_YORK, "2007-11-04T01:30", "2007-11-04T05:30", "2007-11-04T06:30", False),  # RFC 5545 3.3.5
    (NEW_YORK, "2007-03-11T02:30", "2007-03-11T06:30", "2007-03-11T07:30", True),  # RFC 5545 3.3.5
    (NEW_YORK, "2026-11-01T01:30", "2026-11-01T05:30", "2026-11-01T06:30", False),  # Ex-16
    # Days whose midnight does not exist (rules of the trade 2.11): the usual start of a campaign is no instant there.
    ("Africa/Cairo", "2026-04-24T00:00", "2026-04-23T21:00", "2026-04-23T22:00", True),
    ("America/Havana", "2026-03-08T00:00", "2026-03-08T04:00", "2026-03-08T05:00", True),
    ("America/Santiago", "2026-09-06T00:00", "2026-09-06T03:00", "2026-09-06T04:00", True),
    ("Asia/Beirut", "2026-03-29T00:00", "2026-03-28T21:00", "2026-03-28T22:00", True),
    # A clock that is changed by half an hour.
    ("Australia/Lord_Howe", "2026-10-04T02:15", "2026-10-03T15:15", "2026-10-03T15:45", True),
    ("Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45", "2026-04-04T15:15", False),
    # Samoa crossed the date line and had no 30 December 2011 at all.
    ("Pacific/Apia", "2011-12-30T00:00", "2011-12-29T10:00", "2011-12-30T10:00", True),
    ("Pacific/Apia", "2011-12-30T12:00", "2011-12-29T22:00", "2011-12-30T22:00", True),
    ("Pacific/Apia", "2011-12-30T23:59", "2011-12-30T09:59", "2011-12-31T09:59", True),
]


@pytest.mark.parametrize(("zone", "wall", "earlier", "later", "skipped"), CLOCK_CHANGES)
def test_a_time_that_names_no_one_instant_is_refused_with_both(zone, wall, earlier, later, skipped):
    """Source: the IANA zones; that it is refused rather than guessed is common practice, no source."""
    with pytest.raises(ClockChange) as refused:
        instant_of(local(wall), zone)
    assert (refused.value.earlier, refused.value.later) == (utc(earlier), utc(later))
    assert refused.value.skipped is skipped
    said = str(refused.value)
    assert all(part in said for part in (wall.replace("T", " "), zone, f"{earlier}Z", f"{later}Z"))
    assert ("does not exist" if skipped else "happens twice") in said


@pytest.mark.parametrize(("zone", "wall", "earlier", "later", "skipped"), CLOCK_CHANGES)
def test_both_readings_of_a_refused_time_put_rfc_5545_first(zone, wall, earlier, later, skipped):
    """Source: RFC 5545 section 3.3.5. The first of a repeated time is the earlier instant.

    The offset before a gap makes the later one of a skipped time.
    """
    in_order = (utc(later), utc(earlier)) if skipped else (utc(earlier), utc(later))
    assert readings(local(wall), zone) == in_order


@pytest.mark.parametrize(("zone", "wall", "earlier", "later", "skipped"), CLOCK_CHANGES)
def test_no_window_starts_or_ends_at_a_time_that_is_refused(zone, wall, earlier, later, skipped):
    """Common practice, no source: a boundary in a gap or fold is refused at planning, at either end."""
    at = local(wall)
    with pytest.raises(ClockChange):
        window_of(at, at + timedelta(days=7), zone)
    with pytest.raises(ClockChange):
        window_of(at - timedelta(days=7), at, zone)


def test_ex16_an_order_between_the_two_readings_is_why_a_choice_is_forced():
    """Ex-16: 'ends 1 Nov 01:30 New York'.

    An order at 05:45Z is out by RFC 5545 and in by the reading that favours the customer; to make the planner choose is
    common practice, no source.
    """
    with pytest.raises(ClockChange) as refused:
        window_of(local("2026-10-26"), local("2026-11-01T01:30"), NEW_YORK)
    assert refused.value.earlier <= utc("2026-11-01T05:45") < refused.value.later
    # An hour either side is one instant, as the message advises.
    assert instant_of(local("2026-11-01T00:30"), NEW_YORK) == utc("2026-11-01T04:30")
    assert instant_of(local("2026-11-01T02:30"), NEW_YORK) == utc("2026-11-01T07:30")


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("Africa/Cairo", "2026-04-24"),
        ("America/Havana", "2026-03-08"),
        ("America/Santiago", "2026-09-06"),
        ("Asia/Beirut", "2026-03-29"),
    ],
)
def test_a_day_without_midnight_begins_at_one_and_has_23_hours(zone, day):
    """Source: the IANA zones. One o'clock is the instant at which the day before ends."""
    one = instant_of(local(f"{day}T01:00"), zone)
    last = instant_of(local(day) - timedelta(minutes=1), zone)
    assert one - last == timedelta(minutes=1)
    assert window_of(local(f"{day}T01:00"), local(day) + timedelta(days=1), zone).length == 23 * HOUR


@pytest.mark.parametrize(
    ("zone", "first", "until", "start", "end", "hours"),
    [
        (NEW_YORK, "2026-10-26", "2026-11-02", "2026-10-26T04:00", "2026-11-02T05:00", 169),
        ("Europe/London", "2026-10-19", "2026-10-26", "2026-10-18T23:00", "2026-10-26T00:00", 169),
        ("Europe/Paris", "2026-03-23", "2026-03-30", "2026-03-22T23:00", "2026-03-29T22:00", 167),
    ],
)
def test_ex15_a_week_is_not_seven_times_24_hours(zone, first, until, start, end, hours):
    """Ex-15, whose instants are those of the IANA zones; half-open windows are common practice, no source."""
    window = window_of(local(first), local(until), zone)
    assert (window.start, window.end) == (utc(start), utc(end))
    assert window.length == hours * HOUR
    assert window.end != window.start + timedelta(days=7)
    assert window.holds(window.start)
    assert window.holds(window.end - timedelta.resolution)
    assert not window.holds(window.end)
    assert not window.holds(window.start - timedelta.resolution)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        (NEW_YORK, "2026-03-08", 23),
        (NEW_YORK, "2026-11-01", 25),
        ("Europe/London", "2026-03-29", 23),
        ("Europe/London", "2026-10-25", 25),
        ("Australia/Lord_Howe", "2026-10-04", 23.5),
        ("Australia/Lord_Howe", "2026-04-05", 24.5),
        ("Asia/Tokyo", "2026-03-29", 24),
    ],
)
def test_length_of_a_day(zone, day, hours):
    """Source: the IANA zones."""
    assert window_of(local(day), local(day) + timedelta(days=1), zone).length == hours * HOUR


def test_a_window_over_the_day_that_samoa_left_out():
    """Source: the IANA zones. From 29 to 31 December 2011 is one day of 24 hours in Apia: there was no 30th."""
    window = window_of(local("2011-12-29"), local("2011-12-31"), "Pacific/Apia")
    assert window.length == 24 * HOUR
    assert window.end == utc("2011-12-30T10:00")


@pytest.mark.parametrize("until", ["2026-11-23T00:00", "2026-11-22T00:00"])
def test_an_empty_window_is_refused(until):
    """Common practice, no source: a campaign that no order can fall into is a slip of the pen."""
    with pytest.raises(ValueError, match="window is empty: it would end"):
        window_of(local("2026-11-23"), local(until), "Europe/Dublin")


@pytest.mark.parametrize(
    "name", ["Europe/Dubln", "", "Dublin", "../../etc/passwd", "/etc/localtime", "IST+1", "Europe"]
)
def test_what_is_no_zone_is_refused(name):
    """Source: the IANA zones, by their names alone: no path, no offset, no folder."""
    with pytest.raises(ValueError, match="is not an IANA time zone; expected a name such as Europe/Dublin"):
        zone_of(name)


def test_seconds_of_a_late_arrival():
    """Ex-18 and Ex-20 (common practice, no source): placed 23:58:10 and heard of at 00:07:40 is 570 s late."""
    assert seconds_between(utc("2026-11-23T23:58:10"), utc("2026-11-24T00:07:40")) == 570
    assert seconds_between(utc("2026-11-24T10:05:00"), utc("2026-11-24T10:00:00")) == -300


@given(
    wall=st.datetimes(datetime(2000, 1, 1), datetime(2037, 12, 31)),  # noqa: DTZ001 - wall-clock times
    zone=st.sampled_from(sorted({zone for zone, *_ in CLOCK_CHANGES} | {"Asia/Tokyo", "Europe/Dublin", "UTC"})),
)
@example(wall=datetime(2011, 12, 30, 12), zone="Pacific/Apia")  # noqa: DTZ001 - as above
@example(wall=datetime(2026, 11, 1, 1, 30), zone=NEW_YORK)  # noqa: DTZ001 - as above
def test_an_instant_shows_the_wall_clock_it_was_made_from(wall, zone):
    """Source: the IANA zones. A time is taken exactly if one instant shows it, and refused if none or two do."""
    meant = set(readings(wall, zone))
    shown = [at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for at in meant]
    if len(meant) == 1:
        assert shown == [wall]
        assert {instant_of(wall, zone)} == meant
        return
    with pytest.raises(ClockChange) as refused:
        instant_of(wall, zone)
    assert shown.count(wall) == (0 if refused.value.skipped else 2)
    assert [refused.value.earlier, refused.value.later] == sorted(meant)
