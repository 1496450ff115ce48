"""What the desk makes of the warehouse's facts: what each means for the gifts of its ticket goes to the ledger."""

from collections.abc import Callable

from makeweight.domain.claims import GiftHappened, HandledGift
from makeweight.domain.entries import Reported
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, HappenedKind
from makeweight.stages.desk import floor
from makeweight.stages.desk.decide import refused
from makeweight.stages.desk.floor import outstanding
from makeweight.stages.desk.state import MAX_FACTS, ORDERS, Frozen, OrderState, Paper, Wish
from makeweight.stages.desk.tickets import paper_of, ticket_id
from makeweight.stages.port import Store, Subject, Verdict, View

# What the ledger is told of gift units; returned ones that are not saleable it is told to be scrapped.
_TO_LEDGER: dict[HappenedKind, GiftHappened] = {
    "released": "released",
    "packed": "packed",
    "dispatched": "packed",
    "short_picked": "short_picked",
    "put_back": "put_back",
    "gift_returned": "returned",
}


def fact(store: Store, event: Fulfilment, digest: str, view: View) -> Verdict:
    """Take in what the warehouse did with a ticket: its gift units go to the ledger as commands."""
    state = store.get(ORDERS, event.order)
    if state is None:
        return refused("rejected", "unknown_order", f"No order {event.order} was seen before its fulfilment event")
    seen = state.facts.get(event.event)
    if seen is not None:
        if seen.digest == digest:
            return Verdict("repeat", subjects=_all_of(state, event))
        return refused("conflict", "other_content", f"Event {event.event} came before with other content")
    if len(state.facts) >= MAX_FACTS:
        return refused("rejected", "too_many_facts", f"Order {event.order} has {MAX_FACTS} fulfilment events")
    site = _site_of(state, event.ticket)
    if site is None:
        return refused("rejected", "unknown_ticket", f"Order {event.order} has no ticket {event.ticket}")

    def exists(offer: str) -> bool:
        return offer in state.wishes or view.book.offer(offer) is not None

    return Verdict("applied", [_reported(state, event, digest, site, exists, view.now)])


def found_anew(state: OrderState, entry: Reported) -> Reported:
    """What a fact concerns in another state than its writer knew; another writer's entries came between.

    That a unit was put back is true whoever writes it down; whether it had been packed depends on what came before.
    """
    event = entry.fact
    known = {command.offer for command in entry.gifts}

    def exists(offer: str) -> bool:
        return offer in state.wishes or offer in known

    site = _site_of(state, event.ticket) or entry.site
    return _reported(state, event, entry.digest, site, exists, entry.at)


def _all_of(state: OrderState, event: Fulfilment) -> list[Subject]:
    """What a fact may have left unsaid; what is to be taken off may stand on any paper of the order."""
    order = state.order.order
    papers: list[Subject] = [("paper", order, frozen.ticket) for frozen in state.frozen]
    return [("commands", order, event.event), *papers, ("ticket", order), ("notices", order, "")]


def _site_of(state: OrderState, ticket: str) -> str | None:
    for frozen in state.frozen:
        if frozen.ticket == ticket:
            return frozen.site
    # Only one that was opened: with the first released and nothing left, the next number was never said.
    return next((site for site, number in state.opened.items() if ticket_id(state, site, number) == ticket), None)


def _reported(
    state: OrderState, event: Fulfilment, digest: str, site: str, exists: Callable[[str], bool], at: Instant
) -> Reported:
    frozen = next((f for f in state.frozen if f.ticket == event.ticket), None)
    paper = paper_of(state, event.ticket, event.edition)
    lines, carried = paper.lines, paper.gifts
    gifts, over = _gift_units(event, frozen, carried, exists)
    if event.lines and event.happened not in floor.LEAVING:
        # What was released or packed is what the warehouse says; what left the paper says nothing of the rest of it.
        lines = floor.named_lines(event)
        carried = {offer: min(units, gifts.get(offer, 0)) for offer, units in carried.items() if gifts.get(offer)}
    unheld: dict[str, int] = {}
    if frozen is None:
        unheld = _not_held(state, carried, paper, site)
        over = {offer: over.get(offer, 0) + unheld.get(offer, 0) for offer in over | unheld}
    elif event.happened == "put_back":
        unheld = _unheld(state, frozen)
    boxed = floor.out_of_box(frozen, gifts) if frozen is not None and event.happened == "put_back" else {}
    if event.happened == "put_back" and unheld:
        # What was neither packed nor the order's is free for the ledger, and has been all the time.
        gifts = {offer: units - min(units, unheld.get(offer, 0)) for offer, units in gifts.items()}
    commands = _untold(state, event, site, frozen, carried, gifts)
    for offer, units in sorted(gifts.items()):
        waste = max(0, units - floor.saleable(event, offer)) if event.happened == "gift_returned" else 0
        if units > waste:
            told_units, packed = units - waste, boxed.get(offer, 0)
            commands.append(_command(state, event, site, offer, told_units, _TO_LEDGER[event.happened], packed))
        if waste > 0:
            commands.append(_command(state, event, site, offer, waste, "scrapped"))
    told = [command for command in commands if command is not None]
    entry_id = f"{event.order}:{event.event}:reported"
    return Reported(entry_id, event.order, event, digest, site, lines, told, over, carried, at, state.trail)


