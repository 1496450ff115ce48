"""Turns the host's work into metrics and log lines."""

import time
from typing import Any

from makeweight.adapters.local.host import Incoming, Watcher
from makeweight.adapters.telemetry.logs import logger
from makeweight.adapters.telemetry.metrics import Metrics, lag
from makeweight.domain.entries import Judged, Settled
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Order
from makeweight.stages.port import Message, Output, Verdict


class TelemetryWatcher(Watcher):
    """Counts and logs. Log lines name orders and offers, never customers, and nothing that the order carries along."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics
        self._log = logger()
        self._started = time.perf_counter()
        self._lines: dict[tuple[str, str], dict[str, Any]] = {}
        self._rejected: list[dict[str, Any]] = []

    def started(self) -> None:
        """A batch begins."""
        self._started = time.perf_counter()

    def entry(self, stage: str, entry: Any) -> None:
        """Count outcomes; note it on the line of this order and stage, written once it is on the disk."""
        if isinstance(entry, Settled):
            claim, reason = entry.claim, entry.reason or ""
            self._metrics.outcomes.labels(claim.offer, entry.outcome, reason).inc()
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
        """Count what a stage took in."""
        self._metrics.records_in.labels(stage, verdict.result).inc()

    def reject(self, topic: str, code: str) -> None:
        """Count and log what was put aside."""
        self._metrics.rejects.labels(topic, code).inc()
        self._rejected.append({"topic": topic, "reason": code})

    def committed(self, incoming: list[Incoming], outputs: list[Output], now: Instant) -> None:
        """A batch is on the disk: its times, its lags, its lines."""
        metrics = self._metrics
        metrics.commit_seconds.observe(time.perf_counter() - self._started)
        for output in outputs:
            metrics.records_out.labels(output.channel).inc()
        for one in incoming:
            metrics.last_processed.labels(one.topic).set(now.timestamp())
            if isinstance(one.body, Order):
                behind = lag(one.body.placed_at, now)
                metrics.ticket_seconds.observe(behind)
                metrics.lag_seconds.set(behind)
        for line in self._lines.values():
            self._log.info("handled", **line)
        for line in self._rejected:
            self._log.warning("rejected", **line)
        self.dropped()

    def dropped(self) -> None:
        """A batch was rolled back: its lines never happened."""
        self._lines.clear()
        self._rejected.clear()

    def violation(self, code: str) -> None:
        """Loud: this is a defect."""
        self._metrics.violations.labels(code).inc()
        self._log.error("invariant_violation", invariant=code)
