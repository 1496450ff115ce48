"""Play the demo's day through the embedded service and show what happened: ``make demo``.

The service is the real one: its database, its stages, its metrics. Only its clock is the day's, so that two runs print
the same figures. The state stays in ``build/demo`` for a look with ``makeweight explain`` and ``makeweight serve``.
"""

import shutil
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from deploy.demo.day import FOUR, day
from deploy.demo.floor import ANNEX, GIFT, IN_TIME, NOTEBOOK, RETURNED, SHORT, TOO_LATE, stocktaking
from makeweight.adapters.documents.orders import read_one
from makeweight.adapters.hosting import Incoming
from makeweight.adapters.telemetry.logs import configure
from makeweight.bootstrap import Embedded, explain, publish_files, tune_collector
from makeweight.cli.explain import show
from makeweight.contracts.codec import dumps, parse
from makeweight.domain.money import to_major
from makeweight.insight.rates import wilson
from makeweight.insight.summary import short_names
from makeweight.settings import Settings

HERE = Path(__file__).parent
STATE = Path("build") / "demo"
PUBLISHED_AT = datetime(2026, 11, 20, 8, 59, tzinfo=UTC)
BATCH = 50  # events to a commit: a few minutes of the day
BAR = 20

out = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
err = Console(stderr=True)


class DayClock:
    """The day's time: the latest instant at which an event arrived."""

    def __init__(self) -> None:
        self.now = PUBLISHED_AT

    def __call__(self) -> datetime:
        """The instant of handling."""
        return self.now

    def see(self, event: dict[str, Any]) -> None:
        """An event arrives."""
        self.now = max(self.now, datetime.fromisoformat(event["time"]))


def play() -> None:
    """Publish, play the day, and tell what came of it."""
    shutil.rmtree(STATE, ignore_errors=True)
    configure("error")
    clock = DayClock()
    settings = Settings(state=STATE)
    service = opened(settings, clock)
    tune_collector()
    try:
        results = feed(service, clock, list(day()))
        _tell(service, settings, results)
    finally:
        service.close()


def opened(settings: Settings, clock: DayClock, stock: Path = HERE / "stock.csv") -> Embedded:
    """The shop before its day: its campaigns and stock are published, and the service has taken them up."""
    publish_files(settings, sorted((HERE / "campaigns").glob("*.yaml")), stock, clock)
    service = Embedded(settings, clock)
    service.intake.start()
    service.take_up()
    return service


def feed(service: Embedded, clock: DayClock, events: Sequence[dict[str, Any]]) -> dict[str, int]:
    """Hand the events of a day to the service; how many ended in which result."""
    results: dict[str, int] = {}
    said = stocktaking()
    with Progress(console=err, transient=True, disable=not err.is_terminal) as bar:
        task = bar.add_task("events", total=len(events))
        for batch in _batches(events):
            incoming = []
            for number, event in batch:
                clock.see(event)
                line = read_one(dumps(event), "demo", number)
                told = (line.raw, line.body, line.digest, line.error)
                incoming.append(Incoming(line.kind, line.order, event["source"], event["id"], *told))
            for receipt in service.host.take(incoming):
                results[receipt.result] = results.get(receipt.result, 0) + 1
            if (count := said.get(batch[-1][1]["id"])) is not None:
                told = Incoming("ledger-commands", count.offer, "stocktaking", count.id, dumps(count), count)
                service.host.take([told])
            bar.advance(task, len(batch))
    return results


def _batches(events: Sequence[dict[str, Any]]) -> Iterator[list[tuple[int, dict[str, Any]]]]:
    """Some events at a time; after one that people say something of stock after, what follows waits for that."""
    batch: list[tuple[int, dict[str, Any]]] = []
    said = stocktaking()
    for number, event in enumerate(events, 1):
        batch.append((number, event))
        if len(batch) == BATCH or event["id"] in said:
            yield batch
            batch = []
    if batch:
        yield batch


def _tell(service: Embedded, settings: Settings, results: dict[str, int]) -> None:
    out.print("[bold]Tuesday 24 November 2026 at an art-materials shop in Dublin[/bold]")
    out.print(f"events: {', '.join(f'{n:,} {result}' for result, n in sorted(results.items()))}")
    out.print("(repeats change nothing; what is rejected or in conflict is kept with its bytes)", style="dim")
    out.print()
    _offers(service)
    _stock(service)
    _floor(service)
    _sample_tickets(service)
    out.print("[bold]One order explained[/bold] (any other: makeweight explain ORDER --state build/demo)\n")
    story = explain(settings, FOUR)
    if story is not None:
        show(story)
    body, _ = service.metrics.exposition()
    metrics = STATE / "metrics.txt"
    metrics.write_bytes(body)
    out.print()
    out.print(
        f"[bold]Metrics[/bold]: {len(body.splitlines()):,} lines of OpenMetrics are in {metrics}; live, they are at"
    )
    out.print("  http://127.0.0.1:8420/metrics  after  .venv/bin/makeweight serve --state build/demo", markup=False)
    out.print("[bold]Live[/bold]: make demo-board plays the day beside a board at http://127.0.0.1:8430/")


def _take_up(packed: int, entitled: int) -> str:
    """Orders packed with the gift, of those entitled to it, and how sure that is."""
    if not entitled:
        return ""
    low, high = wilson(packed, entitled)
    return f"{100 * packed / entitled:.1f} % ({100 * low:.1f}-{100 * high:.1f})"


