"""What a change would come to on a day of 100,000 orders: the preview beside a full replay of the same day."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from deploy.demo.day import day
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.adapters.local.replay import Replay
from makeweight.bootstrap import read_book, tune_collector
from makeweight.contracts.codec import dumps
from makeweight.contracts.orders import digest, read_order
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.claims import Receipt
from makeweight.domain.orders import Order
from makeweight.domain.values import replaced
from makeweight.planning.differing import Difference
from tests.bench.measure import Spread, collector_as_shipped, err, note, out, run, step, table, title

DEMO = Path(__file__).parents[2] / "deploy/demo"
DEMO_ORDERS = 4_000  # for which the demo's stock is meant
FOUR = datetime(2026, 11, 24, 16, tzinfo=UTC)
TARGET_SECONDS = 1.0


def show(*, quick: bool) -> None:
    """Measure and print."""
    orders, rounds = (4_000, 2) if quick else (100_000, 3)
    step(f"changing: the demo's day with {orders:,} orders, untimed")
    book, _ = read_book(sorted((DEMO / "campaigns").glob("*.yaml")))
    first = datetime(2026, 11, 20, tzinfo=UTC)
    more = orders // DEMO_ORDERS
    stock = [replaced(one, units=one.units * more) for one in read_stock(DEMO / "stock.csv", book, first)]
    snapshots = list(_snapshots(orders))
    changes = list(_changes(book, more))
    with collector_as_shipped():
        step("changing: taking in the day")
        prepared = run(lambda: _rehearsal(book, stock, snapshots))
        rehearsal: Rehearsal = prepared.result
        tune_collector()  # as is done when so much has been taken in
        made = table(
            "what if, from 16:00 on", "inputs re-run", "orders that differ", "CPU ms", "wall ms", "replay / preview"
        )
        step("changing: a full replay of the changed day")
        name, changed = changes[0]
        full = run(lambda: _replayed(Book([*book, replaced(changed, effective_at=FOUR)]), stock, snapshots))
        worst = 0.0
        for name, changed in changes:
            runs = [run(lambda one=changed: rehearsal.difference(one, FOUR)) for _ in range(rounds)]
            told: Difference = runs[0].result
            cpu, wall = Spread(r.cpu for r in runs), Spread(r.wall for r in runs)
            worst = max(worst, cpu.median)
            figures = [f"{told.rerun:,}", f"{len({one.order for one in told.orders}):,}"]
            ratio = f"{full.cpu / cpu.median:,.0f}"
            scaled = [Spread(1e3 * f for f in spread.figures).told(0) for spread in (cpu, wall)]
            made.add_row(name, *figures, *scaled, ratio)
        _agree(rehearsal, changes[0][1], full.result)
    title(f"Previews of a change on a day of {orders:,} orders ({len(snapshots):,} snapshots)")
    out.print(made)
    verdict = "reached" if worst < TARGET_SECONDS else f"not reached: {worst:.2f} s of CPU"
    out.print(f"slowest {worst:.2f} s; target under {TARGET_SECONDS:.0f} s: [bold]{verdict}[/bold]")
    note(
        "Taking in the day once, which a board does as it comes, costs "
        f"{prepared.cpu:.1f} s of CPU from orders that are read; the full replay of it {full.cpu:.1f} s. "
        "The preview is of what both differ in, and the first row is compared with the replay."
    )


def _snapshots(orders: int) -> Iterable[tuple[Order, str]]:
    known: dict[str, int] = {}
    for event in day(orders=orders):
        if not str(event["type"]).endswith("order.v1"):
            continue
        try:
            body = read_order(dumps(event["data"]))
        except ValueError:
            continue  # the demo's malformed one
        if known.get(body.order, 0) < body.revision:
            known[body.order] = body.revision
            yield body, digest(body)


def _rehearsal(book: Book, stock: list[Receipt], snapshots: list[tuple[Order, str]]) -> Rehearsal:
    rehearsal = Rehearsal(book)
    for receipt in stock:
        rehearsal.take_stock(receipt, snapshots[0][0].placed_at)
    for body, _ in snapshots:
        rehearsal.take_order(body, max(body.placed_at, body.revised_at))
    return rehearsal


def _replayed(book: Book, stock: list[Receipt], snapshots: list[tuple[Order, str]]) -> Replay:
    replay = Replay(book, stock)
    for body, told in snapshots:
        replay.take(body, told)
        if replay.collect_due:
            replay.collect()
    replay.collect()
    return replay


def _changes(book: Book, more: int) -> Iterable[tuple[str, Campaign]]:
    """Each offer of the demo stopped, and those with gifts at a lower cap."""
    for campaign in (c for c in book if any(o.kind in ("gift", "benefit") for o in c.offers)):
        for offer in campaign.offers:
            if offer.kind in ("gift", "benefit"):
                yield f"{offer.key} stopped", _with(campaign, replaced(offer, paused=True))
            if offer.kind == "gift":
                yield f"{offer.key} capped", _with(campaign, replaced(offer, total_cap=100 * more))


def _with(campaign: Campaign, changed: Offer) -> Campaign:
    offers = tuple(changed if o.key == changed.key else o for o in campaign.offers)
    return replaced(campaign, revision=campaign.revision + 1, offers=offers)


def _agree(rehearsal: Rehearsal, changed: Campaign, full: Replay) -> None:
    """The first change, held against the full replay: who has a gift of the touched offers."""
    held: dict[str, set[str]] = {}
    for name, decision in full.decisions().items():
        order, offer = name.split("/", 1)
        if decision["units"]:
            held.setdefault(offer, set()).add(order)
    for change in rehearsal.difference(changed, FOUR).offers:
        if change.after.granted_orders != len(held.get(change.offer, ())):
            err.print(f"{change.offer}: the preview and the full replay differ", style="red")
