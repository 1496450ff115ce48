"""Settling one claim: what is kept, freed, reserved, owed or refused. Caps before stock; nothing is taken back."""

from typing import NamedTuple

from makeweight.domain.claims import Claim, Option
from makeweight.domain.entries import Settled
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Account, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger.movements import outcome_of
from makeweight.stages.ledger.state import BALANCES, CUSTOMERS, ClaimState, Live, OfferState, key
from makeweight.stages.port import Store


class Allowed(NamedTuple):
    """Units that the caps leave room for, the last cap that lowered them, and the figures seen on the way."""

    units: int
    reason: Reason | None
    customer_live: int | None
    customer: Live | None


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
    wait for the warehouse. A raise that fails keeps what is held. What came back is given: it is granted once. What is
    owed is looked for once more: another revision of the order may have it from where there is stock.
    """
    held = state.held if state else 0
    promised = state.owed if state else 0
    back = state.came_back if state else 0
    if state is not None and held:
        swapped = _swapped(store, claim, state, offer, at)
        if swapped is not None:
            return swapped
    missing = claim.units - held - back
    if missing <= 0:
        return _lowered(claim, state, at)
    has_room = min(promised, missing)  # under the caps it counts already
    allowed = within_caps(store, claim, state, offer, missing - has_room)
    total = has_room + allowed.units
    taken = from_stock(store, claim, state, total)
    short = total - taken.units
    owed = short if claim.when_out == "owed" and claim.options else min(promised, short)
    reason = Reason.NO_STOCK if short else allowed.reason
    cut = Reason.NO_STOCK if short > owed else allowed.reason
    moves = []
    if taken.units and taken.gift is not None and taken.site is not None:
        moves = [Move(Account.FREE, Account.RESERVED, taken.gift, taken.site, taken.units)]
    held += taken.units
    return Settled(
        id=f"{claim.id}:settled",
        claim=claim,
        edition=1,
        outcome=outcome_of(held + back, owed),
        moves=moves,
        figures=_figures(claim, state, offer, allowed, taken.free, reason),
        at=at,
        gift=taken.gift if taken.units else (state.gift if state else None),
        site=taken.site if taken.units else (state.site if state else None),
        owed=owed,
        substitute=taken.substitute if taken.units else bool(state and state.substitute),
        reason=reason,
        cut=cut,
        units=taken.units,
    )


def _swapped(store: Store, claim: Claim, state: ClaimState, offer: OfferState, at: Instant) -> Settled | None:
    """Another gift or site for all that an order has in reserve, if it asks for that; None if it keeps what it has.

    It does where what it has is none of its options any more; and where its first choice has changed and some of that
    is free, if asking anew brings at least as many units as it has. What is on the floor or gone is never exchanged.
    """
    if state.reserved != state.held or state.gift is None or state.site is None or not claim.options:
        return None
    wanted = claim.units - state.came_back
    gone = all(option.gift != state.gift or state.site not in option.sites for option in claim.options)
    first = claim.options[0].gift
    chosen = first != state.gift and bool(state.claim.options) and first != state.claim.options[0].gift
    if wanted <= 0 or not (gone or chosen):
        return None
    has_room = min(state.live, wanted)  # under the caps it counts already
    allowed = within_caps(store, claim, state, offer, wanted - has_room)
    total = has_room + allowed.units
    if not gone and not _best(store, claim.offer, claim.options[:1], 1).units:
        return None
    taken = _best(store, claim.offer, claim.options, total, (state.gift, state.site, state.reserved))
    if not gone and (taken.units < min(state.held, total) or (taken.gift, taken.site) == (state.gift, state.site)):
        return None
    short = total - taken.units
    moves = [Move(Account.RESERVED, Account.FREE, state.gift, state.site, state.reserved)]
    if taken.units and taken.gift is not None and taken.site is not None:
        moves.append(Move(Account.FREE, Account.RESERVED, taken.gift, taken.site, taken.units))
    reason = Reason.NO_STOCK if short else allowed.reason
    owed = short if claim.when_out == "owed" else min(state.owed, short)
    return Settled(
        id=f"{claim.id}:settled",
        claim=claim,
        edition=1,
        outcome=outcome_of(taken.units + state.came_back, owed),
        moves=moves,
        figures=_figures(claim, state, offer, allowed, taken.free, reason),
        at=at,
        gift=taken.gift,
        site=taken.site,
        owed=owed,
        substitute=taken.substitute,
        reason=reason,
        cut=Reason.NO_STOCK if short > owed else allowed.reason,
        units=taken.units - state.held,
    )


def _figures(
    claim: Claim, state: ClaimState | None, offer: OfferState, allowed: Allowed, free: int | None, reason: Reason | None
) -> Figures:
    """What was seen on the way, and where something ran out, who took the last of it."""
    live = offer.live_units if claim.total_cap is not None else None
    figures = Figures(claim.units, claim.customer_cap, allowed.customer_live, claim.total_cap, live, free)
    if reason is None:
        return figures
    if reason is Reason.NO_STOCK:
        return replaced(figures, last_order=offer.taken_by, last_at=offer.taken_at)
    if reason is Reason.CAMPAIGN_CAP:
        return replaced(figures, last_order=offer.live_by, last_at=offer.live_at)
    kept = allowed.customer or Live(0)
    refused = kept.refused + (not refused_before(claim, state))
    return replaced(figures, last_order=kept.last_order, last_at=kept.last_at, customer_refused=refused)


def refused_before(claim: Claim, state: ClaimState | None) -> bool:
    """Whether the cap of the same customer refused an earlier claim of the order: the order counts once."""
    return state is not None and state.reason is Reason.CUSTOMER_CAP and state.claim.customer == claim.customer


def served(
    state: ClaimState, place: tuple[str, str], units: int, free: int, at: Instant, cause: str, *, substitute: bool
) -> Settled:
    """An owed claim gets units, by a higher edition."""
    left = state.owed - units
    gift, site = place
    figures = replaced(state.figures, stock_free=free)
    if not left:
        figures = replaced(figures, last_order=None, last_at=None)  # it was told with the stock that has come
    return Settled(
        id=f"{state.claim.id}:settled:{state.edition + 1}",
        claim=state.claim,
        edition=state.edition + 1,
        outcome=outcome_of(state.held + state.came_back + units, left),
        moves=[Move(Account.FREE, Account.RESERVED, gift, site, units)],
        figures=figures,
        at=at,
        gift=gift,
        site=site,
        owed=left,
        substitute=substitute,
        reason=state.reason if left else state.cut,
        cut=state.cut,
        units=units,
        cause=cause,
    )


def found_again(store: Store, state: ClaimState, at: Instant, cause: str) -> Settled | None:
    """What is owed to a claim from any of its options: another site, a substitute. None where nothing is to be had."""
    taken = from_stock(store, state.claim, state, state.owed)
    if not taken.units or taken.gift is None or taken.site is None:
        return None
    place = (taken.gift, taken.site)
    return served(state, place, taken.units, taken.free or 0, at, cause, substitute=taken.substitute)


def _lowered(claim: Claim, state: ClaimState | None, at: Instant) -> Settled:
    """Nothing more is wanted than is held or came back: nothing is owed any more, what is only reserved is freed."""
    held, back, moves, freed = 0, 0, [], 0
    if state is not None:
        back = state.came_back
        freed = min(state.reserved, max(0, state.held + back - claim.units))
        held = state.held - freed
        if freed and state.gift is not None and state.site is not None:
            moves = [Move(Account.RESERVED, Account.FREE, state.gift, state.site, freed)]
    return Settled(
        id=f"{claim.id}:settled",
        claim=claim,
        edition=1,
        outcome=outcome_of(held + back, 0),
        moves=moves,
        figures=Figures(claim.units),
        at=at,
        gift=state.gift if state and held else None,
        site=state.site if state and held else None,
        substitute=bool(state and held and state.substitute),
        reason=None if claim.units else Reason.NOT_WANTED,
        units=-freed,
    )


def within_caps(store: Store, claim: Claim, state: ClaimState | None, offer: OfferState, wanted: int) -> Allowed:
    """How many of the wanted units the caps of the customer and the offer leave room for."""
    units, reason = wanted, None
    live: int | None = None
    kept: Live | None = None
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
    return Allowed(units, reason, live, kept)


def from_stock(store: Store, claim: Claim, state: ClaimState | None, wanted: int) -> Taken:
    """One gift at one site: what is held already, else the first option that covers all, else the fullest."""
    if not claim.options:
        return Taken(None, None, wanted, None, substitute=False)
    if state is not None and state.held and state.gift is not None and state.site is not None:
        free = _free(store, claim.offer, state.gift, state.site)
        return Taken(state.gift, state.site, min(wanted, free), free, state.substitute)
    if wanted == 0:
        return Taken(None, None, 0, 0, substitute=False)
    return _best(store, claim.offer, claim.options, wanted)


def _best(
    store: Store, offer: str, options: list[Option], wanted: int, own: tuple[str, str, int] | None = None
) -> Taken:
    """The first option that covers all, else the fullest; ``own`` units of a gift at a site are as good as free."""
    best = Taken(None, None, 0, 0, substitute=False)
    for option in options:
        for site in option.sites:
            free = _free(store, offer, option.gift, site)
            if own is not None and (option.gift, site) == own[:2]:
                free += own[2]
            if free >= wanted:
                return Taken(option.gift, site, wanted, free, option.substitute)
            if free > best.units:
                best = Taken(option.gift, site, free, free, option.substitute)
    return best


def _free(store: Store, offer: str, gift: str, site: str) -> int:
    balance = store.get(BALANCES, key(offer, gift, site))
    return balance.free if balance else 0
