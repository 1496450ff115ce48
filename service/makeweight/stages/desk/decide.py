"""What the desk makes of a message: immutable entries, and nothing but."""

from makeweight.domain.choose import choose
from makeweight.domain.claims import Claim, Decision, GiftHappened, HandledGift, Tick
from makeweight.domain.entries import Answered, Judged, Overdue, Reported, Superseded
from makeweight.domain.orders import Fulfilment, HappenedKind, Order
from makeweight.domain.qualify import Evaluation, evaluate
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.stages.desk.state import MAX_FACTS, MAX_REVISIONS, ORDERS, Frozen, OrderState, Wish, withdrawn
from makeweight.stages.desk.tickets import outstanding, paper_of, ticket_id
from makeweight.stages.port import Problem, Result, Store, Subject, Verdict, View

# What the ledger is told of gift units; what came back it is told by its condition.
_TO_LEDGER: dict[HappenedKind, GiftHappened] = {
    "released": "released",
    "packed": "packed",
    "dispatched": "packed",
    "short_picked": "short_picked",
    "put_back": "put_back",
    "gift_returned": "returned",
}
MAX_DUE = 1_000  # keys that one tick serves; the rest are served by the next


def order(store: Store, event: Order, digest: str, view: View) -> Verdict:
    """Judge a snapshot by the campaigns in force when the order was placed.

    A lower revision than the known one changes nothing; an equal one is a repeat if its content is the same.
    """
    state = store.get(ORDERS, event.order)
    if state is not None:
        known = state.digests.get(str(event.revision))
        if known == digest:
            return Verdict("repeat", subjects=_all_of(state))
        if known is not None:
            return _refused(
                "conflict",
                "other_content",
                f"Order {event.order} revision {event.revision} came before with other "
                "content; the first counts. Send a change as a higher revision.",
            )
        if len(state.digests) >= MAX_REVISIONS:
            return _refused("rejected", "too_many_revisions", f"Order {event.order} has {MAX_REVISIONS} revisions")
        if event.revision < state.order.revision:
            entry_id = f"{event.order}:{event.revision}:superseded"
            return Verdict("superseded", [Superseded(entry_id, event.order, str(event.revision), digest, view.now)])
    return Verdict("applied", [_judged(state, event, digest, view)])


def _all_of(state: OrderState) -> list[Subject]:
    """Everything that a repeated order event may have left unsaid: a host can die between its log and its outputs."""
    order = state.order.order
    papers: list[Subject] = [("paper", order, frozen.ticket) for frozen in state.frozen]
    return [("claims", order), *papers, ("ticket", order), ("notices", order, "")]


def _judged(state: OrderState | None, event: Order, digest: str, view: View) -> Judged:
    pins = state.evaluation.campaigns if state is not None else None
    live = view.book.live(event.placed_at, event.market, event.currency, pins, event.order_class)
    evaluation = evaluate(event, live)
    claims: list[Claim] = []
    holding: set[str] = set()
    if state is not None:
        holding = {offer for offer, w in state.wishes.items() if w.held or (w.answer and w.answer.owed)}
    choice = choose(event, evaluation, live, holding)
    claims = choice.claims
    if state is not None:
        claims = claims + withdrawn(state, event, {c.offer for c in claims})
    if evaluation.campaigns == {} and state is not None:
        # A cancelled order keeps the pins of its first entry, should it come back to life.
        evaluation = Evaluation(state.evaluation.campaigns, [])
        choice = replaced(choice, evaluation=evaluation)
    return Judged(
        id=f"{event.order}:{event.revision}:judged",
        order=event,
        digest=digest,
        evaluation=choice.evaluation,
        claims=claims,
        standby=choice.standby,
        benefits=choice.benefits,
        gifts=choice.gifts,
        blocked=choice.blocked,
        withheld=choice.withheld,
        at=view.now,
    )


