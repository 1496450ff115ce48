"""The moves of what is no claim: receipts, facts of the warehouse, counts, damage and transfers.

They are facts: told from the state at their place in the log, by whoever decides them and by everyone who folds them,
they take what is there and are never refused by a fold.
"""

from collections.abc import Iterator
from dataclasses import field
from typing import Literal

from makeweight.domain.claims import (
    Arrival,
    Count,
    Damage,
    GiftHappened,
    HandledGift,
    Outcome,
    Receipt,
    StockCommand,
    Transfer,
    TransferIn,
)
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import replaced, value
from makeweight.stages.ledger.signals import earned
from makeweight.stages.ledger.state import BALANCES, CLAIMS, TRANSIT, ClaimState, InTransit, key
from makeweight.stages.port import Store

# By what happened: where the units go, which of the order's own go first, and where the rest comes from, if anywhere.
# Facts may come in any order: packing takes reserved units if nothing was released. What comes into the house again had
# left it, as the desk knows by the paper, though maybe not as the order's own; what was only on the floor never had.
_HANDLED: dict[GiftHappened, tuple[Account, tuple[Account, ...], Account | None]] = {
    "released": (Account.RELEASED, (Account.RESERVED,), None),
    "packed": (Account.PACKED, (Account.RELEASED, Account.RESERVED, Account.FREE), Account.OVER_GIFT),
    "short_picked": (Account.QUARANTINE, (Account.RELEASED, Account.RESERVED), None),
    "put_back": (Account.FREE, (Account.RELEASED,), None),
    "returned": (Account.FREE, (Account.PACKED,), Account.SHELF),
    "scrapped": (Account.DAMAGED, (Account.PACKED,), Account.SHELF),
}
CAME_BACK: frozenset[GiftHappened] = frozenset({"returned", "scrapped"})
ON_THE_WAY: frozenset[GiftHappened] = frozenset({"released", "packed"})  # the order holds what it held


def outcome_of(held: int, owed: int) -> Outcome:
    """Granted if the order has or had anything, else owed if anything is owed, else declined."""
    return "granted" if held else "owed" if owed else "declined"


def balance_of(store: Store, offer: str, gift: str, site: str) -> Balance:
    """The balance at a place; all zero where nothing ever was."""
    return store.get(BALANCES, key(offer, gift, site)) or Balance(offer, gift, site)


def receiving(command: Receipt) -> Move:
    """The move of a receipt."""
    return Move(Account.OUTSIDE, Account.FREE, command.gift, command.site, command.units)


def handling(store: Store, command: HandledGift) -> tuple[list[Move], int]:
    """The moves of a warehouse fact, and how many of its units are over-gifts.

    It takes the order's own units first. Where a bin was empty, what is free there is not there either.
    """
    state = store.get(CLAIMS, key(command.offer, command.order))
    own = state if state is not None and (state.gift, state.site) == (command.gift, command.site) else None
    available = {
        Account.RESERVED: own.reserved if own else 0,
        Account.RELEASED: own.released if own else 0,
        Account.PACKED: own.packed if own else 0,
    }
    target, sources, rest = _HANDLED[command.happened]
    free = 0
    if command.happened in ("packed", "short_picked"):
        free = available[Account.FREE] = balance_of(store, command.offer, command.gift, command.site).free
    moves, left = [], command.units
    if command.happened == "put_back":
        left -= command.packed
        out_of_box = min(command.packed, available[Account.PACKED])
        table = ((Account.PACKED, out_of_box), (Account.SHELF, command.packed - out_of_box))
        moves = [Move(source, target, command.gift, command.site, units) for source, units in table if units > 0]
    for source in sources:
        units = min(left, available[source])
        if units > 0:
            moves.append(Move(source, target, command.gift, command.site, units))
            left -= units
    if left and rest is not None:
        moves.append(Move(rest, target, command.gift, command.site, left))
    if command.happened == "short_picked" and free:
        moves.append(Move(Account.FREE, target, command.gift, command.site, free))
    return moves, left if command.happened == "packed" else 0


def looks_again(command: HandledGift) -> list[str]:
    """The order of a fact, if it lost units by it that it may still want: it looks for others before anybody else."""
    return [command.order] if command.happened in ("short_picked", "put_back") else []


def after_fact(state: ClaimState, command: HandledGift, moves: list[Move], at: Instant) -> ClaimState:
    """A claim after a fact of the warehouse.

    Units that the order loses and still wants are owed: they were promised, whatever the offer says of running out.
    Those that come back are given, and make room under the caps. Units from elsewhere are no part of its grant.
    """
    change = {Account.RESERVED: 0, Account.RELEASED: 0, Account.PACKED: 0}
    for move in moves:
        if move.source in change:
            change[move.source] -= move.units
            if move.target in change:
                change[move.target] += move.units
    moved = replaced(
        state,
        reserved=state.reserved + change[Account.RESERVED],
        released=state.released + change[Account.RELEASED],
        packed=state.packed + change[Account.PACKED],
    )
    if command.happened in ON_THE_WAY:
        return moved
    lost = state.held - moved.held
    came_back = state.came_back + (lost if command.happened in CAME_BACK else 0)
    moved = replaced(moved, came_back=came_back, left=state.left + command.units)
    if moved.unearned and moved.packed <= earned(moved.claim):
        moved = replaced(moved, unearned=False, figures=replaced(moved.figures, customer_unearned=0))
    return after_loss(moved, 0 if command.happened in CAME_BACK else lost, at)


