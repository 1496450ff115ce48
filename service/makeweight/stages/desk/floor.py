"""What the warehouse has in its hands: released tickets, what a fact takes off them, and what should be taken off.

A fact about a ticket that is not frozen yet freezes it as it was printed: the warehouse can only speak of a paper.
"""

from collections.abc import Iterator, Mapping

from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, HandledLine, HappenedKind
from makeweight.domain.values import replaced
from makeweight.stages.desk.state import Frozen, OrderState, Wish

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
    found: dict[str, int] = {}
    for line in event.lines:
        if line.line is not None:
            found[str(line.line)] = found.get(str(line.line), 0) + line.units
    return found


def saleable(event: Fulfilment, offer: str) -> int:
    """Units of a returned gift that were found to be saleable; all else is scrap."""
    return sum(line.units for line in event.lines if line.offer == offer and line.condition == "saleable")


def outstanding(state: OrderState, offer: str, wish: Wish) -> int:
    """Units held that are on no frozen ticket. What the ledger has not yet answered to have left is not held."""
    if not state.frozen:
        return wish.held
    unheard = state.left.get(offer, 0) - (wish.answer.left if wish.answer else 0)
    on_papers = [frozen.on_paper(offer) for frozen in state.frozen if frozen.carries(offer, wish.answer)]
    return wish.held - max(0, unheard) - sum(on_papers)


def after(frozen: Frozen, event: Fulfilment, handled: Mapping[str, int], over: Mapping[str, int]) -> Frozen:
    """The frozen ticket after a fact on it.

    ``handled`` are the gift units by offer that the ledger is told of, ``over`` those that are not the order's.
    """
    if over:
        frozen = replaced(frozen, over={**frozen.over, event.event: dict(over)})
    if event.happened not in LEAVING:
        done = frozen.done
        if event.happened != "released":
            done = {**done, **{offer: done.get(offer, 0) + units for offer, units in handled.items()}}
        there = {offer: max(handled.get(offer, 0), done.get(offer, 0)) for offer in handled}
        beyond = {offer: units - frozen.on_paper(offer) for offer, units in there.items()}
        extra = {o: n for o, n in beyond.items() if n > frozen.extra.get(o, 0)}
        return replaced(
            frozen, packed=frozen.packed or event.happened != "released", done=done, extra={**frozen.extra, **extra}
        )
    named = there_of(frozen) if not event.lines else named_gifts(event)
    for offer, units in named.items():
        frozen = _left(frozen, event.happened, offer, units, saleable(event, offer))
    if event.happened != "put_back":
        return frozen
    on_it = frozen.lines_left
    off = {n: min(units, on_it.get(n, 0)) for n, units in named_lines(event).items()} if event.lines else on_it
    gone_lines = {n: frozen.gone_lines.get(n, 0) + units for n, units in off.items()}
    return replaced(frozen, gone_lines={**frozen.gone_lines, **gone_lines})


def there_of(frozen: Frozen) -> dict[str, int]:
    """Gift units by offer that are on a ticket, with those beyond its paper."""
    if not any(frozen.extra.values()):
        return frozen.gifts_left
    there = {offer: frozen.on_paper(offer) + frozen.extra.get(offer, 0) for offer in frozen.gifts | frozen.extra}
    return {offer: units for offer, units in there.items() if units > 0}


def out_of_box(frozen: Frozen, units: dict[str, int]) -> dict[str, int]:
    """By offer, how many of the gift units that are put back had been packed: those beside the box go first."""
    there = there_of(frozen)
    beside = {offer: max(0, there.get(offer, 0) - frozen.done.get(offer, 0)) for offer in units}
    return {offer: n - beside[offer] for offer, n in units.items() if n > beside[offer]}


