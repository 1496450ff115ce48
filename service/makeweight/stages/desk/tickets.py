"""Assembling the pick tickets of an order: what is on frozen paper stays there, the rest is on one open ticket."""

from dataclasses import fields
from typing import NamedTuple

from makeweight.domain.customs import customs_line, tariff_categories
from makeweight.domain.orders import Line, Order
from makeweight.domain.tickets import GiftLine, PickTicket, TicketState, Told
from makeweight.domain.values import replaced
from makeweight.stages.desk.floor import outstanding
from makeweight.stages.desk.state import MAX_PAPERS, OrderState, Paper, Wish
from makeweight.stages.desk.telling import told

_DECLARED = frozenset(f.name for f in fields(Order))


class Content(NamedTuple):
    """What an open ticket would carry."""

    lines: list[Line]
    gifts: dict[str, int]


def ticket_id(state: OrderState, site: str, number: int) -> str:
    """The id of a ticket: order, site and a number that grows with each ticket of the site that is released."""
    return f"{state.order.order}/{site}/{number}"


def _number(state: OrderState, site: str) -> int:
    return 1 + sum([frozen.site == site for frozen in state.frozen]) if state.frozen else 1


def open_contents(state: OrderState) -> dict[str, Content]:
    """What is to be picked, by site: lines and gift units that are on no frozen ticket. Nothing if cancelled.

    Goods on back order are on no ticket, and neither is a gift that waits for them.
    """
    if state.order.status == "cancelled":
        return {}
    contents: dict[str, Content] = {}
    lines = open_lines(state)
    missing = [line for line in lines if line.back_ordered and line.live_units]
    if missing:
        lines = [line for line in lines if not line.back_ordered]
    sites = {line.site for line in lines}
    if len(sites) == 1:  # the usual order
        contents[sites.pop()] = Content(lines, {})
    else:
        for line in lines:
            content = contents.get(line.site)
            if content is None:
                content = contents[line.site] = Content([], {})
            content.lines.append(line)
    for offer, wish in state.wishes.items():
        if wish.answer is None or wish.answer.site is None:
            continue
        units = outstanding(state, offer, wish)
        if units > 0 and not (missing and waits_for_goods(state, offer, missing)):
            contents.setdefault(wish.answer.site, Content([], {})).gifts[offer] = units
    return contents


def waits_for_goods(state: OrderState, offer: str, missing: list[Line]) -> bool:
    """Whether a gift waits because all goods that earned it are on back order, of those that are still to be picked."""
    judged = next((j for j in state.evaluation.judgements if j.offer == offer), None)
    if judged is None or judged.back_orders == "travel":
        return False
    absent = {line.number for line in missing}
    here = {line.number for line in state.order.lines if line.live_units and line.number not in absent}
    earned = set(judged.lines)
    return not earned.isdisjoint(absent) and earned.isdisjoint(here)


def open_lines(state: OrderState) -> list[Line]:
    """Lines with units that are not cancelled and on no frozen ticket. A line of zero units is paper only once."""
    lines = state.order.lines
    if not state.frozen:
        return [line for line in lines if line.units > line.cancelled_units or not line.units]
    frozen: dict[str, int] = {}
    for ticket in state.frozen:
        for number, units in ticket.lines_left.items():
            frozen[number] = frozen.get(number, 0) + units
    left = [(line, line.live_units - frozen.get(str(line.number), 0)) for line in lines]
    return [line if units == line.live_units else _part(line, units) for line, units in left if units > 0]


def _part(line: Line, units: int) -> Line:
    """The line with only some of its live units, and their part of its totals."""
    if units == line.units:
        return line
    cut = replaced(line, cancelled_units=line.units - units)
    listed = None if line.total_list is None else cut.live_share(line.total_list)
    charged = cut.live_share(line.total_charged)
    return replaced(cut, units=units, cancelled_units=0, total_charged=charged, total_list=listed)


def opened_after(state: OrderState, contents: dict[str, Content]) -> dict[str, int]:
    """The latest open ticket by site, with those that there is now content for."""
    if state.order.status == "cancelled":
        # Cancelled before it was ever seen: its tickets are void from the start.
        first = not state.opened and not state.frozen
        return {line.site: 1 for line in state.order.lines} if first else state.opened
    if not state.frozen and contents.keys() == state.opened.keys():
        return state.opened
    return state.opened | {site: _number(state, site) for site in contents}


def tickets(state: OrderState) -> list[PickTicket]:
    """The current open ticket of every site; one whose content is gone is void."""
    # A number that has moved on is frozen, and its paper is with the warehouse.
    current = [(site, number) for site, number in sorted(state.opened.items()) if number == _number(state, site)]
    if not current:
        return []
    contents = open_contents(state)
    telling = told(state)
    return [_ticket(state, site, number, contents.get(site), telling) for site, number in current]


def papers_after(state: OrderState, opened: dict[str, int], contents: dict[str, Content]) -> list[Paper]:
    """What the open tickets carry now, after what they carried before; the oldest are forgotten."""
    papers = state.papers
    for site, number in opened.items():
        if state.frozen and number != _number(state, site):
            continue
        content = contents.get(site) or Content([], {})
        ticket = ticket_id(state, site, number)
        lines = {str(line.number): line.units - line.cancelled_units for line in content.lines}
        gifts = content.gifts
        named: dict[str, str] = {offer: _gift_named(state.wishes[offer]) for offer in gifts} if gifts else {}
        last = next((p for p in reversed(papers) if p.ticket == ticket), None)
        if last is None or last.lines != lines or last.gifts != gifts or last.named != named:
            papers = [*papers, Paper(state.edition, ticket, lines, gifts, named)]
    return papers if len(papers) <= MAX_PAPERS else papers[-MAX_PAPERS:]


