"""What the ledger makes of a command: immutable entries, declines and no-ops included."""

from makeweight.domain.claims import Claim, HandledGift, Receipt
from makeweight.domain.entries import Handled, LedgerEntry, Outnumbered, Received, Settled
from makeweight.domain.stock import Account, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger.settle import handling, outcome_of, receiving, settle
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, OWED, SEEN, SERVED, OfferState, key
from makeweight.stages.port import Problem, Store, Subject, Verdict, View


def claim(store: Store, wanted: Claim, view: View) -> Verdict:
    """Settle a claim: a lower number than the known one is superseded, the same one is answered again."""
    state = store.get(CLAIMS, key(wanted.offer, wanted.order))
    if state is not None:
        if wanted.number < state.claim.number:
            # What its first coming freed may still have to serve others, if a host died over it.
            rest = _repeated(store, wanted.offer, wanted.id, ("claim", wanted.offer, wanted.order), view)
            outnumbered = Outnumbered(f"{wanted.id}:outnumbered", wanted, view.now)
            return Verdict("superseded", [outnumbered, *rest.entries], rest.subjects[1:])
        if wanted.number == state.claim.number:
            if wanted == state.claim:
                return _repeated(store, wanted.offer, wanted.id, ("claim", wanted.offer, wanted.order), view)
            return _conflict(f"Claim {wanted.id} came before with other content; the first counts")
    offer = store.get(OFFERS, wanted.offer) or OfferState(wanted.offer)
    settled = settle(store, wanted, state, offer, view.now)
    served: list[LedgerEntry] = []
    for move in settled.moves:
        if move.target is Account.FREE:
            free = _free_after(store, wanted.offer, move)
            served = _serve(store, wanted.offer, move, free, view, wanted.id, besides=wanted.order)
    return Verdict("applied", [replaced(settled, serves=len(served)) if served else settled, *served])


def receipt(store: Store, command: Receipt, view: View) -> Verdict:
    """Stock comes in, and serves owed claims, oldest first, each by an entry of its own."""
    known = _seen(store, command, view)
    if known is not None:
        return known
    move = receiving(command)
    served = _serve(store, command.offer, move, _free_after(store, command.offer, move), view, command.id)
    received = Received(f"{command.offer}:{command.id}:received", command, [move], view.now, len(served))
    return Verdict("applied", [received, *served])


def handled(store: Store, command: HandledGift, view: View) -> Verdict:
    """The warehouse released or packed units; a fact without cover is never refused."""
    known = _seen(store, command, view)
    if known is not None:
        return known
    moves, over = handling(store, command)
    return Verdict("applied", [Handled(f"{command.offer}:{command.id}:handled", command, moves, view.now, over)])


def _seen(store: Store, command: Receipt | HandledGift, view: View) -> Verdict | None:
    seen = store.get(SEEN, key(command.offer, command.id))
    if seen is None:
        return None
    if seen.command == command:
        return _repeated(store, command.offer, command.id, ("level", command.offer), view)
    return _conflict(f"Command {command.id} came before with other content; the first counts")


def _repeated(store: Store, offer: str, cause: str, subject: Subject, view: View) -> Verdict:
    """Say again what the command came to. What a host that died did not log of it is decided now."""
    level: list[Subject] = [] if subject[0] == "level" else [("level", offer)]
    served = store.get(SERVED, key(offer, cause))
    if served is None:
        return Verdict("repeat", subjects=[subject, *level])
    subjects: list[Subject] = [subject, *level, *(("claim", offer, order) for order in served.orders)]
    missing = served.expected - len(served.orders)
    entries: list[LedgerEntry] = []
    if missing > 0:
        balance = store.get(BALANCES, key(offer, served.gift, served.site))
        move = Move(Account.OUTSIDE, Account.FREE, served.gift, served.site, 1)
        entries = _serve(store, offer, move, balance.free if balance else 0, view, cause)[:missing]
    return Verdict("repeat", list(entries), subjects)


def _conflict(text: str) -> Verdict:
    return Verdict("conflict", problem=Problem("other_content", text))


def _free_after(store: Store, offer: str, move: Move) -> int:
    balance = store.get(BALANCES, key(offer, move.gift, move.site))
    return (balance.free if balance else 0) + move.units


def _serve(
    store: Store, offer: str, move: Move, free: int, view: View, cause: str, besides: str | None = None
) -> list[LedgerEntry]:
    """Owed claims that free units of a gift at a site can serve, oldest first."""
    served: list[LedgerEntry] = []
    for _, owed in store.scan(OWED, key(offer, "")):
        if free <= 0:
            break
        state = store.get(CLAIMS, key(offer, owed.order))
        if state is None or owed.order == besides:
            continue
        first = state.claim.options[0]
        if first.gift != move.gift or move.site not in first.sites:
            continue
        if state.held and (state.gift, state.site) != (move.gift, move.site):
            continue
        units = min(state.owed, free)
        free -= units
        left = state.owed - units
        served.append(
            Settled(
                id=f"{state.claim.id}:settled:{state.edition + 1}",
                claim=state.claim,
                edition=state.edition + 1,
                outcome=outcome_of(state.held + units, left),
                moves=[Move(Account.FREE, Account.RESERVED, move.gift, move.site, units)],
                figures=replaced(state.figures, stock_free=free + units),
                at=view.now,
                gift=move.gift,
                site=move.site,
                owed=left,
                reason=state.reason if left else None,
                units=units,
                cause=cause,
            )
        )
    return served
