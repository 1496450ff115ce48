"""How the ledger's entries change its state. What has no cover at its place in the log is void for every reader.

An entry was decided from the state that its writer knew. A writer that was paused, and runs other code, may append it
after the state has moved on; then what the log says before it counts, and the entry is read as far as it still fits.
"""

from collections.abc import Iterable

from makeweight.domain.claims import HandledGift
from makeweight.domain.entries import Handled, LedgerEntry, Outnumbered, Received, Settled
from makeweight.domain.machines import UNITS
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import hold, replaced
from makeweight.stages.ledger.settle import handling, outcome_of, receiving
from makeweight.stages.ledger.state import (
    BALANCES,
    CLAIMS,
    CUSTOMERS,
    OFFERS,
    OWED,
    SEEN,
    SERVED,
    ClaimState,
    Live,
    OfferState,
    OwedClaim,
    Seen,
    Served,
    key,
)
from makeweight.stages.port import Store, Subject

LOW_PERCENT = 10  # of what came in, or of the cap: at or below it the offer is running low
_OF_CLAIMS = UNITS.pairs("granted", "given_back")  # the moves that settling a claim may make


def fold(store: Store, entry: LedgerEntry) -> list[Subject]:
    """Apply one entry and name what there is to say because of it."""
    if isinstance(entry, Settled):
        return _settled(store, entry)
    if isinstance(entry, Outnumbered):
        return []
    if isinstance(entry, Received):
        return _received(store, entry)
    return _handled(store, entry)


def _settled(store: Store, entry: Settled) -> list[Subject]:
    claim = entry.claim
    at = key(claim.offer, claim.order)
    old = store.get(CLAIMS, at)
    if old is not None and (old.claim.number, old.edition) >= (claim.number, entry.edition):
        return [("claim", claim.offer, claim.order)]  # first in the log wins
    offer = _offer(store, claim.offer)
    why = _misfit(store, entry, old, offer)
    entry = _within_claim(entry if why is None else _void(entry, old, why), old)
    free = _move(store, claim.offer, entry.moves)
    # What stays with the order is what it had, whatever the entry's writer knew of it.
    stays = old is not None and old.held > 0 and old.held + entry.units > 0
    new = ClaimState(
        claim=claim,
        edition=entry.edition,
        outcome=entry.outcome,
        figures=entry.figures,
        at=entry.at,
        gift=old.gift if old and stays else entry.gift,
        site=old.site if old and stays else entry.site,
        reserved=(old.reserved if old else 0) + entry.units,
        released=old.released if old else 0,
        packed=old.packed if old else 0,
        owed=entry.owed,
        owed_key=old.owed_key if old else None,
        substitute=entry.substitute,
        reason=entry.reason,
    )
    hold(min(new.reserved, new.owed) >= 0, "S12", f"claim {claim.id} holds less than nothing")
    new = _queue(store, new, offer)
    store.put(CLAIMS, at, new)
    _note_served(store, entry)
    _count_customer(store, old, new)
    offer = replaced(
        offer,
        live_units=offer.live_units + new.live - (old.live if old else 0),
        owed_units=offer.owed_units + new.owed - (old.owed if old else 0),
        free_units=offer.free_units + free,
        total_cap=claim.total_cap,
        needs_stock=bool(claim.options),
    )
    _keep_offer(store, offer, entry.moves, entry.at)
    subjects: list[Subject] = [("claim", claim.offer, claim.order), ("level", claim.offer)]
    return [*subjects, ("void", claim.offer, claim.id)] if why else subjects


def _note_served(store: Store, entry: Settled) -> None:
    """Remember which claims a command serves, for its repeats."""
    offer = entry.claim.offer
    if entry.cause is not None:
        # Of two writers, the first to log the command may have known of nobody to serve.
        known = store.get(SERVED, key(offer, entry.cause)) or Served(0, entry.gift or "", entry.site or "", [])
        store.put(SERVED, key(offer, entry.cause), replaced(known, orders=[*known.orders, entry.claim.order]))
    if entry.serves:
        _expect(store, offer, entry.claim.id, entry.serves, entry.moves)


