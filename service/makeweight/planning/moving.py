"""Free gift units that go to another offer, another site, or both: what is asked, why not, and how it is told."""

from collections.abc import Callable

from makeweight.contracts.problems import nearest
from makeweight.domain.book import Book
from makeweight.domain.claims import StockCommand, Transfer
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.changing import ChangeRefused, signed
from makeweight.planning.differing import Difference


@value
class StockMove:
    """So many free units of a gift at a site of an offer are to go elsewhere; who says so, and why."""

    offer: str
    gift: str
    site: str
    units: int
    to_offer: str
    to_site: str
    by: str
    why: str

    def transfer(self, id_: str, at: Instant) -> Transfer:
        """What the ledger is told."""
        return Transfer(
            id_, self.offer, self.gift, self.site, self.units, self.to_offer, self.to_site, at, self.by, self.why
        )


@value
class MovePreview:
    """What a move of stock would come to now. ``transfer`` is what the ledger is told if it is carried out."""

    transfer: Transfer
    difference: Difference


def named(kind: str, at: Instant) -> str:
    """The id of what is said of stock without one, made of the instant."""
    return f"{kind}-{at:%Y%m%dT%H%M%S.%f%z}"


def check_said(move: StockMove) -> None:
    """``ChangeRefused`` if it can't be asked at all, whatever lies where."""
    signed(move.by, move.why)
    if (move.to_offer, move.to_site) == (move.offer, move.site):
        raise ChangeRefused("that is where they are: name another offer, another site, or both")
    if move.units < 1:
        raise ChangeRefused(f"{move.units} units are none to move: name 1 or more")


def check_named(command: StockCommand, book: Book) -> None:
    """``ChangeRefused`` if what is said of stock names an offer that was never published, or a gift of none of its."""
    _check_offers(command, book)
    gift = getattr(command, "gift", None)
    name = command.offer.partition("/")[0]
    gifts = {one for campaign in book if campaign.campaign == name for one in campaign.gifts}
    if gift is not None and gift not in gifts:
        raise ChangeRefused(f"campaign {name!r} has no gift {gift!r}{nearest(gift, gifts)}")


def check_known(move: Transfer, book: Book) -> None:
    """``ChangeRefused`` if an offer is unknown, or the units could never be given where they are to go."""
    _check_offers(move, book)
    if move.to_offer == move.offer:
        return
    campaign = book.latest(move.to_offer.partition("/")[0])
    offer = campaign.offer(move.to_offer) if campaign is not None else None
    if campaign is None or offer is None or offer.kind != "gift":
        raise ChangeRefused(f"{move.to_offer} gives no gift; name an offer that does")
    if move.gift not in campaign.gifts:
        text = f"campaign {campaign.campaign!r} has no gift {move.gift!r}{nearest(move.gift, campaign.gifts)}"
        raise ChangeRefused(f"{text}; {move.to_offer} could not give it")


def _check_offers(command: StockCommand, book: Book) -> None:
    known = {offer.key for campaign in book for offer in campaign.offers}
    for key in (command.offer, command.to_offer) if isinstance(command, Transfer) else (command.offer,):
        if key not in known:
            raise ChangeRefused(f"no offer {key!r} here{nearest(key, known)}; name it as campaign/offer")


def check_free(move: Transfer, difference: Difference) -> None:
    """``ChangeRefused`` if fewer units are free than are to go, by what the offer has without the move."""
    places = next(one.before.free_units for one in difference.offers if one.offer == move.offer)
    place = f"{move.gift}/{move.site}"
    if place not in places:
        text = f"no {move.gift} was ever put at {move.site} for {move.offer}{nearest(place, places)}"
        raise ChangeRefused(f"{text}; gifts and sites that it has: {', '.join(places) or 'none'}")
    if places[place] < move.units:
        text = f"{places[place]:,} of {move.gift} are free for {move.offer} at {move.site}"
        raise ChangeRefused(f"{text}, and {move.units:,} are asked for")


def left(preview: MovePreview, offer: Callable[[str], str] = str) -> list[str]:
    """What would be left where, and what would be on its way, a line each; ``offer`` names one."""
    told, transfer = [], preview.transfer
    for one in preview.difference.offers:
        before, after = one.before.free_units, one.after.free_units
        for place in sorted(before | after):
            was, now = before.get(place, 0), after.get(place, 0)
            gift, _, site = place.rpartition("/")
            if was != now:
                told.append(f"left at {site} for {offer(one.offer)}: {now:,} of {gift}, {was:,} before")
    if transfer.to_site != transfer.site:
        told.append(f"on the way to {transfer.to_site}: {transfer.units:,} of {transfer.gift}, free once they arrive")
    return told


def served(preview: MovePreview, offer: Callable[[str], str] = str) -> list[str]:
    """The orders that would be served by it, a line each; ``offer`` names one."""
    return [f"served by it: {one.order} of {offer(one.offer)}" for one in preview.difference.orders]
