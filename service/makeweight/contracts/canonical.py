"""One hash for what a run came to, so that two runtimes, two runs or two machines can be compared.

It covers the decisions that stand, the ledger's balances and the current tickets, each in its RFC 8785 form. Editions,
instants of handling and log positions are left out: they differ between runs that decided alike.
"""

import hashlib
from collections.abc import Iterable, Mapping

from makeweight.contracts.codec import canonical, canonical_values
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import PickTicket


def ticket_hash(ticket: PickTicket) -> str:
    """SHA-256 of a ticket, its edition left out."""
    members = {k: v for k, v in ticket.__dict__.items() if k != "edition"}
    return hashlib.sha256(canonical_values(members)).hexdigest()


def run_hash(
    decisions: Mapping[str, Mapping[str, object]], balances: Iterable[Balance], tickets: Mapping[str, str]
) -> str:
    """SHA-256 over {decisions by order/offer, ledger by offer/gift/site, ticket hashes by ticket id}."""
    ledger = {f"{b.offer}/{b.gift}/{b.site}": b for b in balances}
    whole = {"decisions": dict(decisions), "ledger": ledger, "tickets": dict(tickets)}
    return hashlib.sha256(canonical(whole)).hexdigest()
