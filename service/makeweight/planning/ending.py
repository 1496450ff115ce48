"""What a run came to, so that two runs can be compared: whole, or in what does not depend on the order of arrival.

Which order gets the last unit depends on which claim reaches the ledger first, and so does everything of an order that
wanted one of an offer that ran out, or whose customer reached a cap with another order. All else must be equal.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from makeweight.contracts.canonical import run_hash, ticket_hash
from makeweight.contracts.codec import canonical
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import PickTicket
from makeweight.domain.values import value
from makeweight.stages.desk.state import OrderState
from makeweight.stages.ledger.state import ClaimState

SHORT = frozenset({Reason.NO_STOCK, Reason.CAMPAIGN_CAP})
MAX_TOLD = 20


def decisions_of(claims: Iterable[ClaimState]) -> dict[str, dict[str, Any]]:
    """The decisions that stand, by order/offer: claims of nothing that hold nothing are left out."""
    return {
        f"{c.claim.order}/{c.claim.offer}": {
            "outcome": c.outcome,
            "units": c.held,
            "owed": c.owed,
            "gift": c.gift,
            "site": c.site,
            "reason": c.reason,
        }
        for c in claims
        if c.claim.units or c.live
    }


def latest(tickets: Iterable[PickTicket]) -> dict[str, PickTicket]:
    """The current ticket of each id: the highest (order revision, edition), whatever came last."""
    found: dict[str, PickTicket] = {}
    for ticket in tickets:
        known = found.get(ticket.ticket)
        if known is None or (ticket.order_revision, ticket.edition) >= (known.order_revision, known.edition):
            found[ticket.ticket] = ticket
    return found


@value
class Ending:
    """Where a run stands once it is quiet: orders, claims, balances and current tickets."""

    orders: dict[str, OrderState]
    claims: list[ClaimState]
    balances: list[Balance]
    tickets: dict[str, PickTicket]

    def hash(self) -> str:
        """The canonical hash of decisions, ledger and tickets."""
        hashes = {id_: ticket_hash(ticket) for id_, ticket in self.tickets.items()}
        return run_hash(decisions_of(self.claims), self.balances, hashes)

    def touched(self) -> set[str]:
        """Orders of which anything depends on who came first.

        Those with a claim on an offer that ran out, or on one of which their customer had reached the cap, and those
        with a claim in the group of such an offer, since a group's next depends on its first.
        """
        short = {c.claim.offer for c in self.claims if c.reason in SHORT or c.owed or c.substitute}
        capped = {(c.claim.offer, c.claim.customer) for c in self.claims if c.reason is Reason.CUSTOMER_CAP}
        groups = {c.claim.group for c in self.claims if c.claim.offer in short and c.claim.group}
        return {
            c.claim.order
            for c in self.claims
            if c.claim.offer in short or c.claim.group in groups or (c.claim.offer, c.claim.customer) in capped
        }

    def disturbed(self, touched: set[str]) -> set[str]:
        """Offers on which one of these orders has a claim: their stock depends on who came first."""
        return {c.claim.offer for c in self.claims if c.claim.order in touched}

    def plain(self, touched: set[str], disturbed: set[str]) -> dict[str, dict[str, Any]]:
        """What must be equal in every run of the same events, by kind and name; both sets are of either run."""
        rest = [c for c in self.claims if c.claim.order not in touched]
        units: dict[str, int] = {}
        for claim in rest:
            if not claim.live:
                continue  # of an order that no longer wants it, or never did if its revisions came in another order
            units[claim.claim.offer] = units.get(claim.claim.offer, 0) + claim.live
        left = {f"{b.offer}/{b.gift}/{b.site}": b.free for b in self.balances if b.offer not in disturbed}
        tickets = {id_: ticket_hash(t) for id_, t in self.tickets.items() if t.order not in touched}
        return {
            "judgement": {order: _judged(state) for order, state in self.orders.items()},
            "decision": decisions_of(rest),
            "units granted": units,
            "stock left": left,
            "ticket": tickets,
        }


def _judged(state: OrderState) -> dict[str, Any]:
    """What the order is worth to each offer: not what it claims, which depends on what it held."""
    return {
        "campaigns": state.evaluation.campaigns,
        "offers": {
            j.offer: [j.worth, j.per, j.threshold, j.qualifies, j.near_miss, j.gap, j.asked]
            for j in state.evaluation.judgements
        },
        "prices": state.evaluation.prices,
    }


def plain_differences(one: Ending, other: Ending) -> tuple[list[str], dict[str, int]]:
    """What differs between two runs that must not, named, and how much of each kind was compared."""
    touched = one.touched() | other.touched()
    disturbed = one.disturbed(touched) | other.disturbed(touched)
    first, second = one.plain(touched, disturbed), other.plain(touched, disturbed)
    return differences(first, second), {kind: len(names.keys() | second[kind].keys()) for kind, names in first.items()}


def differences(one: Mapping[str, Mapping[str, Any]], other: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """What differs between two plain endings, named; at most some of each kind."""
    told: list[str] = []
    for kind, names in one.items():
        others = other[kind]
        wrong = [
            name
            for name in sorted(names.keys() | others.keys())
            if canonical(names.get(name)) != canonical(others.get(name))
        ]
        told += [f"{kind} of {name} differs" for name in wrong[:MAX_TOLD]]
        if len(wrong) > MAX_TOLD:
            told.append(f"{kind}: {len(wrong) - MAX_TOLD} more")
    return told
