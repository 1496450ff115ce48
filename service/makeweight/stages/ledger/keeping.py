"""The tables that follow from claims and moves: balances, the owed queue, customers, an offer's totals and levels."""

from collections.abc import Iterable

from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import hold, replaced
from makeweight.stages.ledger.settle import refused_before
from makeweight.stages.ledger.state import (
    BALANCES,
    CLAIMS,
    CUSTOMERS,
    OFFERS,
    OWED,
    SERVED,
    ClaimState,
    Live,
    OfferState,
    OwedClaim,
    Served,
    key,
)
from makeweight.stages.port import Store

LOW_PERCENT = 10  # of what came in, or of the cap: at or below it the offer is running low


def move(store: Store, offer: str, moves: Iterable[Move]) -> int:
    """Make the moves; how much free stock they add."""
    free = 0
    for one in moves:
        at = key(offer, one.gift, one.site)
        balance = store.get(BALANCES, at) or Balance(offer, one.gift, one.site)
        after = balance.after(one)
        free += after.free - balance.free
        store.put(BALANCES, at, after)
    return free


def offer_of(store: Store, offer: str) -> OfferState:
    """An offer's totals; all zero where nothing is known of it."""
    return store.get(OFFERS, offer) or OfferState(offer)


def keep_claim(
    store: Store, old: ClaimState | None, new: ClaimState, offer: OfferState, nth: int | None = None
) -> None:
    """Keep a claim, its place in the owed queue and what its customer has.

    ``nth`` tells claims apart that one entry makes owed.
    """
    new = _queue(store, new, offer, nth)
    store.put(CLAIMS, key(new.claim.offer, new.claim.order), new)
    _count_customer(store, old, new)


def with_claim(offer: OfferState, old: ClaimState, new: ClaimState) -> OfferState:
    """An offer's totals after a claim of it has changed."""
    return replaced(
        offer,
        live_units=offer.live_units + new.live - old.live,
        owed_units=offer.owed_units + new.owed - old.owed,
    )


def _queue(store: Store, new: ClaimState, offer: OfferState, nth: int | None) -> ClaimState:
    """Keep the owed queue: a claim keeps its place as long as anything is owed to it."""
    if new.owed and new.owed_key is None:
        number = f"{offer.sequence + 1:012d}"
        place = key(offer.offer, number if nth is None else f"{number}.{nth:08d}")
        store.put(OWED, place, OwedClaim(new.claim.order))
        return replaced(new, owed_key=place)
    if not new.owed and new.owed_key is not None:
        store.drop(OWED, new.owed_key)
        return replaced(new, owed_key=None)
    return new


def _count_customer(store: Store, old: ClaimState | None, new: ClaimState) -> None:
    before = old.claim.customer if old else None
    after = new.claim.customer
    changes = {}
    if old is not None and before is not None:
        changes[before] = -old.live
    if after is not None:
        changes[after] = changes.get(after, 0) + new.live
    refused = new.reason is Reason.CUSTOMER_CAP and not refused_before(new.claim, old)
    for customer, units in changes.items():
        no = refused and customer == after
        if units or no:
            at = key(new.claim.offer, customer)
            kept = store.get(CUSTOMERS, at) or Live(0)
            live = kept.units + units
            hold(live >= 0, "S12", f"a customer of {new.claim.offer} holds less than nothing")
            order, when = (new.claim.order, new.at) if units > 0 else (kept.last_order, kept.last_at)
            store.put(CUSTOMERS, at, Live(live, order, when, kept.refused + no))


def expect(
    store: Store, offer: str, cause: str, serves: int, moves: Iterable[Move], again: list[str] | None = None
) -> None:
    """Remember how many claims a command serves, of what it frees, and who looks for units again because of it."""
    freed = next((one for one in moves if one.target is Account.FREE), None)
    if serves and (freed is not None or again):
        gift, site = (freed.gift, freed.site) if freed is not None else ("", "")
        store.put(SERVED, key(offer, cause), Served(serves, gift, site, [], again or []))


def brought(moves: Iterable[Move]) -> int:
    """What the moves add to all that an offer had to give: what comes in from outside, less what goes to others."""
    units = 0
    for one in moves:
        if one.target is Account.FREE and one.source in _IN:
            units += one.units
        elif one.target is Account.ELSEWHERE:
            units -= one.units
    return units


_IN = frozenset({Account.OUTSIDE, Account.ELSEWHERE, Account.IN_TRANSIT, Account.COUNTED})


def keep_offer(store: Store, offer: OfferState, moves: Iterable[Move], at: Instant, owed: int = 0) -> None:
    """Count the entry and bring the offer's levels up to date; ``owed`` claims became owed by it."""
    places = [key(one.gift, one.site) for one in moves]
    new = [place for place in dict.fromkeys(places) if place not in offer.stock]
    stock = offer.stock + new if new else offer.stock
    capped_out = offer.total_cap is not None and offer.live_units >= offer.total_cap
    exhausted = capped_out or (offer.needs_stock and offer.free_units == 0)
    low = not exhausted and (
        (offer.total_cap is not None and _is_low(offer.total_cap - offer.live_units, offer.total_cap))
        or (offer.needs_stock and _is_low(offer.free_units, offer.received_units))
    )
    said = offer.said
    for kind, is_open in (("running_low", low), ("exhausted", exhausted)):
        if is_open and kind not in said:
            said = [*said, kind]
    kept = replaced(
        offer,
        sequence=offer.sequence + 1,
        stock=stock,
        low=low,
        said=said,
        exhausted_at=(offer.exhausted_at or at) if exhausted else None,
        owed_after=owed + (offer.owed_after if offer.exhausted_at else 0) if exhausted else 0,
        levelled_at=at,
    )
    store.put(OFFERS, offer.offer, kept)


def _is_low(left: int, whole: int) -> bool:
    return left * 100 <= whole * LOW_PERCENT
