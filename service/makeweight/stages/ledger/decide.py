"""What the ledger makes of a command: immutable entries, declines and no-ops included."""

from collections.abc import Iterable

from makeweight.domain.claims import Arrival, Claim, HandledGift, Receipt, StockCommand, Transfer
from makeweight.domain.entries import Booked, Handled, LedgerEntry, Outnumbered, Received
from makeweight.domain.stock import Account, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger.ahead import Ahead
from makeweight.stages.ledger.fold import fold
from makeweight.stages.ledger.movements import ON_THE_WAY, booking, handling, looks_again, receiving, refusal
from makeweight.stages.ledger.settle import found_again, served, settle
from makeweight.stages.ledger.signals import noted
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, OWED, SEEN, SERVED, OfferState, Seen, key
from makeweight.stages.port import Problem, Store, Subject, Verdict, View


def claim(store: Store, wanted: Claim, view: View) -> Verdict:
    """Settle a claim: a lower number than the known one is superseded, the same one is answered again."""
    state = store.get(CLAIMS, key(wanted.offer, wanted.order))
    if state is not None:
        if wanted.number < state.claim.number:
            # What its first coming freed may still have to serve others, if a host died over it.
            rest = _repeated(store, wanted.offer, wanted.id, [("claim", wanted.offer, wanted.order)], view)
            outnumbered = Outnumbered(f"{wanted.id}:outnumbered", wanted, view.now)
            return Verdict("superseded", [outnumbered, *rest.entries], rest.subjects[1:])
        if wanted.number == state.claim.number:
            if wanted == state.claim:
                return _repeated(store, wanted.offer, wanted.id, [("claim", wanted.offer, wanted.order)], view)
            return _conflict(f"Claim {wanted.id} came before with other content; the first counts")
    offer = store.get(OFFERS, wanted.offer) or OfferState(wanted.offer)
    settled = noted(store, settle(store, wanted, state, offer, view.now), state)
    rest_of: list[LedgerEntry] = []
    for move in settled.moves:
        if move.target is Account.FREE:
            free = _free_after(store, wanted.offer, move)
            place = (move.gift, move.site)
            rest_of = _serve(store, wanted.offer, place, free, view, wanted.id, besides=wanted.order)
    return Verdict("applied", [replaced(settled, serves=len(rest_of)) if rest_of else settled, *rest_of])


def receipt(store: Store, command: Receipt, view: View) -> Verdict:
    """Stock comes in, and serves owed claims, oldest first, each by an entry of its own."""
    known = _seen(store, command, view)
    if known is not None:
        return known
    move = receiving(command)
    free = _free_after(store, command.offer, move)
    followers = _serve(store, command.offer, (move.gift, move.site), free, view, command.id)
    received = Received(f"{command.offer}:{command.id}:received", command, [move], view.now, len(followers))
    return Verdict("applied", [received, *followers])


def handled(store: Store, command: HandledGift, view: View) -> Verdict:
    """What the warehouse did with units of an order; a fact without cover is never refused."""
    known = _seen(store, command, view)
    if known is not None:
        return known
    moves, over = handling(store, command)
    entry = Handled(f"{command.offer}:{command.id}:handled", command, moves, view.now, over)
    if command.happened in ON_THE_WAY:
        return Verdict("applied", [entry])
    return Verdict("applied", _with_followers(store, entry, moves, looks_again(command), view))


def booked(store: Store, command: StockCommand, view: View) -> Verdict:
    """What someone counted, damaged or moved between offers and sites, or that an announcement is gone.

    What is refused is logged as well, so that it stays refused when it comes again.
    """
    known = _seen(store, command, view)
    if known is not None:
        return known
    entry_id = f"{command.offer}:{command.id}:booked"
    code = refusal(store, command)
    if code is not None:
        refused = Booked(entry_id, command, [], view.now, refused=code)
        return Verdict("rejected", [refused], problem=_problem(command, code))
    found = booking(store, command)
    owed = {state.claim.order: units for state, units in found.hit}
    entry = Booked(entry_id, command, found.moves, view.now, owed, found.unexplained)
    # The newest reservations were lost; of those that lost them the oldest looks for others first.
    return Verdict("applied", _with_followers(store, entry, found.moves, list(reversed(owed)), view))