def decision(store: Store, answer: Decision, view: View) -> Verdict:
    """Record the ledger's answer; a stock decline moves on to the next of the group where the offer says so."""
    state = store.get(ORDERS, answer.order)
    wish = state.wishes.get(answer.offer) if state is not None else None
    if state is None or wish is None:
        return _refused("rejected", "unknown_claim", f"Order {answer.order} has no claim on {answer.offer}")
    if wish.answer is not None:
        known = (wish.answer.number, wish.answer.edition)
        if known == (answer.number, answer.edition):
            return Verdict("repeat", subjects=_said_again(state, wish.claim))
        if known > (answer.number, answer.edition):
            return _superseded(answer, view)
    if answer.number < wish.claim.number:
        return _superseded(answer, view)
    if answer.number > wish.claim.number:
        return _refused("rejected", "unknown_claim", f"Order {answer.order} made no claim {answer.id}")
    return Verdict("applied", [Answered(f"{answer.id}:answered", answer.order, answer, _next(state, answer), view.now)])


def _said_again(state: OrderState, claim: Claim) -> list[Subject]:
    """On a repeated decision: the ticket and the notices, and the claims if the next of its group may be unsaid yet."""
    order = claim.order
    later = [w for w in state.wishes.values() if w.claim.group == claim.group and w.claim.number > claim.number]
    moved_on = claim.group is not None and any(not wish.answered for wish in later)
    claims: list[Subject] = [("claims", order)] if moved_on else []
    shipping: list[Subject] = [("notices", order, "shipping")] if claim.benefit else []
    return [*claims, ("ticket", order), ("notices", order, claim.offer), *shipping]


def _superseded(answer: Decision, view: View) -> Verdict:
    return Verdict("superseded", [Superseded(f"{answer.id}:superseded", answer.order, answer.id, "", view.now)])


def _next(state: OrderState, answer: Decision) -> list[Claim]:
    claim = state.wishes[answer.offer].claim
    moves_on = (
        answer.reason is Reason.NO_STOCK
        and answer.outcome == "declined"
        and claim.group is not None
        and claim.when_out == "next"
    )
    if not moves_on:
        return []
    step = state.step + 1
    for candidate in state.standby:
        if candidate.group == claim.group and candidate.offer not in _tried(state, claim.group):
            return [
                replaced(
                    candidate,
                    id=f"{candidate.order}/{candidate.offer}/{candidate.revision}.{step}",
                    step=step,
                )
            ]
    return []


def _tried(state: OrderState, group: str | None) -> set[str]:
    """Members of the group that were claimed at the current revision."""
    return {
        offer
        for offer, wish in state.wishes.items()
        if wish.claim.group == group and wish.claim.revision == state.order.revision and wish.claim.units
    }


def fact(store: Store, event: Fulfilment, digest: str, view: View) -> Verdict:
    """Take in what the warehouse did with a ticket: its gift units go to the ledger as commands."""
    state = store.get(ORDERS, event.order)
    if state is None:
        return _refused("rejected", "unknown_order", f"No order {event.order} was seen before its fulfilment event")
    seen = state.facts.get(event.event)
    if seen is not None:
        if seen.digest == digest:
            paper: Subject = ("paper", event.order, event.ticket)
            subjects: list[Subject] = [("commands", event.order, event.event), paper, ("ticket", event.order)]
            return Verdict("repeat", subjects=[*subjects, ("notices", event.order, event.event)])
        return _refused("conflict", "other_content", f"Event {event.event} came before with other content")
    if len(state.facts) >= MAX_FACTS:
        return _refused("rejected", "too_many_facts", f"Order {event.order} has {MAX_FACTS} fulfilment events")
    site = _site_of(state, event.ticket)
    if site is None:
        return _refused("rejected", "unknown_ticket", f"Order {event.order} has no ticket {event.ticket}")
    frozen = next((f for f in state.frozen if f.ticket == event.ticket), None)
    if event.happened == "released" and frozen is not None:
        gifts: dict[str, int] = {}
        over: dict[str, int] = {}
    else:
        gifts, over = _gift_units(state, event, frozen, view)
    return Verdict("applied", [_reported(state, event, digest, site, gifts, over, view)])


