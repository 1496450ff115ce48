"""Which of the offers that an order meets it claims: groups and rank, options and sites, benefits given outright."""

from collections.abc import Collection, Iterable
from dataclasses import field

from makeweight.domain.book import Live
from makeweight.domain.campaigns import Gift, Offer
from makeweight.domain.claims import Claim, Option
from makeweight.domain.options import options_of
from makeweight.domain.orders import Order
from makeweight.domain.qualify import INELIGIBLE, Evaluation, Judgement
from makeweight.domain.reasons import Reason
from makeweight.domain.spending import spent
from makeweight.domain.values import replaced, value

NOT_CLAIMED = INELIGIBLE | {Reason.VALUE_USED}


@value
class Choice:
    """What an order asks for: claims, the standby of each group in its order, benefits, and what is blocked.

    ``blocked`` says of each offer that has no gift left why its first one is withheld, ``withheld`` of each that gives
    another gift instead which are withheld, and why.
    """

    evaluation: Evaluation
    claims: list[Claim] = field(default_factory=list)
    standby: list[Claim] = field(default_factory=list)
    benefits: dict[str, str] = field(default_factory=dict)
    gifts: dict[str, Gift] = field(default_factory=dict)
    blocked: dict[str, str] = field(default_factory=dict)
    withheld: dict[str, str] = field(default_factory=dict)


def choose(order: Order, evaluation: Evaluation, live: Live, holding: Collection[str]) -> Choice:
    """Choose among the offers that an order meets. ``holding`` are the offers of which it holds units already.

    In a group a member that holds units and still qualifies keeps its place; else the best-ranked is claimed.
    """
    if not any(j.qualifies for j in evaluation.judgements):
        return Choice(evaluation)
    if live.used_once:
        evaluation = spent(order, evaluation, live, lambda offer, judged: _may_have(order, offer, judged, live))
    claims: list[Claim] = []
    standby: list[Claim] = []
    benefits: dict[str, str] = {}
    gifts: dict[str, Gift] = {}
    blocked: dict[str, str] = {}
    withheld: dict[str, str] = {}
    outranked: dict[str, str] = {}
    for members in _by_group(evaluation.judgements, live, holding):
        winner: Offer | None = None
        for judged in members:
            offer = live.offers[judged.offer]
            if winner is not None:
                outranked[offer.key] = winner.key
                if winner.when_out != "next" or winner.kind == "benefit":
                    continue
            options: list[Option] = []
            if offer.gift is not None:
                options, kept_back = options_of(order, offer, live.plan(offer), judged.lines)
                if not options:
                    if winner is None:  # else it is outranked first of all
                        blocked[offer.key] = next(iter(kept_back.values()))
                    continue
                if kept_back:
                    withheld[offer.key] = ", ".join(f"{gift} ({why})" for gift, why in kept_back.items())
            if offer.kind == "benefit" and not offer.capped and winner is None:
                benefits[offer.key] = offer.benefit or ""
                winner = offer
                continue
            gifts |= {o.gift: offer.gifts[o.gift] for o in options}
            (claims if winner is None else standby).append(_claim(order, offer, judged, options))
            winner = winner or offer
    return Choice(_settled(evaluation, outranked, blocked), claims, standby, benefits, gifts, blocked, withheld)


def _may_have(order: Order, offer: Offer, judged: Judgement, live: Live) -> bool:
    return offer.gift is None or bool(options_of(order, offer, live.plan(offer), judged.lines)[0])


def _by_group(judgements: Iterable[Judgement], live: Live, holding: Collection[str]) -> list[list[Judgement]]:
    """Judgements that may be claimed, each group in its order of precedence, an ungrouped offer alone; by offer key."""
    groups: dict[str, list[Judgement]] = {}
    for judged in judgements:
        if judged.qualifies and judged.reason not in NOT_CLAIMED:
            group = live.offers[judged.offer].group
            groups.setdefault(f"group {group}" if group else f"offer {judged.offer}", []).append(judged)
    for members in groups.values():
        if len(members) > 1:
            members.sort(key=lambda j: (j.offer not in holding, live.offers[j.offer].precedence()))
    return [groups[name] for name in sorted(groups)]


def _settled(evaluation: Evaluation, outranked: dict[str, str], blocked: dict[str, str]) -> Evaluation:
    if not outranked and not blocked:
        return evaluation
    judgements = [
        replaced(j, reason=Reason.CAUTION)
        if j.offer in blocked
        else replaced(j, reason=Reason.OUTRANKED, winner=outranked[j.offer])
        if j.offer in outranked and j.qualifies
        else j
        for j in evaluation.judgements
    ]
    return replaced(evaluation, judgements=judgements)


def _claim(order: Order, offer: Offer, judged: Judgement, options: list[Option]) -> Claim:
    return Claim(
        id=f"{order.order}/{offer.key}/{order.revision}.0",
        order=order.order,
        offer=offer.key,
        revision=order.revision,
        step=0,
        units=judged.wanted,
        campaign_revision=offer.revision,
        placed_at=order.placed_at,
        options=options,
        when_out=offer.when_out,
        customer_cap=offer.customer_cap,
        total_cap=offer.total_cap,
        customer=order.customer,
        group=offer.group,
        benefit=offer.benefit,
        worth=judged.worth // judged.per,
        threshold=judged.threshold,
        by=judged.by,
        for_each=offer.for_each,
        kept=judged.kept.units if judged.kept is not None else None,
    )
