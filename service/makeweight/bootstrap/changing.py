"""Builds what changes an offer of a running service, and tells beforehand what it would come to, on either runtime."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.publishing import Document, Published
from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.logs import reader as topic_reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import publish as publish_on_topic
from makeweight.adapters.kafka.publishing import published_documents
from makeweight.adapters.kafka.publishing import redress as redress_record
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.database import connect
from makeweight.adapters.local.inputs import Logs, of_entries, take
from makeweight.adapters.local.publishing import hand_to_desk, publish
from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.bootstrap import hand_to_ledger, tune_collector, wall_clock
from makeweight.bootstrap.kafka import administration, broker_of
from makeweight.bootstrap.kafka import hand_to_ledger as hand_to_ledger_distributed
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps, parse_object
from makeweight.contracts.problems import nearest
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign
from makeweight.domain.claims import Redress, Transfer
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.changing import Change, ChangeRefused, Correction, Revision, against, correct, revise
from makeweight.planning.differing import Difference, OrderChange, replaced_by
from makeweight.planning.moving import MovePreview, StockMove, check_free, check_known, check_said, named
from makeweight.planning.previewing import Preview, Reviser
from makeweight.settings import Settings

Documents = dict[tuple[str, int], Document]

LASTING = 10_000  # inputs taken in at once, from which on a search for cycles through them would keep a preview waiting


@value
class Owing:
    """Who is owed more by a campaign's latest revision, had it counted from an instant; ``refused`` says why nobody is.

    ``against`` a customer, a revision redresses nobody.
    """

    campaign: Campaign
    since: Instant
    owed: list[OrderChange]
    refused: str | None = None

    def redresses(self, now: Instant) -> list[Redress]:
        """One for each order. Said again they change nothing."""
        name, revision = self.campaign.campaign, self.campaign.revision
        orders = sorted({one.order for one in self.owed})
        return [Redress(f"{name}/{revision}:{order}", order, name, revision, now) for order in orders]


class Changes:
    """The embedded service's campaigns, and a rehearsal of its orders that is kept up with its logs.

    ``mirror`` is a database with the logs of a distributed service, to rehearse from; its changes go to the topics.
    A ``Rehearsal`` is for one thread at a time, and so is this.
    """

    def __init__(self, settings: Settings, clock: Clock = wall_clock, mirror: Path | None = None) -> None:
        self._settings, self._clock = settings, clock
        self._on_kafka = mirror is not None
        self._db = connect(mirror or settings.state, create=False)
        self._logs = Logs(self._db, copied=self._on_kafka)
        self._rehearsal = Rehearsal(Book())

    @property
    def read(self) -> int:
        """How many inputs have been taken in; another thread may ask."""
        return len(self._rehearsal)

    def keep_up(self) -> None:
        """Take in what has been logged since the last call: the first time all of it, which takes its time."""
        self._rehearsal.book, before = _book(self._documents()), self.read
        self._logs.read_on(self._rehearsal)
        if self.read - before > LASTING:
            tune_collector()

    def preview(self, change: Change | Correction, *, rehearse: bool = True) -> Preview:
        """What a change would come to, by all that is logged. ``ChangeRefused`` if it can't be made at all."""
        again = _reviser(change)
        revision = again(_latest(self._documents(), change.campaign), self._clock())
        if not rehearse:
            return _unrehearsed(revision, again)
        self.keep_up()
        return _previewed(self._rehearsal, revision, again)

    def preview_move(self, move: StockMove) -> MovePreview:
        """What would come of a move of stock now: who is served by it, and what is left where.

        ``ChangeRefused`` if it can't be made.
        """
        self.keep_up()
        return _moved(self._rehearsal, move, self._clock())

    def carry_out(self, preview: MovePreview) -> None:
        """Hand a move that was previewed to the ledger; ``ChangeRefused`` if it can't be made any more."""
        self.keep_up()
        transfer = preview.transfer
        _ = _checked(self._rehearsal, transfer, self._clock())
        if self._on_kafka:
            hand_to_ledger_distributed(self._settings, transfer, self._clock)
        else:
            hand_to_ledger(self._settings, transfer, self._clock)

    def publish(self, preview: Preview) -> Published:
        """Publish what was previewed; ``ChangeRefused`` if it is refused, or others have published meanwhile."""
        if self._on_kafka:
            return publish_distributed(self._settings, preview, self._clock)
        now = self._clock()
        return publish(self._db, [_file(preview, self._documents(), now)], [], now)[0]

    def owing(self, campaign: str, since: Instant) -> Owing:
        """Who is owed more by the latest revision of a campaign, which is in force by now, had it counted earlier."""
        self.keep_up()
        return _owing(self._rehearsal, _latest(self._documents(), campaign), since, self._clock())

    def redress(self, owing: Owing) -> int:
        """Have each of these orders judged by the revision; how many. A running service takes them up in a second."""
        if self._on_kafka:
            return redress_distributed(self._settings, owing, self._clock)
        now = self._clock()
        redresses = _redresses(owing, now)
        hand_to_desk(self._db, redresses, now)
        return len(redresses)

    def _documents(self) -> Documents:
        rows = self._db.execute("SELECT campaign, revision, body FROM campaigns")
        return {(name, revision): parse_object(body) for name, revision, body in rows}

    def close(self) -> None:
        """Close the database."""
        self._db.close()


