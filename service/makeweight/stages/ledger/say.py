"""What the ledger says: the decision on a claim, and the level of an offer."""

from makeweight.domain.claims import Decision, Transfer, TransferIn
from makeweight.domain.moments import seconds_between
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, NoticeKind, OfferLevel
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, SEEN, SEPARATOR, ClaimState, OfferState, Seen, key
from makeweight.stages.port import Output, Store, Subject


def say(store: Store, subject: Subject) -> list[Output]:
    """``(claim, offer, order)``: the decision; ``(level, offer)``: the offer's level and its notices.

    ``(transfer, offer, id)``: the receiving half of a transfer; ``(void, offer, claim)`` says nothing: hosts count it.
    """
    if subject[0] == "void":
        return []
    if subject[0] == "transfer":
        return _receiving_half(store.get(SEEN, key(subject[1], subject[2])))
    if subject[0] == "claim":
        state = store.get(CLAIMS, key(subject[1], subject[2]))
        return [_decision(state)] if state else []
    offer = store.get(OFFERS, subject[1])
    if offer is None:
        return []
    kept = [store.get(BALANCES, key(offer.offer, *place.split(SEPARATOR))) for place in sorted(offer.stock)]
    balances = [balance for balance in kept if balance is not None]
    level = Output("offer-levels", offer.offer, offer.offer, level_of(offer, balances))
    return [level, *(_notice(offer, kind) for kind in ("running_low", "exhausted") if kind in offer.said)]


def _receiving_half(seen: Seen | None) -> list[Output]:
    """What the other offer or site hears of a transfer; nothing if nothing could be sent."""
    if seen is None or not seen.units or not isinstance(seen.command, Transfer):
        return []
    sent = seen.command
    half = TransferIn(
        id=f"{sent.offer}:{sent.id}:in",
        offer=sent.to_offer,
        gift=sent.gift,
        site=sent.to_site,
        units=seen.units,
        transfer=sent.id,
        from_offer=sent.offer,
        from_site=sent.site,
        at=sent.at,
    )
    return [Output("ledger-commands", half.id, half.offer, half)]


def _decision(state: ClaimState) -> Output:
    claim = state.claim
    decision = Decision(
        id=f"{claim.id}/{state.edition}",
        order=claim.order,
        offer=claim.offer,
        revision=claim.revision,
        step=claim.step,
        edition=state.edition,
        outcome=state.outcome,
        units=state.held,
        figures=state.figures,
        at=state.at,
        gift=state.gift,
        site=state.site,
        owed=state.owed,
        substitute=state.substitute,
        reason=state.reason,
        left=state.left,
    )
    return Output("decisions", decision.id, claim.order, decision)


def level_of(offer: OfferState, balances: list[Balance]) -> OfferLevel:
    """The offer's totals, beside the balance of every gift and site it has stock of.

    An announcement that was gone before the offer ran out was shown for no time after it.
    """
    after = None
    if offer.exhausted_at is not None and offer.taken_down_at is not None:
        after = max(0, round(seconds_between(offer.exhausted_at, offer.taken_down_at)))
    return OfferLevel(
        offer.offer,
        offer.sequence,
        offer.live_units,
        offer.owed_units,
        offer.total_cap,
        offer.exhausted_at,
        balances,
        offer.taken_down_at,
        after,
        offer.owed_after,
    )


def _notice(offer: OfferState, kind: NoticeKind) -> Output:
    left = offer.free_units if offer.needs_stock else max(0, (offer.total_cap or 0) - offer.live_units)
    if kind == "running_low":
        amount, text = (left if offer.low else 0), f"{left} units of {offer.offer} are left to give."
    else:
        amount = int(offer.exhausted_at is not None)
        text = f"{offer.offer} has nothing left to give." if amount else f"{offer.offer} can be given again."
    notice = Notice(
        id=f"{offer.offer}/{kind}",
        kind=kind,
        amount=amount,
        revision=offer.sequence,
        sentence=text,
        at=offer.levelled_at,
        offer=offer.offer,
    )
    return Output("notices", notice.id, offer.offer, notice)
