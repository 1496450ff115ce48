"""A busy day of the demo's shop, as the events that reach Makeweight: seeded, so two runs are the same byte for byte.

``python -m deploy.demo.day > day.jsonl`` writes it as JSONL, one structured CloudEvent a line, in order of arrival.
"""

import json
import sys
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

from deploy.demo.baskets import Basket, Line, customers, fill, pick, ship_to
from deploy.demo.floor import Event, fulfilment_event, order_event, stories
from deploy.demo.shop import BY_SKU, DAY_END, DAY_START, DUBLIN, price_at

SEED, ORDERS = 20261124, 4_000

# Demand by local hour, from 06:00: a rush at 09:00 when the sale starts, lunch, and the sofa in the evening. The last
# orders are placed before 01:00, so that what is late or repeated still comes before the day ends at 02:00.
CURVE = (0.8, 1.6, 2.8, 6.8, 5.5, 5.3, 6.7, 6.5, 5.0, 4.8, 5.0, 5.6, 6.2, 7.6, 9.2, 9.0, 6.8, 4.8, 2.0)

AMENDED, CANCELLED, REPEATED, LATE = 0.06, 0.03, 0.02, 0.01
RAISED = 0.55  # of the amendments; the others drop a line
AFTER_RELEASE = 0.15  # amendments and cancellations that come once the ticket is on the floor
OVERTAKEN = 0.15  # second revisions that arrive before the first
RELEASED, PACKED = 0.98, 0.97
FLOOR_OPENS = datetime(2026, 11, 24, 6, 30, tzinfo=DUBLIN)
FLOOR_CLOSES = datetime(2026, 11, 24, 23, 0, tzinfo=DUBLIN)

FOUR = "ART-FOUR"
FOUR_PLACED = datetime(2026, 11, 24, 11, 24, 5, tzinfo=DUBLIN)
# 44.50 of Inkmoor, paper from Larkspur, 84.00 in all: a sampler, a postcard set, free carriage and a notebook.
FOUR_SKUS = ("INK-SET-6", "INK-BLK-30", "LRK-BLOCK-WC", "UMB-MEDIUM")
MALFORMED_AT = datetime(2026, 11, 24, 12, 5, 30, tzinfo=DUBLIN)
MISSING = "currency"
CONFLICT_FROM = datetime(2026, 11, 24, 10, 30, tzinfo=DUBLIN)  # the first plain order after it is sent twice
CONFLICT_DELAY = timedelta(minutes=4)


@dataclass(slots=True)
class _Feed:
    """The events of the day with the instant that each arrives."""

    rng: Random
    arrivals: list[tuple[datetime, int, Event]] = field(default_factory=list)

    def minutes(self, least: float, most: float) -> timedelta:
        """A span between two limits, in whole seconds."""
        return timedelta(seconds=round(self.rng.uniform(least * 60, most * 60)))

    def put(self, arrives: datetime, event: Event) -> None:
        """An event arrives. What would arrive after the day's end is another day's."""
        if arrives < DAY_END:
            # The number keeps the order of events that arrive in the same second.
            self.arrivals.append((arrives, len(self.arrivals), event))

    def in_order(self) -> Iterator[Event]:
        """The events as they arrive."""
        for _, _, event in sorted(self.arrivals, key=lambda arrival: arrival[:2]):
            yield event


@dataclass(slots=True)
class _Course:
    """What happens to one order, and when."""

    amended: datetime | None = None
    cancelled: datetime | None = None
    released: datetime | None = None
    packed: datetime | None = None