def _problem(command: StockCommand, code: str) -> Problem:
    if code == "unknown_transfer" and isinstance(command, Arrival):
        return Problem(code, f"No transfer {command.transfer} is on its way to {command.offer}")
    what = "are free to be sent" if isinstance(command, Transfer) else "lie there"
    return Problem(code, f"Fewer units {what} than {command.id} of {command.offer} says")


def _seen(store: Store, command: Receipt | HandledGift | StockCommand, view: View) -> Verdict | None:
    seen = store.get(SEEN, key(command.offer, command.id))
    if seen is None:
        return None
    if seen.command != command:
        return _conflict(f"Command {command.id} came before with other content; the first counts")
    if seen.refused is not None and not isinstance(seen.command, Receipt | HandledGift):
        return Verdict("rejected", subjects=[("level", command.offer)], problem=_problem(seen.command, seen.refused))
    return _repeated(store, command.offer, command.id, _of_command(command.offer, command.id, seen), view)


def _of_command(offer: str, name: str, seen: Seen) -> list[Subject]:
    """What a command changed itself, beside the offer's level."""
    subjects: list[Subject] = [("claim", offer, order) for order in seen.orders]
    return [*subjects, ("transfer", offer, name)] if seen.units else subjects


def _repeated(store: Store, offer: str, cause: str, subjects: list[Subject], view: View) -> Verdict:
    """Say again what the command came to. What a host that died did not log of it is decided now."""
    subjects = [*subjects, ("level", offer)]
    done = store.get(SERVED, key(offer, cause))
    if done is None:
        return Verdict("repeat", subjects=subjects)
    said = {order for kind, _, *names in subjects if kind == "claim" for order in names}
    subjects += [("claim", offer, order) for order in dict.fromkeys(done.orders) if order not in said]
    missing = done.expected - len(done.orders)
    entries: list[LedgerEntry] = []
    if missing > 0:
        again = [order for order in done.again if order not in done.orders]
        entries = _follow(Ahead(store), offer, (done.gift, done.site), again, cause, view)[:missing]
    return Verdict("repeat", entries, subjects)


def _conflict(text: str) -> Verdict:
    return Verdict("conflict", problem=Problem("other_content", text))


def _free_after(store: Store, offer: str, move: Move) -> int:
    balance = store.get(BALANCES, key(offer, move.gift, move.site))
    return (balance.free if balance else 0) + move.units


def _with_followers(
    store: Store, entry: Handled | Booked, moves: Iterable[Move], again: list[str], view: View
) -> list[LedgerEntry]:
    """The entry, and one for each claim that gets units because of it, decided from what the entry leaves."""
    freed = next((move for move in moves if move.target is Account.FREE), None)
    if freed is None and not again:
        return [entry]
    ahead = Ahead(store)
    fold(ahead, entry)
    place = (freed.gift, freed.site) if freed is not None else ("", "")
    followers = _follow(ahead, entry.command.offer, place, again, entry.command.id, view)
    return [replaced(entry, serves=len(followers)), *followers] if followers else [entry]


def _follow(
    ahead: Ahead, offer: str, place: tuple[str, str], again: Iterable[str], cause: str, view: View
) -> list[LedgerEntry]:
    """Orders that lost units look for others, and what is left at the place serves owed claims, oldest first."""
    entries: list[LedgerEntry] = []
    for order in again:
        state = ahead.get(CLAIMS, key(offer, order))
        found = found_again(ahead, state, view.now, cause) if state is not None and state.owed else None
        if found is not None:
            fold(ahead, found)
            entries.append(found)
    balance = ahead.get(BALANCES, key(offer, *place))
    return entries + _serve(ahead, offer, place, balance.free if balance else 0, view, cause)


def _serve(
    store: Store, offer: str, place: tuple[str, str], free: int, view: View, cause: str, besides: str | None = None
) -> list[LedgerEntry]:
    """Owed claims that free units of a gift at a site can serve, oldest first.

    Any of a claim's options will do: to send a substitute, or the gift that was not chosen, comes before sending later.
    """
    gift, site = place
    entries: list[LedgerEntry] = []
    for _, owed in store.scan(OWED, key(offer, "")):
        if free <= 0:
            break
        state = store.get(CLAIMS, key(offer, owed.order))
        if state is None or owed.order == besides:
            continue
        option = next((o for o in state.claim.options if o.gift == gift and site in o.sites), None)
        if option is None:
            continue
        if state.held and (state.gift, state.site) != place:
            continue
        units = min(state.owed, free)
        free -= units
        entries.append(served(state, place, units, free + units, view.now, cause, substitute=option.substitute))
    return entries
