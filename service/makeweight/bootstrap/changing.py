"""Builds what changes an offer of a running service, and tells beforehand what it would come to, on either runtime."""

from collections.abc import Callable
from dataclasses import field
from pathlib import Path
from typing import Any

from makeweight.adapters.documents.campaigns import CampaignFile
from makeweight.adapters.documents.publishing import Document, Published
from makeweight.adapters.hosting import Clock
from makeweight.adapters.kafka.logs import reader as topic_reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import publish as publish_on_topic
from makeweight.adapters.kafka.publishing import published_documents
from makeweight.adapters.kafka.reading import Progress, TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.adapters.local.database import connect
from makeweight.adapters.local.inputs import Logs, of_entries, take
from makeweight.adapters.local.publishing import publish
from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.bootstrap import wall_clock
from makeweight.bootstrap.kafka import administration, broker_of
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps, parse_object
from makeweight.contracts.problems import nearest
from makeweight.domain.book import Book
from makeweight.domain.moments import Instant
from makeweight.domain.values import value
from makeweight.planning.changing import Change, ChangeRefused, Revision, correct, revise
from makeweight.planning.differing import Difference, OrderChange
from makeweight.settings import Settings

Documents = dict[tuple[str, int], Document]
Reviser = Callable[[Document, Instant], Revision]  # of the latest document, at an instant


@value
class Preview:
    """What a change would come to, before anything is published.

    ``newest`` is when the latest order that is known was placed. Where that lies before ``revision.counts_from``, the
    change reaches no order that is known: figures are those so far, and nothing is guessed of what is to come.
    ``owed`` are orders that are newly owed by a change in the customer's favour that counts from an instant that has
    passed; ``refused`` says why the change can't be published as it is.
    """

    revision: Revision
    difference: Difference
    newest: Instant | None
    owed: list[OrderChange] = field(default_factory=list)
    refused: str | None = None


class Changes:
    """The embedded service's campaigns, and a rehearsal of its orders that is kept up with its logs.

    ``mirror`` is a database with the logs of a distributed service, to rehearse from; its changes go to the topics.
    A ``Rehearsal`` is for one thread at a time, and so is this.
    """

    def __init__(self, settings: Settings, clock: Clock = wall_clock, mirror: Path | None = None) -> None:
        self._settings, self._clock = settings, clock
        self._on_kafka = mirror is not None
        self._db = connect(mirror or settings.state, create=False)
        self._logs = Logs(self._db)
        self._rehearsal = Rehearsal(Book())

    def keep_up(self) -> None:
        """Take in what has been logged since the last call: the first time all of it, which takes its time."""
        self._rehearsal.book = _book(self._documents())
        self._logs.read_on(self._rehearsal)

    def preview(self, change: Change) -> Preview:
        """What a change would come to, by all that is logged. ``ChangeRefused`` if it can't be made at all."""
        return self._preview(_of(change), change.offer.partition("/")[0])

    def preview_correction(self, document: Document, since: Instant, by: str, why: str) -> Preview:
        """The same of a whole revision that counts from an instant that has passed."""
        return self._preview(_corrects(document, since, by, why), str(document.get("campaign")))

    def _preview(self, reviser: Reviser, campaign: str) -> Preview:
        revision = reviser(_latest(self._documents(), campaign), self._clock())
        self.keep_up()
        return _previewed(self._rehearsal, revision)

    def publish(self, preview: Preview) -> Published:
        """Publish what was previewed; ``ChangeRefused`` if it is refused, or others have published meanwhile."""
        _may(preview)
        if self._on_kafka:
            return publish_distributed(self._settings, preview, self._clock)
        _not_overtaken(preview, self._documents())
        return publish(self._db, [_file(preview)], [], self._clock())[0]

    def _documents(self) -> Documents:
        rows = self._db.execute("SELECT campaign, revision, body FROM campaigns")
        return {(name, revision): parse_object(body) for name, revision, body in rows}

    def close(self) -> None:
        """Close the database."""
        self._db.close()


