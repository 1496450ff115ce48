"""The core against a reference model written from the documents alone, by someone who had not seen the core's code.

Campaigns, orders, facts of the warehouse about real tickets, receipts and passing time, all at random; then all that
both can say of it is compared.
"""

from collections import Counter
from copy import deepcopy
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any, NamedTuple

from hypothesis import given, note
from hypothesis import strategies as st

from makeweight.adapters.local.replay import Replay
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.orders import digest, read_order
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt
from makeweight.domain.orders import Fulfilment, HandledLine
from makeweight.domain.reasons import Reason
from makeweight.stages.desk.state import OrderState
from makeweight.stages.desk.tickets import open_contents, ticket_id
from makeweight.stages.port import Message
from tests.support.drawn import GIFTS, SITES, START, documents, orders, stock_of
from tests.support.reference import Reference

ACCOUNTS = (
    "received", "free", "reserved", "released", "packed", "over_gift", "restocked", "damaged", "quarantine",
)  # fmt: skip
TOLD = {Reason.DESTINATION, Reason.UNPAID, Reason.VALUE_USED, Reason.CAUTION}
HAPPENED = ["released", "released", "packed", "packed", "dispatched", "short_picked", "put_back", "gift_returned"]
Step = tuple[Any, ...]

_events = st.tuples(st.just("order"), orders(), st.sampled_from([1, 1, 1, 1, 1, 0, -1]))
_facts = st.tuples(
    st.just("fact"),
    st.integers(0, 3),
    st.sampled_from(HAPPENED),
    st.sampled_from(["whole", "whole", "saleable", "scrap"]),
)
_times = st.tuples(st.just("time"), st.sampled_from([60, 1440, 2880]))
_receipts = st.tuples(st.just("receive"), st.integers(0, 7), st.integers(1, 2))
_anything = st.one_of(_events, _facts, _events, _facts, _times, _facts, _receipts)
# An order or two come first: facts are about their tickets.
steps = st.tuples(st.lists(_events, min_size=2, max_size=4), st.lists(_anything, min_size=6, max_size=14)).map(
    lambda both: both[0] + both[1]
)
stocked = st.lists(st.sampled_from([2, 1, 3, 4, 0, 1]), min_size=3, max_size=6)


