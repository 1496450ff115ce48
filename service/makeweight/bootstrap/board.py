"""Builds the board out of its parts: it reads the service's database, or a copy of its topics, and nothing else."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext

from makeweight.adapters.board.changes import Changing
from makeweight.adapters.board.gate import is_loopback
from makeweight.adapters.board.pulse import Looking, Pulse, Told
from makeweight.adapters.board.resident import Resident
from makeweight.adapters.board.server import application, serve
from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.mirror import Mirror
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.watching import Watching
from makeweight.adapters.local.wave import Wave
from makeweight.bootstrap import tune_collector, wall_clock
from makeweight.bootstrap.changing import Changes
from makeweight.bootstrap.kafka import broker_of
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.moments import Instant
from makeweight.insight.profile import Profile
from makeweight.settings import Settings

END_SECONDS = 10


class OpenToAll(RuntimeError):
    """Whoever reaches the board could publish changes; the message says what to do."""


def run_board(
    settings: Settings,
    port: int,
    listening: Callable[[str, int], None],
    clock: Clock | None = wall_clock,
    profile: Profile | None = None,
    *,
    on_kafka: bool = False,
    changes: bool = False,
) -> None:
    """Serve the board until the process is told to end. ``OSError`` if it can't listen.

    On Kafka the state directory is where the board keeps its copy of the topics. Without a clock the picture is of the
    newest instant at which anything was handled: of a day that is long over, or that is played faster than it was.
    With ``changes`` whoever sees the board may publish them: ``OpenToAll`` where that is anybody who can reach it.
    ``DatabaseError`` where the directory holds no service state; ``KafkaProblem`` where it can't hold the copy.
    """
    token = settings.token.get_secret_value() if settings.token else None
    if changes and not token and not is_loopback(settings.host if ":" not in settings.host else f"[{settings.host}]"):
        text = f"with --changes anyone who can reach {settings.host} could publish: set MAKEWEIGHT_TOKEN"
        raise OpenToAll(f"{text}, or listen on 127.0.0.1")
    with _copying(settings) if on_kafka else nullcontext(lambda: Told(True, "")) as source:
        for_pulse, for_pages = (Reader(settings.state, read_campaign) for _ in range(2))

        def begin() -> tuple[Watching, Wave]:
            return Watching(for_pulse, profile), Wave(for_pulse)

        pulse = Pulse(Looking(begin, lambda w: clock() if clock else _newest(w), for_pulse.generation, source).look)

        def now() -> Instant:
            view = pulse.now.view
            return clock() if clock else view.picture.at if view is not None else wall_clock()

        mirror = settings.state if on_kafka else None
        resident = Resident(lambda: Changes(settings, now, mirror), for_pages.generation)
        reached = ("--kafka", str(settings.kafka)) if on_kafka else ("--state", str(settings.state.resolve()))
        try:
            app = application(pulse, for_pages, Changing(resident, reached, changes), token)
            tune_collector()
            serve(app, settings.host, port, listening)
        finally:
            resident.close()
            for_pages.close()
            for_pulse.close()


def _newest(watching: Watching) -> Instant:
    handled = watching.watch.handled_at
    return handled if handled > SINCE_EVER else wall_clock()


@contextmanager
def _copying(settings: Settings) -> Iterator[Callable[[], Told]]:
    """Keep the copy of the topics up to date beside the pages; what is yielded says how it fares."""
    mirror, stop = Mirror(broker_of(settings), Names(settings.prefix), settings.state), threading.Event()
    copying = threading.Thread(target=mirror.run, args=(stop,), name="mirror", daemon=True)
    copying.start()

    def source() -> Told:
        if mirror.failed is not None:
            return Told(True, f"The copy of the topics is no longer kept up: {mirror.failed}")
        if mirror.caught_up:
            return Told(True, "")
        records = sum(mirror.lag().values())
        if records:
            return Told(False, f"{records:,} records behind the topics.")
        if mirror.unanswered:
            return Told(True, "The broker does not answer.")
        return Told(False, "Waiting for the broker's answer.")

    try:
        yield source
    finally:
        stop.set()
        copying.join(END_SECONDS)