def _site_of(state: OrderState, ticket: str) -> str | None:
    for frozen in state.frozen:
        if frozen.ticket == ticket:
            return frozen.site
    # Only one that was opened: with the first released and nothing left, the next number was never said.
    return next((site for site, number in state.opened.items() if ticket_id(state, site, number) == ticket), None)


def _gift_units(
    state: OrderState, event: Fulfilment, frozen: Frozen | None, view: View
) -> tuple[dict[str, int], dict[str, int]]:
    """Gift units by offer that the event concerns, and those beyond what the ticket carries."""
    if frozen is not None:
        on_paper = {offer: units - frozen.done.get(offer, 0) for offer, units in frozen.gifts.items()}
    else:
        on_paper = paper_of(state, event.ticket, event.edition).gifts
    if not event.lines:
        return {offer: units for offer, units in on_paper.items() if units > 0}, {}
    named: dict[str, int] = {}
    for line in event.lines:
        if line.offer is not None:
            named[line.offer] = named.get(line.offer, 0) + line.units
    over = {offer: units - max(0, on_paper.get(offer, 0)) for offer, units in named.items()}
    # The ledger hears of offers that exist; a name that nobody published is told to people alone.
    heard = {offer: units for offer, units in named.items() if offer in state.wishes or view.book.offer(offer)}
    return heard, {offer: units for offer, units in over.items() if units > 0}


def _reported(
    state: OrderState,
    event: Fulfilment,
    digest: str,
    site: str,
    gifts: dict[str, int],
    over: dict[str, int],
    view: View,
) -> Reported:
    paper = paper_of(state, event.ticket, event.edition)
    lines, carried = paper.lines, paper.gifts
    if event.lines:
        lines = {str(line.line): line.units for line in event.lines if line.line is not None}
        carried = {offer: min(units, gifts.get(offer, 0)) for offer, units in carried.items() if gifts.get(offer)}
    if all(f.ticket != event.ticket for f in state.frozen):
        over = over | _not_held(state, carried)
    commands = []
    for offer, units in sorted(gifts.items()):
        gift = _gift_of(state.wishes.get(offer), offer, event)
        if units > 0 and gift is not None:
            commands.append(
                HandledGift(
                    id=f"{event.order}/{event.event}/{offer}",
                    order=event.order,
                    offer=offer,
                    gift=gift,
                    site=site,
                    units=units,
                    happened=_TO_LEDGER[event.happened],
                    at=event.at,
                )
            )
    entry_id = f"{event.order}:{event.event}:reported"
    return Reported(entry_id, event.order, event, digest, site, lines, commands, over, carried, view.now)


def _not_held(state: OrderState, carried: dict[str, int]) -> dict[str, int]:
    """Gift units on a paper that the order no longer holds: it was amended after the paper was printed."""
    held = {o: max(0, outstanding(state, o, state.wishes[o])) if o in state.wishes else 0 for o in carried}
    return {offer: units - held[offer] for offer, units in carried.items() if units > held[offer]}


def _gift_of(wish: Wish | None, offer: str, event: Fulfilment) -> str | None:
    """The gift that the warehouse handled: what is held, else what the event names, else what was first asked for."""
    if wish is not None and wish.answer is not None and wish.answer.gift is not None:
        return wish.answer.gift
    named = [line.gift for line in event.lines if line.offer == offer and line.gift is not None]
    asked = [option.gift for option in wish.claim.options] if wish is not None else []
    return next(iter(named + asked), None)


def tick(store: Store, event: Tick) -> Verdict:
    """Orders whose gifts the ledger has not answered in time."""
    entries: list[Overdue] = []
    for key in store.due(ORDERS, event.at, MAX_DUE):
        state = store.get(ORDERS, key)
        due = state.due_at() if state is not None else None
        if state is not None and due is not None and due <= event.at:
            count = state.overdue + 1
            entry_id = f"{key}:{state.order.revision}:overdue:{count}"
            entries.append(Overdue(entry_id, key, state.order.revision, event.at, count))
    return Verdict("applied", list(entries))


def _refused(result: Result, code: str, text: str) -> Verdict:
    return Verdict(result, problem=Problem(code, text))
