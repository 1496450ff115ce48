"""The topics of an installation: compared with the catalogue, made and put right.

What can't be changed without moving keys to other partitions (a partition count) is refused, never changed.
"""

import logging
import time
from collections.abc import Mapping
from typing import Any

from confluent_kafka import KafkaException, TopicCollection
from confluent_kafka.admin import (  # type: ignore[attr-defined]  # the package exports them by import alone
    AdminClient,
    AlterConfigOpType,
    ConfigEntry,
    ConfigResource,
    NewTopic,
    ResourceType,
)

from makeweight.adapters.kafka.wire import Names
from makeweight.contracts.topics import TOPICS, Topic
from makeweight.domain.values import value

SECONDS = 15
ANSWER_SECONDS = 2.0  # for a gate, which asks again as long as it is wanted
log = logging.getLogger("makeweight.kafka")


class KafkaProblem(RuntimeError):
    """The broker or its topics can't be used as they are; the message says what to do."""


@value
class Layout:
    """How many partitions the two groups of topics have, and on how many brokers each record is kept."""

    order: int
    offer: int
    replication: int

    def partitions(self, topic: Topic) -> int:
        """Partitions of a topic."""
        return {"order": self.order, "offer": self.offer, "one": 1}[topic.partitions]


@value
class Planned:
    """What a topic needs: ``action`` is keep, make, set or refuse."""

    topic: str
    partitions: int
    action: str
    settings: dict[str, str]
    why: str = ""


def wanted(topic: Topic, layout: Layout) -> dict[str, str]:
    """The settings of a topic that differ from a broker's defaults."""
    settings = {
        "cleanup.policy": topic.cleanup,
        "retention.ms": str(topic.retention_ms),
        "max.message.bytes": str(topic.max_bytes),
        "compression.type": "producer",
    }
    if layout.replication >= 3:  # noqa: PLR2004 - with three copies one broker may be lost, and two must have a record
        settings["min.insync.replicas"] = "2"
    return settings