def _offers(service: Embedded) -> None:
    book, tally = service.reader.book(), service.reader.tally()
    offers = {o.key: o for c in book for o in c.offers}
    levels = {level.offer: level for level in service.reader.levels()}
    table = Table(title="Offers", title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0))
    for name in ("offer", "qualified", "near miss", "granted", "owed", "declined", "packed", "take-up, 95 %", "out at"):
        table.add_column(name, justify="left" if name in ("offer", "declined", "out at") else "right")
    for key, name in short_names(offers.values()).items():
        offer = offers[key]
        if offer.kind in ("price", "reduction"):
            continue
        granted, redeemed = tally.of(key, "granted"), tally.of(key, "redeemed")
        declined = ", ".join(f"{n} {reason.replace('_', ' ')}" for reason, n in tally.reasons(key).items())
        level = levels.get(key)
        out_at = level.exhausted_at if level else None
        table.add_row(
            name,
            f"{tally.of(key, 'qualified'):,}",
            f"{tally.of(key, 'near_miss'):,}",
            f"{granted:,}",
            f"{tally.of(key, 'owed'):,}",
            declined,
            f"{redeemed:,}" if offer.gift else "",
            _take_up(redeemed, granted + tally.of(key, "owed")) if offer.gift else "",
            f"{out_at:%H:%M} UTC" if out_at else "",
        )
    out.print(table)
    for key, offer in sorted(offers.items()):
        if offer.kind in ("price", "reduction"):
            lines, wrong = tally.of(key, "lines_on_offer"), tally.of(key, "lines_mispriced")
            due = to_major(tally.of(key, "overcharged"), offer.currency)
            out.print(f"{key}: {lines:,} lines checked, {wrong} not as advertised, {due} {offer.currency} to refund")
    out.print()


def _stock(service: Embedded) -> None:
    table = Table(title="Gift stock", title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0))
    for name in ("offer", "gift", "site", "received", "reserved", "released", "packed", "back", "left", ""):
        table.add_column(name, justify="left" if name in ("offer", "gift", "site", "") else "right")
    for level in service.reader.levels():
        for b in level.balances:
            full = round(BAR * b.free / b.received) if b.received else 0
            bar = "█" * full + "·" * (BAR - full)
            numbers = [str(n) for n in (b.received, b.reserved, b.released, b.packed, b.restocked, b.free)]
            table.add_row(b.offer, b.gift, b.site, *numbers, bar)
    out.print(table)
    out.print()


def _floor(service: Embedded) -> None:
    """What became of four gifts after their paper was printed, and of the shelf that was counted."""
    out.print("[bold]On the floor[/bold]")
    for order, story in floor_stories(service).items():
        out.print(f"  {order}: {story}", markup=False)
    out.print()


def floor_stories(service: Embedded) -> dict[str, str]:
    """A sentence on each of them, with what the service knows of it."""
    states = {name: service.reader.order(name)[0] for name in (SHORT, IN_TIME, TOO_LATE, RETURNED)}
    balances = [b for level in service.reader.levels() for b in level.balances if b.offer == NOTEBOOK]
    annex = next(b for b in balances if (b.gift, b.site) == (GIFT, ANNEX))
    told: dict[str, str] = {}
    for order, state in states.items():
        answer = state.wishes[NOTEBOOK].answer if state is not None else None
        if state is None or answer is None:
            continue  # a part of the day alone was played
        kept = sum(n.amount for n in state.notices.values() if n.kind == "over_gift")
        elsewhere = f"sent from {answer.site}" if answer.units else f"{answer.owed} owed"
        told[order] = {
            SHORT: f"its notebook was not found in the {ANNEX}; {elsewhere}",
            IN_TIME: f"amended on the floor in time: {answer.left} notebook put back, {kept} sent unearned",
            TOO_LATE: f"amended on the floor too late: {answer.left} notebooks put back, {kept} sent unearned",
            RETURNED: f"an item came back with its notebook: {answer.left} to give again, {answer.units} still out",
        }[order]
    found, lost = annex.free + annex.quarantine, annex.count_loss
    told[f"count in the {ANNEX}"] = f"{found} notebooks found where {found + lost} should be, {lost} lost"
    return told


def _sample_tickets(service: Embedded) -> None:
    """The ticket of the basket with four offers, and the first one with a substitute."""
    out.print("[bold]Two pick tickets[/bold]")
    latest: dict[str, dict[str, Any]] = {}
    cursor = 0
    while rows := service.reader.tickets_after(cursor, 1_000):
        for cursor, body in rows:  # noqa: B007 - the last position is where the next page starts
            ticket = parse(body)
            latest[ticket["ticket"]] = ticket
    four = next(t for t in latest.values() if t["order"] == FOUR)
    swapped = next(t for t in latest.values() if any(g["substitute"] for g in t["gift_lines"]))
    for ticket in (four, swapped):
        out.print(f"  {ticket['ticket']}  {ticket['state']}  ({ticket['site']})", markup=False)
        for line in ticket["lines"]:
            out.print(f"    {line['units']} x {line['sku']}", markup=False)
        for gift in ticket["gift_lines"]:
            swap = ", a substitute" if gift["substitute"] else ""
            value = to_major(gift["stated_value"], ticket["currency"])
            out.print(
                f"    {gift['units']} x {gift['gift']}  GIFT ({gift['offer']}, worth {value}{swap})", markup=False
            )
        if ticket["benefits"]:
            out.print(f"    {', '.join(b.replace('_', ' ') for b in ticket['benefits'])}", markup=False)
    out.print()


if __name__ == "__main__":
    sys.exit(play())
