"""One look at the database for everybody: a picture every two seconds, handed to each open page that wants it.

What a page costs is what is sent to it. Looking happens in a thread of its own: a long look keeps no page waiting.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from functools import cached_property
from typing import NamedTuple

from makeweight.adapters.board import cards
from makeweight.adapters.board.cards import Piece
from makeweight.adapters.local.watching import Watching
from makeweight.adapters.local.wave import Listed, Wave
from makeweight.adapters.telemetry.logs import logger
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.picture import Picture

EVERY_SECONDS = 2.0
LOOK_SECONDS = 1.5  # of reading at a time, so that a board that starts on a long log shows how far it is


class View:
    """What all pages show of one picture; its pieces are made when the first page asks for them."""

    def __init__(self, picture: Picture, tickets: Sequence[Listed], number: int) -> None:
        self.picture, self.tickets, self.number = picture, tickets, number
        self._exceptions: dict[str | None, list[Piece]] = {}

    @cached_property
    def offers(self) -> dict[str, list[Piece]]:
        """The cards of the offers, by group."""
        return cards.offers(self.picture)

    @cached_property
    def signals(self) -> list[Piece]:
        """The boxes of the signals."""
        return cards.signals(self.picture)

    @cached_property
    def status(self) -> str:
        """How far the numbers reach."""
        return cards.status(self.picture)

    @cached_property
    def rejects(self) -> list[Piece]:
        """The rows of what was put aside."""
        return cards.rejects(self.picture)

    def exceptions(self, kind: str | None) -> list[Piece]:
        """The rows of the exceptions desk."""
        if kind not in self._exceptions:
            self._exceptions[kind] = cards.exceptions(self.picture, kind)
        return self._exceptions[kind]


@value
class Now:
    """What a page is told: the view, if there is one yet; how many rows are read; what keeps it from being newer."""

    view: View | None = None
    rows: int = 0
    problem: str = ""


class Told(NamedTuple):
    """Of a database: whether a picture of it is whole, and what keeps it from being new."""

    whole: bool
    problem: str


class Looking:
    """Reads what is new and draws the picture. Not for several threads at once.

    ``begin`` makes what reads the database from its beginning; it is made again where ``generation`` says that the
    database was. ``source`` tells how the database itself fares.
    """

    def __init__(
        self,
        begin: Callable[[], tuple[Watching, Wave]],
        clock: Callable[[Watching], Instant],
        generation: Callable[[], int] = lambda: 0,
        source: Callable[[], Told] = lambda: Told(True, ""),
    ) -> None:
        self._begin, self._clock, self._generation, self._source = begin, clock, generation, source
        self._looks = 0
        self._start()

    def _start(self) -> None:
        self._known, self._rows, self._up_to_date = self._generation(), 0, False
        self._watching, self._wave = self._begin()

    def look(self) -> Now:
        """Take in what is new for a while; the picture of it once everything from before has been read."""
        if self._generation() != self._known:
            self._start()
        told = self._source()  # first: what is whole now is read to its end below
        until = time.monotonic() + LOOK_SECONDS
        left = 1
        while left and time.monotonic() < until:
            left = self._watching.pull() + self._wave.pull()
            self._rows += left
        self._up_to_date = self._up_to_date or (not left and told.whole)
        if not self._up_to_date:
            return Now(None, self._rows, told.problem)
        self._looks += 1
        picture = self._watching.picture(self._clock(self._watching))
        return Now(View(picture, list(self._wave.tickets()), self._looks), self._rows, told.problem)


Show = Callable[[Now], None]


class Pulse:
    """Looks again and again, and tells every page that listens."""

    def __init__(self, look: Callable[[], Now], every_seconds: float = EVERY_SECONDS) -> None:
        self._look, self._every = look, every_seconds
        self._pages: set[Show] = set()
        self.now = Now()

    def listen(self, show: Show) -> Callable[[], None]:
        """Tell a page from now on; what is returned ends that."""
        self._pages.add(show)
        return lambda: self._pages.discard(show)

    @property
    def pages(self) -> int:
        """How many pages listen."""
        return len(self._pages)

    def _tell(self, show: Show) -> None:
        try:
            show(self.now)
        except Exception as error:  # noqa: BLE001 - a page that can't be drawn must not keep all others from being so
            logger().error("page_not_drawn", reason=repr(error))
            self._pages.discard(show)

    async def run(self) -> None:
        """Look until cancelled. A look that fails is told on every page, and tried again."""
        while True:
            began = time.monotonic()
            try:
                self.now = await asyncio.to_thread(self._look)
            except Exception as error:  # noqa: BLE001 - whatever it is, the pages say so and the board goes on
                logger().error("not_looked", reason=str(error))
                self.now = Now(self.now.view, self.now.rows, f"The database can't be read: {error}")
            for show in list(self._pages):
                if show in self._pages:  # it may have been closed while the others were told
                    self._tell(show)
                await asyncio.sleep(0)  # an answer to someone who clicks doesn't wait for all the others
            waiting = 0.0 if self.now.view is None and not self.now.problem else self._every
            await asyncio.sleep(max(0.05, waiting - (time.monotonic() - began)))