class Both:
    """The product and the reference, fed alike. `seen` counts what came of it, to judge how sharp a search is."""

    def __init__(self, document: dict, stock: list[tuple[str, str, str, int]]) -> None:
        receipts = [Receipt(f"r{i}", offer, gift, site, n) for i, (offer, gift, site, n) in enumerate(stock)]
        self.run = Replay(Book([read_campaign(document)]), receipts)
        self.reference = Reference([deepcopy(document)], stock)
        self.gifts = [f"c/{offer['offer']}" for offer in document["offers"] if "gift" in offer["gives"]]
        self.clock, self.number = START, 0
        self.placed: dict[str, str] = {}
        self.seen: Counter[str] = Counter()

    def do(self, what: str, *arguments: Any) -> None:
        """One step of the random ones, at the instant that the clock shows."""
        self.number += 1
        self.clock += timedelta(seconds=1)
        getattr(self, what)(*arguments)

    def time(self, minutes: int) -> None:
        """Time passes, and what is due is done."""
        self.clock += timedelta(minutes=minutes)
        self.run.keep_time(self.clock)
        self.reference.time(self.clock)

    def order(self, event: dict, ahead: int) -> None:
        """A snapshot: mostly the next of its order, else one that is known or late."""
        # An order is placed once; what comes later can't change when.
        event["placed_at"] = self.placed.setdefault(event["order"], event["placed_at"])
        known = self.run.known_orders().get(event["order"])
        event["revision"] = max(1, (known.order.revision if known else event["revision"]) + ahead)
        self._until(datetime.fromisoformat(event["placed_at"]))
        self.time(0)
        event["revised_at"] = self.clock.isoformat()
        for line in event["lines"]:
            if "added_at" in line:
                line["added_at"] = min(line["added_at"], event["revised_at"])
        body = read_order(dumps(event))
        self.run.take(body, digest(body))
        self.reference.order(parse(dumps(body)))

    def _until(self, instant: datetime) -> None:
        self.clock = max(self.clock, instant)

    def fact(self, pick: int, happened: str, how: str) -> None:
        """The warehouse did something with a ticket, one with gifts if there is any; or with some of its gifts."""
        self.time(0)
        every = {(key, name): one for key, s in self.run.known_orders().items() for name, one in _tickets(s).items()}
        tickets = {key: one for key, one in every.items() if one.gifts} or every
        if not tickets:
            return
        (order, name), paper = list(tickets.items())[pick % len(tickets)]
        named, lines = None, []
        if how != "whole" and (happened == "gift_returned" or (paper.is_frozen and happened != "released")):
            # More of it than the paper has left would be somebody else's.
            some = paper.gifts if happened in ("gift_returned", "put_back") else paper.unpacked
            condition = how if happened == "gift_returned" else None
            lines = [HandledLine(1, offer=offer, condition=condition) for offer in some]
            named = dict.fromkeys(some, 1) if lines else None
        fact = Fulfilment(f"w{self.number}", order, name, happened, self.clock, lines=lines)
        assert self.run.take(fact, digest(fact)).result == "applied"
        spoilt = paper.gifts if how != "saleable" or not lines else ()
        self.reference.ticket_fact(order, name, happened, paper.site, self.clock, named, spoilt)
        self.seen[f"{happened}{' some' if named else ''}" if paper.gifts else "without a gift"] += 1
        self.seen["a ticket's second fact"] += bool(paper.gifts and paper.is_frozen)

    def receive(self, which: int, units: int) -> None:
        """Stock comes in for one of the offers."""
        if not self.gifts:
            return
        offer, gift, site = self.gifts[which % len(self.gifts)], GIFTS[which % len(GIFTS)], SITES[which % len(SITES)]
        self.run.engine.handle("ledger", Message(Receipt(f"n{self.number}", offer, gift, site, units)), self.clock)
        self.reference.receive(offer, gift, site, units)

    # --- what is compared

    def agree(self) -> None:
        """Everything that both know."""
        self._same_outcomes()
        balances = {
            (b.offer, b.gift, b.site): {name: getattr(b, name) for name in ACCOUNTS}
            for b in self.run.balances().values()
        }
        expected = {at: {name: one[name] for name in ACCOUNTS} for at, one in self.reference.balances().items()}
        assert {at: one for at, one in balances.items() if any(one.values())} == expected
        for order, state in self.run.known_orders().items():
            note(f"{order}: {[(j.offer, j.worth, j.reason, j.winner) for j in state.evaluation.judgements]}")
            self._same_judgements(order, state)
            self._same_after_returns(order, state)

    def _same_outcomes(self) -> None:
        expected = {f"{order}/{offer}": o for (order, offer), o in self.reference.outcomes().items()}
        members = ("outcome", "units", "owed", "gift", "site", "reason")
        found = {key: {**v, "reason": v["reason"] and str(v["reason"])} for key, v in self.run.decisions().items()}
        assert found == {key: {name: v[name] for name in members} for key, v in expected.items()}
        self.seen.update(v["outcome"] if v["units"] or not v["reason"] else f"{v['reason']}" for v in found.values())

    def _same_judgements(self, order: str, state: OrderState) -> None:
        live = self.run.engine.book
        offers = {key: one for c in live for key, one in ((o.key, o) for o in c.offers)}
        found, told = {}, {}
        for one in state.evaluation.judgements:
            used = one.reason is Reason.VALUE_USED
            near = one.near_miss or (used and one.worth > 0 and 10 * one.worth >= 9 * one.threshold)
            if near or not used:
                found[one.offer] = (Fraction(one.worth, one.per), one.qualifies and not used, near)
            if one.reason in TOLD:
                told[one.offer] = (str(one.reason), one.winner)
        expected = {
            offer: (Fraction(worth, per), qualifies, near)
            for offer, (worth, per, qualifies, near) in self.reference.qualifying(order).items()
        }
        assert found.keys() == expected.keys()
        # 'any' has no value to compare: the core measures it as 0 or 1, the model counts paid units.
        for offer in (key for key in found if offers[key].by != "any"):
            assert found[offer] == expected[offer]
        reasons = self.reference.told(order)
        # Both stand in the way of one that another of its group comes before, and that comes first among the reasons.
        outranked = {j.offer for j in state.evaluation.judgements if j.reason is Reason.OUTRANKED}
        assert told == {k: v for k, v in reasons.items() if k not in outranked or v[0] != Reason.CAUTION}
        self.seen.update(f"told {reason}" for reason, _ in told.values())
        self.seen.update("near miss" for _, _, near in found.values() if near)
        waits = {j.offer: j.pay_by for j in state.evaluation.judgements if j.pay_by and j.reason not in TOLD}
        waits = {key: by for key, by in waits.items() if state.order.paid_at is None}
        assert waits == self.reference.pay_by(order)

    def _same_after_returns(self, order: str, state: OrderState) -> None:
        kept = {j.offer: (j.kept.units, j.kept.refund) for j in state.evaluation.judgements if j.kept}
        assert kept == self.reference.kept(order)
        advice = {n.offer: n.amount for n in state.notices.values() if n.kind == "clawback_advice" and n.amount}
        assert advice == self.reference.clawback(order)
        self.seen["kept"] += len(kept)
        self.seen["clawback"] += len(advice)


class Paper(NamedTuple):
    """What a ticket carries, open or frozen."""

    site: str
    gifts: dict[str, int]
    unpacked: dict[str, int]
    is_frozen: bool


def _tickets(state: OrderState) -> dict[str, Paper]:
    found = {}
    for frozen in state.frozen:
        gifts = frozen.gifts_left
        unpacked = {offer: units for offer, units in gifts.items() if units > frozen.done.get(offer, 0)}
        found[frozen.ticket] = Paper(frozen.site, gifts, unpacked, is_frozen=True)
    contents = open_contents(state)
    for site, number in state.opened.items():
        gifts = contents[site].gifts if site in contents else {}
        found.setdefault(ticket_id(state, site, number), Paper(site, gifts, gifts, is_frozen=False))
    return found


def play(document: dict, sequence: list[Step], units: list[int]) -> Both:
    """A campaign, its stock, and all that happens."""
    both = Both(document, stock_of(document, units))
    for step in sequence:
        both.do(*step)
    return both


@given(document=documents(), sequence=steps, units=stocked)
def test_core_equals_reference(document: dict, sequence: list[Step], units: list[int]) -> None:
    """The same events in the same order: what is granted, owed, told, kept and left is the same."""
    play(document, sequence, units).agree()
