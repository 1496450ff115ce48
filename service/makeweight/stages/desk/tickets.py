"""Assembling the pick tickets of an order: what is on frozen paper stays there, the rest is on one open ticket."""

from dataclasses import fields
from typing import NamedTuple

from makeweight.domain.orders import Line, Order
from makeweight.domain.tickets import GiftLine, PickTicket, TicketState
from makeweight.stages.desk.state import OrderState, Wish
from makeweight.stages.desk.telling import told

_DECLARED = frozenset(f.name for f in fields(Order))


class Content(NamedTuple):
    """What an open ticket would carry."""

    lines: list[Line]
    gifts: dict[str, int]


def ticket_id(state: OrderState, site: str) -> str:
    """The id of the site's open ticket: order, site and a number that grows with each ticket released."""
    return f"{state.order.order}/{site}/{_number(state, site)}"


def _number(state: OrderState, site: str) -> int:
    return 1 + sum([frozen.site == site for frozen in state.frozen]) if state.frozen else 1


def open_contents(state: OrderState) -> dict[str, Content]:
    """What is outstanding, by site: lines and gift units that are on no frozen ticket. Nothing if cancelled."""
    if state.order.status == "cancelled":
        return {}
    contents: dict[str, Content] = {}
    for line in state.order.lines:
        frozen = sum([f.lines.get(str(line.number), 0) for f in state.frozen])
        if line.live_units - frozen > 0 or (line.units == 0 and not state.frozen):
            content = contents.get(line.site)
            if content is None:
                content = contents[line.site] = Content([], {})
            content.lines.append(line)
    for offer, wish in state.wishes.items():
        units = outstanding(state, offer, wish)
        if units > 0 and wish.answer is not None and wish.answer.site is not None:
            contents.setdefault(wish.answer.site, Content([], {})).gifts[offer] = units
    return contents


def outstanding(state: OrderState, offer: str, wish: Wish) -> int:
    """Units held that are on no frozen ticket."""
    return wish.held - sum([frozen.gifts.get(offer, 0) for frozen in state.frozen])


def opened_after(state: OrderState) -> dict[str, int]:
    """The latest open ticket by site, with those that the state now has content for."""
    numbers = {site: _number(state, site) for site in open_contents(state)}
    if state.order.status == "cancelled" and not state.opened and not state.frozen:
        # Cancelled before it was ever seen: its tickets are void from the start.
        numbers = {line.site: 1 for line in state.order.lines}
    return state.opened | numbers


def tickets(state: OrderState) -> list[PickTicket]:
    """The current open ticket of every site; one whose content is gone is void."""
    contents = open_contents(state)
    said = []
    telling = told(state)
    for site, number in sorted(state.opened.items()):
        if number != _number(state, site):
            continue  # frozen since; the paper is with the warehouse
        content = contents.get(site)
        current: TicketState = "void" if content is None else _state(state)
        said.append(
            PickTicket(
                ticket=f"{state.order.order}/{site}/{number}",
                order=state.order.order,
                order_revision=state.order.revision,
                edition=state.edition,
                state=current,
                site=site,
                currency=state.order.currency,
                destination=state.order.destination,
                service=state.order.service,
                lines=content.lines if content else [],
                gift_lines=[_gift_line(state, offer, n) for offer, n in sorted(content.gifts.items())]
                if content
                else [],
                benefits=sorted(state.benefits_given()),
                told=telling,
                order_parts=_order_parts(state.order),
                hold=state.order.hold,
            )
        )
    return said


def _state(state: OrderState) -> TicketState:
    if state.order.hold:
        return "held"
    if state.wishes:
        if state.waiting:
            return "gift_to_follow" if state.overdue else "held"
        if any(w.answer is not None and w.answer.owed > 0 for w in state.wishes.values()):
            return "gift_to_follow"
    return "final"


def _gift_line(state: OrderState, offer: str, units: int) -> GiftLine:
    wish = state.wishes[offer]
    answer = wish.answer
    assert answer is not None and answer.gift is not None  # noqa: PT018 - open_contents lists no other
    gift = state.gifts[answer.gift]
    judged = next((j for j in state.evaluation.judgements if j.offer == offer), None)
    return GiftLine(
        offer=offer,
        campaign_revision=wish.claim.campaign_revision,
        gift=gift.gift,
        title=gift.title,
        units=units,
        stated_value=gift.stated_value,
        triggered_by=judged.lines if judged else [],
        gtin=gift.gtin,
        substitute=answer.substitute,
        weight_grams=gift.weight_grams,
        customs=gift.customs,
        cautions=gift.cautions,
    )


def _order_parts(order: Order) -> dict[str, object]:
    """Members of the order that are not ours to read: carried through as they came."""
    members = vars(order)
    return {} if len(members) == len(_DECLARED) else {k: v for k, v in members.items() if k not in _DECLARED}
