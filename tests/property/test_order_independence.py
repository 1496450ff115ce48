"""A day's events in any order, any of them more than once: what comes of it depends on the order only where stock does.

With stock and caps enough for all, nothing depends on it: entitlements, ledger and final tickets have one canonical
hash. Where they run short, only orders that wanted one of what ran short (or reached a customer's cap) may differ;
`touched` of planning/ending.py names them, and everything else is compared.

The warehouse's facts come in their order for each order, after the snapshots that made its ticket and before what the
customer sent back is said; between orders they come in any. Left out are facts that cross an amendment, since the paper
then is another one; short picks, which empty a bin for everyone; and all facts where things run short, since what comes
back then goes to whoever waits.

One thing is told only if the earlier revision came first: that an order no longer asks for a gift, and by which
campaigns a cancelled order had been judged. Neither changes what is packed, and both are left out.
"""

from collections.abc import Iterable
from datetime import timedelta
from random import Random

import yaml
from hypothesis import given
from hypothesis import strategies as st

from makeweight.contracts.orders import digest, read_order
from makeweight.domain.orders import Condition, Fulfilment, HandledLine, HappenedKind, Order
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.planning.ending import Ending, latest, plain_differences
from makeweight.stages.desk.state import ORDERS, OrderState
from makeweight.stages.ledger.state import BALANCES, CLAIMS
from tests.support.shop import Shop
from tests.support.week import CAMPAIGN, day

SCARCE = yaml.safe_load(CAMPAIGN)
AMPLE = {**SCARCE, "offers": [{k: v for k, v in offer.items() if k != "caps"} for offer in SCARCE["offers"]]}
NOT_WANTED = Reason.NOT_WANTED
SOME = {"TIN": 3, "BAG": 1, "PAD": 4, "BRUSH": 6, "MUG": 3}
HAPPENED: list[list[HappenedKind]] = [
    [], ["released"], ["packed"], ["dispatched"], ["released", "packed", "dispatched"], ["released", "put_back"],
    ["packed", "gift_returned"], ["released", "gift_returned"], ["released", "put_back", "packed"],
]  # fmt: skip
PLENTY = dict.fromkeys(SOME, 10_000)


def snapshots(seed: int, orders: int) -> list[Order]:
    """The order events of a day of the shop in the week's tests."""
    return [read_order(data) for _, data in day(Random(seed), orders, facts=False)]


Event = Order | Fulfilment


def followed(rng: Random, last: Order) -> list[Event]:
    """What the warehouse does with an order's ticket, and then what the customer sent back of it."""
    ticket, happened = f"{last.order}/main/1", rng.choice(HAPPENED)
    found: list[Event] = []
    for number, what in enumerate(happened):
        gifts = []
        if what == "gift_returned":
            condition: Condition = rng.choice(["saleable", "scrap"])
            gifts = [HandledLine(1, offer="week/tin", gift="TIN", condition=condition)]
        at = last.revised_at + timedelta(hours=1 + number)
        found.append(Fulfilment(f"w{number}-{last.order}", last.order, ticket, what, at, lines=gifts))
    if happened and rng.random() < 0.5:
        back = [replaced(line, returned_units=1, faulty_units=rng.randint(0, 1)) for line in last.lines]
        found.append(replaced(last, revision=3, revised_at=last.revised_at + timedelta(days=1), lines=back))
    return found


def ending(document: dict, units: dict[str, int], arrivals: Iterable[Event]) -> Ending:
    """What comes of events that arrive in this order."""
    given_by = [offer for offer in document["offers"] if "gift" in offer["gives"]]
    stock = {
        (f"week/{offer['offer']}", gift, "main"): units[gift]
        for offer in given_by
        for gift in [offer["gives"]["gift"], *offer["gives"].get("otherwise", [])]
    }
    shop = Shop([document], stock)
    for event in arrivals:
        if isinstance(event, Order):
            shop.place(event)
        else:
            shop.take("desk", event, event.at, digest(event))
    tickets = latest(output.body for output in shop.said if output.channel == "pick-tickets")
    states = shop.desk.values(ORDERS)
    claims, balances = shop.books.values(CLAIMS).values(), shop.books.values(BALANCES).values()
    asked = {
        id_: replaced(one, told=[t for t in one.told if t.reason is not NOT_WANTED]) for id_, one in tickets.items()
    }
    return Ending({name: _judged(state) for name, state in states.items()}, list(claims), list(balances), asked)


def _judged(state: OrderState) -> OrderState:
    cancelled = state.order.status == "cancelled"
    return replaced(state, evaluation=replaced(state.evaluation, campaigns={})) if cancelled else state


@st.composite
def arrivals(draw: st.DrawFn) -> tuple[list[Order], list[Order]]:
    """A day in its order, and the same day shuffled, with repeats."""
    events = snapshots(draw(st.integers(0, 1_000)), draw(st.integers(2, 25)))
    rng = draw(st.randoms(use_true_random=False))
    mixed = [*events, *rng.sample(events, rng.randint(0, len(events)))]
    rng.shuffle(mixed)
    return events, mixed


@st.composite
def days(draw: st.DrawFn) -> tuple[list[Event], list[Event]]:
    """A day with what the warehouse and the customers make of it, and the same in another order, with repeats."""
    events, mixed = draw(arrivals())
    rng = draw(st.randoms(use_true_random=False))
    last = {event.order: event for event in sorted(events, key=lambda event: event.revision)}
    after = {order: followed(rng, event) for order, event in last.items() if event.status != "cancelled"}
    one, other = [*events, *(event for found in after.values() for event in found)], list(mixed)
    for order, found in after.items():
        at = max(i for i, event in enumerate(other) if event.order == order) + 1
        for event in found:
            at = rng.randint(at, len(other))
            other.insert(at, event)
            at += 1
    repeats = rng.sample(other, rng.randint(0, len(other)))
    for event in repeats:
        other.insert(rng.randint(max(i for i, known in enumerate(other) if known is event) + 1, len(other)), event)
    return one, other


@given(days())
def test_nothing_depends_on_it_where_there_is_enough(both: tuple[list[Event], list[Event]]) -> None:
    """One canonical hash of decisions, balances and current tickets, editions and instants left out."""
    events, mixed = both
    assert ending(AMPLE, PLENTY, events).hash() == ending(AMPLE, PLENTY, mixed).hash()


@given(arrivals())
def test_what_does_not_touch_what_ran_short_is_the_same(both: tuple[list[Order], list[Order]]) -> None:
    """Judgements of every order; decisions, tickets and stock of all that wanted nothing of what ran short."""
    events, mixed = both
    one, other = ending(SCARCE, SOME, events), ending(SCARCE, SOME, mixed)
    assert plain_differences(one, other)[0] == []


def test_the_comparison_of_the_scarce_day_is_not_empty() -> None:
    """Some orders are left to compare, and some do differ: else the test above would show nothing."""
    events = snapshots(7, 60)
    mixed = list(events)
    Random(1).shuffle(mixed)
    units = {**PLENTY, "TIN": 8, "BAG": 2}  # the tin alone runs out
    one, other = ending(AMPLE, units, events), ending(AMPLE, units, mixed)
    differing, compared = plain_differences(one, other)
    assert differing == []
    assert min(compared["decision"], compared["ticket"]) > 5
    assert one.hash() != other.hash()
