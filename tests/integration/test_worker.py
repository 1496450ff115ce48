"""Workers on a real broker, undisturbed: the main job, bad input, ticks, campaigns that change, and how one ends."""

import base64
import json
import signal
import time
from datetime import datetime
from random import Random

import pytest
from confluent_kafka.admin import AdminClient

from makeweight.adapters.kafka import stall
from makeweight.adapters.kafka.stall import Progress, Stalled
from makeweight.contracts.events import ORDER_TYPE
from tests.support.fleet import Installation, check, unacknowledged_commits
from tests.support.week import CAMPAIGN, day, snapshot


def test_the_main_job(installation):
    """Orders, amendments, cancellations and repeats through one worker: safe, and equal to the embedded host."""
    events = day(Random(1), 120, facts=False)
    installation.publish().worker()
    installation.send([*events, *events[::7]])
    installation.quiet()
    ending = check(installation, events)
    assert {c.outcome for c in ending.claims} == {"granted", "owed", "declined"}  # stock and caps did run short
    worker = installation.workers[0]
    assert worker.total("makeweight_invariant_violations_total") == 0
    assert worker.total("makeweight_partition_open") == 6
    assert worker.terminate() == 0


def test_a_poison_record_is_put_aside_and_its_neighbours_are_served(installation):
    """Every kind of record that can't be processed, with its bytes and place; orders around it get their tickets."""
    events = day(Random(2), 12, facts=False)
    installation.publish().worker()
    installation.send(events[:6])
    headers = [("ce_specversion", b"1.0"), ("ce_id", b"x"), ("ce_source", b"/s"), ("ce_type", ORDER_TYPE.encode())]
    wrong = {
        b"not json": ("orders", b"k", headers, "malformed"),
        b'{"order": "k", "revision": 1}': ("orders", b"k", headers, "malformed"),
        b"{}": ("orders", b"k", [], "envelope"),
        b"\xff\xfe": ("fulfilment", b"\xff", headers, "envelope"),
        json.dumps(snapshot(Random(0), 7, 1, "placed", 12)).encode(): ("orders", b"other", headers, "wrong_key"),
        b'{"kind": "claim"}': ("ledger-commands", b"week/tin", [], "malformed"),
        b'{"kind":"receipt","id":"r","offer":"week/tin","gift":"TIN","site":"main","units":-5}': (
            "ledger-commands",
            b"week/tin",
            [],
            "malformed",
        ),
        b"[]": ("decisions", b"k", [], "malformed"),
        b"": ("orders", b"", headers, "malformed"),
    }
    for body, (channel, key, told, _) in wrong.items():
        installation.write(channel, key, body, told)
    installation.send(events[6:])
    installation.quiet()
    assert set(installation.ending().orders) == {json.loads(data)["order"] for _, data in events}
    rejects = {base64.b64decode(r.body): r for r in installation.rejects()}
    assert {body: r.code for body, r in rejects.items()} == {body: code for body, (*_, code) in wrong.items()}
    for reject in rejects.values():  # its place leads back to the record
        channel = installation.names.channel(reject.topic)
        record = installation.reading().records(channel, reject.partition)[reject.position]
        assert (record.value or b"") == base64.b64decode(reject.body)
    assert installation.workers[0].total("makeweight_invariant_violations_total") == 0