def _left(frozen: Frozen, happened: HappenedKind, offer: str, units: int, sound: int) -> Frozen:
    """The frozen ticket after units of a gift have left it: those on its paper first, then what was beyond that.

    Of those that came back ``sound`` can be given again, the others are waste.
    """
    on_paper, extra, done = frozen.on_paper(offer), frozen.extra.get(offer, 0), frozen.done.get(offer, 0)
    if happened == "short_picked":
        on_paper, extra = max(0, on_paper - done), 0  # what is in the box was found
    left = min(units, on_paper)
    beyond = min(units - left, extra)
    if not left and not beyond:
        return frozen
    back = left + beyond if happened == "gift_returned" else 0
    waste = max(0, back - sound)
    still = frozen.on_paper(offer) - left + frozen.extra.get(offer, 0) - beyond
    return replaced(
        frozen,
        gone={**frozen.gone, offer: frozen.gone.get(offer, 0) + left},
        extra={**frozen.extra, offer: frozen.extra.get(offer, 0) - beyond},
        done={**frozen.done, offer: max(0, done - units) if back else min(done, still)},
        back={**frozen.back, offer: frozen.back.get(offer, 0) + back} if back else frozen.back,
        spoilt={**frozen.spoilt, offer: frozen.spoilt.get(offer, 0) + waste} if waste else frozen.spoilt,
    )


def as_ordered(state: OrderState) -> bool:
    """Whether the floor has only what the order wants, and nothing was taken off or came back: the usual case.

    Then there is nothing to review and nothing to tell of it.
    """
    if state.order.status == "cancelled" or any(j.kept is not None for j in state.evaluation.judgements):
        return False
    lines: dict[str, int] = {}
    gifts: dict[str, int] = {}
    for frozen in state.frozen:
        if frozen.gone or frozen.gone_lines or frozen.over or frozen.extra or frozen.paper.take_off:
            return False
        if not frozen.done.keys() <= frozen.gifts.keys():
            return False
        for offer, units in frozen.gifts.items():
            wish = state.wishes.get(offer)
            gifts[offer] = gifts.get(offer, 0) + units
            if wish is None or wish.claim.units < max(gifts[offer], frozen.done.get(offer, 0)):
                return False
            if not frozen.carries(offer, wish.answer):
                return False
        new = frozen.lines
        lines = {n: lines.get(n, 0) + new.get(n, 0) for n in lines | new} if lines else new
    found = 0
    for line in state.order.lines:
        on_papers = lines.get(str(line.number))
        if on_papers is not None:
            found += 1
            if on_papers > line.units - line.cancelled_units:
                return False
    return found == len(lines)


def reviewed(state: OrderState, at: Instant) -> tuple[OrderState, list[str]]:
    """Bring the papers of frozen tickets up to date; the tickets that changed.

    A paper names what should be taken off it; one of which everything has gone is void.
    """
    asked = to_take_off(state)
    tickets, changed = [], []
    for known in state.frozen:
        frozen, paper = known, known.paper
        take_off = asked.get(known.ticket, [])
        put_back = any(frozen.gone.values()) or any(frozen.gone_lines.values())
        empty = put_back and not frozen.back and not frozen.gifts_left and not frozen.lines_left
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
    strange = {frozen.ticket: _strange(state, frozen) for frozen in state.frozen}
    own = {frozen.ticket: _without(frozen.gifts_left, strange[frozen.ticket]) for frozen in state.frozen}
    surplus_lines = _surplus([frozen.lines_left for frozen in state.frozen], lines)
    surplus_gifts = _surplus(list(own.values()), gifts)
    if not surplus_lines and not surplus_gifts and not any(strange.values()):
        return {}
    found: dict[str, list[HandledLine]] = {}
    for frozen in reversed(state.frozen):
        if frozen.packed:
            continue
        off = [
            HandledLine(units, line=int(number)) for number, units in _taken(surplus_lines, frozen.lines_left).items()
        ]
        for offer, units in sorted((strange[frozen.ticket] | _taken(surplus_gifts, own[frozen.ticket])).items()):
            off.append(HandledLine(units, offer=offer, gift=frozen.printed.get(offer)))
        if off:
            found[frozen.ticket] = off
    return found