def _expect(store: Store, offer: str, cause: str, serves: int, moves: Iterable[Move]) -> None:
    freed = next((move for move in moves if move.target is Account.FREE), None)
    if freed is not None:
        store.put(SERVED, key(offer, cause), Served(serves, freed.gift, freed.site, []))


def _misfit(store: Store, entry: Settled, old: ClaimState | None, offer: OfferState) -> Reason | None:
    """Why an entry can't be what it says at this place in the log, or None: it lacks stock, or a cap is in its way."""
    if not _fits(store, entry, old):
        return Reason.NO_STOCK
    claim = entry.claim
    before = old.live if old else 0
    growth = (old.held if old else 0) + entry.units + entry.owed - before
    if growth <= 0:
        return None
    if claim.total_cap is not None and offer.live_units + growth > claim.total_cap:
        return Reason.CAMPAIGN_CAP
    if claim.customer_cap is not None and claim.customer is not None:
        kept = store.get(CUSTOMERS, key(claim.offer, claim.customer))
        brought = 0 if old is not None and old.claim.customer == claim.customer else before
        if (kept.units if kept else 0) + brought + growth > claim.customer_cap:
            return Reason.CUSTOMER_CAP
    return None


def _fits(store: Store, entry: Settled, old: ClaimState | None) -> bool:
    """Whether the entry moves the units that it says, by one move of a claim that has them at this place in the log."""
    reserved = old.reserved if old else 0
    if reserved + entry.units < 0 or len(entry.moves) > 1:
        return False
    if not entry.moves:
        # Units without a move are a benefit's, or were one's when the claim asks for a gift now.
        return not entry.units or (not entry.claim.options if entry.units > 0 else old is None or old.gift is None)
    move = entry.moves[0]
    if (move.source, move.target) not in _OF_CLAIMS or move.units <= 0:
        return False
    if old is not None and old.held and (move.gift, move.site) != (old.gift, old.site):
        return False
    available = reserved
    if move.source is Account.FREE:
        balance = store.get(BALANCES, key(entry.claim.offer, move.gift, move.site))
        available = balance.free if balance else 0
    return available >= move.units == (entry.units if move.source is Account.FREE else -entry.units)


def _void(entry: Settled, old: ClaimState | None, why: Reason) -> Settled:
    """A grant without cover is 'no stock' of its claim number and follows ``when_out``; one beyond a cap is declined.

    What it would have given back stays with the order: its next claim number settles that.
    """
    held = old.held if old else 0
    if why is Reason.NO_STOCK:
        owed = entry.owed + (entry.units if entry.units > 0 and entry.claim.when_out == "owed" else 0)
        why_told = why if entry.units > 0 else entry.reason
    else:
        owed, why_told = (old.owed if old else 0), why
    return replaced(
        entry,
        moves=[],
        units=0,
        owed=owed,
        outcome=outcome_of(held, owed),
        reason=why_told,
        gift=old.gift if old else None,
        site=old.site if old else None,
        substitute=bool(old and old.substitute),
        serves=0,
    )


def _within_claim(entry: Settled, old: ClaimState | None) -> Settled:
    """No claim holds more reserved units, or is owed more, than it asks for, whatever its writer did not know of."""
    claim = entry.claim
    held = (old.held if old else 0) + entry.units
    reserved = (old.reserved if old else 0) + entry.units
    surplus = min(reserved, max(0, held - claim.units))
    owed = min(entry.owed, max(0, claim.units - held))
    if not surplus and owed == entry.owed and entry.outcome == outcome_of(held, owed):
        return entry  # as its writer saw it
    moves = entry.moves
    gift, site = (old.gift, old.site) if old and old.held else (entry.gift, entry.site)
    if surplus and gift is not None and site is not None:
        moves = [*moves, Move(Account.RESERVED, Account.FREE, gift, site, surplus)]
    outcome = outcome_of(held - surplus, owed)
    return replaced(entry, moves=moves, units=entry.units - surplus, owed=owed, outcome=outcome)