def test_campaigns_change_under_load(installation):
    """An order is judged by the revision in force when it was placed, however late the revision is published."""
    installation.publish().worker()
    events = day(Random(3), 60, facts=False)
    installation.send(events[: len(events) // 2])
    second = CAMPAIGN.replace("campaign: week\n", "campaign: week\nrevision: 2\neffective: 2026-11-24 09:00:30Z\n")
    assert second != CAMPAIGN
    second = second.replace("at_least: 4000", "at_least: 6100")
    installation.publish(second, None)
    time.sleep(1.5)  # the view is looked at every second
    installation.send(events[len(events) // 2 :])
    installation.quiet()
    ending = check(installation, events)
    used = {name: state.evaluation.campaigns["week"] for name, state in ending.orders.items()
            if state.order.status != "cancelled"}  # fmt: skip
    late = {name for name in used if int(name[1:]) >= 30}
    judged_late = {name for name in late if ending.orders[name].first_at >= min(
        ending.orders[n].first_at for n, revision in used.items() if revision == 2)}  # fmt: skip
    assert {used[name] for name in judged_late} == {2}
    assert {used[name] for name in set(used) - late} == {1}


def test_a_conflicting_campaign_is_put_aside(installation):
    """Same revision, other content, from someone who went around `publish`: the first counts, the second is kept."""
    installation.publish().worker()
    known = installation.reading().records("campaigns")[0]
    other = known.value.replace(b"A tin from 40 on.", b"A tin from 41 on.")
    installation.write("campaigns", b"week/1", other, partition=0)
    end = time.monotonic() + 20
    while not installation.rejects() and time.monotonic() < end:
        time.sleep(0.2)
    assert [(r.topic.split(".", 1)[1], r.position, r.code) for r in installation.rejects()] == [
        ("campaigns.v1", 1, "other_content")
    ]
    assert installation.reading().book().get("week", 1).offers[0].says == "A tin from 40 on."


def test_sigterm_ends_the_batch_and_commits(installation):
    """What was handled is committed, what was committed was handled; the next worker goes on from there."""
    events = day(Random(4), 400, facts=False)
    installation.publish().worker()
    installation.send(events)
    time.sleep(0.7)
    assert installation.workers[0].terminate() == 0
    at = installation.committed()
    assert sum(at.values()) > 0, "it was stopped before it had done anything"
    assert unacknowledged_commits(installation, at) == []
    entries = installation.reading().entries("desk")
    # An answer to a claim that has been replaced is superseded too, and has no digest.
    judged = [entry for entry in entries if entry.kind == "judged" or (entry.kind == "superseded" and entry.digest)]
    assert len(judged) == sum(number for (channel, _), number in at.items() if channel == "orders")
    installation.worker("two")
    installation.quiet()
    check(installation, events)


def test_three_workers_own_the_same_partitions_of_what_is_read_together(broker, tmp_path):
    """With eight partitions and three workers, where a round robin over topics would scatter an order's messages."""
    installation = Installation(broker.address, tmp_path, orders=8, offers=4)
    try:
        installation.publish()
        for name in ("one", "two", "three"):
            installation.worker(name, ready=False)
        for worker in installation.workers:
            worker.wait_ready()
        events = day(Random(5), 60, facts=False)
        installation.send(events)
        installation.quiet()
        owned = [
            {(s.split('partition="')[1].split('"')[0], s.split('stage="')[1].split('"')[0])
             for s, v in w.metrics().items() if s.startswith("makeweight_partition_open{") and v}
            for w in installation.workers
        ]  # fmt: skip
        everything = {(str(p), "desk") for p in range(8)} | {(str(p), "ledger") for p in range(4)}
        assert set.union(*owned) == everything
        assert sum(len(one) for one in owned) == len(everything), "a partition is open twice"
        assert min(len([x for x in one if x[1] == "desk"]) for one in owned) >= 2
        check(installation, events)
    finally:
        installation.close()


def test_nothing_is_handled_before_its_partition_is_restored(installation):
    """The gate takes seconds over a long log, while orders wait; the first new entry comes after it opened."""
    events = day(Random(6), 200, facts=False)
    installation.publish().worker()
    installation.send(events[:150])
    installation.quiet()
    installation.workers[0].kill()
    before = {stage: len(installation.reading().entries(stage)) for stage in ("desk", "ledger")}
    started = time.time()
    installation.worker("other", "--slow-gate", "0.5", ready=False)  # an empty directory
    installation.send(events[150:])
    installation.workers[1].wait_ready()
    opened = [json.loads(x) for x in installation.workers[1].log.read_text().splitlines() if "partitions open" in x]
    installation.quiet()
    at = opened[0]["timestamp"].replace("Z", "+00:00")
    opened_at = datetime.fromisoformat(at)
    assert opened_at.timestamp() - started > 2, "the gate was not slow enough to show anything"
    fresh = [e for e in installation.reading().entries("desk") if e.at.timestamp() > started]
    assert len(fresh) >= 40
    assert min(e.at for e in fresh) >= opened_at
    check(installation, events)
    assert installation.workers[1].total("makeweight_restored_entries_total") >= sum(before.values())


def test_the_time_reaches_both_stages_and_leaves_nothing(installation):
    """A tick a second and partition, each with an id of its own; none is in a log while nothing is due."""
    installation.publish().worker()
    time.sleep(4)
    installation.workers[0].signal(signal.SIGTERM)
    assert installation.workers[0].wait_end() == 0
    for channel, partitions in (("decisions", 4), ("ledger-commands", 2)):
        for partition in range(partitions):
            ticks = [r for r in installation.reading().records(channel, partition) if r.key == b"tick"]
            assert 3 <= len(ticks) <= 12
            assert len({json.loads(r.value)["id"] for r in ticks}) == len(ticks)
    assert installation.reading().entries("desk") == []
    assert [e.kind for e in installation.reading().entries("ledger")] == ["received"] * 5


def test_a_partition_that_gets_nowhere_is_noticed(installation, monkeypatch):
    """Records that nobody commits for long end a worker; those that are handled, and a topic without any, don't."""
    progress = Progress(installation.settings.kafka, f"{installation.settings.prefix}makeweight")
    owned = [(installation.names.topic(channel), 0) for channel in ("orders", "fulfilment")]
    progress.look(owned)
    installation.write("orders", b"k", b"{}", partition=0)
    progress.look(owned)
    monkeypatch.setattr(stall, "STALL_SECONDS", 0.0)
    with pytest.raises(Stalled, match=r"orders.v1 \[0\] stands at 0 of 1"):
        progress.look(owned)
    installation.publish().worker()
    installation.quiet()
    progress.look(owned)
    progress.look(owned)
    progress.close()


@pytest.mark.parametrize("missing", ["orders", "order-log"])
def test_missing_topics_are_a_clear_error(installation, missing):
    """A worker without its topics would call itself ready and wait for ever."""
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka})
    for future in admin.delete_topics([installation.names.topic(missing)]).values():
        future.result()
    worker = installation.worker(ready=False)
    assert worker.wait_end() != 0
    assert f"topics are missing: {installation.names.topic(missing)}" in worker.told()
    assert "makeweight topics apply" in worker.told()