def _strange(state: OrderState, frozen: Frozen) -> dict[str, int]:
    """Gift units on a paper in whose place the order now holds another gift, or one from another site."""
    wishes = state.wishes
    return {o: n for o, n in frozen.gifts_left.items() if o in wishes and not frozen.carries(o, wishes[o].answer)}


def _without(units: dict[str, int], others: Mapping[str, int]) -> dict[str, int]:
    return {name: n for name, n in units.items() if name not in others} if others else units


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


def not_held(state: OrderState, offer: str) -> dict[str, int]:
    """By ticket, units of a gift on its paper that the order does not hold.

    Those are the units that were told as over-gifts; of what nobody told, those on the newest paper.
    """
    wish = state.wishes.get(offer)
    answer = wish.answer if wish is not None else None
    strange = {f.ticket: f.on_paper(offer) for f in state.frozen if not f.carries(offer, answer)}
    own = [f for f in state.frozen if f.ticket not in strange]
    surplus = max(0, -outstanding(state, offer, wish) if wish else sum(f.on_paper(offer) for f in own))
    found = dict(strange)
    for limits in ([told_over(f, offer) for f in own], [f.on_paper(offer) for f in own]):
        for frozen, limit in reversed(list(zip(own, limits, strict=True))):
            known = found.get(frozen.ticket, 0)
            units = min(surplus, min(limit, frozen.on_paper(offer)) - known)
            if units > 0:
                found[frozen.ticket] = known + units
                surplus -= units
    return {ticket: units for ticket, units in found.items() if units}


def told_over(frozen: Frozen, offer: str) -> int:
    """Units of a gift that were not the order's when an event said that they were on this ticket."""
    return sum([units.get(offer, 0) for units in frozen.over.values()]) if frozen.over else 0


def over_gifts(state: OrderState) -> Iterator[tuple[Frozen, str, str, int]]:
    """By ticket, event and offer: gift units that an event told as over-gifts and that still are."""
    for frozen in state.frozen:
        for offer in sorted({offer for units in frozen.over.values() for offer in units}):
            known = offer in frozen.done or offer in frozen.gifts
            left = told_over(frozen, offer)
            if known:  # of what nobody published, nothing more is heard
                left = min(left, frozen.extra.get(offer, 0) + not_held(state, offer).get(frozen.ticket, 0))
            for event, units in frozen.over.items():
                still = min(left, units.get(offer, 0))
                left -= still
                yield frozen, event, offer, still


def kept_beyond(state: OrderState) -> dict[str, int]:
    """Gift units by offer that were packed although the order no longer earned them when they were.

    What went out beyond its paper, or on one that carried too much, was told with the event that said so.
    """
    if not any(frozen.done for frozen in state.frozen):
        return {}
    told: dict[tuple[str, str], int] = {}
    for frozen, _, offer, units in over_gifts(state):
        told[frozen.ticket, offer] = told.get((frozen.ticket, offer), 0) + units
    out: dict[str, int] = {}
    strange: dict[str, int] = {}
    for frozen in state.frozen:
        for offer, units in frozen.done.items():
            wish = state.wishes.get(offer)
            if wish is not None:
                kind = out if frozen.carries(offer, wish.answer) else strange
                kind[offer] = kind.get(offer, 0) + max(0, units - told.get((frozen.ticket, offer), 0))
    beyond = {offer: max(0, units - state.wishes[offer].claim.units) for offer, units in out.items()}
    found = {offer: beyond.get(offer, 0) + strange.get(offer, 0) for offer in beyond | strange}
    return {offer: units for offer, units in found.items() if units}


def with_customer(state: OrderState, offer: str) -> int:
    """Gift units that were packed and have not come back."""
    return sum(frozen.done.get(offer, 0) for frozen in state.frozen)


def spoilt(state: OrderState, offer: str) -> int:
    """Gift units that came back and can't be given again."""
    return sum(frozen.spoilt.get(offer, 0) for frozen in state.frozen)


def gift_out(state: OrderState, offer: str) -> str:
    """The gift of an offer that was packed, '' if none was."""
    return next((f.printed.get(offer, "") for f in state.frozen if f.done.get(offer) or f.spoilt.get(offer)), "")
