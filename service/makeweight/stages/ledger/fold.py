"""How the ledger's entries change its state. What has no cover at its place in the log is void for every reader.

An entry was decided from the state that its writer knew. A writer that was paused, and runs other code, may append it
after the state has moved on; then what the log says before it counts, and the entry is read as far as it still fits.
"""

from makeweight.domain.entries import Booked, LedgerEntry, Outnumbered, Received, Settled
from makeweight.domain.machines import UNITS
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Account, Move
from makeweight.domain.values import hold, replaced
from makeweight.stages.ledger import facts
from makeweight.stages.ledger.keeping import expect, keep_claim
from makeweight.stages.ledger.keeping import keep_offer as _keep_offer
from makeweight.stages.ledger.keeping import move as _move
from makeweight.stages.ledger.keeping import offer_of as _offer
from makeweight.stages.ledger.movements import outcome_of
from makeweight.stages.ledger.signals import is_unearned
from makeweight.stages.ledger.state import (
    BALANCES,
    CLAIMS,
    CUSTOMERS,
    EARLY,
    SERVED,
    ClaimState,
    OfferState,
    Served,
    key,
)
from makeweight.stages.port import Store, Subject

_OF_CLAIMS = UNITS.pairs("granted", "given_back")  # the moves that settling a claim may make


def fold(store: Store, entry: LedgerEntry) -> list[Subject]:
    """Apply one entry and name what there is to say because of it."""
    if isinstance(entry, Settled):
        return _settled(store, entry)
    if isinstance(entry, Outnumbered):
        return []
    if isinstance(entry, Received):
        return facts.received(store, entry)
    if isinstance(entry, Booked):
        return facts.booked(store, entry)
    return facts.handled(store, entry)


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
    new = _settled_claim(store, entry, old, offer)
    keep_claim(store, at, old, new, offer)
    _note_served(store, entry)
    live, owed = (old.live, old.owed) if old else (0, 0)
    takes, grows = entry.units > 0 and bool(entry.moves), new.live > live
    _keep_offer(
        store,
        offer,
        entry.moves,
        entry.at,
        int(new.owed > 0 and not owed and entry.cause is None),
        live_units=offer.live_units + new.live - live,
        owed_units=offer.owed_units + new.owed - owed,
        free_units=offer.free_units + free,
        total_cap=claim.total_cap,
        needs_stock=bool(claim.options),
        taken_by=claim.order if takes else offer.taken_by,
        taken_at=claim.placed_at if takes else offer.taken_at,
        live_by=claim.order if grows else offer.live_by,
        live_at=claim.placed_at if grows else offer.live_at,
    )
    subjects: list[Subject] = [("claim", claim.offer, claim.order), ("level", claim.offer)]
    return [*subjects, ("void", claim.offer, claim.id)] if why else subjects


def _settled_claim(store: Store, entry: Settled, old: ClaimState | None, offer: OfferState) -> ClaimState:
    claim = entry.claim
    takes = entry.units > 0
    if old is None:
        gift, site, reserved = entry.gift, entry.site, entry.units
        since = left = 0
        if offer.early:
            early = store.get(EARLY, key(claim.offer, claim.order))
            left = early.units if early else 0
    else:
        (gift, site), reserved = _place(entry, old), old.reserved + entry.units
        since, left = old.since, old.left
        takes = takes or _swaps(entry)
    hold(reserved >= 0 and entry.owed >= 0, "S12", f"claim {claim.id} holds less than nothing")
    return ClaimState(
        claim=claim,
        edition=entry.edition,
        outcome=entry.outcome,
        figures=entry.figures,
        at=entry.at,
        gift=gift,
        site=site,
        reserved=reserved,
        released=old.released if old else 0,
        packed=old.packed if old else 0,
        owed=entry.owed,
        owed_key=old.owed_key if old else None,
        substitute=entry.substitute,
        reason=entry.reason,
        cut=entry.cut,
        came_back=old.came_back if old else 0,
        left=left,
        since=offer.sequence + 1 if takes else since,
        unearned=is_unearned(claim, old),
    )


def _swaps(entry: Settled) -> bool:
    """Whether an order gives back all that it has for something else."""
    return len(entry.moves) > 1 and entry.moves[0].target is Account.FREE and entry.moves[1].source is Account.FREE


