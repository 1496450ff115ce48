"""Builds what closes a campaign's books, on either runtime."""

from collections.abc import Mapping
from datetime import timedelta

from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.logs import reader as topic_reader
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap import wall_clock
from makeweight.bootstrap.kafka import broker_of
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.insight.summary import offers_summary
from makeweight.insight.tally import Tally
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
        exhausted = {level.offer: level.exhausted_at for level in reader.levels()}
        newest = reader.watermark()
        return _closed(campaign, reader.book(), reader.tally(), exhausted, _known(newest, clock), lateness, earlier)
    finally:
        reader.close()


def close_distributed(
    settings: Settings,
    campaign: str,
    lateness: timedelta,
    earlier: Report | None,
    clock: Clock = wall_clock,
    progress: Progress | None = None,
) -> Report:
    """The same of the distributed service, from its logs, whose watermark is that of the partition furthest behind."""
    consumer = topic_reader(broker_of(settings))
    try:
        source = TopicReader(consumer, Names(settings.prefix))
        totals = source.totals(progress)
        newest = _known(totals.watermark, clock)
        return _closed(campaign, source.book(), totals.tally, totals.exhausted, newest, lateness, earlier)
    finally:
        consumer.close()


def _known(newest: Instant | None, clock: Clock) -> Instant | None:
    return None if newest is None else min(newest, clock())


def _closed(
    campaign: str,
    book: Book,
    tally: Tally,
    exhausted: Mapping[str, Instant | None],
    watermark: Instant | None,
    lateness: timedelta,
    earlier: Report | None,
) -> Report:
    revisions = [one for one in book if one.campaign == campaign]
    if not revisions:
        raise UnknownCampaign(sorted({one.campaign for one in book}))
    offers = {offer.key: offer for one in revisions for offer in one.offers}
    figures = offers_summary(offers.values(), tally, exhausted)
    return close(figures, max(one.window.end for one in revisions), watermark, lateness, earlier)
