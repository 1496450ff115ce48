"""Judging alone: does the cost of an order depend on the offers that can match it, or on how many are live?

The shop grows with its offers. Two offers look at the whole order; every other seven make a department of seven brands
with ten items each: two tiers on one brand, any purchase from a set of two, a category, one item 'over', a sale
price, 'up to 20 %'. Each order has nine lines, five of one department and four of another, and the same lines whatever
the size of the shop but for which departments they are of; so as many offers can match it in each.
"""

import statistics
from random import Random
from time import process_time

from makeweight.domain.book import Live
from makeweight.domain.campaigns import Campaign
from makeweight.domain.choose import choose
from makeweight.domain.orders import Order
from makeweight.domain.qualify import evaluate
from tests.bench.measure import Spread, collector_off, note, out, run, step, table, title
from tests.support import build

SIZES = (1, 30, 300, 3_000)
TARGET = 1.3
BRANDS, ITEMS, OFFERS = 7, 10, 7  # of a department
LINES = (5, 4)  # of an order, by department
SCANNED = 40  # orders that the scan judges


def show(*, quick: bool) -> None:
    """Measure and print."""
    orders_count, rounds = (400, 7) if quick else (1_500, 15)
    shops = {size: _shop(size, orders_count) for size in SIZES}
    step(f"judging: {rounds} rounds of {orders_count:,} orders for each of {len(SIZES)} shops")
    cpu: dict[int, list[float]] = {size: [] for size in SIZES}
    wall: dict[int, list[float]] = {size: [] for size in SIZES}
    with collector_off():  # what is made lives for one order only
        for number in range(rounds):
            for size in SIZES if number % 2 else reversed(SIZES):
                live, orders = shops[size]
                done = run(lambda live=live, orders=orders: _judge(live, orders))
                cpu[size].append(1e6 * done.cpu / len(orders))
                wall[size].append(1e6 * done.wall / len(orders))
    title("Judging alone: evaluate and choose, nine lines an order")
    heads = ("live offers", "can match", "judged", "claimed", "CPU µs/order", "wall µs/order")
    made = table(*heads, "CPU / 30 offers", "scan µs/order")
    ratios = {}
    for size, (live, orders) in shops.items():
        ratios[size] = Spread(c / base for c, base in zip(cpu[size], cpu[30], strict=True))
        matching, judged, claimed = _counts(live, orders[:SCANNED])
        made.add_row(
            f"{size:,}",
            f"{matching:.1f}",
            f"{judged:.1f}",
            f"{claimed:.2f}",
            Spread(cpu[size]).told(),
            Spread(wall[size]).told(),
            ratios[size].told(2),
            f"{_scan(live, orders[:SCANNED]):,.0f}",
        )
    out.print(made)
    reached = ratios[3_000].median
    verdict = "reached" if reached < TARGET else "not reached"
    out.print(f"3,000 offers beside 30: {reached:.2f} times the CPU; target below {TARGET}: [bold]{verdict}[/bold]")
    note(
        "A shop grows with its offers: 2 for the whole order, and a department of 7 brands and 70 items for every 7 "
        "others. An order takes 5 lines from one department and 4 from another, the same in every shop but for which "
        "two, so as many offers can match it. With 1 offer the shop has that one on the whole order. 'can match': "
        "offers with a line in scope; 'judged': met, nearly met, or price checks. The scan is the peer: every line "
        "held against every live offer, and no more than that."
    )


def _judge(live: Live, orders: list[Order]) -> None:
    for order in orders:
        choose(order, evaluate(order, live), live, ())


def _counts(live: Live, orders: list[Order]) -> tuple[float, float, float]:
    """Offers that can match an order, that said something of it, and that it claims, on average."""
    matching = [sum(any(o.scope.holds(n) for n in order.lines) for o in live.offers.values()) for order in orders]
    evaluations = [evaluate(order, live) for order in orders]
    judged = [len({j.offer for j in e.judgements} | {p.offer for p in e.prices}) for e in evaluations]
    claimed = [len(choose(o, e, live, ()).claims) for o, e in zip(orders, evaluations, strict=True)]
    return statistics.fmean(matching), statistics.fmean(judged), statistics.fmean(claimed)


def _scan(live: Live, orders: list[Order]) -> float:
    """CPU microseconds an order of a judge without an index."""
    started = process_time()
    for order in orders:
        for offer in live.offers.values():
            sum(line.total_charged for line in order.lines if offer.scope.holds(line))
    return 1e6 * (process_time() - started) / len(orders)


def _shop(size: int, orders: int) -> tuple[Live, list[Order]]:
    """The live offers of a shop with so many, and orders from its complete departments."""
    whole = [
        build.offer("all-50", at_least=50_00, group="basket"),
        build.offer("all-100", over=100_00, benefit="free_shipping"),
    ]
    campaigns = [build.campaign(*whole[:size], campaign="whole")]
    left = size - len(whole)
    campaigns += [_department(number, left - number * OFFERS) for number in range(-(-left // OFFERS))]
    departments = max(2, left // OFFERS)
    return build.live(*campaigns), _orders(orders, departments)


def _department(k: int, left: int) -> Campaign:
    """A campaign with a department's offers, or as many as are left to give."""
    five = f"brand-{k}-5"
    offers = [
        build.offer("tier-1", at_least=40_00, brands=[f"brand-{k}-0"], group="tiers"),
        build.offer("tier-2", at_least=80_00, brands=[f"brand-{k}-0"], group="tiers"),
        build.offer("any", by="any", brands=[f"brand-{k}-1", f"brand-{k}-2"], customer_cap=1),
        build.offer("category", over=30_00, categories=[f"category-{k}-1"]),
        build.offer("item", by="unit", over=12_00, skus=[f"{five}-0", f"{five}-1"]),
        build.offer("price", kind="price", skus=[f"{five}-2", f"{five}-3"], prices={f"{five}-2": 990, f"{five}-3": 5}),
        build.offer("reduced", kind="reduction", brands=[f"brand-{k}-6"], up_to_percent=20),
    ]
    return build.campaign(*offers[: min(OFFERS, left)], campaign=f"department-{k}")


def _orders(count: int, departments: int) -> list[Order]:
    shape, place = Random(1), Random(2)  # the shape of orders doesn't depend on how many departments there are
    orders = []
    for number in range(count):
        lines = []
        for department, size in zip(place.sample(range(departments), len(LINES)), LINES, strict=True):
            for _ in range(size):
                brand, item = shape.randrange(BRANDS), shape.randrange(ITEMS)
                units, price = shape.choice((1, 1, 1, 2, 3)), shape.randrange(1_00, 13_00)
                lines.append(
                    build.line(
                        units * price,
                        units,
                        sku=f"brand-{department}-{brand}-{item}",
                        brand=f"brand-{department}-{brand}",
                        categories=[f"category-{department}-{brand // 3}"],
                        total_list=units * price * 5 // 4,
                    )
                )
        orders.append(build.order(*lines, order=f"order-{number}", customer=f"customer-{number}"))
    return orders
