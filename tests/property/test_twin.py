"""The core against SQL over the raw events (DuckDB): classes, values, who qualifies, near misses, what is kept.

And the ledger's balances against the moves of its log. Value used once and unpaid orders the twin doesn't know: it is
compared with what the core says of each offer alone.

The SQL is in tests/support/twin.py, worked out from the trade's rules alone.
"""

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from deploy.demo.day import day
from deploy.demo.play import HERE
from makeweight.adapters.documents.yaml import load
from makeweight.bootstrap import read_book
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.orders import read_order
from makeweight.domain.book import Book
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Judgement, evaluate
from makeweight.domain.reasons import Reason
from makeweight.stages.ledger.state import BALANCES
from tests.support.drawn import documents, orders, stock_of
from tests.support.shop import Shop
from tests.support.twin import Twin

TWIN = Twin()
DEMO = sorted((HERE / "campaigns").glob("*.yaml"))


def judgements(known: list[Order], book: Book) -> list[tuple[str, Judgement]]:
    """What the core says of every offer on the latest revisions, before the offers meet each other."""
    found = []
    for order in known:
        live = book.live(order.placed_at, order.market, order.currency, None, order.order_class)
        found += [(order.order, one) for one in evaluate(order, live).judgements]
    return found


def judged_by_the_core(known: list[Order], book: Book) -> set:
    """The twin's rows."""
    return {
        (order, j.offer, j.qualifies, j.near_miss, j.worth if j.by in ("total", "line", "units") else None)
        for order, j in judgements(known, book)
    }


def latest(bodies: list[dict]) -> list[Order]:
    """The highest revision of each order; of two with the same number the first."""
    found: dict[str, dict] = {}
    for body in bodies:
        if body["order"] not in found or body["revision"] > found[body["order"]]["revision"]:
            found[body["order"]] = body
    return [read_order(dumps(body)) for body in found.values()]


@settings(max_examples=60)  # a database each
@given(document=documents(), bodies=st.lists(orders(), min_size=3, max_size=12))
def test_judgements_of_random_orders(document: dict, bodies: list[dict]) -> None:
    """Every offer on every order: qualifies, near miss, value, whether it is for elsewhere, what is still earned."""
    twin = TWIN.clear()
    twin.campaign(document)
    twin.orders(bodies)
    known, book = latest(bodies), Book([read_campaign(document)])
    assert twin.judged() == judged_by_the_core(known, book)
    found = judgements(known, book)
    assert twin.elsewhere() == {(order, j.offer) for order, j in found if j.reason is Reason.DESTINATION}
    assert twin.kept() == {(order, j.offer, j.kept.units, j.kept.refund) for order, j in found if j.kept}


def test_judgements_of_the_demo_day() -> None:
    """The demo's whole day, with its seven forms of offers and its boundaries at midnight and at nine."""
    twin = TWIN.clear()
    for path in DEMO:
        twin.campaign(load(path)[0])
    bodies = [one["data"] for one in day() if "currency" in one["data"]]
    twin.orders(parse(dumps(body)) for body in bodies)
    book, _ = read_book(DEMO)
    rows = twin.judged()
    assert rows == judged_by_the_core(latest(bodies), book)
    assert len(rows) > 1_000
    assert {near for *_, near, _ in rows} == {True, False}


def test_the_revision_in_force_when_the_order_was_placed() -> None:
    """Three revisions that take effect one after the other, orders around each instant."""
    base = {
        "campaign": "c", "title": "x", "markets": ["IE"], "currency": "EUR", "zone": "Europe/Dublin",
        "from": "2026-03-28 00:00", "until": "2026-03-30 00:00",  # the night in which summer time begins
        "gifts": [{"gift": "G", "title": "G", "stated_value": 1,
                   "cautions": {"dangerous_goods": "none", "age": "none", "food": "none"}}],
    }  # fmt: skip
    found = []
    for revision, effective in ((1, None), (2, "2026-03-28T12:00:00+00:00"), (3, "2026-03-29T12:00:00+01:00")):
        offer = {"offer": "o", "says": "x", "counts": {"at_least": 1_000 * revision}, "gives": {"gift": "G"}}
        found.append(
            {**base, "revision": revision, "offers": [offer]} | ({"effective": effective} if effective else {})
        )
    start = datetime(2026, 3, 27, 23, 0, tzinfo=UTC)
    bodies = []
    for number in range(49):
        for second in (-1, 0):
            at = (start + timedelta(hours=number, seconds=second)).isoformat()
            line = {"number": 1, "sku": "s", "units": 1, "total_charged": 2_500}
            bodies.append(
                {"order": f"O{number}{second}", "revision": 1, "status": "placed", "placed_at": at, "revised_at": at,
                 "market": "IE", "currency": "EUR", "lines": [line]}
            )  # fmt: skip
    twin = TWIN.clear()
    for document in found:
        twin.campaign(document)
    twin.orders(bodies)
    rows = twin.judged()
    assert rows == judged_by_the_core(latest(bodies), Book([read_campaign(document) for document in found]))
    assert len(rows) == 2 * 35  # from midnight to noon UTC on the next day but one hour: 36 h, an hour of it skipped


@settings(max_examples=60)
@given(
    document=documents(),
    bodies=st.lists(orders(), min_size=1, max_size=12),
    units=st.lists(st.integers(0, 4), min_size=1, max_size=8),
)
def test_balances(document: dict, bodies: list[dict], units: list[int]) -> None:
    """Units by account, added up over the moves of the ledger's log, are the balances that the ledger keeps."""
    stock = {(offer, gift, site): count for offer, gift, site, count in stock_of(document, units)}
    shop = Shop([document], stock)
    placed: dict[str, str] = {}
    for body in bodies:
        body["placed_at"] = placed.setdefault(body["order"], body["placed_at"])
        shop.place(read_order(dumps(body)))
    by_sql = TWIN.clear().balances(parse(dumps(entry)) for entry in shop.entries["ledger"])
    by_core = {}
    for balance in shop.books.values(BALANCES).values():
        name = (balance.offer, balance.gift, balance.site)
        by_core |= {
            (*name, account): count
            for account, count in (("outside", -balance.received), ("free", balance.free),
                                   ("reserved", balance.reserved))
            if count
        }  # fmt: skip
    assert by_sql == by_core