def preview_distributed(
    settings: Settings,
    change: Change | Correction,
    clock: Clock = wall_clock,
    progress: Progress | None = None,
    *,
    rehearse: bool = True,
) -> Preview:
    """What a change would come to on the distributed service, read from its topics."""
    with _topics(settings) as (source, documents):
        again = _reviser(change)
        revision = again(_latest(documents, change.campaign), clock())
        if not rehearse:
            return _unrehearsed(revision, again)
        return _previewed(_rehearsed(source, documents, progress), revision, again)


def owing_distributed(
    settings: Settings, campaign: str, since: Instant, clock: Clock = wall_clock, progress: Progress | None = None
) -> Owing:
    """Who is owed more by the latest revision of a campaign on the distributed service, had it counted earlier."""
    with _topics(settings) as (source, documents):
        rehearsal = _rehearsed(source, documents, progress)
        return _owing(rehearsal, _latest(documents, campaign), since, clock())


def preview_move_distributed(
    settings: Settings, move: StockMove, clock: Clock = wall_clock, progress: Progress | None = None
) -> MovePreview:
    """What would come of a move of stock now on the distributed service, read from its topics."""
    with _topics(settings) as (source, documents):
        return _moved(_rehearsed(source, documents, progress), move, clock())


def redress_distributed(settings: Settings, owing: Owing, clock: Clock = wall_clock) -> int:
    """Have each of these orders judged by the revision, by the workers; how many."""
    redresses = _redresses(owing, clock())
    outbox = Outbox(broker_of(settings))
    try:
        outbox.write(redress_record(Names(settings.prefix), one) for one in redresses)
        outbox.flush()
    finally:
        outbox.close()
    return len(redresses)


@contextmanager
def _topics(settings: Settings) -> Iterator[tuple[TopicReader, Documents]]:
    """What reads the topics, and the campaigns that are on them. ``KafkaProblem`` if they are not as they should be."""
    consumer = topic_reader(broker_of(settings))
    try:
        administration(settings).check()
        names = Names(settings.prefix)
        yield TopicReader(consumer, names), published_documents(consumer, names)
    finally:
        consumer.close()


def _rehearsed(source: TopicReader, documents: Documents, progress: Progress | None) -> Rehearsal:
    # Workers' clocks differ by less than what lies between most orders; each log keeps its own order.
    desk = sorted(source.entries("desk", progress), key=lambda entry: entry.at)
    ledger = sorted(source.entries("ledger", progress), key=lambda entry: entry.at)
    rehearsal = Rehearsal(_book(documents))
    take(rehearsal, *of_entries(desk, ledger))
    tune_collector()
    return rehearsal


