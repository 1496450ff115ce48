"""What is printed of a pick ticket: the words of each place on the sheet, before any drawing.

The order's opaque members (who the customer is, where they live) are carried and never read, so none is on the sheet.
"""

from collections import Counter
from collections.abc import Iterable
from typing import Literal

from makeweight.domain.money import to_major
from makeweight.domain.orders import HandledLine, Line
from makeweight.domain.tickets import GiftLine, PickTicket
from makeweight.domain.values import value

Weight = Literal["stop", "heed", "go"]  # how loudly a sheet says its state
Floor = Literal["open", "released", "packed"]


@value
class Banner:
    """What whoever holds the sheet is to do, in large letters, and why."""

    weight: Weight
    says: str
    why: str = ""


@value
class Goods:
    """A line of goods: ``units`` to pick, and what a scanner reads on them."""

    number: int
    units: int
    sku: str
    brand: str
    scanned: str
    back_ordered: bool = False


@value
class GiftOnSheet:
    """A gift to pick: ``cautions`` are for whoever packs it, ``earned_by`` and ``declared`` are sentences.

    ``scanned`` is its GTIN, or its own name where it has none.
    """

    units: int
    title: str
    gift: str
    scanned: str
    offer: str
    earned_by: str
    cautions: list[str]
    substitute: bool = False


@value
class Declared:
    """A line for the customs form; ``value`` in major units with its currency."""

    description: str
    hs_code: str
    origin: str
    units: int
    value: str
    category: str


@value
class Sheet:
    """A pick ticket as it is printed."""

    ticket: str
    order: str
    site: str
    edition: str
    banner: Banner
    destination: str
    service: str
    goods: list[Goods]
    gifts: list[GiftOnSheet]
    take_off: list[str]
    customs: list[Declared]
    tariff: str
    benefits: list[str]

    @property
    def units(self) -> int:
        """Units to pick, gifts among them."""
        return sum(one.units for one in self.goods) + sum(one.units for one in self.gifts)


def sheet(ticket: PickTicket, floor: Floor = "open") -> Sheet:
    """The sheet of a ticket. ``floor`` is how far the warehouse is with it: nothing is to be picked twice."""
    return Sheet(
        ticket=ticket.ticket,
        order=ticket.order,
        site=ticket.site,
        edition=f"order revision {ticket.order_revision}, edition {ticket.edition}",
        banner=_banner(ticket, floor),
        destination=_destination(ticket),
        service=ticket.service,
        goods=[_goods(line) for line in ticket.lines],
        gifts=[_gift(gift, ticket.currency) for gift in ticket.gift_lines],
        take_off=_take_off(ticket),
        customs=_customs(ticket),
        tariff=_tariff(ticket),
        benefits=[name.replace("_", " ") for name in ticket.benefits] if ticket.state != "void" else [],
    )


def _banner(ticket: PickTicket, floor: Floor) -> Banner:
    if ticket.state == "void":
        return Banner("stop", "Do not pick", "Void: nothing of this ticket is to be picked.")
    if floor == "packed":
        return Banner("stop", "Do not pick", "Packed already: this is a copy for the file.")
    if ticket.state == "held":
        why = f"the shop holds the order: {ticket.hold}" if ticket.hold else "it is not settled yet which gifts it gets"
        return Banner("stop", "Do not pick", f"Held: {why}. A later edition says when to pick.")
    if ticket.take_off:
        units = sum(line.units for line in ticket.take_off)
        what = f"{units} {'unit' if units == 1 else 'units'}"
        return Banner("heed", f"Take {what} off", "The order has changed since this ticket was released.")
    if floor == "released":
        return Banner("heed", "On the floor already", "A copy: its first paper was released. Pick one of them only.")
    if ticket.state == "gift_to_follow":
        return Banner(
            "heed", "Pick, gift to follow", "Send what is here; a gift comes later, on an edition or a ticket."
        )
    return Banner("go", "Pick", "")


def _destination(ticket: PickTicket) -> str:
    to = ticket.destination
    place = " ".join(part for part in (to.country, to.area) if part)
    lane = "" if to.lane == "any" else f"by {to.lane}"
    return ", ".join(part for part in (place, lane) if part)


def _goods(line: Line) -> Goods:
    return Goods(line.number, line.live_units, line.sku, line.brand, line.gtin or line.sku, line.back_ordered)


def _gift(gift: GiftLine, currency: str) -> GiftOnSheet:
    earned = "lines" if len(gift.triggered_by) > 1 else "line"
    by = f"earned by {earned} {', '.join(map(str, gift.triggered_by))}; " if gift.triggered_by else ""
    worth = f"charged 0, worth {to_major(gift.stated_value, currency)} {currency} each"
    # Notes are what the ticket says; one made before there were any still has its cautions.
    cautions = gift.notes or gift.cautions.notes()
    return GiftOnSheet(
        units=gift.units,
        title=gift.title or gift.gift,
        gift=gift.gift,
        scanned=gift.gtin or gift.gift,
        offer=gift.offer,
        earned_by=by + worth,
        cautions=list(cautions),
        substitute=gift.substitute,
    )


def _take_off(ticket: PickTicket) -> list[str]:
    skus = {line.number: line.sku for line in ticket.lines}
    titles = {gift.offer: gift.title for gift in ticket.gift_lines}
    return [_put_back(line, skus, titles) for line in ticket.take_off]


def _put_back(line: HandledLine, skus: dict[int, str], titles: dict[str, str]) -> str:
    if line.line is not None:
        return f"{line.units} x {skus.get(line.line, 'goods')} (line {line.line})"
    title = titles.get(line.offer or "", "") or line.gift or "gift"
    return f"{line.units} x {title} (gift{f' of {line.offer}' if line.offer else ''})"


def _customs(ticket: PickTicket) -> list[Declared]:
    lines = [gift.customs_line for gift in ticket.gift_lines if gift.customs_line is not None]
    return [
        Declared(
            one.description,
            one.hs_code,
            one.origin,
            one.units,
            f"{to_major(one.value, ticket.currency)} {ticket.currency}",
            one.category,
        )
        for one in lines
    ]


def _tariff(ticket: PickTicket) -> str:
    if all(gift.customs_line is None for gift in ticket.gift_lines):
        return ""
    if ticket.tariff_categories is None:
        return "Tariff categories in this parcel: unknown, as an item has no commodity code."
    return f"Tariff categories in this parcel: {ticket.tariff_categories}."


def totals(sheets: Iterable[Sheet]) -> list[tuple[str, str, int]]:
    """What the gifts of several sheets add up to, for whoever fetches them together: gift, title and units.

    Sheets that are not to be picked count for nothing.
    """
    found: Counter[tuple[str, str]] = Counter()
    for one in sheets:
        if one.banner.weight != "stop":
            for gift in one.gifts:
                found[gift.gift, gift.title] += gift.units
    return [(gift, title, units) for (gift, title), units in sorted(found.items())]
