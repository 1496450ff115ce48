"""The one composition root: builds what the commands run out of the parts."""

import contextlib  # not its `closing` by name: that is a module of this package
import gc
import itertools
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from aiohttp import web

from makeweight.adapters.documents.campaigns import CampaignFile, read_files
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.orders import Line, read_jsonl
from makeweight.adapters.documents.publishing import Published
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.documents.table import Reading, Table
from makeweight.adapters.hosting import Clock, Incoming
from makeweight.adapters.http.app import Ports, application
from makeweight.adapters.local.database import claim_directory, connect
from makeweight.adapters.local.host import Host, Receipt
from makeweight.adapters.local.intake import Intake, Limits, NotTaken
from makeweight.adapters.local.publishing import publish
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.replay import Replay, Sink
from makeweight.adapters.telemetry.metrics import Metrics, Totals
from makeweight.adapters.telemetry.watcher import TelemetryWatcher
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign
from makeweight.domain.claims import StockCommand, Tick
from makeweight.domain.moments import Instant, zone_of
from makeweight.domain.values import value
from makeweight.planning.checking import Check, Finding, check, each
from makeweight.planning.rejects import PutAside
from makeweight.settings import Settings

Progress = Callable[[int], None]
MAX_TOLD = 20  # wrong rows told one by one
FULL_SECONDS = 0.05  # between two tries to hand in a batch


def wall_clock() -> Instant:
    """The only place where the program asks for the time."""
    return datetime.now(UTC)


@value
class ReplayRequest:
    """What to replay."""

    campaigns: list[Path]
    lines: Path | None = None
    orders: Path | None = None
    stock: Path | None = None
    zone: str | None = None
    columns: dict[str, str] = field(default_factory=dict)


@value
class ReplayResult:
    """The summary, and what was wrong with rows that were kept out."""

    run: Replay
    summary: dict[str, object]
    rejected: list[str]


def tune_collector() -> None:
    """Look for cycles less often: values hold none, and a search goes through every order that is in memory."""
    gc.freeze()
    gc.set_threshold(100_000, 50, 100)


def read_book(paths: Iterable[Path]) -> tuple[Book, list[CampaignFile]]:
    """The campaigns of files that a replay uses; two revisions of one campaign must say when each takes effect."""
    files = read_files(paths)
    by_campaign: dict[str, list[CampaignFile]] = {}
    for file in files:
        by_campaign.setdefault(file.campaign.campaign, []).append(file)
    for campaign, revisions in by_campaign.items():
        silent = [f for f in revisions if f.document.get("effective") is None]
        if len(revisions) > 1 and len(silent) > 1:
            text = f"campaign {campaign!r} has several revisions here; say `effective:` in all but the first"
            raise FileErrors([FileError(silent[1].path, 1, text)])
    return Book(file.campaign for file in files), files


def run_replay(request: ReplayRequest, sink: Sink | None = None, progress: Progress | None = None) -> ReplayResult:
    """Replay orders against campaigns in memory. ``FileErrors`` where a file can't be used at all."""
    book, _ = read_book(request.campaigns)
    first = min((c.window.start for c in book), default=None)
    stock = None
    if request.stock is not None and first is not None:
        stock = read_stock(request.stock, book, first)
    run = Replay(book, stock, sink)
    rejected, told = _replay_table(run, request, progress) if request.lines else _replay_events(run, request, progress)
    return ReplayResult(run, run.summary(rejected), told)


def _replay_table(run: Replay, request: ReplayRequest, progress: Progress | None) -> tuple[int, list[str]]:
    assert request.lines is not None
    currencies = sorted({c.currency for c in run.engine.book})
    if len(currencies) > 1:
        text = f"the campaigns are in {' and '.join(currencies)}; a table's amounts are in one currency"
        raise FileErrors([FileError(request.lines, None, text)])
    market = next((c.markets[0] for c in run.engine.book), "")
    zone: ZoneInfo | None = zone_of(request.zone) if request.zone else None
    try:
        table = Table(request.lines, Reading(request.columns, zone, currencies[0] if currencies else "EUR", market))
        for count, order in enumerate(table.orders(), 1):
            run.take(order)
            if run.collect_due:
                run.collect(forget=True)
                if progress:
                    progress(count)
    except FileError as error:
        raise FileErrors([error]) from None
    run.collect(forget=True)
    return table.rejected, table.told