def _moved(rehearsal: Rehearsal, move: StockMove, now: Instant) -> MovePreview:
    check_said(move)
    # The id is made of the wall's clock: a board's own may stand still, and ids must differ.
    transfer = move.transfer(named("move", wall_clock()), now)
    return MovePreview(transfer, _checked(rehearsal, transfer, now))


def _checked(rehearsal: Rehearsal, transfer: Transfer, now: Instant) -> Difference:
    """What a transfer comes to by all that is known; ``ChangeRefused`` if it can't be made."""
    check_known(transfer, rehearsal.book)
    difference = rehearsal.moved(transfer, now)
    check_free(transfer, difference)
    return difference


def _redresses(owing: Owing, now: Instant) -> list[Redress]:
    if owing.refused is not None:
        raise ChangeRefused(owing.refused)
    return owing.redresses(now)


def _owing(rehearsal: Rehearsal, document: Document, since: Instant, now: Instant) -> Owing:
    campaign = read_campaign(document)
    name = f"revision {campaign.revision} of {campaign.campaign!r}"
    if campaign.effective_at > now:
        raise ChangeRefused(f"{name} takes effect at {campaign.effective_at.isoformat()}; say it from then on")
    worse = {why for known in replaced_by(rehearsal.book, campaign, since) for why in against(known, campaign)}
    if worse:
        return Owing(
            campaign, since, [], f"{name} is not in the customer's favour: it has {' and '.join(sorted(worse))}"
        )
    difference = rehearsal.difference(campaign, since)
    return Owing(campaign, since, [one for one in difference.orders if one.gains])


def publish_distributed(settings: Settings, preview: Preview, clock: Clock = wall_clock) -> Published:
    """Put what was previewed on the topic of campaigns."""
    address, names = broker_of(settings), Names(settings.prefix)
    outbox, consumer = Outbox(address), topic_reader(address)
    try:
        now = clock()
        file = _file(preview, published_documents(consumer, names), now)
        return publish_on_topic(outbox, consumer, names, [file], [], now)[0]
    finally:
        consumer.close()
        outbox.close()


def _reviser(change: Change | Correction) -> Reviser:
    if isinstance(change, Change):
        return lambda document, now: revise(document, change, now)
    return lambda document, now: correct(document, change, now)


def _unrehearsed(revision: Revision, again: Reviser) -> Preview:
    return Preview(revision, again, refused=revision.late)


def _previewed(rehearsal: Rehearsal, revision: Revision, again: Reviser) -> Preview:
    difference = rehearsal.difference(revision.campaign, revision.counts_from)
    refused, owed = revision.late, list[OrderChange]()
    if refused is None and revision.counts_from < revision.effective:
        owed = [order for order in difference.orders if order.gains]
    return Preview(revision, again, difference, rehearsal.newest, owed, refused)


def _latest(documents: Documents, campaign: str) -> Document:
    revisions = [revision for name, revision in documents if name == campaign]
    if not revisions:
        known = sorted({name for name, _ in documents})
        text = f"no campaign {campaign!r} here{nearest(campaign, known)}"
        raise ChangeRefused(f"{text}; name an offer as campaign/offer")
    return documents[campaign, max(revisions)]


def _book(documents: Documents) -> Book:
    return Book(read_campaign(dumps(dict(document))) for document in documents.values())


def _file(preview: Preview, documents: Documents, now: Instant) -> CampaignFile:
    """The revision to publish: made once more, since its time of effect was counted from when it was previewed."""
    if preview.refused is not None:
        hint = "; a preview tells what it had come to" if preview.revision.late else ""
        raise ChangeRefused(preview.refused + hint)
    before = preview.revision.before
    revision = preview.again(_latest(documents, before.campaign), now)
    if revision.before.revision != before.revision:
        text = f"revision {revision.before.revision} of {before.campaign!r} has been published meanwhile"
        raise ChangeRefused(f"{text}; look at the preview of the change once more")
    if revision.late is not None:
        raise ChangeRefused(revision.late)
    return CampaignFile(revision.campaign, revision.document, Path(f"{before.campaign}.yaml"))
