"""Builds what closes a campaign's books on an embedded service."""

from datetime import timedelta

from makeweight.adapters.hosting import Clock
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap import wall_clock
from makeweight.contracts.campaigns import read_campaign
from makeweight.insight.summary import offers_summary
from makeweight.planning.closing import Report, close
from makeweight.settings import Settings


class UnknownCampaign(LookupError):
    """The service has no campaign of this name; ``known`` are those that it has."""

    def __init__(self, known: list[str]) -> None:
        super().__init__()
        self.known = known


def close_campaign(
    settings: Settings, campaign: str, lateness: timedelta, earlier: Report | None, clock: Clock = wall_clock
) -> Report:
    """The report on a campaign, over the offers of all its revisions, after the last one that was made.

    No watermark is ahead of the clock: an order that was dated into the future doesn't close any books.
    """
    reader = Reader(settings.state, read_campaign)
    try:
        book = reader.book()
        revisions = [one for one in book if one.campaign == campaign]
        if not revisions:
            raise UnknownCampaign(sorted({one.campaign for one in book}))
        offers = {offer.key: offer for one in revisions for offer in one.offers}
        exhausted = {level.offer: level.exhausted_at for level in reader.levels()}
        figures = offers_summary(offers.values(), reader.tally(), exhausted)
        newest = reader.watermark()
        watermark = None if newest is None else min(newest, clock())
        return close(figures, max(one.window.end for one in revisions), watermark, lateness, earlier)
    finally:
        reader.close()