def _replay_events(run: Replay, request: ReplayRequest, progress: Progress | None) -> tuple[int, list[str]]:
    assert request.orders is not None
    rejected = 0
    told: list[str] = []
    try:
        for count, line in enumerate(read_jsonl(request.orders), 1):
            problem = _take_line(run, line)
            if problem is not None:
                rejected += 1
                if len(told) < MAX_TOLD:
                    told.append(f"{request.orders}:{line.number}: {problem}")
            if run.collect_due:
                run.collect()
                if progress:
                    progress(count)
    except OSError as error:
        raise FileErrors([FileError(request.orders, None, f"cannot be read: {error.strerror}")]) from None
    return rejected, told


def _take_line(run: Replay, line: Line) -> str | None:
    if line.error is not None:
        return line.error.sentence
    assert line.body is not None
    verdict = run.take(line.body, line.digest)
    return verdict.problem.sentence if verdict.problem else None


class Embedded:
    """The embedded service: database, host, intake and endpoint, built from settings."""

    def __init__(self, settings: Settings, clock: Clock = wall_clock) -> None:
        self._settings, self._clock = settings, clock
        self.metrics = Metrics()
        self._claim = claim_directory(settings.state)
        self._connection = connect(settings.state)
        self.host = Host(self._connection, clock, read_campaign)
        self.host.watcher = TelemetryWatcher(self.metrics)
        self.reader = Reader(settings.state, read_campaign)
        self.metrics.registry.register(Totals(self.reader.book, self.reader.tally, self.reader.levels))
        limits = Limits(settings.batch, settings.linger_ms / 1_000, settings.queue)
        self.intake = Intake(self.host, limits)

    def application(self) -> web.Application:
        """The HTTP endpoint."""
        token = self._settings.token
        return application(
            Ports(
                submit=self.intake.submit,
                tickets_after=self.reader.tickets_after,
                exposition=self._exposition,
                healthy=self._healthy,
                token=token.get_secret_value() if token else None,
            )
        )

    def _exposition(self) -> tuple[bytes, str]:
        for campaign in self.reader.book():
            for offer in campaign.offers:
                self.metrics.open_offer(offer.key)
        self.metrics.waiting.set(self.intake.waiting)
        return self.metrics.exposition()

    def _healthy(self) -> str | None:
        return None if self.intake.failed is None else f"the last commit failed: {self.intake.failed}"

    def take_up(self) -> None:
        """Work on what `publish` has put into the database."""
        if self.reader.pending():
            self.intake.submit([]).result()

    def keep_time(self) -> None:
        """Let the desk hear the time, if anything is due by it: most of the time nothing is, and nothing is written."""
        now = self._clock()
        if self.reader.due(now):
            tick = Tick(f"tick:{now.isoformat()}", now)
            self.intake.submit([Incoming("decisions", "", "makeweight/clock", tick.id, dumps(tick), tick)]).result()

    def take_lines(self, lines: Iterable[Line], source: str) -> dict[str, int]:
        """Take in the lines of a file or stream; how many ended in which result."""
        found: dict[str, int] = {}
        batch: list[Incoming] = []
        for line in lines:
            batch.append(_incoming(line, source))
            if len(batch) >= min(self._settings.batch, self._settings.queue):
                self._take_batch(batch, found)
                batch = []
        self._take_batch(batch, found)
        return found

    def _take_batch(self, batch: list[Incoming], found: dict[str, int]) -> None:
        if batch:
            for receipt in self._submitted(batch).result():
                found[receipt.result] = found.get(receipt.result, 0) + 1

    def _submitted(self, batch: list[Incoming]) -> "Future[list[Receipt]]":
        """Hand in a batch; while there is no room for it, wait: a file or a stream can."""
        while True:
            try:
                return self.intake.submit(batch)
            except NotTaken:
                time.sleep(FULL_SECONDS)

    def take_folder(self, folder: Path) -> None:
        """Take in every *.jsonl file of a folder, by name, and move it to `done` beside it.

        A file is moved only after its last event is on the disk; after a crash it is read again, and its events are
        repeats that change nothing.
        """
        done = folder / "done"
        done.mkdir(parents=True, exist_ok=True)
        for path in sorted(p for p in folder.glob("*.jsonl") if p.is_file()):
            self.take_lines(read_jsonl(path), path.name)
            path.rename(_free_name(done / path.name))

    def close(self) -> None:
        """Commit what waits and close the database."""
        self.intake.stop()
        self.reader.close()
        self._connection.close()
        self._claim.close()


