"""Keeps a watch up to date from a service's database, and draws its picture: read-only, and apart from the service.

Each round reads what the logs and the outbox have got since the last one. The cost of a picture depends on what is
published and on what is open, not on how many orders there have been.
"""

from makeweight.adapters.local.reading import Reader
from makeweight.contracts.messages import NOTICE
from makeweight.domain.book import Book
from makeweight.domain.entries import Judged
from makeweight.domain.moments import Instant
from makeweight.insight.profile import Profile
from makeweight.planning.drawing import draw
from makeweight.planning.picture import Known, Limits, Picture
from makeweight.planning.watch import Watch

CHUNK = 2_000  # rows of each log to a round


class Watching:
    """A watch over one database. Not for several threads at once.

    ``profile`` is the shape of demand over a week; without one, every hour is taken to be like any other.
    """

    def __init__(self, reader: Reader, profile: Profile | None = None, limits: Limits | None = None) -> None:
        self._reader, self._profile = reader, profile
        self._limits = limits or Limits()
        self.watch = Watch()
        self._book, self._published = Book(), -1
        self._desk = self._ledger = self._notices = 0
        self._profiles: dict[str, Profile] = {}

    def pull(self, chunk: int = CHUNK) -> int:
        """Take in what is new, at most ``chunk`` rows of each log; how many that were. 0: up to date."""
        desk = self._reader.desk_entries_after(self._desk, chunk)
        for position, entry in desk:
            before = self._reader.judged_before(entry.order.order, position) if isinstance(entry, Judged) else None
            self.watch.desk(entry, before)
            self._desk = position
        ledger = self._reader.ledger_entries_after(self._ledger, chunk)
        for position, settled in ledger:
            self.watch.ledger(settled)
            self._ledger = position
        notices = self._reader.outbox_after("notices", self._notices, chunk)
        for position, _, body in notices:
            self.watch.notice(NOTICE.loads(body))
            self._notices = position
        return len(desk) + len(ledger) + len(notices)

    def picture(self, now: Instant) -> Picture:
        """The picture at an instant, of all that has been taken in."""
        published = self._reader.campaigns_published()
        if published != self._published:
            self._book, self._published = self._reader.book(), published
        known = Known(
            self._book,
            self._reader.tally(),
            self._reader.levels(),
            self._profile_of,
            self._profile is not None,
            self._reader.holds,
        )
        return draw(self.watch, known, now, self._limits)

    def _profile_of(self, zone: str) -> Profile:
        if self._profile is not None:
            return self._profile
        if zone not in self._profiles:
            self._profiles[zone] = Profile.flat(zone)
        return self._profiles[zone]