def _place(entry: Settled, old: ClaimState | None) -> tuple[str | None, str | None]:
    """The gift and site of what the order has now.

    What stays with the order is what it had, whatever the entry's writer knew of it.
    """
    if old is not None and old.held > 0 and old.held + entry.units > 0 and not _swaps(entry):
        return old.gift, old.site
    return entry.gift, entry.site


def _note_served(store: Store, entry: Settled) -> None:
    """Remember which claims a command serves, for its repeats."""
    offer = entry.claim.offer
    if entry.cause is not None:
        # Of two writers, the first to log the command may have known of nobody to serve.
        known = store.get(SERVED, key(offer, entry.cause)) or Served(0, entry.gift or "", entry.site or "", [])
        store.put(SERVED, key(offer, entry.cause), replaced(known, orders=[*known.orders, entry.claim.order]))
    if entry.serves:
        expect(store, offer, entry.claim.id, entry.serves, entry.moves)


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
    """Whether the entry moves the units that it says, of a claim that has them at this place in the log.

    One move, or two where all that the order has is given back for something else.
    """
    moves = entry.moves
    if len(moves) > 1:
        return len(moves) == 2 and _swaps(entry) and old is not None and _swap_fits(store, entry, old)  # noqa: PLR2004
    reserved = old.reserved if old else 0
    if reserved + entry.units < 0:
        return False
    if not moves:
        # Units without a move are a benefit's, or were one's when the claim asks for a gift now.
        return not entry.units or (not entry.claim.options if entry.units > 0 else old is None or old.gift is None)
    move = moves[0]
    if (move.source, move.target) not in _OF_CLAIMS or move.units <= 0:
        return False
    if old is not None and old.held and (move.gift, move.site) != (old.gift, old.site):
        return False
    available = reserved
    if move.source is Account.FREE:
        balance = store.get(BALANCES, key(entry.claim.offer, move.gift, move.site))
        available = balance.free if balance else 0
    return available >= move.units == (entry.units if move.source is Account.FREE else -entry.units)


def _swap_fits(store: Store, entry: Settled, old: ClaimState) -> bool:
    back, new = entry.moves
    if back.source is not Account.RESERVED or new.target is not Account.RESERVED or new.units <= 0:
        return False
    all_of_it = old.held == old.reserved == back.units > 0 and (old.gift, old.site) == (back.gift, back.site)
    elsewhere = (new.gift, new.site) == (entry.gift, entry.site) != (back.gift, back.site)
    balance = store.get(BALANCES, key(entry.claim.offer, new.gift, new.site))
    free = balance.free if balance else 0
    return all_of_it and elsewhere and new.units - back.units == entry.units and free >= new.units


def _void(entry: Settled, old: ClaimState | None, why: Reason) -> Settled:
    """A grant without cover is 'no stock' of its claim number and follows ``when_out``; one beyond a cap is declined.

    What it would have given back stays with the order: its next claim number settles that.
    """
    held = old.held if old else 0
    if why is Reason.NO_STOCK:
        promised = min(old.owed if old else 0, entry.owed + max(0, entry.units))
        owed = entry.owed + (entry.units if entry.units > 0 and entry.claim.when_out == "owed" else 0)
        owed = max(owed, promised)  # what it was owed stays so
        why_told = why if entry.units > 0 else entry.reason
    else:
        owed, why_told = (old.owed if old else 0), why
    return replaced(
        entry,
        moves=[],
        units=0,
        owed=owed,
        outcome=outcome_of(held + (old.came_back if old else 0), owed),
        reason=why_told,
        gift=old.gift if old else None,
        site=old.site if old else None,
        substitute=bool(old and old.substitute),
        serves=0,
    )


def _within_claim(entry: Settled, old: ClaimState | None) -> Settled:
    """No claim holds more reserved units, or is owed more, than it asks for, whatever its writer did not know of."""
    wanted, back = entry.claim.units, 0
    held = reserved = entry.units
    if old is not None:
        back = old.came_back
        wanted -= back
        held += old.held
        reserved += old.reserved
    surplus = min(reserved, max(0, held - wanted))
    owed = min(entry.owed, max(0, wanted - held))
    if not surplus and owed == entry.owed and entry.outcome == outcome_of(held + back, owed):
        return entry  # as its writer saw it
    moves = entry.moves
    gift, site = _place(entry, old)
    if surplus and gift is not None and site is not None:
        moves = [*moves, Move(Account.RESERVED, Account.FREE, gift, site, surplus)]
    outcome = outcome_of(held - surplus + back, owed)
    return replaced(entry, moves=moves, units=entry.units - surplus, owed=owed, outcome=outcome)
