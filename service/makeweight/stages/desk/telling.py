"""What the desk tells people of an order: one sentence for every outcome, and the notices that are open."""

from makeweight.domain.claims import Decision
from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.qualify import Judgement, PriceCheck
from makeweight.domain.reasons import Reason, amount, sentence
from makeweight.domain.tickets import Notice, NoticeKind, Told
from makeweight.domain.values import replaced
from makeweight.stages.desk.state import OrderState, Wish

LATE_SECONDS = 60  # an order that arrives later than this after it was placed is told as late where it lost a gift


def told(state: OrderState) -> list[Told]:
    """One sentence for each offer that the order met or nearly met, by offer."""
    if not state.evaluation.judgements and not state.wishes:
        return []
    said = {judged.offer: _told_judgement(state, judged) for judged in state.evaluation.judgements}
    for offer, benefit in state.benefits.items():
        said[offer] = Told(offer, "granted", f"Given: {benefit.replace('_', ' ')}.")
    for offer, wish in state.wishes.items():
        said[offer] = _told_wish(state, offer, wish)
    return [said[offer] for offer in sorted(said)]


def _told_judgement(state: OrderState, judged: Judgement) -> Told:
    reason = judged.reason or Reason.OUTRANKED
    outcome = "near_miss" if judged.near_miss else "declined"
    return Told(judged.offer, outcome, explain_judgement(state, judged, reason), reason)


def explain_judgement(state: OrderState, judged: Judgement, reason: Reason) -> str:
    """The sentence of an offer that was not claimed."""
    currency = state.order.currency
    facts = {
        "value": amount(judged.worth // judged.per, currency),
        "threshold": amount(judged.threshold, currency),
        "gap": amount(judged.gap, currency),
        "word": "at least",
        "order_class": state.order.order_class,
        "group": judged.offer,
        "winner": judged.winner,
        "caution": state.blocked.get(judged.offer, ""),
        "gift": judged.offer,
        "cap": judged.wanted,
    }
    if reason is Reason.OUTRANKED:
        return f"Only one offer of its group is given, and {judged.winner} comes first."
    if reason is Reason.CAUTION:
        return f"The caution '{facts['caution']}' of its gift is not answered with 'none', so it is not sent."
    return sentence(reason, facts)


def _told_wish(state: OrderState, offer: str, wish: Wish) -> Told:
    answer = wish.answer
    if answer is None:
        if wish.claim.units == 0:
            return Told(offer, "declined", sentence(Reason.NOT_WANTED, {}), Reason.NOT_WANTED)
        return Told(offer, "waiting", "The ledger has not answered yet.")
    return Told(offer, answer.outcome, explain_decision(wish, state.order.currency), answer.reason)


def explain_decision(wish: Wish, currency: str) -> str:
    """The sentence of a decision of the ledger, with the figures that decided."""
    answer = wish.answer
    if answer is None:
        return "The ledger has not answered yet."
    parts = []
    what = answer.gift or wish.claim.benefit or "gift"
    if answer.units:
        measure = amount(wish.claim.worth, currency) if wish.claim.threshold > 1 else ""
        earned = f", earned by {measure}" if measure else ""
        instead = " instead of the announced gift" if answer.substitute else ""
        parts.append(f"Given: {answer.units} x {what}{instead}{earned}.")
    if answer.owed:
        parts.append(f"Owed: {answer.owed}, to follow when stock comes in.")
    if answer.reason is not None:
        parts.append(sentence(answer.reason, _figures(answer)))
    return " ".join(parts) or "Nothing is wanted."


def _figures(answer: Decision) -> dict[str, object]:
    return {**vars(answer.figures), "cap": answer.figures.wanted}


def notices(state: OrderState, at: Instant) -> dict[str, Notice]:
    """All notices of an order, by id: those that are open, and those once open with amount 0."""
    fresh = _near_misses(state, at) | _prices(state, at) | _blocked(state, at)
    if state.wishes:
        fresh |= _of_wishes(state, at)
    for frozen in state.facts:
        known = state.notices.get(f"{state.order.order}/over_gift/{frozen}")
        if known:
            fresh[known.id] = known
    for id_, old in state.notices.items():
        if id_ not in fresh:
            fresh[id_] = replaced(old, amount=0, revision=state.order.revision, at=at)
    return fresh


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
    return Notice(f"{order.order}/{kind}/{what}", kind, units, order.revision, text, at, order.order, offer, line)


def _near_misses(state: OrderState, at: Instant) -> dict[str, Notice]:
    found = {}
    for judged in state.evaluation.judgements:
        if judged.near_miss:
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
    if state.order.shipping_charged and "free_shipping" in state.benefits_given():
        due = state.order.shipping_charged
        text = f"The order ships free, and {amount(due, state.order.currency)} was charged for shipping."
        n = notice(state, "price_mismatch", "shipping", due, text, at)
        found[n.id] = n
    return found


def _price_sentence(check: PriceCheck, currency: str) -> str:
    charged, advertised = amount(check.charged, currency), amount(check.advertised, currency)
    side = "too much" if check.due > 0 else "too little"
    return (
        f"Line {check.line} ({check.sku}) was charged {charged} where {advertised} is advertised: "
        f"{amount(abs(check.due), currency)} {side}. A person decides what follows."
    )


def _blocked(state: OrderState, at: Instant) -> dict[str, Notice]:
    found = {}
    for offer, caution in state.blocked.items():
        text = f"The caution '{caution}' of its gift is not answered with 'none', so it is not sent."
        n = notice(state, "blocked_by_caution", offer, 1, text, at, offer=offer)
        found[n.id] = n
    return found


def _of_wishes(state: OrderState, at: Instant) -> dict[str, Notice]:
    found = {}
    late = seconds_between(state.order.placed_at, state.first_at)
    currency = state.order.currency
    for offer, wish in state.wishes.items():
        answer = wish.answer
        if answer is None or not wish.answered:
            continue
        if answer.owed:
            n = notice(state, "owed_gift", offer, answer.owed, explain_decision(wish, currency), at, offer=offer)
            found[n.id] = n
        if answer.reason in (Reason.NO_STOCK, Reason.CAMPAIGN_CAP) and not answer.units and late > LATE_SECONDS:
            text = f"Late arrival {late:.0f} s: {explain_decision(wish, state.order.currency)}"
            n = notice(state, "late_arrival", offer, wish.claim.units, text, at, offer=offer)
            found[n.id] = n
    return found
