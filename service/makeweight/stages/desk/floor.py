"""What the warehouse has in its hands: released tickets, what a fact takes off them, and what should be taken off.

A fact about a ticket that is not frozen yet freezes it as it was printed: the warehouse can only speak of a paper.
"""

from collections.abc import Mapping

from makeweight.domain.moments import Instant
from makeweight.domain.orders import Condition, Fulfilment, HandledLine
from makeweight.domain.values import replaced
from makeweight.stages.desk.state import Frozen, OrderState

# Facts by which units leave a paper; the others only move on what is on it.
LEAVING = frozenset({"short_picked", "put_back", "gift_returned"})


def named_gifts(event: Fulfilment) -> dict[str, int]:
    """Gift units by offer that a fact names."""
    found: dict[str, int] = {}
    for line in event.lines:
        if line.offer is not None:
            found[line.offer] = found.get(line.offer, 0) + line.units
    return found


def named_lines(event: Fulfilment) -> dict[str, int]:
    """Units by line number that a fact names."""
    return {str(line.line): line.units for line in event.lines if line.line is not None}


def condition_of(event: Fulfilment, offer: str) -> Condition:
    """What a returned gift was found to be: saleable only if everything that is said of it says so."""
    said = [line.condition for line in event.lines if line.offer == offer]
    return "saleable" if said and all(one == "saleable" for one in said) else "scrap"


def after(frozen: Frozen, event: Fulfilment, handled: Mapping[str, int]) -> Frozen:
    """The frozen ticket after a fact on it. ``handled`` are the gift units by offer that the ledger is told of."""
    if event.happened in ("packed", "dispatched"):
        done = {offer: frozen.done.get(offer, 0) + units for offer, units in handled.items()}
        return replaced(frozen, packed=True, done={**frozen.done, **done})
    if event.happened not in LEAVING:
        return frozen
    whole = not event.lines
    gone, done, back, spoilt = dict(frozen.gone), dict(frozen.done), dict(frozen.back), dict(frozen.spoilt)
    for offer, units in (frozen.gifts_left if whole else named_gifts(event)).items():
        open_units = frozen.on_paper(offer)
        if event.happened == "short_picked":
            open_units -= done.get(offer, 0)  # what is in the box was found
        left = min(units, max(0, open_units))
        if left:
            gone[offer] = gone.get(offer, 0) + left
            if offer in done:
                # What comes back was packed; what is put back was taken off the floor first.
                most = frozen.gifts[offer] - gone[offer]
                done[offer] = (
                    max(0, done[offer] - left) if event.happened == "gift_returned" else min(done[offer], most)
                )
            if event.happened == "gift_returned":
                back[offer] = back.get(offer, 0) + left
                if condition_of(event, offer) == "scrap":
                    spoilt[offer] = spoilt.get(offer, 0) + left
    gone_lines = frozen.gone_lines
    if event.happened == "put_back":
        on_it = frozen.lines_left
        off = on_it if whole else {n: min(units, on_it.get(n, 0)) for n, units in named_lines(event).items()}
        gone_lines = {**gone_lines, **{n: gone_lines.get(n, 0) + units for n, units in off.items() if units}}
    return replaced(frozen, gone=gone, done=done, back=back, spoilt=spoilt, gone_lines=gone_lines)


def reviewed(state: OrderState, at: Instant) -> tuple[OrderState, list[str]]:
    """Bring the papers of frozen tickets up to date; the tickets that changed.

    A paper names what should be taken off it; one of which everything has gone is void.
    """
    asked = to_take_off(state)
    tickets, changed = [], []
    for known in state.frozen:
        frozen, paper = known, known.paper
        take_off = asked.get(known.ticket, [])
        put_back = bool(frozen.gone or frozen.gone_lines) and not frozen.back
        empty = put_back and not frozen.gifts_left and not frozen.lines_left
        if empty and paper.state != "void":
            paper = replaced(paper, state="void", lines=[], gift_lines=[])
        if paper is not frozen.paper or paper.take_off != take_off:
            paper = replaced(paper, take_off=take_off, order_revision=state.order.revision, edition=state.edition)
            changed.append(frozen.ticket)
            asked_at = (frozen.asked_at or at) if take_off else None
            frozen = replaced(frozen, paper=paper, asked_at=asked_at, alerted=frozen.alerted and bool(take_off))
        tickets.append(frozen)
    return (replaced(state, frozen=tickets), changed) if changed else (state, changed)


def to_take_off(state: OrderState) -> dict[str, list[HandledLine]]:
    """By ticket, what is on the floor, not packed, and no longer wanted; of several tickets the newest gives first."""
    if all(frozen.packed for frozen in state.frozen):
        return {}
    cancelled = state.order.status == "cancelled"
    lines = {} if cancelled else {str(line.number): line.live_units for line in state.order.lines}
    gifts = {offer: wish.claim.units for offer, wish in state.wishes.items()}
    surplus_lines = _surplus([frozen.lines_left for frozen in state.frozen], lines)
    surplus_gifts = _surplus([frozen.gifts_left for frozen in state.frozen], gifts)
    if not surplus_lines and not surplus_gifts:
        return {}
    found: dict[str, list[HandledLine]] = {}
    for frozen in reversed(state.frozen):
        if frozen.packed:
            continue
        off = [
            HandledLine(units, line=int(number)) for number, units in _taken(surplus_lines, frozen.lines_left).items()
        ]
        for offer, units in _taken(surplus_gifts, frozen.gifts_left).items():
            off.append(HandledLine(units, offer=offer, gift=frozen.printed.get(offer)))
        if off:
            found[frozen.ticket] = off
    return found


def _surplus(papers: list[dict[str, int]], wanted: Mapping[str, int]) -> dict[str, int]:
    on_papers: dict[str, int] = {}
    for paper in papers:
        for name, units in paper.items():
            on_papers[name] = on_papers.get(name, 0) + units
    return {name: units - wanted.get(name, 0) for name, units in on_papers.items() if units > wanted.get(name, 0)}


def _taken(surplus: dict[str, int], paper: Mapping[str, int]) -> dict[str, int]:
    """What this paper gives of a surplus, which is less by it afterwards."""
    found = {}
    for name in sorted(surplus):
        units = min(surplus[name], paper.get(name, 0))
        if units:
            found[name] = units
            surplus[name] -= units
    return found


def kept_beyond(state: OrderState) -> dict[str, int]:
    """Gift units by offer that were packed although the order no longer earned them when they were.

    What went out beyond its paper, or on one that carried too much, was told with the event that said so.
    """
    out: dict[str, int] = {}
    for frozen in state.frozen:
        for offer, units in frozen.done.items():
            out[offer] = out.get(offer, 0) + max(0, units - frozen.over.get(offer, 0))
    wanted = {offer: state.wishes[offer].claim.units for offer in out if offer in state.wishes}
    return {offer: units - wanted[offer] for offer, units in out.items() if offer in wanted and units > wanted[offer]}


def with_customer(state: OrderState, offer: str) -> int:
    """Gift units that were packed and have not come back."""
    return sum(frozen.done.get(offer, 0) for frozen in state.frozen)


def spoilt(state: OrderState, offer: str) -> int:
    """Gift units that came back and can't be given again."""
    return sum(frozen.spoilt.get(offer, 0) for frozen in state.frozen)


def gift_out(state: OrderState, offer: str) -> str:
    """The gift of an offer that was packed, '' if none was."""
    return next((f.printed.get(offer, "") for f in state.frozen if f.done.get(offer) or f.spoilt.get(offer)), "")
