"""Builds the board out of its parts: it reads a service's database and nothing else."""

from collections.abc import Callable

from makeweight.adapters.board.pulse import Looking, Pulse
from makeweight.adapters.board.server import application, serve
from makeweight.adapters.hosting import Clock
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.watching import Watching
from makeweight.adapters.local.wave import Wave
from makeweight.bootstrap import tune_collector, wall_clock
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.moments import Instant
from makeweight.settings import Settings


def run_board(
    settings: Settings, host: str, port: int, listening: Callable[[str, int], None], clock: Clock | None = wall_clock
) -> bool:
    """Serve the board of a state directory until the process is told to end; whether it could listen.

    Without a clock the picture is of the newest instant at which anything was handled: of a day that is long over, or
    that is played faster than it was. ``DatabaseError`` where the directory holds no service state.
    """
    for_pulse, for_pages = (Reader(settings.state, read_campaign) for _ in range(2))
    watching = Watching(for_pulse)

    def newest() -> Instant:
        handled = watching.watch.handled_at
        return handled if handled > SINCE_EVER else wall_clock()

    pulse = Pulse(Looking(watching, Wave(for_pulse), clock or newest).look)
    token = settings.token.get_secret_value() if settings.token else None
    try:
        app = application(pulse, for_pages, token)
        tune_collector()
        return serve(app, host, port, listening)
    finally:
        for_pages.close()
        for_pulse.close()
