"""Which of the offers that an order meets it claims: groups and rank, options and sites, benefits given outright."""

from collections.abc import Collection, Iterable
from dataclasses import field

from makeweight.domain.book import Live
from makeweight.domain.campaigns import Gift, Offer
from makeweight.domain.claims import Claim, Option
from makeweight.domain.orders import DEFAULT_SITE, Order
from makeweight.domain.qualify import Evaluation, Judgement
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced, value


@value
class Choice:
    """What an order asks for: claims, the standby of each group in its order, benefits, and what is blocked.

    ``blocked`` holds the unanswered caution of each offer that has no gift free of it.
    """

    evaluation: Evaluation
    claims: list[Claim] = field(default_factory=list)
    standby: list[Claim] = field(default_factory=list)
    benefits: dict[str, str] = field(default_factory=dict)
    gifts: dict[str, Gift] = field(default_factory=dict)
    blocked: dict[str, str] = field(default_factory=dict)


def choose(order: Order, evaluation: Evaluation, live: Live, holding: Collection[str]) -> Choice:
    """Choose among the offers that an order meets. ``holding`` are the offers of which it holds units already.

    In a group a member that holds units and still qualifies keeps its place; else the best-ranked is claimed.
    """
    if not any(j.qualifies for j in evaluation.judgements):
        return Choice(evaluation)
    claims: list[Claim] = []
    standby: list[Claim] = []
    benefits: dict[str, str] = {}
    gifts: dict[str, Gift] = {}
    blocked: dict[str, str] = {}
    outranked: dict[str, str] = {}
    for members in _by_group(evaluation.judgements, live, holding):
        winner: Offer | None = None
        for judged in members:
            offer = live.offers[judged.offer]
            if winner is not None:
                outranked[offer.key] = winner.key
                if winner.when_out != "next" or winner.kind == "benefit":
                    continue
            options, caution = _options(order, offer, judged)
            if caution:
                blocked[offer.key] = caution
                continue
            if offer.kind == "benefit" and not offer.capped and winner is None:
                benefits[offer.key] = offer.benefit or ""
                winner = offer
                continue
            gifts |= {o.gift: offer.gifts[o.gift] for o in options}
            (claims if winner is None else standby).append(_claim(order, offer, judged, options))
            winner = winner or offer
    return Choice(_settled(evaluation, outranked, blocked), claims, standby, benefits, gifts, blocked)


def _by_group(judgements: Iterable[Judgement], live: Live, holding: Collection[str]) -> list[list[Judgement]]:
    """Judgements that qualify, each group in its order of precedence, an ungrouped offer alone; by offer key."""
    groups: dict[str, list[Judgement]] = {}
    for judged in judgements:
        if judged.qualifies:
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


def _options(order: Order, offer: Offer, judged: Judgement) -> tuple[list[Option], str | None]:
    """Gifts that may be sent, each with the sites that ship the order; and the caution that left none."""
    if offer.gift is None:
        return [], None
    names = (offer.gift, *offer.otherwise) if offer.when_out == "substitute" else (offer.gift,)
    caution: str | None = None
    options = []
    sites = _sites(order, judged)
    for name in names:
        unanswered = offer.gifts[name].cautions.unanswered()
        if unanswered is None:
            options.append(Option(name, sites, name != offer.gift))
        else:
            caution = caution or unanswered
    return options, None if options else caution


def _sites(order: Order, judged: Judgement) -> list[str]:
    """Sites that ship the order: those of the lines that earned the gift first, in line order."""
    first: dict[str, None] = {}
    rest: dict[str, None] = {}
    earned = set(judged.lines)
    for line in order.lines:
        if line.units > line.cancelled_units or not line.units:
            if line.number in earned:
                first[line.site] = None
            elif line.kind == "goods":
                rest[line.site] = None
    return list(first | rest) or [DEFAULT_SITE]


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
    )
