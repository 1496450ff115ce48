"""Signals that a person should look at a customer of an offer. Nothing is ever refused, or given otherwise, for them.

Each is counted for one customer and one offer, in memory that is bounded. That somebody orders twice is none (rules of
the trade, 2.25): of the 26,201 open baskets of completejourney that reach 50.00, 559 have another of their household
within an hour, and no three of one are just over it. The figures below are common practice.
"""

from datetime import timedelta

from makeweight.domain.claims import Claim
from makeweight.domain.entries import Settled
from makeweight.domain.values import replaced
from makeweight.stages.ledger.state import CUSTOMERS, ClaimState, JustOver, Live, key
from makeweight.stages.port import Store

JUST_OVER_PERCENT = 10  # of the threshold above it, at most
SPLIT_WITHIN = timedelta(hours=1)  # of each other, by when the orders were placed
MAX_RECENT = 8  # orders just over the threshold that are remembered of a customer


def is_just_over(claim: Claim) -> bool:
    """Whether an order is worth hardly more than is asked, and would be given as much for several times as much."""
    if claim.by not in _ADDED_UP or claim.for_each or not claim.units:
        return False
    return 0 < claim.threshold <= claim.worth and 100 * claim.worth <= (100 + JUST_OVER_PERCENT) * claim.threshold


_ADDED_UP = frozenset({"total", "units"})  # a large line, or a dear item, is not made by splitting an order


def earned(claim: Claim) -> int:
    """Units that the order still earns, goods that came back left away."""
    return claim.units if claim.kept is None else min(claim.units, claim.kept)


def is_unearned(claim: Claim, before: ClaimState | None) -> bool:
    """Whether gifts are out that the order earned when they were packed, and with this claim no longer does.

    What was packed although it was no longer wanted is the house's own doing.
    """
    if before is None or before.packed <= earned(claim):
        return False
    return before.unearned or earned(before.claim) >= before.packed


def noted(store: Store, entry: Settled, before: ClaimState | None) -> Settled:
    """The entry with what is to be noted of its customer, this order included."""
    claim = entry.claim
    if claim.customer is None:
        return entry
    unearned = is_unearned(claim, before)
    just_over = is_just_over(claim)
    if not (unearned or just_over):
        return entry
    known = store.get(CUSTOMERS, key(claim.offer, claim.customer)) or Live(0)
    figures = entry.figures
    if just_over:
        near = [one for one in known.recent if abs(one.at - claim.placed_at) <= SPLIT_WITHIN]
        figures = replaced(figures, split_with=[one.order for one in near if one.order != claim.order])
    if unearned:
        same = before is not None and before.unearned and before.claim.customer == claim.customer
        figures = replaced(figures, customer_unearned=known.unearned + (not same))
    return replaced(entry, figures=figures)


def remembered(recent: list[JustOver], claim: Claim, *, just_over: bool) -> list[JustOver]:
    """A customer's orders just over the threshold after a claim; those placed first are forgotten first."""
    others = [one for one in recent if one.order != claim.order]
    if not just_over:
        return others
    return sorted([*others, JustOver(claim.order, claim.placed_at)], key=lambda one: (one.at, one.order))[-MAX_RECENT:]
