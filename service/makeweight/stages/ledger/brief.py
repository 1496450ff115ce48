"""Settling a claim for a rehearsal: what it would come to, at once, without the entry that a log would hold.

Caps and stock are asked as ever. Left out is what only tells people of it: the figures beside a decision, levels,
signals, and how often a cap said no.
"""

from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.claims import Claim
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger.movements import outcome_of
from makeweight.stages.ledger.settle import from_stock, within_caps
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, OFFERS, ClaimState, Live, OfferState, key
from makeweight.stages.port import Store

_NOTHING = Claim("", "", "", 0, 0, 0, 0, SINCE_EVER)
_FIRST = ClaimState(_NOTHING, 1, "declined", Figures(0), SINCE_EVER)  # what the claims settled here have in common


def settled_in_brief(store: Store, claim: Claim, at: Instant) -> bool:
    """Settle the first claim of an order on an offer; False, and nothing done, where it takes an entry to do so.

    That is a later claim, one that nothing is wanted by or that would be owed, and any beside early facts.
    """
    asked = claim.offer
    name = key(asked, claim.order)
    offer = store.get(OFFERS, asked) or OfferState(asked)
    if not claim.units or offer.early or store.get(CLAIMS, name) is not None:
        return False
    allowed = within_caps(store, claim, None, offer, claim.units)
    gift, site, units, _, substitute = from_stock(store, claim, None, allowed.units)
    reason = allowed.reason
    if units < allowed.units:
        if claim.when_out == "owed":
            return False
        reason = Reason.NO_STOCK
    since = 0
    if units:
        since, free = offer.sequence + 1, offer.free_units
        if gift is not None and site is not None:
            place = key(asked, gift, site)
            balance = store.get(BALANCES, place) or Balance(asked, gift, site)
            store.put(BALANCES, place, balance.after(Move(Account.FREE, Account.RESERVED, gift, site, units)))
            free -= units
        if claim.customer is not None:
            place = key(asked, claim.customer)
            held = allowed.customer or store.get(CUSTOMERS, place) or Live(0)
            store.put(CUSTOMERS, place, replaced(held, units=held.units + units))
        live = offer.live_units + units
        store.put(OFFERS, asked, replaced(offer, sequence=since, live_units=live, free_units=free))
    state = replaced(
        _FIRST, claim=claim, outcome=outcome_of(units, 0), at=at, gift=gift, site=site, reserved=units,
        substitute=substitute, reason=reason, cut=reason, since=since,
    )  # fmt: skip
    store.put(CLAIMS, name, state)
    return True
