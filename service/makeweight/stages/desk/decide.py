"""What the desk makes of orders, decisions and time: immutable entries, and nothing but."""

from collections.abc import Iterator
from typing import Any

from makeweight.domain.book import Live
from makeweight.domain.choose import Choice, choose
from makeweight.domain.claims import Claim, Decision, Redress, Tick
from makeweight.domain.entries import Answered, Judged, Lapsed, NotPutBack, Overdue, Redressed, Superseded
from makeweight.domain.moments import Instant
from makeweight.domain.nearest import with_nearest
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Evaluation, evaluate
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.stages.desk.state import MAX_REVISIONS, ORDERS, PUT_BACK_WITHIN, OrderState, withdrawn
from makeweight.stages.port import Problem, Result, Store, Subject, Verdict, View

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
            return refused(
                "conflict",
                "other_content",
                f"Order {event.order} revision {event.revision} came before with other "
                "content; the first counts. Send a change as a higher revision.",
            )
        if len(state.digests) >= MAX_REVISIONS:
            return refused("rejected", "too_many_revisions", f"Order {event.order} has {MAX_REVISIONS} revisions")
        if event.revision < state.order.revision:
            entry_id = f"{event.order}:{event.revision}:superseded"
            return Verdict("superseded", [Superseded(entry_id, event.order, str(event.revision), digest, view.now)])
    return Verdict("applied", [_judged(state, event, digest, view)])


def _all_of(state: OrderState) -> list[Subject]:
    """Everything that a repeated order event may have left unsaid: a host can die between its log and its outputs."""
    order = state.order.order
    papers: list[Subject] = [("paper", order, frozen.ticket) for frozen in state.frozen]
    return [("claims", order), *papers, ("ticket", order), ("notices", order, "")]


def _live(view: View, event: Order, state: OrderState | None) -> Live:
    """The offers that an order is judged by: those of the revisions of its first entry, if it has one."""
    pins = state.evaluation.campaigns if state is not None else None
    return view.book.live(event.placed_at, event.market, event.currency, pins, event.order_class)


def _judged(state: OrderState | None, event: Order, digest: str, view: View) -> Judged:
    live = _live(view, event, state)
    released_at = state.released_at if state is not None else None
    if state is None:
        choice = choose(event, evaluate(event, live), live, ())
    else:
        choice = choose(event, evaluate(event, live, released_at, state.lapsed), live, state.given)
    evaluation, claims = choice.evaluation, choice.claims
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
        evaluation=with_nearest(event, choice.evaluation, live, released_at),
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
        return refused("rejected", "unknown_claim", f"Order {answer.order} has no claim on {answer.offer}")
    if wish.answer is not None:
        known = (wish.answer.number, wish.answer.edition)
        if known == (answer.number, answer.edition):
            return Verdict("repeat", subjects=_said_again(state, wish.claim))
        if known > (answer.number, answer.edition):
            return _superseded(answer, view)
    if answer.number < wish.claim.number:
        return _superseded(answer, view)
    if answer.number > wish.claim.number:
        return refused("rejected", "unknown_claim", f"Order {answer.order} made no claim {answer.id}")
    return Verdict("applied", [Answered(f"{answer.id}:answered", answer.order, answer, _next(state, answer), view.now)])


def _said_again(state: OrderState, claim: Claim) -> list[Subject]:
    """On a repeated decision: the ticket and the notices, and the claims if the next of its group may be unsaid yet.

    Of an order that is on the floor the papers too: an answer may change what is to be taken off one.
    """
    order = claim.order
    later = [w for w in state.wishes.values() if w.claim.group == claim.group and w.claim.number > claim.number]
    moved_on = claim.group is not None and any(not wish.answered for wish in later)
    claims: list[Subject] = [("claims", order)] if moved_on else []
    shipping: list[Subject] = [("notices", order, "shipping")] if claim.benefit else []
    if state.frozen:
        papers: list[Subject] = [("paper", order, frozen.ticket) for frozen in state.frozen]
        return [*claims, *papers, ("ticket", order), ("notices", order, "")]
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


def tick(store: Store, event: Tick, view: View) -> Verdict:
    """What is due by now: the ledger has not answered, an order was not paid, something was not put back."""
    entries: list[Overdue | Lapsed | NotPutBack] = []
    for key in store.due(ORDERS, event.at, MAX_DUE):
        state = store.get(ORDERS, key)
        if state is not None:
            entries += _due(state, event.at, view)
    return Verdict("applied", list(entries))


