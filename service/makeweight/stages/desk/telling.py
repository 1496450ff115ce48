"""What the desk tells people of an order: one sentence for every outcome, and the notices that are open."""

from collections.abc import Iterator
from datetime import timedelta

from makeweight.domain.claims import Decision
from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Judgement, PriceCheck
from makeweight.domain.reasons import Reason, amount, clock, flipped, known_by, last_taken, measured, sentence
from makeweight.domain.tickets import Notice, NoticeKind, Told
from makeweight.domain.values import replaced
from makeweight.stages.desk import floor
from makeweight.stages.desk.state import PUT_BACK_WITHIN, OrderState, Wish

# Of one customer of one offer, from which on a person should look (common practice): refusals by its cap, orders just
# over its threshold within an hour, and orders that lost their goods and kept the gift.
REPEATED_REFUSALS = 3
SPLIT_ORDERS = 3
UNEARNED_ORDERS = 3
SIGNALS = ("repeated_refusal", "order_splitting", "unearned_gifts")
CLAWBACK_LAW = "This is advice: consumer law decides, and a person who knows it; rights of withdrawal may forbid it."
LATE_SECONDS = 60  # an order that arrives later than this after it was placed is told as late where it lost a gift


def told(state: OrderState) -> list[Told]:
    """One sentence for each offer that the order met or nearly met, by offer."""
    if not state.evaluation.judgements and not state.wishes:
        return []
    asked = {offer for offer, wish in state.wishes.items() if wish.claim.units or wish.held}
    said = {
        judged.offer: _told_judgement(state, judged)
        for judged in state.evaluation.judgements
        if judged.offer not in asked and judged.offer not in state.benefits
    }
    for offer, benefit in state.benefits.items():
        said[offer] = Told(offer, "granted", f"Given: {benefit.replace('_', ' ')}.")
    capped = {j.offer: j.wanted for j in state.evaluation.judgements if j.reason is Reason.ORDER_CAP}
    for offer, wish in state.wishes.items():
        if offer in said and not wish.claim.units and not wish.held:
            continue  # wanted once and no longer: what the order now lacks tells more
        said[offer] = _told_wish(state, offer, wish)
        if offer in state.withheld and wish.claim.units:
            said[offer] = replaced(said[offer], sentence=f"{said[offer].sentence} Withheld: {state.withheld[offer]}.")
        if offer in capped:
            limit = sentence(Reason.ORDER_CAP, {"cap": capped[offer]})
            said[offer] = replaced(said[offer], sentence=f"{said[offer].sentence} {limit}")
    return [said[offer] for offer in sorted(said)]


def _told_judgement(state: OrderState, judged: Judgement) -> Told:
    reason = judged.reason or Reason.OUTRANKED
    outcome = "near_miss" if judged.near_miss else "declined"
    return Told(judged.offer, outcome, explain_judgement(state, judged, reason), reason)


def explain_judgement(state: OrderState, judged: Judgement, reason: Reason) -> str:
    """The sentence of an offer that was not claimed, with the nearest change that would have flipped it."""
    if reason is Reason.OUTRANKED:
        return _outranked(state, judged)
    if reason is Reason.CAUTION:
        return _withheld(state.blocked.get(judged.offer, ""), judged)
    told = flipped(explain_shortfall(judged, reason, state.order.currency), judged.nearest)
    return f"{told} With more it would be withheld all the same: {judged.held_back}." if judged.held_back else told


def _outranked(state: OrderState, judged: Judgement) -> str:
    """Nothing that the customer could have done would have earned this one beside, or before, the better one.

    Where that was asked for and not given, the rule alone would read as if the order had it.
    """
    why = sentence(Reason.OUTRANKED, {"winner": judged.winner})
    wish = state.wishes.get(judged.winner or "")
    declined = wish is not None and wish.answer is not None and wish.answered and wish.answer.outcome == "declined"
    return f"{why.removesuffix('.')}, though the order has not got that either." if declined else why


