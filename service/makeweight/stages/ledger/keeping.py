"""The tables that follow from claims and moves: balances, the owed queue, customers, an offer's totals and levels."""

from collections.abc import Iterable

from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import hold, replaced
from makeweight.stages.ledger.settle import refused_before
from makeweight.stages.ledger.signals import is_just_over, remembered
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
    store: Store, at: str, old: ClaimState | None, new: ClaimState, offer: OfferState, nth: int | None = None
) -> None:
    """Keep a claim at its key, its place in the owed queue and what its customer has.

    ``nth`` tells claims apart that one entry makes owed.
    """
    if new.owed or new.owed_key is not None:
        new = _queue(store, new, offer, nth)
    store.put(CLAIMS, at, new)
    if new.claim.customer is not None or old is not None:
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
    after = new.claim.customer
    units, unearned, just_over = new.live, int(new.unearned), is_just_over(new.claim)
    is_news = just_over
    if old is not None and old.claim.customer is not None:
        was_just_over = is_just_over(old.claim)
        if old.claim.customer == after:
            units -= old.live
            unearned -= int(old.unearned)
            is_news = just_over != was_just_over
        elif old.live or old.unearned or was_just_over:
            _add_to_customer(store, old.claim.customer, new, -old.live, -int(old.unearned), just_over=False)
    if after is None:
        return
    refused = new.reason is Reason.CUSTOMER_CAP and not refused_before(new.claim, old)
    if units or refused or unearned or is_news:
        _add_to_customer(store, after, new, units, unearned, refused=int(refused), just_over=just_over)


def _add_to_customer(
    store: Store, customer: str, claim: ClaimState, units: int, unearned: int, *, just_over: bool, refused: int = 0
) -> None:
    at = key(claim.claim.offer, customer)
    kept = store.get(CUSTOMERS, at)
    if kept is None:
        kept = Live(0)
    live = kept.units + units
    hold(live >= 0 and kept.unearned + unearned >= 0, "S12", f"a customer of {claim.claim.offer} has less than nothing")
    order, when = (claim.claim.order, claim.claim.placed_at) if units > 0 else (kept.last_order, kept.last_at)
    recent = kept.recent
    if recent or just_over:
        recent = remembered(recent, claim.claim, just_over=just_over)
    store.put(CUSTOMERS, at, Live(live, order, when, kept.refused + refused, recent, kept.unearned + unearned))


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


def keep_offer(
    store: Store, offer: OfferState, moves: Iterable[Move], at: Instant, owed: int = 0, **changes: object
) -> None:
    """Count the entry, with its changes, and bring the offer's levels up to date; ``owed`` claims became owed by it."""
    stock = offer.stock
    for one in moves:
        place = key(one.gift, one.site)
        if place not in stock:
            stock = [*stock, place]
    offer = replaced(offer, **changes, sequence=offer.sequence + 1, stock=stock, levelled_at=at)
    capped_out = offer.total_cap is not None and offer.live_units >= offer.total_cap
    exhausted = capped_out or (offer.needs_stock and offer.free_units == 0)
    low = not exhausted and (
        (offer.total_cap is not None and _is_low(offer.total_cap - offer.live_units, offer.total_cap))
        or (offer.needs_stock and _is_low(offer.free_units, offer.received_units))
    )
    if exhausted or low or offer.low or offer.exhausted_at:
        offer = _levelled(offer, at, owed, low=low, exhausted=exhausted)
    store.put(OFFERS, offer.offer, offer)


def _levelled(offer: OfferState, at: Instant, owed: int, *, low: bool, exhausted: bool) -> OfferState:
    said = offer.said
    if low and "running_low" not in said:
        said = [*said, "running_low"]
    if exhausted and "exhausted" not in said:
        said = [*said, "exhausted"]
    return replaced(
        offer,
        low=low,
        said=said,
        exhausted_at=(offer.exhausted_at or at) if exhausted else None,
        owed_after=owed + (offer.owed_after if offer.exhausted_at else 0) if exhausted else 0,
    )


def _is_low(left: int, whole: int) -> bool:
    return left * 100 <= whole * LOW_PERCENT