def day(seed: int = SEED, orders: int = ORDERS) -> Iterator[Event]:
    """The day's events in order of arrival: ``orders`` orders, the four of `floor`, and one event that is malformed."""
    rng = Random(seed)
    feed = _Feed(rng)
    known = customers(rng, max(10, orders * 7 // 10))
    twice_sent: Basket | None = None
    for number, placed in enumerate(_placings(rng, orders - 1), 100_001):
        basket = fill(rng, f"ART-{number}", placed, known)
        plain = _play(feed, basket)
        if twice_sent is None and plain and placed >= CONFLICT_FROM:
            twice_sent = basket
    _four(feed)
    _repeat(feed)
    # After the repeats, so that there is one of each.
    if twice_sent:
        _conflict(feed, twice_sent)
    for arrives, event in stories():
        feed.put(arrives, event)
    _malformed(feed, fill(rng, f"ART-{100_000 + orders}", MALFORMED_AT, known))
    yield from feed.in_order()


def _placings(rng: Random, count: int) -> list[datetime]:
    """When orders are placed: an hour by the curve, any second in it."""
    hours = rng.choices(range(len(CURVE)), CURVE, k=count)
    return sorted(DAY_START + timedelta(hours=hour, seconds=rng.randrange(3_600)) for hour in hours)


def _play(feed: _Feed, basket: Basket) -> bool:
    """Put everything that comes of an order on the feed. True if that is one revision and no more, on time."""
    rng = feed.rng
    late = rng.random() < LATE
    arrives = basket.placed + (feed.minutes(3, 40) if late else _transit(rng))
    course = _course(feed, basket, arrives)
    first = order_event(basket, 1, "placed", basket.placed)
    revision = 1
    if course.amended:
        _amend(rng, basket, course.amended)
        revision = 2
        seen = course.amended + _transit(rng)
        feed.put(seen, order_event(basket, 2, "amended", course.amended))
        # Not once the ticket is released: the warehouse can't report on an order that nobody has heard of.
        if rng.random() < OVERTAKEN and not (course.released and course.released <= course.amended):
            arrives = max(arrives, seen + feed.minutes(0.1, 1.5))
    if course.cancelled:
        feed.put(course.cancelled + _transit(rng), order_event(basket, revision + 1, "cancelled", course.cancelled))
    feed.put(arrives, first)
    _put_facts(feed, basket, course)
    return not (late or course.amended or course.cancelled)


def _transit(rng: Random) -> timedelta:
    return timedelta(seconds=rng.randint(1, 3))


def _course(feed: _Feed, basket: Basket, arrives: datetime) -> _Course:
    """Draw an order's course: the customer has second thoughts mostly before the ticket is released, and not always."""
    rng = feed.rng
    course = _Course()
    release = max(basket.placed + feed.minutes(16, 24), arrives + feed.minutes(1, 5), FLOOR_OPENS)
    if rng.random() < AMENDED:
        after = rng.random() < AFTER_RELEASE
        course.amended = release + feed.minutes(1, 20) if after else basket.placed + feed.minutes(1, 13)
    if rng.random() < CANCELLED:
        after = rng.random() < AFTER_RELEASE
        earliest = release if after else course.amended or basket.placed
        course.cancelled = max(earliest, course.amended or earliest) + feed.minutes(0.5, 8)
    if rng.random() < RELEASED and release < FLOOR_CLOSES and not _before(course.cancelled, release):
        course.released = release
        packing = release + feed.minutes(8, 45)
        if rng.random() < PACKED and not _before(course.cancelled, packing):
            course.packed = packing
    return course


def _before(one: datetime | None, other: datetime) -> bool:
    return one is not None and one < other


def _amend(rng: Random, basket: Basket, revised: datetime) -> None:
    """Add an item of a brand that is in the basket already, or drop the dearest line if another one is left."""
    goods = [line for line in basket.lines if line.kind == "goods"]
    if len(goods) == 1 or rng.random() < RAISED:
        brand = BY_SKU[rng.choice(goods).sku].brand
        basket.add(pick(rng, revised, brand).sku, revised)
    else:
        basket.drop_dearest()


def _put_facts(feed: _Feed, basket: Basket, course: _Course) -> None:
    for happened, at in (("released", course.released), ("packed", course.packed)):
        if at:
            feed.put(at + _transit(feed.rng), fulfilment_event(basket, happened, at))


def _four(feed: _Feed) -> None:
    """The basket that meets four offers. Everything about it is fixed, so that a guide can tell of it."""
    lines = [Line(sku, 1, price_at(sku, FOUR_PLACED), BY_SKU[sku].price) for sku in FOUR_SKUS]
    extras = {"ship_to": ship_to(Random(4), "D"), "instructions": "Ring twice, the studio is at the back."}
    basket = Basket(FOUR, FOUR_PLACED, lines, customer="c-four", extras=extras)
    feed.put(FOUR_PLACED + timedelta(seconds=1), order_event(basket, 1, "placed", FOUR_PLACED))
    released = FOUR_PLACED + timedelta(minutes=20)
    _put_facts(feed, basket, _Course(released=released, packed=released + timedelta(minutes=18)))


def _conflict(feed: _Feed, basket: Basket) -> None:
    """The same revision again with other content: a mistake of the back end, which the exceptions desk hears of."""
    event = order_event(basket, 1, "placed", basket.placed)
    line = event["data"]["lines"][0]
    for total in ("total_charged", "total_list"):
        line[total] += line[total] // line["units"]
    line["units"] += 1
    event["id"] += "-resent"
    feed.put(basket.placed + CONFLICT_DELAY, event)


def _repeat(feed: _Feed) -> None:
    """Some events are delivered again, the same in id and content; a sender that heard nothing does that."""
    for arrives, _, event in list(feed.arrivals):
        if feed.rng.random() < REPEATED:
            feed.put(arrives + feed.minutes(0.3, 20), deepcopy(event))


def _malformed(feed: _Feed, basket: Basket) -> None:
    """An order event without one of its members, and no other event of that order."""
    event = order_event(basket, 1, "placed", MALFORMED_AT)
    del event["data"][MISSING]
    feed.put(MALFORMED_AT + timedelta(seconds=1), event)


def main() -> None:
    """Write the day to stdout."""
    for event in day():
        sys.stdout.write(json.dumps(event, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    main()