def paper_of(state: OrderState, ticket: str, edition: int) -> Paper:
    """What an open ticket carried at an edition; 0, and one that is not remembered, is the nearest that is."""
    known = [p for p in state.papers if p.ticket == ticket] or [Paper(state.edition, ticket, {}, {})]
    if not edition:
        return known[-1]
    return next((p for p in reversed(known) if p.edition <= edition), known[0])


def released_ticket(
    state: OrderState, site: str, lines: dict[str, int], gifts: dict[str, int], paper: Paper
) -> PickTicket:
    """The open ticket of a site as it went to the floor, as far as the order still knows its lines and gifts.

    ``paper`` names the gifts, which may have changed since it was printed. If it is an older one than what was last
    said, it becomes the ticket's last word, with an edition of its own.
    """
    known = {str(line.number): line for line in state.order.lines}
    carried = [
        known[n] if units >= known[n].units else _part(known[n], units) for n, units in lines.items() if n in known
    ]
    named = {
        offer: paper.named.get(offer) or _gift_named(state.wishes[offer]) for offer in gifts if offer in state.wishes
    }
    units = {offer: units for offer, units in gifts.items() if named.get(offer) in state.gifts}
    content, number = Content(carried, units), _number(state, site)
    printed = _ticket(state, site, number, content, told(state), named)
    if _is_last_said(state, site, number, content, named):
        return printed
    return replaced(printed, edition=state.edition + 1)


def _is_last_said(state: OrderState, site: str, number: int, content: Content, named: dict[str, str]) -> bool:
    """Whether the open ticket of a site carries just this, under these names."""
    if state.opened.get(site) != number or open_contents(state).get(site) != content:
        return False
    return all(named[offer] == _gift_named(state.wishes[offer]) for offer in content.gifts)


def _gift_named(wish: Wish) -> str:
    """The gift of a wish: what is held, or what was asked for first."""
    if wish.answer is not None and wish.answer.gift is not None:
        return wish.answer.gift
    return wish.claim.options[0].gift if wish.claim.options else ""


def _ticket(
    state: OrderState,
    site: str,
    number: int,
    content: Content | None,
    telling: list[Told],
    named: dict[str, str] | None = None,
) -> PickTicket:
    order = state.order
    lines = content.lines if content else []
    carried = sorted(content.gifts.items()) if content else []
    gifts = [_gift_line(state, offer, units, named.get(offer) if named else None) for offer, units in carried]
    return PickTicket(
        ticket=ticket_id(state, site, number),
        order=order.order,
        order_revision=order.revision,
        edition=state.edition,
        state="void" if content is None else _state(state),
        site=site,
        currency=order.currency,
        destination=order.destination,
        service=order.service,
        lines=lines,
        gift_lines=gifts,
        benefits=sorted(state.benefits_given()),
        told=telling,
        order_parts=_order_parts(order),
        hold=order.hold,
        tariff_categories=_categories(lines, gifts) if gifts else None,
    )


def _categories(lines: list[Line], gifts: list[GiftLine]) -> int | None:
    """Tariff categories of a parcel with customs lines: what a gift adds to them may cost more than the gift."""
    if all(gift.customs_line is None for gift in gifts):
        return None
    codes = [gift.customs.hs_code if gift.customs else None for gift in gifts]
    return tariff_categories([*(line.hs_code for line in lines), *codes])


def _state(state: OrderState) -> TicketState:
    if state.order.hold:
        return "held"
    if state.wishes:
        if state.waiting:
            return "gift_to_follow" if state.overdue else "held"
        if any(w.answer is not None and w.answer.owed > 0 for w in state.wishes.values()):
            return "gift_to_follow"
    return "final"


def _gift_line(state: OrderState, offer: str, units: int, named: str | None) -> GiftLine:
    wish = state.wishes[offer]
    answer = wish.answer
    gift = state.gifts[named or _gift_named(wish)]
    substitute = answer is not None and answer.substitute
    if answer is not None and answer.gift not in (None, gift.gift):
        substitute = any(option.gift == gift.gift and option.substitute for option in wish.claim.options)
    judged = next((j for j in state.evaluation.judgements if j.offer == offer), None)
    declared = None
    if gift.customs is not None and gift.crosses_border(state.order.destination):
        declared = customs_line(gift.title, gift.customs, gift.stated_value, units)
    return GiftLine(
        offer=offer,
        campaign_revision=wish.claim.campaign_revision,
        gift=gift.gift,
        title=gift.title,
        units=units,
        stated_value=gift.stated_value,
        triggered_by=judged.lines if judged else [],
        gtin=gift.gtin,
        substitute=substitute,
        weight_grams=gift.weight_grams,
        customs=gift.customs,
        cautions=gift.cautions,
        notes=gift.cautions.notes(),
        customs_line=declared,
    )


def _order_parts(order: Order) -> dict[str, object]:
    """Members of the order that are not ours to read: carried through as they came."""
    members = vars(order)
    return {} if len(members) == len(_DECLARED) else {k: v for k, v in members.items() if k not in _DECLARED}