def _gift_units(
    event: Fulfilment, frozen: Frozen | None, carried: dict[str, int], exists: Callable[[str], bool]
) -> tuple[dict[str, int], dict[str, int]]:
    """Gift units by offer that the event concerns, and those beyond what the ticket carries."""
    if event.happened == "released" and frozen is not None:
        return {}, {}
    on_paper, done = (frozen.gifts_left, frozen.done) if frozen is not None else (carried, {})
    unpacked = {offer: units - done.get(offer, 0) for offer, units in on_paper.items()}
    leaving = event.happened in ("put_back", "gift_returned")
    there = unpacked if not leaving else floor.there_of(frozen) if frozen is not None else carried
    if not event.lines:
        return {offer: units for offer, units in there.items() if units > 0}, {}
    named = floor.named_gifts(event)
    if event.happened == "dispatched":
        # What was packed is on its way with the rest; only what nobody packed is news.
        named = {offer: units - done.get(offer, 0) for offer, units in named.items() if units > done.get(offer, 0)}
    if event.happened == "short_picked":
        named = {offer: min(units, max(0, unpacked.get(offer, 0))) for offer, units in named.items()}
    if leaving:
        # Whoever names more than was on the paper has not found a unit.
        named = {offer: min(units, there.get(offer, 0)) for offer, units in named.items() if there.get(offer, 0) > 0}
    over = {} if leaving else {offer: units - max(0, there.get(offer, 0)) for offer, units in named.items()}
    # The ledger hears of offers that exist; a name that nobody published is told to people alone.
    heard = {offer: units for offer, units in named.items() if exists(offer)}
    return heard, {offer: units for offer, units in over.items() if units > 0}


def _untold(
    state: OrderState,
    event: Fulfilment,
    site: str,
    frozen: Frozen | None,
    carried: dict[str, int],
    gifts: dict[str, int],
) -> list[HandledGift | None]:
    """What must have happened before a fact by which units leave a paper, and nobody said.

    What was on the floor was released; what comes back had gone out.
    """
    told = []
    if frozen is None and event.happened != "released":
        # Packing takes what is on the floor first, and that may be what another paper carries.
        shared = [o for o in carried if event.happened in floor.LEAVING or any(f.on_paper(o) for f in state.frozen)]
        told += [_command(state, event, site, o, carried[o], "released") for o in sorted(shared) if carried[o]]
    if event.happened == "gift_returned":
        done = frozen.done if frozen is not None else {}
        out = {offer: units - done.get(offer, 0) for offer, units in gifts.items()}  # the packed ones come back first
        told += [_command(state, event, site, offer, n, "packed") for offer, n in sorted(out.items()) if n > 0]
    return told


def _command(
    state: OrderState, event: Fulfilment, site: str, offer: str, units: int, happened: GiftHappened, packed: int = 0
) -> HandledGift | None:
    gift = _gift_of(state, offer, event)
    if gift is None:
        return None
    said = "" if happened == _TO_LEDGER[event.happened] else f"/{happened}"
    return HandledGift(
        id=f"{event.order}/{event.event}/{offer}{said}",
        order=event.order,
        offer=offer,
        gift=gift,
        site=site,
        units=units,
        happened=happened,
        at=event.at,
        packed=packed,
    )


def _unheld(state: OrderState, frozen: Frozen) -> dict[str, int]:
    """Gift units on a frozen ticket that are not packed, and that the order does not hold."""
    found = {}
    for offer, units in frozen.gifts_left.items():
        unpacked = units - frozen.done.get(offer, 0)
        if unpacked > 0:
            found[offer] = min(unpacked, floor.not_held(state, offer).get(frozen.ticket, 0))
    return found


def _not_held(state: OrderState, carried: dict[str, int], paper: Paper, site: str) -> dict[str, int]:
    """Gift units on a paper that the order no longer holds: it was amended after the paper was printed.

    It may hold another gift of the offer instead, or one from another site.
    """
    held = dict.fromkeys(carried, 0)
    for offer in carried:
        wish = state.wishes.get(offer)
        if wish is not None and wish.answer is not None:
            named = paper.named.get(offer, wish.answer.gift)
            if (named, site) == (wish.answer.gift, wish.answer.site):
                held[offer] = max(0, outstanding(state, offer, wish))
    return {offer: units - held[offer] for offer, units in carried.items() if units > held[offer]}


def _gift_of(state: OrderState, offer: str, event: Fulfilment) -> str | None:
    """The gift that the warehouse handled: the paper's, else what is held, named by the event, or first asked for."""
    frozen = next((f for f in state.frozen if f.ticket == event.ticket), None)
    named = frozen.printed if frozen is not None else paper_of(state, event.ticket, event.edition).named
    printed = [named[offer]] if offer in named else []
    wish: Wish | None = state.wishes.get(offer)
    held = [wish.answer.gift] if wish is not None and wish.answer is not None and wish.answer.gift is not None else []
    handled = [line.gift for line in event.lines if line.offer == offer and line.gift is not None]
    asked = [option.gift for option in wish.claim.options] if wish is not None else []
    return next(iter(printed + held + handled + asked), None)
