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
from makeweight.domain.stock import Balance
from makeweight.domain.values import value
from makeweight.insight.summary import offers_summary, short_names, stock_summary
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
        levels, newest = reader.levels(), reader.watermark()
        books = _Books(
            reader.tally(),
            {level.offer: level.exhausted_at for level in levels},
            [balance for level in levels for balance in level.balances],
            _known(newest, clock),
        )
        return _closed(campaign, reader.book(), books, lateness, earlier)
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
        books = _Books(totals.tally, totals.exhausted, totals.balances, _known(totals.watermark, clock))
        return _closed(campaign, source.book(), books, lateness, earlier)
    finally:
        consumer.close()


def _known(newest: Instant | None, clock: Clock) -> Instant | None:
    return None if newest is None else min(newest, clock())


@value
class _Books:
    """What is to be closed: totals, when offers ran out, balances, and how far all that is known."""

    tally: Tally
    exhausted: Mapping[str, Instant | None]
    balances: list[Balance]
    watermark: Instant | None


def _closed(campaign: str, book: Book, books: _Books, lateness: timedelta, earlier: Report | None) -> Report:
    revisions = [one for one in book if one.campaign == campaign]
    if not revisions:
        raise UnknownCampaign(sorted({one.campaign for one in book}))
    offers = {offer.key: offer for one in revisions for offer in one.offers}
    figures = offers_summary(offers.values(), books.tally, books.exhausted)
    for key, name in short_names(offers.values()).items():
        if stock := stock_summary(balance for balance in books.balances if balance.offer == key):
            figures[name]["stock"] = stock
    return close(figures, max(one.window.end for one in revisions), books.watermark, lateness, earlier)
