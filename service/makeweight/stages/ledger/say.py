"""What the ledger says: the decision on a claim, and the level of an offer."""

from makeweight.domain.claims import Decision
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, NoticeKind, OfferLevel
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, SEPARATOR, ClaimState, OfferState, key
from makeweight.stages.port import Output, Store, Subject


def say(store: Store, subject: Subject) -> list[Output]:
    """``(claim, offer, order)``: the decision; ``(level, offer)``: the offer's level and its notices.

    ``(void, offer, claim)`` says nothing: hosts count it.
    """
    if subject[0] == "void":
        return []
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
    )
    return Output("decisions", decision.id, claim.order, decision)


def level_of(offer: OfferState, balances: list[Balance]) -> OfferLevel:
    """The offer's totals, beside the balance of every gift and site it has stock of."""
    return OfferLevel(
        offer.offer,
        offer.sequence,
        offer.live_units,
        offer.owed_units,
        offer.total_cap,
        offer.exhausted_at,
        balances,
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
