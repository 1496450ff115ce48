"""What a change would come to is exactly what two complete replays differ in.

The campaigns and orders are those of the reference test: everything that the trade's rules know, little of each, often
at once. One replay has the campaigns as they were, the other the changed revision in force since the instant; each goes
through both whole stages from the first order on.
"""

from copy import deepcopy
from datetime import datetime, timedelta

from hypothesis import event, given
from hypothesis import strategies as st

from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.adapters.local.replay import Replay
from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.contracts.codec import dumps
from makeweight.contracts.orders import digest, read_order
from makeweight.domain.book import Book
from makeweight.domain.claims import Count, Damage, HandledGift, Receipt, Transfer
from makeweight.domain.orders import Fulfilment
from makeweight.stages.desk.tickets import tickets
from makeweight.stages.port import Message
from tests.support.drawn import GIFTS, ORDERS, SITES, START, documents, orders, stock_of

CHANGES = ["pause", "end", "cap", "cap", "customer cap", "swap", "resume", "lower", "wider", "once", "group"]


@st.composite
def changes(draw, document):
    """A document that differs in one offer from the one in force, as a person would change it, or as anyone might."""
    base, other = deepcopy(document), deepcopy(document)
    other["revision"] = 2
    place = draw(st.integers(0, len(other["offers"]) - 1))
    old, new = base["offers"][place], other["offers"][place]
    what = draw(st.sampled_from(CHANGES))
    if what == "pause":
        new["paused"] = True
    elif what == "resume":
        old["paused"] = True
    elif what == "end":
        new["until"] = draw(st.sampled_from(["2026-11-23 01:00", "2026-11-23 01:01", "2026-11-24 12:00"]))
    elif what == "cap":
        new["caps"] = {**new["caps"], "total": draw(st.integers(0, 4))}
    elif what == "customer cap":
        new["caps"] = {k: v for k, v in new["caps"].items() if k != "per_customer"}
        if draw(st.booleans()):
            new["caps"]["per_customer"] = draw(st.integers(1, 2))
    elif what == "swap" and "gift" in new["gives"]:
        new["gives"] = {**new["gives"], "gift": draw(st.sampled_from(GIFTS)), "otherwise": []}
        new.pop("when_out", None)
    elif what == "lower":
        new["counts"] = {**new["counts"], "by": "units", "at_least": 1}
        new["counts"].pop("over", None)
        new["value_used"] = "shared"
    elif what == "wider":
        new["counts"] = {k: v for k, v in new["counts"].items() if k not in ("brands", "skus", "categories")}
    elif what == "once" and new["counts"]["by"] == "total" and not new["gives"].get("for_each"):
        new["value_used"] = "once"
        new.pop("group", None)
    elif what == "group":
        new["group"] = "g"
        new["value_used"] = "shared"
    return what, base, other


_moves = st.tuples(
    st.sampled_from(["receive", "receive", "count", "damage", "transfer"]), st.integers(0, 7), st.integers(1, 3)
)
_steps = st.lists(st.one_of(orders(), orders(), orders(), _moves), min_size=6, max_size=16)


class Heard(Replay):
    """A replay that remembers what the warehouse did with gifts, as its desk told its ledger."""

    def __init__(self, *given):
        self.handled = []
        super().__init__(*given)

    def result(self, stage, message, verdict):
        """Keep it, beside what a replay keeps."""
        super().result(stage, message, verdict)
        if isinstance(message.body, HandledGift):
            self.handled.append(message.body)