class Administration:
    """Asks and tells the broker about topics."""

    def __init__(self, address: str, names: Names, layout: Layout) -> None:
        self._admin = AdminClient({"bootstrap.servers": address, "socket.timeout.ms": SECONDS * 1_000}, logger=log)
        self._address, self._names, self._layout = address, names, layout
        self._identities: dict[str, str] = {}

    def _partitions(self) -> tuple[dict[str, int], int]:
        """Partition counts by topic, and how many brokers there are."""
        try:
            seen = self._admin.list_topics(timeout=SECONDS)
        except KafkaException as error:
            told = error.args[0].str() if error.args else str(error)
            text = f"no Kafka broker answers at {self._address} ({told}); start it, or set MAKEWEIGHT_KAFKA"
            raise KafkaProblem(text) from None
        return {name: len(topic.partitions) for name, topic in seen.topics.items()}, len(seen.brokers)

    def plan(self) -> list[Planned]:
        """What each topic of the catalogue needs."""
        known, _ = self._partitions()
        names = {topic.name: self._names.prefix + topic.name for topic in TOPICS}
        settings = self._settings([name for name in names.values() if name in known])
        return [self._planned(topic, names[topic.name], known, settings) for topic in TOPICS]

    def _planned(
        self, topic: Topic, name: str, known: Mapping[str, int], settings: Mapping[str, Mapping[str, str]]
    ) -> Planned:
        count = self._layout.partitions(topic)
        target = wanted(topic, self._layout)
        if name not in known:
            return Planned(name, count, "make", target)
        if known[name] != count:
            why = f"it has {known[name]} partitions, not {count}: keys would move. Set the count that it has"
            return Planned(name, known[name], "refuse", {}, why)
        differing = {key: kept for key, kept in target.items() if settings[name].get(key) != kept}
        return Planned(name, count, "set" if differing else "keep", differing)

    def _settings(self, topics: list[str]) -> dict[str, dict[str, str]]:
        if not topics:
            return {}
        resources = [ConfigResource(ResourceType.TOPIC, name) for name in topics]
        futures = self._admin.describe_configs(resources, request_timeout=SECONDS)
        return {
            resource.name: {name: entry.value for name, entry in future.result().items()}
            for resource, future in futures.items()
        }

    def apply(self) -> list[Planned]:
        """Make what is missing and set what differs, and say so. ``KafkaProblem`` if anything is refused."""
        planned = self.plan()
        refused = [f"{p.topic}: {p.why}" for p in planned if p.action == "refuse"]
        if refused:
            raise KafkaProblem("\n".join(refused))
        _, brokers = self._partitions()
        if brokers < self._layout.replication:
            text = (
                f"{brokers} brokers can't keep {self._layout.replication} copies; set MAKEWEIGHT_REPLICATION={brokers}"
            )
            raise KafkaProblem(text + " or start more")
        new = [
            NewTopic(p.topic, p.partitions, self._layout.replication, config=p.settings)
            for p in planned
            if p.action == "make"
        ]
        if new:
            _done(self._admin.create_topics(new, request_timeout=SECONDS))
            self._wait_for([topic.topic for topic in new])
        changed = [
            ConfigResource(
                ResourceType.TOPIC,
                p.topic,
                incremental_configs=[
                    ConfigEntry(name, kept, incremental_operation=AlterConfigOpType.SET)
                    for name, kept in p.settings.items()
                ],
            )
            for p in planned
            if p.action == "set"
        ]
        if changed:
            _done(self._admin.incremental_alter_configs(changed, request_timeout=SECONDS))
        return planned

    def _wait_for(self, topics: list[str]) -> None:
        """The controller has made them; a broker tells of them a little later."""
        end = time.monotonic() + SECONDS
        while any(not self._partitions()[0].get(name) for name in topics):
            if time.monotonic() > end:
                raise KafkaProblem(f"the topics are made, and not told of within {SECONDS} s; run this again")
            time.sleep(0.05)

    def check(self) -> None:
        """``KafkaProblem`` unless every topic is there with its partitions; a worker would wait for them for ever."""
        known, _ = self._partitions()
        missing = [self._names.prefix + t.name for t in TOPICS if self._names.prefix + t.name not in known]
        if missing:
            text = f"topics are missing: {', '.join(missing)}; make them with `makeweight topics apply`"
            raise KafkaProblem(text)
        for group, channels in (("order", "MAKEWEIGHT_PARTITIONS_ORDER"), ("offer", "MAKEWEIGHT_PARTITIONS_OFFER")):
            counts = {self._names.prefix + t.name: known[self._names.prefix + t.name] for t in TOPICS
                      if t.partitions == group}  # fmt: skip
            expected = getattr(self._layout, group)
            wrong = {name: count for name, count in counts.items() if count != expected}
            if wrong:
                told = ", ".join(f"{name} has {count}" for name, count in sorted(wrong.items()))
                text = f"topics with equal keys must have equal partition counts: {told}, expected {expected}. "
                raise KafkaProblem(text + f"If all have one count, set {channels} to it; else make the topics anew")

    def identity(self, topic: str) -> str:
        """What tells a topic from another of the same name. ``KafkaException`` if the broker doesn't say it soon."""
        if topic not in self._identities:
            future = self._admin.describe_topics(TopicCollection([topic]), request_timeout=ANSWER_SECONDS)[topic]
            self._identities[topic] = f"{topic}/{future.result().topic_id}"
        return self._identities[topic]


def _done(futures: Mapping[Any, Any]) -> None:
    problems = []
    for name, future in futures.items():
        try:
            future.result()
        except KafkaException as error:
            told = error.args[0].str() if error.args else str(error)
            problems.append(f"{name}: {told}")
    if problems:
        raise KafkaProblem("; ".join(problems))