def after_loss(state: ClaimState, lost: int, at: Instant) -> ClaimState:
    """A claim that has just lost units, with a new edition: what of them it still wants is owed."""
    held, back = state.held, state.came_back
    owed = state.owed + max(0, min(lost, state.claim.units - held - state.owed - back))
    return replaced(
        state,
        edition=state.edition + 1,
        outcome=outcome_of(held + back, owed),
        at=at,
        gift=state.gift if held else None,
        site=state.site if held else None,
        owed=owed,
        substitute=state.substitute and held > 0,
        reason=Reason.NO_STOCK if owed > state.owed else state.reason,
    )


# --- what people say --------------------------------------------------------------------------------------------


@value
class Booking:
    """What a command of people comes to at its place in the log.

    ``hit`` are claims that lose reserved units, newest first, and how many; ``units`` is what a transfer sends,
    ``unexplained`` what a count misses beyond all that it may take from, ``transit`` the key of what arrives.
    """

    moves: list[Move] = field(default_factory=list)
    hit: list[tuple[ClaimState, int]] = field(default_factory=list)
    unexplained: int = 0
    units: int = 0
    transit: str | None = None


def booking(store: Store, command: StockCommand) -> Booking:
    """The moves of a count, a damage, a transfer's halves or an arrival."""
    if isinstance(command, Count):
        return _counting(store, command)
    if isinstance(command, Damage):
        return _damaging(store, command)
    if isinstance(command, Transfer):
        units = min(command.units, balance_of(store, command.offer, command.gift, command.site).free)
        return Booking(_moves(command, (Account.FREE, Account.ELSEWHERE, units)), units=units)
    if isinstance(command, TransferIn):
        target = Account.FREE if command.from_site == command.site else Account.IN_TRANSIT
        return Booking(_moves(command, (Account.ELSEWHERE, target, command.units)))
    if isinstance(command, Arrival):
        return _arriving(store, command)
    return Booking()


def _moves(
    place: Count | Damage | Transfer | TransferIn | InTransit, *table: tuple[Account, Account, int]
) -> list[Move]:
    return [Move(source, target, place.gift, place.site, units) for source, target, units in table if units > 0]


def _counting(store: Store, command: Count) -> Booking:
    """A count finds what was missing in quarantine first, and is believed in what it doesn't find.

    What is missing is taken from the quarantine, free units, then the newest reservations. Beyond that it is on the
    floor, or was never there: only a person can tell.
    """
    balance = balance_of(store, command.offer, command.gift, command.site)
    more = command.units - balance.free - balance.reserved - balance.released
    if more >= 0:
        found = min(more, balance.quarantine)
        moves = _moves(
            command,
            (Account.QUARANTINE, Account.FREE, found),
            (Account.COUNTED, Account.FREE, more - found),
            (Account.QUARANTINE, Account.COUNTED, balance.quarantine - found),
        )
        return Booking(moves)
    free = min(-more, balance.free)
    taken = min(-more - free, balance.reserved)
    moves = _moves(
        command,
        (Account.QUARANTINE, Account.COUNTED, balance.quarantine),
        (Account.FREE, Account.COUNTED, free),
        (Account.RESERVED, Account.COUNTED, taken),
    )
    return Booking(moves, list(_newest(store, command, taken)), -more - free - taken)


def _damaging(store: Store, command: Damage) -> Booking:
    balance = balance_of(store, command.offer, command.gift, command.site)
    free = min(command.units, balance.free)
    taken = min(command.units - free, balance.reserved)
    lost = min(command.units - free - taken, balance.quarantine)
    moves = _moves(
        command,
        (Account.FREE, Account.DAMAGED, free),
        (Account.RESERVED, Account.DAMAGED, taken),
        (Account.QUARANTINE, Account.DAMAGED, lost),
    )
    return Booking(moves, list(_newest(store, command, taken)))


def _newest(store: Store, place: Count | Damage, units: int) -> Iterator[tuple[ClaimState, int]]:
    """The newest reservations at a place that have so many units between them."""
    if not units:
        return
    at = (place.gift, place.site)
    claims = [s for _, s in store.scan(CLAIMS, key(place.offer, "")) if s.reserved and (s.gift, s.site) == at]
    for state in sorted(claims, key=lambda s: (-s.since, s.claim.order)):
        taken = min(units, state.reserved)
        yield state, taken
        units -= taken
        if not units:
            return


def on_its_way(store: Store, offer: str, transfer: str) -> tuple[str, InTransit] | None:
    """What is in transit to an offer by a transfer's name; the oldest by its key if two share a name."""
    found = store.scan(TRANSIT, key(offer, ""))
    return next(((at, units) for at, units in found if units.transfer == transfer), None)


def _arriving(store: Store, command: Arrival) -> Booking:
    found = on_its_way(store, command.offer, command.transfer)
    if found is None:
        return Booking()
    at, sent = found
    arrived = min(command.units, sent.units)
    moves = _moves(
        sent,
        (Account.IN_TRANSIT, Account.FREE, arrived),
        (Account.IN_TRANSIT, Account.COUNTED, sent.units - arrived),
        (Account.COUNTED, Account.FREE, command.units - arrived),
    )
    return Booking(moves, transit=at)


# --- what is refused --------------------------------------------------------------------------------------------

Refused = Literal["not_enough", "unknown_transfer"]


def refusal(store: Store, command: StockCommand) -> Refused | None:
    """Why a command can't be done at all, or None."""
    if isinstance(command, Transfer):
        short = command.units > balance_of(store, command.offer, command.gift, command.site).free
        return "not_enough" if short else None
    if isinstance(command, Damage):
        balance = balance_of(store, command.offer, command.gift, command.site)
        short = command.units > balance.free + balance.reserved + balance.quarantine
        return "not_enough" if short else None
    if isinstance(command, Arrival):
        return None if on_its_way(store, command.offer, command.transfer) else "unknown_transfer"
    return None
