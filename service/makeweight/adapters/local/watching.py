"""Keeps a watch up to date from a service's database, and draws its picture: read-only, and apart from the service.

Each round reads what the logs, the outbox and the rejects have got since the last one. The cost of a picture depends on
what is published and on what is open, not on how many orders there have been.
"""

from datetime import timedelta

from makeweight.adapters.local.reading import Reader
from makeweight.contracts.messages import NOTICE
from makeweight.domain.book import Book
from makeweight.domain.entries import Judged
from makeweight.domain.moments import Instant, Window
from makeweight.insight.learning import learn
from makeweight.insight.profile import Profile
from makeweight.planning.drawing import draw
from makeweight.planning.picture import Known, Limits, Picture
from makeweight.planning.watch import Watch, hour_of, instant_of_hour

CHUNK = 2_000  # rows of each log to a round
LAST = 2**63 - 1  # what a log's positions count to
LEARNS_FROM = timedelta(hours=48)
USUAL_DAY_VARIANCE = 0.03  # relative, of whole days: what calibration on a retailer's year found (tests/calibration)


class Watching:
    """A watch over one database. Not for several threads at once.

    ``profile`` is the shape of demand over a week. Without one it is learnt from the orders themselves once there are
    two days of them; until then every hour is taken to be like any other.
    """

    def __init__(self, reader: Reader, profile: Profile | None = None, limits: Limits | None = None) -> None:
        self._reader, self._profile = reader, profile
        self._limits = limits or Limits()
        self.watch = Watch()
        self._book, self._published = Book(), -1
        self._desk = self._ledger = self._notices = self._rejects = 0
        self._profiles: dict[tuple[str, int], Profile] = {}

    def pull(self, chunk: int = CHUNK) -> int:
        """Take in what is new, at most ``chunk`` rows of each log; how many that were. 0: up to date."""
        rejects = self._reader.rejects_after(self._rejects, chunk)
        for position, one in rejects:
            self.watch.reject(one, self._reader.judged_before(one.key, LAST) if one.key else None)
            self._rejects = position
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
        return len(rejects) + len(desk) + len(ledger) + len(notices)

    def picture(self, now: Instant) -> Picture:
        """The picture at an instant, of all that has been taken in."""
        published = self._reader.campaigns_published()
        if published != self._published:
            self._book, self._published = self._reader.book(), published
        history = self._history()
        learnt = self._profile is not None or history is not None
        known = Known(
            self._book,
            self._reader.tally(),
            self._reader.levels(),
            lambda zone: self._profile or self._learnt(zone, history),
            learnt,
        )
        return draw(self.watch, known, now, self._limits)

    def _history(self) -> Window | None:
        """The whole hours of which every order is known, once they are enough to learn from."""
        watermark = self.watch.watermark
        if watermark is None:
            return None
        window = Window(instant_of_hour(min(self.watch.orders_by_hour)), instant_of_hour(hour_of(watermark)))
        return window if window.length >= LEARNS_FROM else None

    def _learnt(self, zone: str, history: Window | None) -> Profile:
        last = hour_of(history.end) if history else 0
        profile = self._profiles.get((zone, last))
        if profile is None:
            # Learnt anew once an hour, and only the newest is kept.
            self._profiles = {key: kept for key, kept in self._profiles.items() if key[1] == last}
            hours = ((instant_of_hour(hour), count) for hour, count in self.watch.orders_by_hour.items())
            profile = learn(hours, zone, history) if history else Profile.flat(zone, USUAL_DAY_VARIANCE)
            self._profiles[zone, last] = profile
        return profile