def _move(store: Store, offer: str, moves: Iterable[Move]) -> int:
    """Make the moves; how much free stock they add."""
    free = 0
    for move in moves:
        at = key(offer, move.gift, move.site)
        balance = store.get(BALANCES, at) or Balance(offer, move.gift, move.site)
        after = balance.after(move)
        free += after.free - balance.free
        store.put(BALANCES, at, after)
    return free


def _offer(store: Store, offer: str) -> OfferState:
    return store.get(OFFERS, offer) or OfferState(offer)


def _queue(store: Store, new: ClaimState, offer: OfferState) -> ClaimState:
    """Keep the owed queue: a claim keeps its place as long as anything is owed to it."""
    if new.owed and new.owed_key is None:
        place = key(offer.offer, f"{offer.sequence + 1:012d}")
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
    for customer, units in changes.items():
        if units:
            at = key(new.claim.offer, customer)
            kept = store.get(CUSTOMERS, at)
            live = (kept.units if kept else 0) + units
            hold(live >= 0, "S12", f"a customer of {new.claim.offer} holds less than nothing")
            store.put(CUSTOMERS, at, Live(live))


def _keep_offer(store: Store, offer: OfferState, moves: Iterable[Move], at: Instant) -> None:
    """Count the entry and bring the offer's levels up to date."""
    places = [key(move.gift, move.site) for move in moves]
    new = [place for place in places if place not in offer.stock]
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
    exhausted_at = (offer.exhausted_at or at) if exhausted else None
    kept = replaced(
        offer,
        sequence=offer.sequence + 1,
        stock=stock,
        low=low,
        said=said,
        exhausted_at=exhausted_at,
        levelled_at=at,
    )
    store.put(OFFERS, offer.offer, kept)


def _is_low(left: int, whole: int) -> bool:
    return left * 100 <= whole * LOW_PERCENT


def _received(store: Store, entry: Received) -> list[Subject]:
    command = entry.receipt
    at = key(command.offer, command.id)
    if store.get(SEEN, at) is None:
        store.put(SEEN, at, Seen(command))
        moves = [receiving(command)]  # a fact, like the warehouse's: what its writer made of it doesn't count
        if entry.serves:
            _expect(store, command.offer, command.id, entry.serves, moves)
        free = _move(store, command.offer, moves)
        offer = _offer(store, command.offer)
        offer = replaced(offer, free_units=offer.free_units + free, received_units=offer.received_units + command.units)
        _keep_offer(store, offer, moves, entry.at)
    return [("level", command.offer)]


def _handled(store: Store, entry: Handled) -> list[Subject]:
    command = entry.command
    at = key(command.offer, command.id)
    if store.get(SEEN, at) is not None:
        return [("level", command.offer)]
    store.put(SEEN, at, Seen(command))
    # A fact is never void: whatever its writer knew, it takes what is there at its place in the log.
    moves, _ = handling(store, command)
    free = _move(store, command.offer, moves)
    _handled_claim(store, command, moves)
    offer = _offer(store, command.offer)
    _keep_offer(store, replaced(offer, free_units=offer.free_units + free), moves, entry.at)
    return [("level", command.offer)]


def _handled_claim(store: Store, command: HandledGift, moves: Iterable[Move]) -> None:
    """The order's own units change account; units from elsewhere are over-gifts and not part of its grant (S5)."""
    at = key(command.offer, command.order)
    state = store.get(CLAIMS, at)
    if state is None:
        return
    change = {Account.RESERVED: 0, Account.RELEASED: 0, Account.PACKED: 0}
    for move in moves:
        if move.source in change and move.target in change:
            change[move.source] -= move.units
            change[move.target] += move.units
    after = replaced(
        state,
        reserved=state.reserved + change[Account.RESERVED],
        released=state.released + change[Account.RELEASED],
        packed=state.packed + change[Account.PACKED],
    )
    hold(after.held == state.held, "S5", f"{command.id} changed what order {command.order} holds")
    hold(min(after.reserved, after.released) >= 0, "S5", f"{command.id} took more than was granted")
    store.put(CLAIMS, at, after)