def _due(state: OrderState, at: Instant, view: View) -> Iterator[Overdue | Lapsed | NotPutBack]:
    order, revision = state.order.order, state.order.revision
    due = state.answer_due_at()
    if due is not None and due <= at:
        count = state.overdue + 1
        yield Overdue(f"{order}:{revision}:overdue:{count}", order, revision, at, count, waits=state.waiting)
    unpaid = sorted(offer for offer, pay_by in state.unpaid.items() if pay_by <= at)
    if unpaid:
        yield _lapsed(state, unpaid, at, view)
    for frozen in state.frozen:
        if frozen.asked_at is not None and not frozen.alerted and frozen.asked_at + PUT_BACK_WITHIN <= at:
            entry_id = f"{frozen.ticket}:not_put_back:{frozen.asked_at.isoformat()}"
            yield NotPutBack(entry_id, order, frozen.ticket, frozen.asked_at, at)


def _lapsed(state: OrderState, offers: list[str], at: Instant, view: View) -> Lapsed:
    """The order as it is judged without some offers: their value is there for others, their group's turn too."""
    order, live = state.order, _live(view, state.order, state)
    choice = choose(order, evaluate(order, live, state.released_at, [*state.lapsed, *offers]), live, state.given)
    anew = _anew(state, choice, live)
    return Lapsed(id=f"{order.order}:{order.revision}:lapsed:{','.join(offers)}", offers=offers, at=at, **anew)


def _anew(state: OrderState, choice: Choice, live: Live) -> dict[str, Any]:
    """The members of an entry that judges an order's snapshot once more: a step further, and whole."""
    order, step = state.order, state.step + 1
    claims = [
        replaced(claim, id=f"{claim.order}/{claim.offer}/{claim.revision}.{step}", step=step) for claim in choice.claims
    ]
    return {
        "order": order.order,
        "revision": order.revision,
        "evaluation": with_nearest(order, choice.evaluation, live, state.released_at),
        "claims": claims + withdrawn(state, order, {claim.offer for claim in claims}, step),
        "standby": choice.standby,
        "benefits": choice.benefits,
        "gifts": choice.gifts,
        "blocked": choice.blocked,
        "withheld": choice.withheld,
    }


def redress(store: Store, event: Redress, view: View) -> Verdict:
    """Judge an order by a correction, if it loses nothing by it; one that it is judged by already is a repeat."""
    state = store.get(ORDERS, event.order)
    if state is None:
        return refused("rejected", "unknown_order", f"No order {event.order} is known")
    correction = view.book.get(event.campaign, event.revision)
    if correction is None or correction.effective_at > view.now:
        text = f"No revision {event.revision} of campaign {event.campaign} is in force"
        return refused("rejected", "unknown_campaign", text)
    pins = state.evaluation.campaigns
    if pins.get(event.campaign, 0) >= event.revision:
        return Verdict("repeat", subjects=_all_of(state))
    order = state.order
    live = view.book.live(
        order.placed_at, order.market, order.currency, {**pins, event.campaign: event.revision}, order.order_class
    )
    choice = choose(order, evaluate(order, live, state.released_at, state.lapsed), live, state.given)
    worse = _less(state, choice)
    if worse or event.campaign not in choice.evaluation.campaigns:
        why = f"would have less of {worse}" if worse else "is none that it is for"
        return refused("rejected", "no_redress", f"By revision {event.revision} order {event.order} {why}")
    anew = _anew(state, choice, live)
    redressed = Redressed(
        id=f"{event.order}:{event.campaign}/{event.revision}:redressed", redress=event, at=view.now, **anew
    )
    return Verdict("applied", [redressed])


def _less(state: OrderState, choice: Choice) -> str:
    """An offer of which the order would ask for less than it has or waits for; '' if there is none."""
    wanted = {claim.offer: claim.units for claim in choice.claims}
    standing = ((offer, wish) for offer, wish in state.wishes.items() if offer in state.given or not wish.answered)
    less = [offer for offer, wish in standing if wanted.get(offer, 0) < wish.claim.units]
    less += [offer for offer in state.benefits if offer not in choice.benefits and not wanted.get(offer)]
    return min(less, default="")


def refused(result: Result, code: str, text: str) -> Verdict:
    """An input that changes nothing, and why."""
    return Verdict(result, problem=Problem(code, text))
