"""What happens in a run, as data: drawn from a seed, printed, replayed, shrunk.

Swarm testing: each seed draws which faults there are and how often; a quarter of the seeds have none. An operation
that makes no sense where it stands does nothing, so any part of a schedule is a schedule.
"""

from random import Random
from typing import NamedTuple

from tests.simulation import scenario
from tests.simulation.worker import STEPS

FAULTLESS = 0.25
WIRED = 0.1
CLOCKS = (-7200, -40, 45, 3600)  # seconds by which a worker's clock may be wrong
# Kinds of faults that a seed draws from, and how often each comes up among the operations once it is drawn.
FAULTS = {
    "again": 8,
    "reorder": 0,  # it changes the order in which events are sent
    "conflict": 0,  # it adds events: a revision with another content
    "campaign": 0,  # it publishes a second revision before the first order that is judged by it
    "crash": 7,
    "wipe": 0,  # it makes some crashes lose the disk
    "pause": 5,
    "slow": 6,
    "rebalance": 2,
    "old": 3,
    "clock": 1,
    "full": 1,
}
PLAIN = {"send": 24, "run": 32, "step": 20, "time": 3, "fact": 5, "stock": 2}
FACTS = (
    "released", "released", "released", "packed", "packed", "packed", "dispatched", "short_picked", "put_back",
    "gift_returned",
)  # fmt: skip
BOOKINGS = ("count", "damage", "transfer", "arrival", "taken_down")
WAKING = {"wake": 4, "expire": 5, "rejoin": 3, "start": 8, "follow": 1}


class Schedule(NamedTuple):
    """A run: how many workers, whether stock is ample, which faults there are, the events of the shop, the operations.

    With ``wire`` entries, claims and decisions are written as JSON and read again, as on a real broker; that costs.
    Nothing but numbers, texts and tuples: printed it is a Python literal, and a literal is a schedule.
    """

    workers: int
    ample: bool
    faults: tuple[str, ...]
    events: list
    operations: list
    wire: bool = False


def draw(seed, size=1):
    """The schedule of a seed; with a size, of so many times the operations, and of all eight orders."""
    rng = Random(seed)
    faultless = rng.random() < FAULTLESS
    faults = () if faultless else tuple(f for f in FAULTS if rng.random() < 0.5)
    workers = rng.choice((1, 2, 2, 3))
    ample = rng.random() < 0.3
    numbers = sorted(rng.sample(range(1, 9), rng.randint(3, 5) if size == 1 else 8))
    events = _events(rng, faults, numbers, ample=ample)
    names = _names(rng, faults, rng.randint(40, 80) * size)
    operations = _operations(rng, faults, workers, events, names)
    return Schedule(workers, ample, faults, events, operations, rng.random() < WIRED)


# --- the shop --------------------------------------------------------------------------------------------------------


def _events(rng, faults, numbers, *, ample):
    stock = [("receipt", *r) for r in _receipts(rng, ample=ample)]
    first, later = (stock, []) if ample else (stock[:-2], stock[-2:])
    orders = []
    for number in numbers:
        at = float(number)
        for revision in range(1, rng.choice((1, 1, 2, 2, 3)) + 1):
            status = "placed" if revision == 1 else rng.choice(("amended", "amended", "cancelled"))
            orders.append((at, _snapshot(rng, number, revision, status, ample=ample)))
            if "conflict" in faults and rng.random() < 0.2:
                orders.append((at + rng.uniform(0, 3), _snapshot(rng, number, revision, status, ample=ample)))
            at += rng.uniform(0.5, 3)
    events = [event for _, event in sorted(orders, key=lambda one: one[0])]
    for one in later:
        events.insert(rng.randint(0, len(events)), one)
    if not ample:  # ample stock is there before anyone asks for it
        first, events = [], first + events
    if "reorder" in faults:
        reach = rng.choice((2, 4, 20))
        places = sorted((i + rng.uniform(0, reach), i) for i in range(len(events)))
        events = [events[i] for _, i in places]
    return first + events


def _snapshot(rng, number, revision, status, *, ample):
    place = rng.randrange(2 if ample else len(scenario.PLACES))
    extra = rng.randrange(1, len(scenario.EXTRAS)) if rng.random() < 0.3 else 0
    return ("order", number, revision, status, rng.randrange(len(scenario.CONTENTS)), place, extra)


def _receipts(rng, *, ample):
    if ample:
        return [(which, which, "N", scenario.AMPLE) for which in range(len(scenario.STOCKED))]
    found = []
    for which in range(len(scenario.STOCKED)):
        for site in scenario.SITES:
            if rng.random() < 0.5:
                found.append((len(found), which, site, rng.randint(1, 2)))
    rng.shuffle(found)
    return found


# --- the operations --------------------------------------------------------------------------------------------------


def _names(rng, faults, count):
    """Which operation follows which, by weight."""
    weights = dict(PLAIN)
    for fault in faults:
        if FAULTS[fault]:
            weights[fault] = FAULTS[fault] * rng.choice((0.5, 1, 2))
    if faults:
        weights |= WAKING
    return rng.choices(list(weights), list(weights.values()), k=count)


def _operations(rng, faults, workers, events, names):
    wipe = 0.4 if "wipe" in faults else 0.0
    flips = "campaign" in faults
    # Stock comes first, unless something is delayed.
    sent = _leading(events)
    operations = [("send", number) for number in range(sent)]
    for name in names:
        if name == "send":
            if sent == len(events):
                continue
            kind, number = events[sent][:2]
            if flips and kind == "order" and scenario.is_late(number):
                operations.append(("publish",))
                flips = False
            operations.append(("send", sent))
            sent += 1
        else:
            operations.append((name, *_arguments(rng, name, workers, wipe, len(operations))))
    return operations


def _leading(events):
    return next(number for number, (kind, *_) in enumerate(events) if kind == "order")


def _batch(rng):
    """Which of the busy stages, how many records, which topic first, and where a flush is torn."""
    return rng.randrange(6), rng.choice((1, 3, 8, 50)), rng.randrange(3), rng.getrandbits(12)


def _arguments(rng, name, workers, wipe, place):
    if name in ("run", "step", "full"):
        return _batch(rng)
    if name == "crash":
        return (*_batch(rng), rng.choice(STEPS), rng.random() < wipe)
    if name in ("pause", "slow"):
        # Most often what was decided is written late: that is where a late writer does the most harm.
        return (*_batch(rng), rng.choice(("decided", "decided", "decided", *STEPS, None)))
    return _others(rng, name, workers, place)


def _others(rng, name, workers, place):
    match name:
        case "time":
            return (rng.choice((1, 5, 31, 70)),)
        case "fact":
            return rng.randrange(20), rng.choice(FACTS), rng.choice((0, 0, 1, 2)), rng.choice((0, 0, 1, 2)), place
        case "stock":
            places = rng.randrange(len(scenario.STOCKED)), rng.choice(scenario.SITES), rng.choice(scenario.SITES)
            return rng.choice(BOOKINGS), *places, rng.randint(0, 3), place
        case "again":
            channel = rng.choice(
                ("orders", "fulfilment", "decisions", "ledger-commands", "ledger-commands", "ledger-commands")
            )
            return channel, rng.randrange(2), rng.randrange(40)
        case "clock":
            return rng.randrange(workers), rng.choice(CLOCKS)
        case "rebalance" | "expire":
            return ()
        case _:  # old, wake, rejoin, start, follow
            return (rng.randrange(workers),)