def _free_name(path: Path) -> Path:
    """The path, or one beside it with a number, so that no file is written over."""
    names = (path.with_stem(f"{path.stem}-{n}") for n in itertools.count(2))
    return next(name for name in itertools.chain([path], names) if not name.exists())


def _incoming(line: Line, source: str) -> Incoming:
    return Incoming(line.kind, line.order, source, str(line.number), line.raw, line.body, line.digest, line.error)


def publish_files(
    settings: Settings, campaigns: Iterable[Path], stock: Path | None, clock: Clock = wall_clock
) -> tuple[list[Published], int]:
    """Validate campaigns and stock and put them on the service. ``FileErrors``, and nothing done, if any is wrong."""
    files = read_files(campaigns)
    connection = connect(settings.state)
    try:
        now = clock()
        known = Book(read_campaign(body) for (body,) in connection.execute("SELECT body FROM campaigns"))
        book = Book(
            [*known, *(f.campaign for f in files if known.get(f.campaign.campaign, f.campaign.revision) is None)]
        )
        receipts = read_stock(stock, book, now) if stock is not None else []
        return publish(connection, files, receipts, now), len(receipts)
    finally:
        connection.close()


def hand_to_ledger(settings: Settings, command: StockCommand, clock: Clock = wall_clock) -> None:
    """Put what a person says of stock on the service. ``WireError``, and nothing done, if it can't be said."""
    read_command(dumps(command))
    connection = connect(settings.state)
    try:
        publish(connection, [], [command], clock())
    finally:
        connection.close()


def check_files(
    campaigns: Iterable[Path], stock: Path | None, published: Iterable[Campaign] = (), clock: Clock = wall_clock
) -> Check:
    """Check draft campaigns, and nothing else: nothing is written. ``FileErrors`` where a file is no campaign."""
    drafts, known, now = [file.campaign for file in read_files(campaigns)], list(published), clock()
    receipts = read_stock(stock, Book([*known, *drafts]), now) if stock is not None else None
    return check(drafts, known, receipts, now)


def giving_nothing(campaigns: Iterable[Path], clock: Clock = wall_clock) -> list[Finding]:
    """What of campaign files would give nothing, each offer and gift looked at for itself."""
    found = each([file.campaign for file in read_files(campaigns)], [], clock())
    return [one for one in found if one.weight == "wrong"]


def book_of(settings: Settings) -> Book:
    """What is published on an embedded service."""
    with contextlib.closing(Reader(settings.state, read_campaign)) as reader:
        return reader.book()


def explain(settings: Settings, order: str) -> dict[str, Any] | None:
    """The story of an order on an embedded service, or None if it was never taken in there."""
    with contextlib.closing(Reader(settings.state, read_campaign)) as reader:
        return reader.explain(order)


def rejects(settings: Settings, limit: int, key: str | None = None) -> list[PutAside]:
    """The latest inputs that an embedded service put aside, the newest first; ``key``: of that key alone."""
    with contextlib.closing(Reader(settings.state, read_campaign)) as reader:
        return reader.rejects(limit, key=key)