def preview_distributed(
    settings: Settings, change: Change, clock: Clock = wall_clock, progress: Progress | None = None
) -> Preview:
    """What a change would come to on the distributed service, read from its topics."""
    return _preview_topics(settings, _of(change), change.offer.partition("/")[0], clock, progress)


def preview_correction_distributed(
    settings: Settings,
    document: Document,
    since: Instant,
    said: tuple[str, str],
    clock: Clock = wall_clock,
    progress: Progress | None = None,
) -> Preview:
    """The same of a whole revision that counts from an instant that has passed; ``said`` is by whom, and why."""
    return _preview_topics(settings, _corrects(document, since, *said), str(document.get("campaign")), clock, progress)


def _preview_topics(
    settings: Settings, reviser: Reviser, campaign: str, clock: Clock, progress: Progress | None
) -> Preview:
    consumer = topic_reader(broker_of(settings))
    try:
        administration(settings).check()
        names = Names(settings.prefix)
        documents = published_documents(consumer, names)
        revision = reviser(_latest(documents, campaign), clock())
        source = TopicReader(consumer, names)
        # Workers' clocks differ by less than what lies between most orders; each log keeps its own order.
        desk = sorted(source.entries("desk", progress), key=lambda entry: entry.at)
        ledger = sorted(source.entries("ledger", progress), key=lambda entry: entry.at)
        rehearsal = Rehearsal(_book(documents))
        take(rehearsal, *of_entries(desk, ledger))
        return _previewed(rehearsal, revision)
    finally:
        consumer.close()


def publish_distributed(settings: Settings, preview: Preview, clock: Clock = wall_clock) -> Published:
    """Put what was previewed on the topic of campaigns."""
    _may(preview)
    address, names = broker_of(settings), Names(settings.prefix)
    outbox, consumer = Outbox(address), topic_reader(address)
    try:
        _not_overtaken(preview, published_documents(consumer, names))
        return publish_on_topic(outbox, consumer, names, [_file(preview)], [], clock())[0]
    finally:
        consumer.close()
        outbox.close()


def _of(change: Change) -> Reviser:
    return lambda document, now: revise(document, change, now)


def _corrects(document: Document, since: Instant, by: str, why: str) -> Reviser:
    return lambda latest, now: correct(latest, document, since, by, why, now)


def _previewed(rehearsal: Rehearsal, revision: Revision) -> Preview:
    difference = rehearsal.difference(revision.campaign, revision.counts_from)
    refused, owed = revision.late, list[OrderChange]()
    if refused is None and revision.counts_from < revision.effective:
        owed = [order for order in difference.orders if order.gains]
        losers = sorted({order.order for order in difference.orders if order.loses})
        if losers:
            text = f"it would take something from {len(losers)} orders, {losers[0]} among them"
            refused = f"{text}: what another order gets first they don't get. Say a later --at"
    return Preview(revision, difference, rehearsal.newest, owed, refused)


def _latest(documents: Documents, campaign: str) -> Document:
    revisions = [revision for name, revision in documents if name == campaign]
    if not revisions:
        known = sorted({name for name, _ in documents})
        text = f"no campaign {campaign!r} here{nearest(campaign, known)}"
        raise ChangeRefused(f"{text}; name an offer as campaign/offer")
    return documents[campaign, max(revisions)]


def _book(documents: Documents) -> Book:
    return Book(read_campaign(dumps(dict(document))) for document in documents.values())


def _may(preview: Preview) -> None:
    if preview.refused is not None:
        raise ChangeRefused(preview.refused)


def _not_overtaken(preview: Preview, documents: Documents) -> None:
    before = preview.revision.before
    latest = max(revision for name, revision in documents if name == before.campaign)
    if latest != before.revision:
        text = f"revision {latest} of {before.campaign!r} has been published meanwhile"
        raise ChangeRefused(f"{text}; look at the preview of the change once more")


def _file(preview: Preview) -> CampaignFile:
    document: dict[str, Any] = dict(preview.revision.document)
    return CampaignFile(preview.revision.campaign, document, Path(f"{document['campaign']}.yaml"))
