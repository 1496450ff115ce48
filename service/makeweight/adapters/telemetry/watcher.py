"""Turns the host's work into metrics and log lines."""

import time
from typing import Any, TypeVar

from makeweight.adapters.hosting import Incoming, Watcher
from makeweight.adapters.telemetry.logs import logger
from makeweight.adapters.telemetry.metrics import STAGES, Metrics, lag
from makeweight.domain.entries import Judged, Settled
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Order
from makeweight.stages.port import Message, Output, Verdict

K = TypeVar("K")


class TelemetryWatcher(Watcher):
    """Counts and logs. Log lines name orders and offers, never customers, and nothing that the order carries along.

    A batch is counted and written only once it is on the disk: what was rolled back never happened.
    """

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics
        self._log = logger()
        self._started = self._stepped = time.perf_counter()
        self._stage_seconds = {name: metrics.stage_seconds.labels(name) for name in STAGES}
        self._lines: dict[tuple[str, str], dict[str, Any]] = {}
        self._rejected: list[tuple[str, str]] = []
        self._results: dict[tuple[str, str], int] = {}
        self._outcomes: dict[tuple[str, str, str], int] = {}

    def started(self) -> None:
        """A batch begins."""
        self._started = self._stepped = time.perf_counter()

    def entry(self, stage: str, entry: Any) -> None:
        """Note the entry on the line of its order and stage."""
        if isinstance(entry, Settled):
            claim, reason = entry.claim, entry.reason or ""
            _add(self._outcomes, (claim.offer, entry.outcome, reason))
            line = self._line(stage, claim.order)
            line.setdefault("outcomes", {})[claim.offer] = f"{entry.outcome} {reason}".strip()
        elif isinstance(entry, Judged):
            line = self._line(stage, entry.order.order)
            line |= {"revision": entry.order.revision, "claims": len(entry.claims)}
        else:
            order = getattr(entry, "order", "")
            line = self._line(stage, order if isinstance(order, str) else "")
        line["entries"] = line.get("entries", 0) + 1

    def _line(self, stage: str, order: str) -> dict[str, Any]:
        return self._lines.setdefault((stage, order), {"stage": stage, "order": order})

    def result(self, stage: str, message: Message, verdict: Verdict) -> None:  # noqa: ARG002 - the host's port
        """Note what a stage took in; messages follow each other, so the time since the last is this one's."""
        now = time.perf_counter()
        self._stage_seconds[stage].observe(now - self._stepped)
        self._stepped = now
        _add(self._results, (stage, verdict.result))

    def reject(self, topic: str, code: str) -> None:
        """Note what was put aside."""
        self._rejected.append((topic, code))

    def committed(self, incoming: list[Incoming], outputs: list[Output], now: Instant, answered: list[Instant]) -> None:
        """A batch is durable: its counts, its times, its lags, its lines."""
        metrics = self._metrics
        metrics.commit_seconds.observe(time.perf_counter() - self._started)
        for (stage, result), number in self._results.items():
            metrics.records_in.labels(stage, result).inc(number)
        for labels, number in self._outcomes.items():
            metrics.outcomes.labels(*labels).inc(number)
        said: dict[str, int] = {}
        for output in outputs:
            _add(said, output.channel)
        for channel, number in said.items():
            metrics.records_out.labels(channel).inc(number)
        for topic in {one.topic for one in incoming}:
            metrics.last_processed.labels(topic).set(now.timestamp())
        for one in incoming:
            if isinstance(one.body, Order):
                metrics.lag_seconds.set(lag(one.body.placed_at, now))
        for placed_at in answered:
            metrics.ticket_seconds.observe(lag(placed_at, now))
        for line in self._lines.values():
            self._log.info("handled", **line)
        for topic, code in self._rejected:
            metrics.rejects.labels(topic, code).inc()
            self._log.warning("rejected", topic=topic, reason=code)
        self.dropped()

    def dropped(self) -> None:
        """Forget what was noted of the batch."""
        for noted in (self._lines, self._rejected, self._results, self._outcomes):
            noted.clear()

    def violation(self, code: str) -> None:
        """Loud: this is a defect."""
        self._metrics.violations.labels(code).inc()
        self._log.error("invariant_violation", invariant=code)


def _add(counts: dict[K, int], key: K) -> None:
    counts[key] = counts.get(key, 0) + 1
