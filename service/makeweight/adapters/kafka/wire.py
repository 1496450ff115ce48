"""Between Kafka's records and the stages' messages: names of topics, keys, headers, reading and writing."""

import base64
from collections.abc import Callable, Sequence
from typing import Any

from makeweight.adapters.hosting import Incoming
from makeweight.contracts.codec import dumps, not_carried
from makeweight.contracts.commands import read_command
from makeweight.contracts.events import Envelope, Headers, headers, kind_of, read_data, read_record
from makeweight.contracts.messages import DECISION, ENTRIES, Reject
from makeweight.contracts.orders import digest
from makeweight.contracts.problems import WireError
from makeweight.contracts.topics import MAX_EVENT_BYTES, TOPICS, Topic
from makeweight.domain.claims import Decision, Tick
from makeweight.domain.values import value
from makeweight.stages.port import Output

VERSION = ".v1"
BY_CHANNEL: dict[str, Topic] = {topic.name.removesuffix(VERSION): topic for topic in TOPICS}
INPUTS = {"desk": ("orders", "fulfilment", "decisions"), "ledger": ("ledger-commands",)}
LOGS = {"desk": "order-log", "ledger": "ledger-log"}
COMPACTED = frozenset(channel for channel, topic in BY_CHANNEL.items() if topic.cleanup == "compact")


@value
class Record:
    """A record as it stands in a topic. ``at_ms``: when it was written, since 1970; 0 where nobody asked."""

    topic: str
    partition: int
    offset: int
    key: bytes | None
    value: bytes | None
    headers: Sequence[tuple[str, bytes | None]]
    at_ms: int = 0


@value
class Sending:
    """A record to be written; without a partition its key decides."""

    topic: str
    key: bytes
    value: bytes
    headers: Headers
    partition: int | None = None


class Names:
    """The topics of one installation: the catalogue's names after the installation's own prefix."""

    def __init__(self, prefix: str = "") -> None:
        self.prefix = prefix
        self._topics = {channel: prefix + topic.name for channel, topic in BY_CHANNEL.items()}
        self._channels = {name: channel for channel, name in self._topics.items()}

    def topic(self, channel: str) -> str:
        """The topic of a channel."""
        return self._topics[channel]

    def channel(self, topic: str) -> str:
        """The channel of a topic."""
        return self._channels[topic]

    def called(self, topic: str) -> str:
        """The channel of a topic, or the topic's own name where it is of another installation."""
        return self._channels.get(topic, topic)

    def inputs(self, stage: str) -> list[str]:
        """The topics that a stage reads."""
        return [self._topics[channel] for channel in INPUTS[stage]]

    def log(self, stage: str) -> str:
        """The topic of a stage's log."""
        return self._topics[LOGS[stage]]


def _decision(body: bytes) -> tuple[Any, str]:
    message = DECISION.loads(body)
    if isinstance(message, Decision):
        _at_least("units", message.units, 0)
        _at_least("owed", message.owed, 0)
    return message, ("" if isinstance(message, Tick) else message.order)


def _command(body: bytes) -> tuple[Any, str]:
    message = read_command(body)
    return message, ("" if isinstance(message, Tick) else message.offer)


def _at_least(member: str, number: int, least: int) -> None:
    if number < least:
        raise WireError("malformed", f"{member} is {number}; expected at least {least}")


_INSIDE: dict[str, Callable[[bytes], tuple[Any, str]]] = {"decisions": _decision, "ledger-commands": _command}


def read(channel: str, record: Record) -> Incoming:
    """What a record of an input topic says, or what is wrong with it. Never raises for what came from outside."""
    raw, key = record.value or b"", (record.key or b"").decode(errors="replace")
    place = (record.partition, record.offset)
    try:
        if channel in _INSIDE:
            body, belongs = _INSIDE[channel](raw)
            _check_carried(body)
            if belongs:
                _check_key(key, belongs)
            return Incoming(channel, key, "", "", raw, body, partition=place[0], position=place[1])
        envelope = _envelope(channel, record, raw)
        event = read_data(envelope)
        _check_key(key, event.order)
        return Incoming(channel, key, envelope.source, envelope.id, raw, event, digest(event), None, *place)
    except WireError as error:
        return Incoming(channel, key, "", "", raw, error=error, partition=place[0], position=place[1])


def _envelope(channel: str, record: Record, raw: bytes) -> Envelope:
    if len(raw) > MAX_EVENT_BYTES:
        raise WireError("too_large", f"the event is larger than {MAX_EVENT_BYTES} bytes")
    envelope = read_record(record.headers, raw)
    if kind_of(envelope) != channel:
        raise WireError("envelope", f"type {envelope.type!r} does not belong on this topic")
    return envelope


def _check_carried(body: Any) -> None:
    # What follows from it is written to a log: a number that can't be would end every worker that reads this record.
    try:
        dumps(body)
    except TypeError as error:
        raise not_carried(error) from None


def _check_key(key: str, belongs: str) -> None:
    # Another key is another partition, where nobody knows the order: two workers would each decide on a part of it.
    if key != belongs:
        raise WireError(
            "wrong_key", f"the record's key is not the id that it is about; expected {belongs!r} as its key"
        )


def sending(names: Names, stage: str, partition: int, output: Output) -> Sending:
    """The record of an output. Tickets and levels stay in the partition of the stage that says them.

    A ticket's key is its own id, so that compaction keeps each; its partition is its order's.
    """
    channel = output.channel
    compacted = channel in COMPACTED
    key = output.id if compacted else output.route
    kind = BY_CHANNEL[channel].schema
    told = headers(kind, output.id, f"makeweight/{stage}", output.route)
    return Sending(names.topic(channel), key.encode(), dumps(output.body), told, partition if compacted else None)


def logged(names: Names, stage: str, partition: int, key: str, entry: Any) -> Sending:
    """The record of a log entry."""
    told = headers(BY_CHANNEL[LOGS[stage]].schema, entry.id, f"makeweight/{stage}", key)
    return Sending(names.log(stage), key.encode(), dumps(entry), told, partition)


def rejected(names: Names, one: Incoming, code: str, sentence: str) -> Sending:
    """The record of an input that can't be processed, with its bytes and its place."""
    topic = names.topic(one.topic)
    body = base64.b64encode(one.raw).decode()
    reject = Reject(topic, one.partition, one.position, one.key, code, sentence, body)
    id_ = f"{topic}/{one.partition}/{one.position}"
    told = headers("reject", id_, "makeweight", one.key)
    return Sending(names.topic("rejects"), one.key.encode(), dumps(reject), told)


def entry_of(stage: str, body: bytes) -> Any:
    """A log record's entry."""
    return ENTRIES["desk" if stage == "desk" else "ledger"].loads(body)