class Day:
    """A day that goes into both replays and the rehearsal alike."""

    def __init__(self, base, other, since, stock, every):
        receipts = [Receipt(f"r{i}", offer, gift, site, n) for i, (offer, gift, site, n) in enumerate(stock)]
        first = read_campaign(base)
        then = read_campaign({**other, "effective": since.isoformat()})
        self.then, self.since = then, since
        self.rehearsal = Rehearsal(Book([first]), every)
        self.replays = [Heard(Book([first]), receipts), Heard(Book([first, then]), receipts)]
        for receipt in receipts:
            self.rehearsal.take_stock(receipt, START)
        self.clock, self.number = START, 0
        self.placed, self.gone = {}, set()
        self.gifts = [f"c/{offer['offer']}" for offer in base["offers"] if "gift" in offer["gives"]]

    def order(self, drawn):
        """A snapshot, always the next of its order; none once it is on the floor."""
        if drawn["order"] in self.gone:
            return
        made = dict(drawn)
        made["placed_at"] = self.placed.setdefault(made["order"], made["placed_at"])
        known = self.replays[0].known_orders().get(made["order"])
        made["revision"] = known.order.revision + 1 if known else made["revision"]
        self.clock = max(self.clock, datetime.fromisoformat(made["placed_at"])) + timedelta(minutes=7)
        made["revised_at"] = self.clock.isoformat()
        made["lines"] = [
            line | ({"added_at": min(line["added_at"], made["revised_at"])} if "added_at" in line else {})
            for line in made["lines"]
        ]
        body = read_order(dumps(made))
        for replay in self.replays:
            replay.take(body, digest(body))
        self.rehearsal.take_order(body, self.clock)

    def move(self, what, pick, units):
        """Something of what people say of stock."""
        if not self.gifts:
            return
        self.clock += timedelta(minutes=3)
        self.number += 1
        offer, gift, site = self.gifts[pick % len(self.gifts)], GIFTS[pick % len(GIFTS)], SITES[pick % len(SITES)]
        name = f"m{self.number}"
        said = {
            "receive": lambda: Receipt(name, offer, gift, site, units),
            "count": lambda: Count(name, offer, gift, site, units - 1, self.clock),
            "damage": lambda: Damage(name, offer, gift, site, units, self.clock),
            "transfer": lambda: Transfer(name, offer, gift, site, units, self.gifts[0], "H", self.clock),
        }[what]()
        for replay in self.replays:
            replay.keep_time(self.clock)
            replay.engine.handle("ledger", Message(said), self.clock)
        self.rehearsal.take_stock(said, self.clock)

    def fact(self, order, *happened):
        """The warehouse releases an order's tickets whole, and may pack them."""
        state = self.replays[0].known_orders().get(order)
        if state is None or order in self.gone:
            return
        self.clock += timedelta(minutes=5)
        self.gone.add(order)
        names = [ticket.ticket for ticket in tickets(state)]
        self.rehearsal.released(order, self.clock)
        for what in happened:
            for name in names:
                self.number += 1
                fact = Fulfilment(f"f{self.number}", order, name, what, self.clock)
                for replay in self.replays:
                    replay.handled.clear()
                    replay.take(fact, str(self.number))
                for handled in self.replays[0].handled:
                    self.rehearsal.take_stock(handled, self.clock)

    def agree(self):
        """The rehearsal's difference is that of the replays, in every offer, order and bin."""
        found = self.rehearsal.difference(self.then, self.since)
        before, after = (_standings(replay) for replay in self.replays)
        differs = {
            name: (before.get(name), after.get(name))
            for name in before.keys() | after.keys()
            if before.get(name) != after.get(name)
        }
        told = {(c.order, c.offer): (_told(c.before), _told(c.after)) for c in found.orders}
        assert told == differs
        bins, left = (_free(replay) for replay in self.replays)
        for change in found.offers:
            assert change.before.free_units == bins.get(change.offer, {})
            assert change.after.free_units == left.get(change.offer, {})
            assert _sums(change.before) == _summed(before, change.offer)
            assert _sums(change.after) == _summed(after, change.offer)
        untouched = bins.keys() - {change.offer for change in found.offers}
        assert {offer: bins[offer] for offer in untouched} == {offer: left[offer] for offer in untouched}
        return found


def _told(standing):
    return None if standing is None else (standing.outcome, standing.units, standing.owed, standing.gift)


def _standings(replay):
    """By order and offer what stands: decisions of the ledger, and benefits that need none."""
    found = {}
    for name, decision in replay.decisions().items():
        order, offer = name.split("/", 1)
        held = decision["gift"] if decision["units"] else None
        found[order, offer] = (decision["outcome"], decision["units"], decision["owed"], held)
    for order, state in replay.known_orders().items():
        found |= {(order, offer): ("granted", 1, 0, None) for offer in state.benefits}
    return found


def _free(replay):
    found = {}
    for balance in replay.balances().values():
        found.setdefault(balance.offer, {})[f"{balance.gift}/{balance.site}"] = balance.free
    return found


def _sums(figures):
    return (
        figures.granted_orders, figures.granted_units, figures.owed_orders, figures.owed_units, figures.declined_orders
    )  # fmt: skip


def _summed(standings, offer):
    mine = [standing for (_, name), standing in standings.items() if name == offer]
    return (
        sum(units > 0 for _, units, _, _ in mine),
        sum(units for _, units, _, _ in mine),
        sum(owed > 0 for _, _, owed, _ in mine),
        sum(owed for _, _, owed, _ in mine),
        sum(outcome == "declined" for outcome, *_ in mine),
    )


_UNITS = st.lists(st.sampled_from([2, 1, 3, 0, 1]), min_size=3, max_size=6)
_MINUTES = st.sampled_from([0, 60, 61, 120, 1000, 2939, 3000])


@given(
    documents().flatmap(changes),
    _steps,
    _UNITS,
    _MINUTES,
    st.sampled_from([1, 3, 1000]),
)
def test_a_difference_is_that_of_two_replays(drawn, steps, units, minutes, every):
    """Pauses, ends, caps, other gifts, thresholds, groups: at any instant, with marks near and far."""
    what, base, other = drawn
    try:
        read_campaign(other)
    except DocumentError:
        event("refused")
        return
    day = Day(base, other, START + timedelta(minutes=minutes), stock_of(base, units), every)
    for step in steps:
        if isinstance(step, dict):
            day.order(step)
        else:
            day.move(*step)
    found = day.agree()
    event(f"{what}: {'differs' if found.orders else 'the same'}")


_facts = st.tuples(st.sampled_from(ORDERS), st.sampled_from([("released",), ("released", "packed")]))
_received = st.tuples(st.just("receive"), st.integers(0, 7), st.integers(1, 2))


@given(documents().flatmap(changes), _steps, st.lists(st.one_of(_facts, orders(), _received)), _UNITS, _MINUTES)
def test_with_a_floor_that_packs(drawn, steps, then, units, minutes):
    """Tickets go out while other orders come: what is packed is packed with what it has, in both."""
    _, base, other = drawn
    try:
        read_campaign(other)
    except DocumentError:
        return
    day = Day(base, other, START + timedelta(minutes=minutes), stock_of(base, units), 3)
    for step in [*steps, *then]:
        if isinstance(step, dict):
            day.order(step)
        elif len(step) == 2:
            day.fact(step[0], *step[1])
        else:
            day.move(*step)
    day.agree()
