"""What Prometheus reads of a worker's partitions, beside what it reads of every service."""

from prometheus_client import Counter, Gauge

from makeweight.adapters.kafka.stagehost import Gauges
from makeweight.adapters.kafka.wire import INPUTS
from makeweight.adapters.telemetry.metrics import STAGES, Metrics


class PartitionMetrics(Gauges):
    """Series of the partitions that this worker owns; a partition's own series go to 0 when it leaves."""

    def __init__(self, metrics: Metrics) -> None:
        registry = metrics.registry
        self.open = Gauge(
            "makeweight_partition_open", "1 while the partition is restored and served here.", ["stage", "partition"],
            registry=registry,
        )  # fmt: skip
        self.restore_left = Gauge(
            "makeweight_restore_left_entries", "Entries of the log still to be folded before the partition opens.",
            ["stage", "partition"], registry=registry,
        )  # fmt: skip
        self.lag = Gauge(
            "makeweight_consumer_lag_records", "Records of an input that are not yet handled.", ["topic", "partition"],
            registry=registry,
        )  # fmt: skip
        self.restored = Counter(
            "makeweight_restored_entries", "Entries of the log folded by the gate.", ["stage"], registry=registry
        )
        self.foreign_writes = Counter(
            "makeweight_foreign_writes", "Batches between whose entries another writer's lay.", ["stage"],
            registry=registry,
        )  # fmt: skip
        self.void_grants = Counter(
            "makeweight_void_grants", "Grants without cover at their place in the log.", ["stage"], registry=registry
        )
        for stage in STAGES:
            for counter in (self.restored, self.foreign_writes, self.void_grants):
                counter.labels(stage)

    def opened(self, stage: str, partition: int, *, is_open: bool) -> None:
        """A partition was opened or let go."""
        self.open.labels(stage, partition).set(int(is_open))
        if not is_open:
            self.restore_left.labels(stage, partition).set(0)
            for topic in INPUTS[stage]:
                self.lag.labels(topic, partition).set(0)

    def restoring(self, stage: str, partition: int, folded: int, left: int) -> None:
        """Entries of the log were folded, and so many are left."""
        self.restored.labels(stage).inc(folded)
        self.restore_left.labels(stage, partition).set(left)

    def foreign(self, stage: str) -> None:
        """Another writer's entries stood in the log."""
        self.foreign_writes.labels(stage).inc()

    def voids(self, stage: str, number: int) -> None:
        """Grants without cover were folded as declines."""
        self.void_grants.labels(stage).inc(number)

    def lags(self, topic: str, partition: int, records: int) -> None:
        """So many records of an input are not yet handled."""
        self.lag.labels(topic, partition).set(records)
