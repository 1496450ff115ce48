"""The core against a reference model written from the documents alone, by someone who had not seen the core's code.

Campaigns, orders, facts of the warehouse about real tickets, receipts and passing time, all at random; then all that
both can say of it is compared.
"""

from collections import Counter
from copy import deepcopy
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

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
from tests.support.drawn import GIFTS, ORDERS, SITES, START, documents, orders, stock_of
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
    st.integers(0, len(ORDERS) - 1),
    st.integers(0, 2),
    st.sampled_from(HAPPENED),
    st.sampled_from(["whole", "whole", "saleable", "scrap"]),
)
_times = st.tuples(st.just("time"), st.sampled_from([30, 1440, 2880]))
_receipts = st.tuples(st.just("receive"), st.integers(0, 7), st.integers(1, 2))
steps = st.lists(st.one_of(_events, _events, _facts, _facts, _times, _receipts), min_size=1, max_size=16)


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
        if instant > self.clock:
            self.time(int((instant - self.clock) / timedelta(minutes=1)))

    def fact(self, order: int, pick: int, happened: str, how: str) -> None:
        """The warehouse did something with a ticket of an order, one with gifts if there is any; or with some gifts."""
        state = self.run.known_orders().get(ORDERS[order])
        tickets = _tickets(state) if state else {}
        if state is None or not tickets:
            return
        self.time(0)
        state = self.run.known_orders()[ORDERS[order]]
        tickets = _tickets(state)
        name = list(tickets)[pick % len(tickets)]
        site, gifts, is_frozen = tickets[name]
        named, lines = None, []
        if how != "whole" and gifts and (happened == "gift_returned" or (is_frozen and happened != "released")):
            condition = how if happened == "gift_returned" else None
            named = dict.fromkeys(gifts, 1)
            lines = [HandledLine(1, offer=offer, condition=condition) for offer in gifts]
        fact = Fulfilment(f"w{self.number}", state.order.order, name, happened, self.clock, lines=lines)
        verdict = self.run.take(fact, digest(fact))
        assert verdict.result == "applied"
        spoilt = gifts if how != "saleable" or not lines else ()
        self.reference.ticket_fact(state.order.order, name, happened, site, self.clock, named, spoilt)
        self.seen[happened if gifts else f"{happened} without a gift"] += 1

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
            near = one.near_miss or (used and 0 < one.worth and 10 * one.worth >= 9 * one.threshold)
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


def _tickets(state: OrderState) -> dict[str, tuple[str, dict[str, int], bool]]:
    """Site, gift units by offer and whether it is frozen, by ticket; those with gifts alone if there are any."""
    found = {frozen.ticket: (frozen.site, frozen.gifts_left, True) for frozen in state.frozen}
    contents = open_contents(state)
    for site, number in state.opened.items():
        gifts = contents[site].gifts if site in contents else {}
        found.setdefault(ticket_id(state, site, number), (site, gifts, False))
    return {name: one for name, one in found.items() if one[1]} or found


def play(document: dict, sequence: list[Step], units: list[int]) -> Both:
    """A campaign, its stock, and all that happens."""
    both = Both(document, stock_of(document, units))
    for step in sequence:
        both.do(*step)
    return both


@given(document=documents(), sequence=steps, units=st.lists(st.integers(0, 4), min_size=1, max_size=6))
def test_core_equals_reference(document: dict, sequence: list[Step], units: list[int]) -> None:
    """The same events in the same order: what is granted, owed, told, kept and left is the same."""
    play(document, sequence, units).agree()
