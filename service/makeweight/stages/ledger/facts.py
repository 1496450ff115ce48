"""How receipts, facts of the warehouse and what people say change the ledger's state.

A fact is never void: whatever its writer knew, it takes what is there at its place in the log.
"""

from makeweight.domain.claims import Arrival, HandledGift, TakenDown, TransferIn
from makeweight.domain.entries import Booked, Handled, Received
from makeweight.domain.moments import Instant
from makeweight.domain.stock import Move
from makeweight.domain.values import hold, replaced
from makeweight.stages.ledger.keeping import brought, expect, keep_claim, keep_offer, move, offer_of, with_claim
from makeweight.stages.ledger.movements import (
    ON_THE_WAY,
    Booking,
    after_fact,
    after_loss,
    booking,
    handling,
    looks_again,
    receiving,
)
from makeweight.stages.ledger.state import CLAIMS, EARLY, SEEN, TRANSIT, Early, InTransit, OfferState, Seen, key
from makeweight.stages.port import Store, Subject


def received(store: Store, entry: Received) -> list[Subject]:
    """Stock comes in, as the receipt says: what its writer made of it doesn't count."""
    command = entry.receipt
    at = key(command.offer, command.id)
    if store.get(SEEN, at) is None:
        store.put(SEEN, at, Seen(command))
        moves = [receiving(command)]
        expect(store, command.offer, command.id, entry.serves, moves)
        free = move(store, command.offer, moves)
        offer = offer_of(store, command.offer)
        came = offer.received_units + command.units
        keep_offer(store, offer, moves, entry.at, free_units=offer.free_units + free, received_units=came)
    return [("level", command.offer)]


def handled(store: Store, entry: Handled) -> list[Subject]:
    """The warehouse did something with units of an order."""
    command = entry.command
    at = key(command.offer, command.id)
    if store.get(SEEN, at) is not None:
        return [("level", command.offer)]
    moves, _ = handling(store, command)
    free = move(store, command.offer, moves)
    offer, told = _handled_claim(store, command, moves, entry.at)
    orders = [command.order] if told else []
    store.put(SEEN, at, Seen(command, orders))
    expect(store, command.offer, command.id, entry.serves, moves, looks_again(command))
    keep_offer(store, offer, moves, entry.at, free_units=offer.free_units + free)
    claims: list[Subject] = [("claim", command.offer, order) for order in orders]
    return [*claims, ("level", command.offer)]


def _handled_claim(store: Store, command: HandledGift, moves: list[Move], at: Instant) -> tuple[OfferState, bool]:
    """The order's own units change account, or leave it; whether there is a decision to say anew.

    S5: what a ticket takes to the floor and out of the house changes nothing in what the order holds.
    """
    offer = offer_of(store, command.offer)
    at_claim = key(command.offer, command.order)
    state = store.get(CLAIMS, at_claim)
    on_the_way = command.happened in ON_THE_WAY
    if state is None:
        return (offer if on_the_way else _before_its_claim(store, command, offer)), False
    after = after_fact(state, command, moves, at)
    hold(min(after.reserved, after.released, after.packed) >= 0, "S5", f"{command.id} took more than was granted")
    if on_the_way:
        hold(after.held == state.held, "S5", f"{command.id} changed what order {command.order} holds")
        store.put(CLAIMS, at_claim, after)
        return offer, False
    keep_claim(store, at_claim, state, after, offer)
    return with_claim(offer, state, after), True


def _before_its_claim(store: Store, command: HandledGift, offer: OfferState) -> OfferState:
    at = key(command.offer, command.order)
    early = store.get(EARLY, at)
    store.put(EARLY, at, Early(command.units + (early.units if early else 0)))
    return offer if early else replaced(offer, early=offer.early + 1)


def booked(store: Store, entry: Booked) -> list[Subject]:
    """Someone counted, or said what became of units; or an announcement is gone."""
    command = entry.command
    at = key(command.offer, command.id)
    if store.get(SEEN, at) is not None:
        return [("level", command.offer)]
    found = Booking() if entry.refused else booking(store, command)
    orders = [state.claim.order for state, _ in reversed(found.hit)]
    store.put(SEEN, at, Seen(command, orders, found.units, entry.refused))
    if entry.refused:
        keep_offer(store, offer_of(store, command.offer), [], entry.at)
        return [("level", command.offer)]
    expect(store, command.offer, command.id, entry.serves, found.moves, orders)
    free = move(store, command.offer, found.moves)
    offer = offer_of(store, command.offer)
    # The newest reservations are hit first; among those hit, the oldest is served first.
    for nth, (state, units) in enumerate(reversed(found.hit)):
        after = after_loss(replaced(state, reserved=state.reserved - units), units, entry.at)
        keep_claim(store, key(command.offer, state.claim.order), state, after, offer, nth)
        offer = with_claim(offer, state, after)
    if isinstance(command, TakenDown):
        offer = replaced(offer, taken_down_at=command.at)
    _keep_transit(store, command, found)
    came = max(0, offer.received_units + brought(found.moves))
    keep_offer(store, offer, found.moves, entry.at, free_units=offer.free_units + free, received_units=came)
    subjects: list[Subject] = [("claim", command.offer, order) for order in orders]
    if found.units:
        subjects.append(("transfer", command.offer, command.id))
    return [*subjects, ("level", command.offer)]


def _keep_transit(store: Store, command: object, found: Booking) -> None:
    if isinstance(command, TransferIn) and command.from_site != command.site:
        place = InTransit(command.transfer, command.gift, command.site, command.units)
        store.put(TRANSIT, key(command.offer, command.id), place)
    elif isinstance(command, Arrival) and found.transit is not None:
        store.drop(TRANSIT, found.transit)
