"""Instants and windows: wall-clock times of an IANA zone, half-open, and no guess at a clock change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from makeweight.domain.values import value

Instant = datetime  # always with an offset; naive times stop at the wire


class ClockChange(ValueError):
    """A wall-clock time that does not name one instant: skipped or repeated when the zone's clock is changed."""

    def __init__(self, local: datetime, zone: str, earlier: Instant, later: Instant, *, skipped: bool) -> None:
        how = "does not exist (the clock is put forward over it)" if skipped else "happens twice (the clock goes back)"
        super().__init__(
            f"{local:%Y-%m-%d %H:%M} in {zone} {how}; it could mean {earlier:%Y-%m-%dT%H:%MZ} or "
            f"{later:%Y-%m-%dT%H:%MZ}. Choose a time that names one instant, such as an hour earlier or later."
        )
        self.earlier, self.later, self.skipped = earlier, later, skipped


def zone_of(name: str) -> ZoneInfo:
    """The IANA zone called ``name``; ``ValueError`` if there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is not an IANA time zone; expected a name such as Europe/Dublin") from None


def readings(local: datetime, zone: str) -> tuple[Instant, Instant]:
    """The instants that a naive local time could mean, in UTC: twice the same one, unless the clock is changed then.

    RFC 5545 section 3.3.5 takes the first of a repeated time, and the offset before the gap for a skipped one; both
    are the first of the pair (``fold=0``).
    """
    info = zone_of(zone)
    try:
        first, second = (local.replace(tzinfo=info, fold=fold).astimezone(UTC) for fold in (0, 1))
    except OverflowError:
        raise ValueError(f"{local} in {zone}: expected a time between the years 1 and 9999 of UTC") from None
    return first, second


def instant_of(local: datetime, zone: str) -> Instant:
    """The one instant, in UTC, that a naive local time names; ``ClockChange`` where it names none or two."""
    first, second = readings(local, zone)
    if first != second:
        raise ClockChange(local, zone, min(first, second), max(first, second), skipped=first > second)
    return first


@value
class Window:
    """A half-open span [start, end) of instants."""

    start: Instant
    end: Instant

    def holds(self, instant: Instant) -> bool:
        """Whether the instant lies in the window; its end does not."""
        return self.start <= instant < self.end

    @property
    def length(self) -> timedelta:
        """The window's true length; a week in which the clock is changed has 167 or 169 hours."""
        return self.end - self.start


def window_of(start: datetime, end: datetime, zone: str) -> Window:
    """The window between two naive local times of a zone. ``ValueError`` where it would be empty."""
    window = Window(instant_of(start, zone), instant_of(end, zone))
    if window.start >= window.end:
        raise ValueError(f"the window is empty: it would end ({end:%Y-%m-%d %H:%M}) at or before its start")
    return window


def days_after(instant: Instant, zone: str, days: int) -> Instant:
    """The same wall-clock time of a zone some days later; where the clock is changed then, the later reading."""
    try:
        return max(readings(instant.astimezone(zone_of(zone)).replace(tzinfo=None) + timedelta(days=days), zone))
    except (OverflowError, ValueError):  # beyond the last year that there is
        return datetime.max.replace(tzinfo=UTC)


def seconds_between(earlier: Instant, later: Instant) -> float:
    """Seconds from one instant to another; negative if they are the other way round."""
    return (later - earlier).total_seconds()
