"""Four orders of the demo's day whose gifts have a story on the floor, and a count of the annex's shelf.

Everything about them is fixed, so that a guide can tell of them. Two of the shop's sites take part: the annex holds a
few notebooks for what ships from there.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from deploy.demo.baskets import SITE, Basket, Line
from deploy.demo.shop import BY_SKU, DUBLIN, price_at
from makeweight.domain.claims import Count

Event = dict[str, Any]

ORDER_TYPE, ORDER_SOURCE = "com.makeweight.order.v1", "/shop/orders"
FULFILMENT_TYPE, FULFILMENT_SOURCE = "com.makeweight.fulfilment.v1", "/warehouse"

ANNEX = "annex"
NOTEBOOK, GIFT = "winter-studio/notebook", "NOTEBOOK-A5"
SHORT, IN_TIME, TOO_LATE, RETURNED = "ART-SHORT", "ART-IN-TIME", "ART-TOO-LATE", "ART-RETURNED"
SKUS = ("UMB-OIL-SET", "UMB-ACR-SET")  # 82.90 in all: a notebook; without the second it is not
ONE_NOTEBOOK: Event = {"units": 1, "offer": NOTEBOOK, "gift": GIFT}
SHELF = 3  # notebooks that the count finds in the annex, where four should be


def stories() -> Iterator[tuple[datetime, Event]]:
    """The events of the four orders, each with the instant that it arrives."""
    yield from _short(_at(13, 5))
    yield from _in_time(_at(13, 10))
    yield from _too_late(_at(13, 12))
    yield from _returned(_at(9, 40))


def stocktaking() -> dict[str, Count]:
    """What people say of stock, by the event after which they say it."""
    at = _at(14, 0)
    return {f"{SHORT}-{SITE}-1-packed": Count("annex-1", NOTEBOOK, GIFT, ANNEX, SHELF, at)}


def _at(hour: int, minute: int) -> datetime:
    return datetime(2026, 11, 24, hour, minute, tzinfo=DUBLIN)


def _minutes(number: int) -> timedelta:
    return timedelta(minutes=number)


def _basket(order: str, placed: datetime, first_from: str = SITE) -> Basket:
    lines = [
        Line(sku, 1, price_at(sku, placed), BY_SKU[sku].price, site=site)
        for sku, site in zip(SKUS, (first_from, SITE), strict=True)
    ]
    return Basket(order, placed, lines, customer=f"c-{order.lower()}")


def _says(basket: Basket, revision: int, status: str, at: datetime) -> tuple[datetime, Event]:
    return at + timedelta(seconds=1), order_event(basket, revision, status, at)


def _does(basket: Basket, happened: str, at: datetime, site: str = SITE, **members: Any) -> tuple[datetime, Event]:
    return at + timedelta(seconds=1), fulfilment_event(basket, happened, at, site, **members)


def _short(placed: datetime) -> Iterator[tuple[datetime, Event]]:
    """The notebook is not found in the annex; the main site, which ships the rest, sends one."""
    basket = _basket(SHORT, placed, ANNEX)
    yield _says(basket, 1, "placed", placed)
    yield _does(basket, "released", placed + _minutes(20), ANNEX)
    yield _does(basket, "short_picked", placed + _minutes(25), ANNEX, lines=[ONE_NOTEBOOK], reason="bin empty")
    yield _does(basket, "packed", placed + _minutes(30), ANNEX)
    yield _does(basket, "released", placed + _minutes(35))
    yield _does(basket, "packed", placed + _minutes(45))


def _in_time(placed: datetime) -> Iterator[tuple[datetime, Event]]:
    """An item is cancelled while the ticket is on the floor, and the picker hears of it before it is packed."""
    basket = _basket(IN_TIME, placed)
    yield _says(basket, 1, "placed", placed)
    yield _does(basket, "released", placed + _minutes(20))
    basket.lines[1].cancelled = 1
    yield _says(basket, 2, "amended", placed + _minutes(23))
    put_back = [{"units": 1, "line": 2}, ONE_NOTEBOOK]
    yield _does(basket, "put_back", placed + _minutes(28), lines=put_back)
    yield _does(basket, "packed", placed + _minutes(40))


def _too_late(placed: datetime) -> Iterator[tuple[datetime, Event]]:
    """The same, and it was packed before anybody heard."""
    basket = _basket(TOO_LATE, placed)
    yield _says(basket, 1, "placed", placed)
    yield _does(basket, "released", placed + _minutes(20))
    basket.lines[1].cancelled = 1
    yield _says(basket, 2, "amended", placed + _minutes(38))
    yield _does(basket, "packed", placed + _minutes(40))


def _returned(placed: datetime) -> Iterator[tuple[datetime, Event]]:
    """An item comes back in the afternoon, and the notebook with it."""
    basket = _basket(RETURNED, placed)
    yield _says(basket, 1, "placed", placed)
    yield _does(basket, "released", placed + _minutes(20))
    yield _does(basket, "packed", placed + _minutes(35))
    yield _does(basket, "dispatched", placed + _minutes(50))
    basket.lines[1].returned = 1
    back = placed + timedelta(hours=7)
    yield _says(basket, 2, "amended", back)
    yield _does(basket, "gift_returned", back + _minutes(15), lines=[{**ONE_NOTEBOOK, "condition": "saleable"}])


# --- events as the shop's back end and the warehouse send them


def order_event(basket: Basket, revision: int, status: str, revised: datetime) -> Event:
    """A snapshot of an order."""
    data = basket.snapshot(revision, status, revised)
    return cloud_event(f"{basket.order}-{revision}", ORDER_SOURCE, ORDER_TYPE, revised, data)


def fulfilment_event(basket: Basket, happened: str, at: datetime, site: str = SITE, **members: Any) -> Event:
    """A fact on the first ticket of an order at a site."""
    event = f"{basket.order}-{site}-1-{happened}"
    data = {
        "event": event,
        "order": basket.order,
        "ticket": f"{basket.order}/{site}/1",
        "edition": 0,
        "happened": happened,
        "at": at.isoformat(),
        "lines": [],
        **members,
    }
    return cloud_event(event, FULFILMENT_SOURCE, FULFILMENT_TYPE, at, data)


def cloud_event(id_: str, source: str, type_: str, time: datetime, data: dict[str, Any]) -> Event:
    """A structured CloudEvent."""
    return {
        "specversion": "1.0",
        "id": id_,
        "source": source,
        "type": type_,
        "subject": data["order"],
        "time": time.isoformat(),
        "datacontenttype": "application/json",
        "data": data,
    }
