"""The final read: every topic from its beginning, what must hold, and the figures of the run."""

import base64
import json
from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from makeweight.contracts.events import ORDER_TYPE
from makeweight.domain.entries import Booked, Received, Reported
from tests.faults.nemesis import EXPECTED_CODES
from tests.support.fleet import ROOT, check, unacknowledged_commits

KEPT = ROOT / "build" / "faults"


@dataclass
class Served:
    """An order: its partition, when it was sent, and when its first final ticket was written."""

    partition: int
    sent: float
    final: float


def served(installation, sent_at):
    """Every order's way from when it was sent to its first ticket that waits for nothing."""
    final = {}
    for at, partition, _, body in sorted(installation.stamps("pick-tickets"), key=lambda one: one[0]):
        ticket = json.loads(body)
        if ticket["state"] != "held":
            final.setdefault(ticket["order"], (partition, at))
    return [Served(final[name][0], sent, final[name][1]) for name, sent in sent_at.items() if name in final]


def recovery(happening, orders, partitions):
    """Seconds until every partition had served an order sent since; None if none came.

    From the fault's beginning, or where the broker was away, from when it was back.
    """
    since = happening.healed if "broker" in happening.kind else happening.began
    waits = []
    for partition in range(partitions):
        after = [one.final for one in orders if one.partition == partition and one.sent > since]
        if not after:
            return None
        waits.append(min(after) - since)
    return max(waits)


def longest_wait(happening, orders, until):
    """Seconds for which an order waited that was sent between a fault's beginning and the next one's."""
    return max((one.final - one.sent for one in orders if happening.began <= one.sent < until), default=0.0)


def opened(installation, happening):
    """Seconds from a fault's beginning until a worker had restored its partitions and opened them; None if none did."""
    logs = [(installation.folder / f"{name}.log") for name in {worker.name for worker in installation.workers}]
    lines = [line for log in logs for line in log.read_text(errors="replace").splitlines() if "partitions open" in line]
    instants = [datetime.fromisoformat(json.loads(line)["timestamp"]).timestamp() for line in lines]
    after = [instant - happening.began for instant in instants if instant > happening.began]
    return min(after) if after else None


def percentile(numbers, part):
    """The value below which that part of the numbers lies."""
    ranked = sorted(numbers)
    return ranked[min(len(ranked) - 1, int(len(ranked) * part))] if ranked else float("nan")


@dataclass
class Reckoning:
    """What a run came to."""

    violations: list
    lost: int
    said_of: list
    decisions: int
    said: int
    orders: list
    ending: object


def reckon(installation, sender, *, one_code):
    """Check everything, and count. A violation is what `check` finds, said in its own words."""
    violations, ending = [], None
    events = sender.events[: sender.sent]
    try:
        ending = check(installation, events, one_code=one_code, aside=EXPECTED_CODES)
    except AssertionError as error:
        violations.append(str(error).splitlines()[0] if str(error) else "an assertion of the checker")
    violations += [f"committed and not handled: {place}" for place in unacknowledged(installation)]
    known = {state.order.order for state in ending.orders.values()} if ending else set()
    lost = len({json.loads(data)["order"] for kind, data in events if kind == ORDER_TYPE} - known) if ending else -1
    missing, said_of = others(installation, events)
    lost += len(missing)
    violations += [f"neither logged nor put aside: {name}" for name in missing]
    ids = [json.loads(body).get("id") for _, _, key, body in installation.stamps("decisions") if key != b"tick"]
    if violations:
        keep_logs(installation)
    orders = served(installation, sender.sent_at)
    return Reckoning(violations, lost, said_of, len(set(ids)), len(ids), orders, ending)


def keep_logs(installation):
    """Both stages' logs and what was said, for whoever looks for the cause: the broker's data goes with the run."""
    folder = KEPT / installation.settings.prefix.strip(".")
    folder.mkdir(parents=True)
    for channel in ("order-log", "ledger-log", "ledger-commands", "decisions", "pick-tickets"):
        records = installation.reading().records(channel)
        records = sorted((one for one in records if one.key != b"tick"), key=lambda one: (one.partition, one.offset))
        (folder / f"{channel}.jsonl").write_bytes(b"".join((one.value or b"") + b"\n" for one in records))


def others(installation, events):
    """What the warehouse and people said and is nowhere; and how much of each kind of it is in the logs."""
    topics = installation.reading()
    logged = {f"{e.order}/{e.fact.event}": e.fact for e in topics.entries("desk") if isinstance(e, Reported)}
    commands = [e for e in topics.entries("ledger") if isinstance(e, Booked | Received)]
    logged |= {f"{c.offer}/{c.id}": c for c in (e.command if isinstance(e, Booked) else e.receipt for e in commands)}
    aside = [base64.b64decode(reject.body) for reject in installation.rejects()]
    told = {name for name in map(_name_of, aside) if name}
    sent = {name for kind, data in events if kind != ORDER_TYPE and (name := _name_of(data))}
    kinds = Counter(getattr(one, "happened", one.__dict__.get("kind")) for one in logged.values())
    refused = sum(isinstance(e, Booked) and e.refused is not None for e in commands)
    return sorted(sent - logged.keys() - told), [*kinds.most_common(), ("refused", refused), ("put aside", len(aside))]


def _name_of(data):
    """What a fact or a command is known by; '' if it is neither."""
    try:
        body = json.loads(data)
    except ValueError:
        return ""
    if "event" in body:
        return f"{body['order']}/{body['event']}"
    return f"{body['offer']}/{body['id']}" if "offer" in body and "id" in body else ""


def unacknowledged(installation):
    """Inputs below a committed offset that left nothing anywhere, those put aside on purpose left out."""
    return unacknowledged_commits(installation, installation.committed())
