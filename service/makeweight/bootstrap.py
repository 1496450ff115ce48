"""The one composition root: builds what the commands run out of the parts."""

from collections.abc import Callable, Iterable
from dataclasses import field
from pathlib import Path
from zoneinfo import ZoneInfo

from makeweight.adapters.documents.campaigns import CampaignFile, read_files
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.orders import Line, read_jsonl
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.documents.table import Reading, Table
from makeweight.adapters.local.replay import Replay, Sink
from makeweight.domain.book import Book
from makeweight.domain.moments import zone_of
from makeweight.domain.values import value

Progress = Callable[[int], None]
MAX_TOLD = 20  # wrong rows told one by one


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
    except FileError as error:
        raise FileErrors([error]) from None
    for count, order in enumerate(table.orders(), 1):
        run.take(order)
        if run.collect_due:
            run.collect(forget=True)
            if progress:
                progress(count)
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
