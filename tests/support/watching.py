"""A watch over a shop in memory, and the picture that the board would draw of it."""

from collections.abc import Iterator
from datetime import datetime

from makeweight.domain.entries import Judged
from makeweight.insight.profile import Profile
from makeweight.insight.tally import Tally
from makeweight.planning.drawing import draw
from makeweight.planning.picture import Known, Limits, OfferPicture, Picture
from makeweight.planning.watch import Watch
from makeweight.stages.desk.standing import in_window, standing
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.ledger.say import level_of
from makeweight.stages.ledger.state import BALANCES, OFFERS
from tests.support.shop import Shop


def watched(shop: Shop) -> Watch:
    """The fold of everything that happened in the shop."""
    watch, judged = Watch(), dict[str, Judged]()
    for entry in shop.entries["desk"]:
        if isinstance(entry, Judged):
            watch.desk(entry, judged.get(entry.order.order))
            judged[entry.order.order] = entry
        else:
            watch.desk(entry, None)
    for entry in shop.entries["ledger"]:
        watch.ledger(entry)
    for output in shop.said:
        if output.channel == "notices":
            watch.notice(output.body)
    return watch


def picture(shop: Shop, now: datetime, profile: Profile | None = None, limits: Limits | None = None) -> Picture:
    """What the board shows at an instant."""
    tally = Tally()
    for state in shop.desk.values(ORDERS).values():
        tally.add(standing(state))
        tally.add_in_window(in_window(state))
    known = Known(
        shop.engine.book,
        tally,
        list(_levels(shop)),
        lambda zone: profile or Profile.flat(zone),
        profile is not None,
    )
    return draw(watched(shop), known, now, limits or Limits())


def _levels(shop: Shop) -> Iterator[object]:
    for offer in shop.books.values(OFFERS).values():
        yield level_of(offer, [b for b in shop.books.values(BALANCES).values() if b.offer == offer.offer])


def of(drawn: Picture, offer: str = "week/tin") -> OfferPicture:
    """One offer of a picture."""
    return next(one for one in drawn.offers if one.key == offer)