def _withheld(caution: str, judged: Judgement | None) -> str:
    how = judged.nearest if judged else ""
    return flipped(sentence(Reason.CAUTION, {"caution": caution}), how, "could have been sent")


def explain_shortfall(judged: Judgement, reason: Reason, currency: str) -> str:
    """The sentence of an offer that was not claimed for what the order is: what counted, what is asked, what lacks."""
    return sentence(
        reason,
        {
            "value": measured(judged.worth // judged.per, judged.by, currency),
            "threshold": measured(judged.threshold, judged.by, currency),
            "gap": measured(judged.gap, judged.by, currency),
            "word": "over" if judged.strict else "at least",
            "cap": judged.wanted,
            "winner": judged.winner,
            "pay_by": clock(judged.pay_by) if judged.pay_by else "",
        },
    )


def _told_wish(state: OrderState, offer: str, wish: Wish) -> Told:
    answer = wish.answer
    if answer is None:
        if wish.claim.units == 0:
            return Told(offer, "declined", sentence(Reason.NOT_WANTED, {}), Reason.NOT_WANTED)
        return Told(offer, "waiting", "The ledger has not answered yet.")
    return Told(offer, answer.outcome, explain_decision(wish, state.order), answer.reason)


def explain_decision(wish: Wish, order: Order) -> str:
    """The sentence of a decision of the ledger on an order, with the figures that decided."""
    answer = wish.answer
    if answer is None:
        return "The ledger has not answered yet."
    parts = []
    what = answer.gift or wish.claim.benefit or "gift"
    if answer.units:
        claim = wish.claim
        earned = "" if claim.by == "any" else f", earned by {measured(claim.worth, claim.by, order.currency)}"
        chosen = claim.options[0].gift if wish.answered and claim.options else answer.gift
        instead = " instead of the chosen gift" if answer.gift != chosen else ""
        instead = " instead of the announced gift" if answer.substitute else instead
        parts.append(f"Given: {answer.units} x {what}{instead}{earned}.")
    if answer.owed:
        parts.append(f"Owed: {answer.owed}, to follow when stock comes in.")
    if answer.reason is not None:
        parts.append(sentence(answer.reason, _figures(answer, order)))
    return " ".join(parts) or "Nothing is wanted."


def _figures(answer: Decision, order: Order) -> dict[str, object]:
    figures = answer.figures
    told = {"cap": figures.wanted, "last": last_taken(figures, answer.order), "known": known_by(order.customer_by)}
    return {**vars(figures), **told}


def notices(
    state: OrderState, at: Instant, answered: str | None = None, *, as_ordered: bool = False
) -> dict[str, Notice]:
    """All notices of an order, by id: those that are open, and those once open with amount 0.

    ``answered``: only the ledger's answer on this offer is new, so only its notices can have changed. ``as_ordered``:
    there is nothing to tell of the floor.
    """
    if answered is None:
        fresh = _near_misses(state, at) | _prices(state, at) | _blocked(state, at)
        if state.frozen and not as_ordered:
            fresh |= _of_floor(state, at)
        for offer, wish in state.wishes.items():
            fresh |= _of_wish(state, offer, wish, at)
        kept: dict[str, Notice] = {}
        known = list(state.notices.items())
    else:
        fresh = _of_wish(state, answered, state.wishes[answered], at)
        fresh |= _carriage(state, at)
        of_answer = [f"{kind}/{answered}" for kind in ("owed_gift", "late_arrival", *SIGNALS)]
        kinds = (*of_answer, "price_mismatch/shipping")
        of_offer = {f"{state.order.order}/{kind}" for kind in kinds}
        kept = {id_: old for id_, old in state.notices.items() if id_ not in of_offer}
        known = [(id_, old) for id_, old in state.notices.items() if id_ in of_offer]
    closed = {
        id_: replaced(old, amount=0, revision=state.order.revision, edition=state.edition, at=at)
        for id_, old in known
        if id_ not in fresh and id_ not in kept
    }
    return kept | closed | fresh


def notice(
    state: OrderState,
    kind: NoticeKind,
    what: str,
    units: int,
    text: str,
    at: Instant,
    *,
    offer: str | None = None,
    line: int | None = None,
) -> Notice:
    """A notice on this order; its id is (order, kind, line or offer)."""
    order = state.order
    return Notice(
        f"{order.order}/{kind}/{what}", kind, units, order.revision, text, at, order.order, offer, line, state.edition
    )


def _near_misses(state: OrderState, at: Instant) -> dict[str, Notice]:
    """What a customer could be asked to add; not where the gift could not go with the order (rule 2.37)."""
    found = {}
    for judged in state.evaluation.judgements:
        if judged.near_miss and not judged.held_back:
            text = explain_judgement(state, judged, Reason.BELOW_THRESHOLD)
            n = notice(state, "near_miss", judged.offer, judged.gap, text, at, offer=judged.offer)
            found[n.id] = n
    return found


def _prices(state: OrderState, at: Instant) -> dict[str, Notice]:
    found = {}
    for check in state.evaluation.prices:
        if check.due:
            text = _price_sentence(check, state.order.currency)
            n = notice(
                state,
                "price_mismatch",
                f"{check.offer}/{check.line}",
                check.due,
                text,
                at,
                offer=check.offer,
                line=check.line,
            )
            found[n.id] = n
    return found | _carriage(state, at)


def _carriage(state: OrderState, at: Instant) -> dict[str, Notice]:
    due = state.order.shipping_charged
    if not due or "free_shipping" not in state.benefits_given():
        return {}
    text = f"The order ships free, and {amount(due, state.order.currency)} was charged for shipping."
    n = notice(state, "price_mismatch", "shipping", due, text, at)
    return {n.id: n}


def _price_sentence(check: PriceCheck, currency: str) -> str:
    charged, advertised = amount(check.charged, currency), amount(check.advertised, currency)
    side = "too much" if check.due > 0 else "too little"
    return (
        f"Line {check.line} ({check.sku}) was charged {charged} where {advertised} is advertised: "
        f"{amount(abs(check.due), currency)} {side}. A person decides what follows."
    )


def _blocked(state: OrderState, at: Instant) -> dict[str, Notice]:
    found = {}
    judged = {j.offer: j for j in state.evaluation.judgements} if state.blocked else {}
    for offer, caution in state.blocked.items():
        text = _withheld(caution, judged.get(offer))
        n = notice(state, "blocked_by_caution", offer, 1, text, at, offer=offer)
        found[n.id] = n
    return found


def _of_wish(state: OrderState, offer: str, wish: Wish, at: Instant) -> dict[str, Notice]:
    answer = wish.answer
    if answer is None or not wish.answered:
        return {}
    found = {}
    if answer.owed:
        n = notice(state, "owed_gift", offer, answer.owed, explain_decision(wish, state.order), at, offer=offer)
        found[n.id] = n
    if answer.reason in (Reason.NO_STOCK, Reason.CAMPAIGN_CAP) and not answer.units:
        late = seconds_between(state.order.placed_at, state.first_at)
        if late > LATE_SECONDS:
            text = f"Late arrival {late:.0f} s: {explain_decision(wish, state.order)}"
            n = notice(state, "late_arrival", offer, wish.claim.units, text, at, offer=offer)
            found[n.id] = n
    for kind, number, text in _signals(answer):
        n = notice(state, kind, offer, number, text, at, offer=offer)
        found[n.id] = n
    return found


def _signals(answer: Decision) -> Iterator[tuple[NoticeKind, int, str]]:
    """Patterns of one customer that a person should look at. Nothing is decided by them, and no address is one."""
    figures = answer.figures
    refused, unearned = figures.customer_refused, figures.customer_unearned
    if answer.reason is Reason.CUSTOMER_CAP and refused >= REPEATED_REFUSALS:
        text = f"The same customer has been refused this offer {refused} times. A person looks at it; nothing follows "
        yield "repeated_refusal", refused, f"{text}from an address alone."
    orders = 1 + len(figures.split_with)
    if orders >= SPLIT_ORDERS:
        text = f"The same customer placed {orders} orders within an hour that are each just over what this offer asks: "
        text += f"this one, {', '.join(figures.split_with)}. "
        yield "order_splitting", orders, f"{text}A person looks at it; nothing is refused for it."
    if unearned >= UNEARNED_ORDERS:
        text = (
            f"{unearned} orders of the same customer were cancelled or sent back after this offer's gift was packed, "
        )
        yield "unearned_gifts", unearned, f"{text}and kept it. A person looks at it; nothing is refused for it."


def told_of_floor(state: OrderState) -> bool:
    """Whether a notice of the floor is open."""
    return any(known.amount and known.kind in _OF_FLOOR for known in state.notices.values())


_OF_FLOOR = frozenset({"intercept", "put_back_overdue", "over_gift", "clawback_advice"})


def _of_floor(state: OrderState, at: Instant) -> dict[str, Notice]:
    """What the warehouse should stop, has not said to have stopped, or has sent although it was not earned."""
    told = []
    for frozen in state.frozen:
        units = sum(line.units for line in frozen.paper.take_off)
        if units:
            text = f"Ticket {frozen.ticket} is on the floor with {units} units that the order no longer wants: stop it."
            told.append(notice(state, "intercept", frozen.ticket, units, text, at))
        if units and frozen.alerted:
            hours = PUT_BACK_WITHIN // timedelta(hours=1)
            text = f"Neither packed nor put back for {hours} h: {units} units of ticket {frozen.ticket}. Count them."
            told.append(notice(state, "put_back_overdue", frozen.ticket, units, text, at))
    over: dict[tuple[str, str], int] = {}
    for frozen, event, _, units in floor.over_gifts(state):
        over[frozen.ticket, event] = over.get((frozen.ticket, event), 0) + units
    for (ticket, event), units in over.items():
        if units:
            text = f"Ticket {ticket} goes out with gift units that the order does not hold. A person decides."
            told.append(notice(state, "over_gift", event, units, text, at))
    for offer, units in floor.kept_beyond(state).items():
        text = f"{units} gift units went out that the order no longer earned: kept below the threshold."
        told.append(notice(state, "over_gift", f"kept/{offer}", units, text, at, offer=offer))
    told += _clawbacks(state, at)
    return {one.id: one for one in told}


def _clawbacks(state: OrderState, at: Instant) -> Iterator[Notice]:
    """Advice on gifts that the goods kept no longer earn, by the offer's policy.

    What may be deducted for all offers together is never more than the refund. A gift that was never packed, or has
    come back, is nothing to claim back; where the refund waits for it, it must be saleable (rules of the trade, 2.18).
    """
    deducted = 0
    for judged in sorted(state.evaluation.judgements, key=lambda j: j.offer):
        kept = judged.kept
        if kept is None or kept.policy == "none" or not kept.refund:
            continue
        out = floor.with_customer(state, judged.offer)
        units = out - kept.units
        if kept.policy == "gift_back":
            units += floor.spoilt(state, judged.offer)
        if units <= 0:
            continue
        gift = state.gifts.get(floor.gift_out(state, judged.offer))
        if gift is None:
            continue
        refund = amount(kept.refund, state.order.currency)
        if kept.policy == "deduct":
            due = min(units * gift.stated_value, kept.refund - deducted)
            deducted += due
            if not due:
                continue
            text = f"The goods kept no longer earn {units} x {gift.gift}: its stated value, "
            text += f"{amount(due, state.order.currency)}, may be taken off the refund of {refund}."
        else:
            due = kept.refund
            text = f"The goods kept no longer earn {units} x {gift.gift}: the refund of {refund} waits for it."
        yield notice(state, "clawback_advice", judged.offer, due, f"{text} {CLAWBACK_LAW}", at, offer=judged.offer)
