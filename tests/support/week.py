"""A week in which everything runs short, for the tests that kill: its campaign, its stock, and what happens in it."""

import json
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE

PUBLISHED = datetime(2026, 11, 22, tzinfo=UTC)
PLACED = datetime(2026, 11, 24, 9, 0, tzinfo=UTC)
SAFE = "cautions: {dangerous_goods: none, age: none, food: none}"
# The tin runs out and its substitute too, the cap of the pad is met, the brush is owed once it is out, and the group's
# first member hands over to its second.
CAMPAIGN = f"""\
campaign: week
title: A week
markets: [IE]
currency: EUR
zone: Europe/Dublin
from: 2026-11-23 00:00
until: 2026-11-30 00:00
gifts:
  - {{gift: TIN, title: Tin, stated_value: 600, {SAFE}}}
  - {{gift: BAG, title: Bag, stated_value: 600, {SAFE}}}
  - {{gift: PAD, title: Pad, stated_value: 400, {SAFE}}}
  - {{gift: BRUSH, title: Brush, stated_value: 300, {SAFE}}}
  - {{gift: MUG, title: Mug, stated_value: 300, {SAFE}}}
offers:
  - offer: tin
    says: A tin from 40 on.
    counts: {{by: total, at_least: 4000}}
    gives: {{gift: TIN, otherwise: [BAG]}}
  - offer: pad
    says: A pad with Inkmoor, one to a customer.
    counts: {{brands: [Inkmoor], by: any}}
    gives: {{gift: PAD}}
    caps: {{per_customer: 1, total: 40}}
  - offer: brush
    says: A brush for each 20.
    counts: {{by: total, at_least: 2000}}
    gives: {{gift: BRUSH, for_each: true}}
    caps: {{per_order: 3}}
    when_out: owed
  - offer: mug
    says: A mug from 30 on.
    counts: {{by: total, at_least: 3000}}
    gives: {{gift: MUG}}
    group: one
    rank: 1
    when_out: next
  - offer: carriage
    says: Free carriage over 30.
    counts: {{by: total, over: 3000}}
    gives: {{benefit: free_shipping}}
    caps: {{total: 60}}
    group: one
    rank: 2
"""
STOCK = "gift,site,units,offer\nTIN,main,30,\nBAG,main,10,\nPAD,main,100,\nBRUSH,main,60,\nMUG,main,25,\n"
Event = tuple[str, bytes]  # its type, and its data


def snapshot(rng: Random, number: int, revision: int, status: str, orders: int) -> dict[str, Any]:
    """An order of one or two lines at a revision."""
    at = PLACED + timedelta(seconds=number)
    lines = [
        {
            "number": n,
            "sku": f"S{n}",
            "units": rng.randint(1, 3),
            "total_charged": rng.choice([900, 1500, 2000, 3999, 4000, 6100]),
            "brand": rng.choice(["Inkmoor", "Larkspur"]),
        }
        for n in range(1, rng.randint(1, 2) + 1)
    ]
    return {
        "order": f"O{number:04d}",
        "revision": revision,
        "status": status,
        "placed_at": at.isoformat(),
        "revised_at": (at + timedelta(minutes=revision)).isoformat(),
        "market": "IE",
        "currency": "EUR",
        "customer": f"c{number * 7919 % (orders // 2)}",  # every customer orders twice
        "lines": lines,
        "note": f"opaque {number}",
    }


def day(rng: Random, orders: int, *, facts: bool = True) -> list[Event]:
    """What the shop and the warehouse have to say, in the order in which they begin to say it."""
    events: list[tuple[float, Event]] = []
    for number in range(orders):
        at = float(number)
        events.append((at, (ORDER_TYPE, json.dumps(snapshot(rng, number, 1, "placed", orders)).encode())))
        if rng.random() < 0.3:
            status = rng.choice(["amended", "amended", "cancelled"])
            later = at + rng.uniform(-3, 40)  # some overtake their first revision
            events.append((later, (ORDER_TYPE, json.dumps(snapshot(rng, number, 2, status, orders)).encode())))
        if facts and rng.random() < 0.3:
            name = f"O{number:04d}"
            what = {"event": f"w-{name}", "order": name, "ticket": f"{name}/main/1", "happened": "packed"}
            body = {**what, "at": (PLACED + timedelta(hours=1)).isoformat()}
            events.append((at + rng.uniform(5, 60), (FULFILMENT_TYPE, json.dumps(body).encode())))
    return [event for _, event in sorted(events, key=lambda one: one[0])]
