"""Settling one claim: what is kept, freed, reserved, owed or refused. Caps before stock; nothing is taken back."""

from typing import NamedTuple

from makeweight.domain.claims import Claim, HandledGift, Outcome, Receipt
from makeweight.domain.entries import Settled
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Account, Move
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, ClaimState, OfferState, key
from makeweight.stages.port import Store


class Allowed(NamedTuple):
    """Units that the caps leave room for, the last cap that lowered them, and the figures seen on the way."""

    units: int
    reason: Reason | None
    customer_live: int | None


class Taken(NamedTuple):
    """Units of one gift at one site that stock can give."""

    gift: str | None
    site: str | None
    units: int
    free: int | None
    substitute: bool


def settle(store: Store, claim: Claim, state: ClaimState | None, offer: OfferState, at: Instant) -> Settled:
    """The outcome of a claim number, as an entry.

    What is held stays as far as it is still wanted; of the rest only reserved units are freed, since released ones
    wait for the warehouse. A raise that fails keeps what is held.
    """
    held = state.held if state else 0
    owed = state.owed if state else 0
    if claim.units <= held + owed:
        return _lowered(claim, state, at)
    more = claim.units - held - owed
    allowed = _within_caps(store, claim, state, offer, more)
    taken = _from_stock(store, claim, state, allowed.units)
    reason = allowed.reason
    if taken.units < allowed.units:
        reason = Reason.NO_STOCK
        if claim.when_out == "owed" and claim.options:
            owed += allowed.units - taken.units
    moves = []
    if taken.units and taken.gift is not None and taken.site is not None:
        moves = [Move(Account.FREE, Account.RESERVED, taken.gift, taken.site, taken.units)]
    held += taken.units
    return Settled(
        id=f"{claim.id}:settled",
        claim=claim,
        edition=1,
        outcome=outcome_of(held, owed),
        moves=moves,
        figures=Figures(
            claim.units,
            claim.customer_cap,
            allowed.customer_live,
            claim.total_cap,
            offer.live_units if claim.total_cap is not None else None,
            taken.free,
        ),
        at=at,
        gift=taken.gift if taken.units else (state.gift if state else None),
        site=taken.site if taken.units else (state.site if state else None),
        owed=owed,
        substitute=taken.substitute if taken.units else bool(state and state.substitute),
        reason=reason,
        units=taken.units,
    )


def outcome_of(held: int, owed: int) -> Outcome:
    """Granted if anything is held, else owed if anything is owed, else declined."""
    return "granted" if held else "owed" if owed else "declined"


def _lowered(claim: Claim, state: ClaimState | None, at: Instant) -> Settled:
    """Nothing more is wanted: what is owed goes first, then what is only reserved."""
    held, owed, moves, freed = 0, 0, [], 0
    if state is not None:
        owed = min(state.owed, max(0, claim.units - state.held))
        freed = min(state.reserved, max(0, state.held - claim.units))
        held = state.held - freed
        if freed and state.gift is not None and state.site is not None:
            moves = [Move(Account.RESERVED, Account.FREE, state.gift, state.site, freed)]
    return Settled(
        id=f"{claim.id}:settled",
        claim=claim,
        edition=1,
        outcome=outcome_of(held, owed),
        moves=moves,
        figures=Figures(claim.units),
        at=at,
        gift=state.gift if state and held else None,
        site=state.site if state and held else None,
        owed=owed,
        substitute=bool(state and held and state.substitute),
        reason=Reason.NOT_WANTED if not claim.units else Reason.NO_STOCK if owed else None,
        units=-freed,
    )


def _within_caps(store: Store, claim: Claim, state: ClaimState | None, offer: OfferState, wanted: int) -> Allowed:
    units, reason = wanted, None
    live: int | None = None
    if claim.customer_cap is not None and claim.customer is not None:
        kept = store.get(CUSTOMERS, key(claim.offer, claim.customer))
        live = kept.units if kept else 0
        if state is not None and state.claim.customer != claim.customer:
            live += state.live  # what the order brings along from the customer that it had before
        room = max(0, claim.customer_cap - live)
        if room < units:
            units, reason = room, Reason.CUSTOMER_CAP
    if claim.total_cap is not None and units:
        room = max(0, claim.total_cap - offer.live_units)
        if room < units:
            units, reason = room, Reason.CAMPAIGN_CAP
    return Allowed(units, reason, live)


def _from_stock(store: Store, claim: Claim, state: ClaimState | None, wanted: int) -> Taken:
    """One gift at one site: what is held already, else the first option that covers all, else the fullest."""
    if not claim.options:
        return Taken(None, None, wanted, None, substitute=False)
    if state is not None and state.held and state.gift is not None and state.site is not None:
        free = _free(store, claim.offer, state.gift, state.site)
        return Taken(state.gift, state.site, min(wanted, free), free, state.substitute)
    best = Taken(None, None, 0, 0, substitute=False)
    if wanted == 0:
        return best
    for option in claim.options:
        for site in option.sites:
            free = _free(store, claim.offer, option.gift, site)
            if free > best.units:
                best = Taken(option.gift, site, min(wanted, free), free, option.substitute)
                if best.units == wanted:
                    return best
    return best


def _free(store: Store, offer: str, gift: str, site: str) -> int:
    balance = store.get(BALANCES, key(offer, gift, site))
    return balance.free if balance else 0


def receiving(command: Receipt) -> Move:
    """The move of a receipt."""
    return Move(Account.OUTSIDE, Account.FREE, command.gift, command.site, command.units)


def handling(store: Store, command: HandledGift) -> tuple[list[Move], int]:
    """The moves of a warehouse fact, and how many of its units are over-gifts.

    It takes the order's own units first, then free stock, then the over-gift account. Events may come in any order:
    packing takes reserved units if nothing was released.
    """
    state = store.get(CLAIMS, key(command.offer, command.order))
    own = state if state is not None and (state.gift, state.site) == (command.gift, command.site) else None
    reserved, released = (own.reserved, own.released) if own else (0, 0)
    if command.happened == "released":
        sources = [(Account.RESERVED, reserved)]
        target = Account.RELEASED
    else:
        free = _free(store, command.offer, command.gift, command.site)
        sources = [(Account.RELEASED, released), (Account.RESERVED, reserved), (Account.FREE, free)]
        target = Account.PACKED
    moves, left = [], command.units
    for source, available in sources:
        units = min(left, available)
        if units > 0:
            moves.append(Move(source, target, command.gift, command.site, units))
            left -= units
    if not left or command.happened != "packed":
        return moves, 0
    return [*moves, Move(Account.OVER_GIFT, target, command.gift, command.site, left)], left
