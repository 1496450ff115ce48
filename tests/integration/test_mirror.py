"""A board's copy of the topics, on a real broker: it reads like an embedded service, and is exact after any end.

One day of the demo's shop goes through a worker; the tests read it in many ways. What a mirror must say is told by
the embedded host on the recorded inputs, by the reader of the topics, which shares no store with it, and by an embedded
run of the same events.
"""

import json
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime, timedelta
from urllib.request import urlopen

import pytest
from confluent_kafka import KafkaException, TopicPartition
from confluent_kafka.admin import AdminClient

from deploy.demo.compare import embedded_ending, wait_until_quiet
from deploy.demo.day import day
from deploy.demo.load import publish_day, send_day
from deploy.demo.play import HERE, PUBLISHED_AT
from makeweight.adapters.kafka import mirror as mirroring
from makeweight.adapters.kafka.administration import KafkaProblem
from makeweight.adapters.kafka.mirror import Mirror
from makeweight.adapters.kafka.wire import LOGS, Names
from makeweight.adapters.local.database import FILE_NAME, DatabaseError
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.rerun import recorded, rerun
from makeweight.adapters.local.watching import Watching
from makeweight.adapters.local.wave import Wave
from makeweight.bootstrap import publish_files
from makeweight.bootstrap.changing import Changes, preview_distributed, preview_move_distributed
from makeweight.bootstrap.closing import close_campaign, close_distributed
from makeweight.bootstrap.kafka import administration
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.domain.claims import Claim
from makeweight.domain.entries import Settled
from makeweight.domain.stock import Account, Move
from makeweight.domain.values import replaced
from makeweight.planning.changing import Change
from makeweight.planning.ending import plain_differences
from makeweight.planning.moving import StockMove
from makeweight.settings import Settings
from tests.support.board import Board
from tests.support.broker import Broker
from tests.support.fleet import ROOT, Installation
from tests.support.mirror import run_until_caught_up

ORDERS = 80
NOON, EVENING = (datetime(2026, 11, 24, hour, tzinfo=UTC) for hour in (12, 21))
TABLES = ("desk_log", "ledger_log", "outbox", "campaigns", "rejects", "tally", "state")


@pytest.fixture(scope="module")
def played(broker, tmp_path_factory):
    """The day, handled to its end, with a record in it that nobody can read; and its events."""
    events = list(day(5, ORDERS))
    installation = Installation(broker.address, tmp_path_factory.mktemp("played"), orders=4, offers=2)
    try:
        publish_day(installation.settings)
        installation.worker()
        installation.write("orders", b"broken", b"{no order")
        send_day(installation.settings, events)
        wait_until_quiet(installation.settings)
        installation.end_workers()
        for record in installation.reading().records("rejects"):  # as after a batch that came again
            installation.write("rejects", record.key, record.value, record.headers, record.partition)
        yield installation, events
    finally:
        installation.close()


@pytest.fixture(scope="module")
def directory(played, tmp_path_factory):
    """The day, mirrored in one go; nobody writes to it."""
    found = tmp_path_factory.mktemp("mirror")
    run_until_caught_up(mirror_of(played[0], found))
    return found


@pytest.fixture
def reading(directory):
    """A reader of the mirrored day."""
    found = Reader(directory, read_campaign)
    yield found
    found.close()


def mirror_of(installation, directory):
    """A mirror of an installation."""
    return Mirror(installation.settings.kafka, installation.names, directory)


def rows(directory):
    """What a mirror's database holds, but for the order in which partitions were met; nothing is there twice."""
    db = sqlite3.connect(directory / FILE_NAME)
    found = {}
    for table in TABLES:
        names = [name for _, name, *_ in db.execute(f"PRAGMA table_info({table})") if name != "position"]
        found[table] = Counter(db.execute(f"SELECT {', '.join(names)} FROM {table}"))  # noqa: S608 - our names
    found["next"] = dict(db.execute("SELECT name, body FROM meta WHERE name GLOB 'mirror:next/*'"))
    by_key = db.execute("SELECT key, id FROM ledger_log ORDER BY position").fetchall()
    found["order"] = {key: [id_ for other, id_ in by_key if other == key] for key, _ in by_key}
    db.close()
    return found


def timeless(level):
    """A level without the instants at which it was handled."""
    return replaced(level, exhausted_at=None, advertised_after_seconds=None, taken_down_at=None)


def seen_by_a_board(reader):
    """What the board's own folds over a database come to, without instants of handling."""
    watching, wave = Watching(reader), Wave(reader)
    while watching.pull() + wave.pull():
        pass
    watch = watching.watch
    assert watch.orders_by_hour.total() >= ORDERS - 1
    standing = {(one.ticket, one.standing, one.gifts) for one in wave.tickets()}
    return standing, watch.orders_by_hour, watch.revenue, watch.customers, watch.units_by_hour, set(watch.out)


def child(installation, directory, *extra):
    """A mirror in a process of its own."""
    address, prefix = installation.settings.kafka, installation.settings.prefix
    command = [sys.executable, "-m", "tests.support.mirror", address, prefix, str(directory), *extra]
    with (installation.folder / "mirror.log").open("ab") as told:
        return subprocess.Popen(command, cwd=ROOT, stderr=told)


# ---------------------------------------------------------------- what it says


def test_a_mirror_reads_like_an_embedded_service(played, reading, tmp_path):
    """Ending, totals, levels and what orders came to: as the embedded host has it on the recorded inputs."""
    installation, events = played
    topics = installation.reading()
    inputs = [one for stage in ("desk", "ledger") for one in recorded(stage, topics.entries(stage))]
    again = rerun(tmp_path / "again", topics.book(), inputs, PUBLISHED_AT)
    embedded = Reader(tmp_path / "again", read_campaign)
    mirrored = reading.ending()
    assert mirrored.hash() == again.hash()
    assert len(mirrored.orders) >= ORDERS - 1
    assert reading.tally().numbers == {key: n for key, n in embedded.tally().numbers.items() if n}
    assert sorted(map(repr, map(timeless, reading.levels()))) == sorted(map(repr, map(timeless, embedded.levels())))
    assert {x.offer: x.exhausted_at for x in reading.levels()} == topics.totals().exhausted
    for name, state in mirrored.orders.items():
        came_to = reading.order(name)[0]
        assert came_to == state
        assert {o: w.answer and w.answer.units for o, w in came_to.wishes.items()} == {
            o: w.answer and w.answer.units for o, w in embedded.order(name)[0].wishes.items()
        }
    assert seen_by_a_board(reading) == seen_by_a_board(embedded)
    embedded.close()
    differing, compared = plain_differences(
        mirrored, embedded_ending(events, sorted((HERE / "campaigns").glob("*.yaml")), HERE / "stock.csv")
    )
    assert differing == []
    assert compared["judgement"] >= ORDERS - 1


def test_it_tells_stories_and_totals_as_the_topics_do(played, directory, reading):
    """Stories, totals, the watermark, campaigns, closed books and rejects are those of the topics' own reader."""
    installation, _ = played
    topics = installation.reading()
    totals = topics.totals()
    assert reading.tally().numbers == {key: n for key, n in totals.tally.numbers.items() if n}
    assert reading.watermark() == totals.watermark
    assert sorted(map(repr, reading.book())) == sorted(map(repr, topics.book()))
    names = sorted(reading.ending().orders)
    for name in names[:: len(names) // 6]:
        assert reading.explain(name) == topics.explain(name)
    name = next(iter(reading.book())).campaign
    settings = Settings(state=directory, kafka=None)
    report = close_campaign(settings, name, timedelta(0), None)
    assert report == close_distributed(installation.settings, name, timedelta(0), None)
    once = {(r.topic, r.partition, r.position): (r.key, r.code, r.sentence) for r in installation.rejects()}
    put_aside = [(r.key, r.code, r.sentence) for r in reading.rejects(1_000)]
    assert sorted(put_aside) == sorted(once.values())
    assert len(put_aside) < len(installation.rejects())
    assert ("orders", "broken") in {(r.topic, r.key) for r in reading.rejects(1_000)}
    assert not reading.pending()
    assert reading.generation() == 1


def test_what_was_said_is_kept_as_it_stands(played, directory):
    """Tickets, notices and rejects: their bytes, ids and routes; a record's key is what the ticket or the order is."""
    installation, _ = played
    topics = installation.reading()
    kept = rows(directory)
    for channel in ("pick-tickets", "notices"):
        sent = Counter((channel, dict(r.headers)["ce_id"].decode(), r.value) for r in topics.records(channel))
        assert Counter({(c, i, b): n for (c, i, _, b), n in kept["outbox"].items() if c == channel}) == sent
    assert all(json.loads(body)["ticket"] == i for c, i, _, body in kept["outbox"] if c == "pick-tickets")
    assert all(json.loads(body)["order"] == route for c, _, route, body in kept["outbox"] if c == "pick-tickets")
    for stage, table in (("desk", "desk_log"), ("ledger", "ledger_log")):
        sent = Counter((r.key.decode(), r.value) for r in topics.records(LOGS[stage]))
        assert Counter({(key, body): n for (key, _, body), n in kept[table].items()}) == sent
    assert b"{no order" in {row[-1] for row in kept["rejects"]}


# ---------------------------------------------------------------- ends, neighbours, outages


def test_killed_in_the_middle_nothing_is_doubled_or_lost(played, directory, tmp_path):
    """SIGKILL right before a commit, right after one, and at any instant in the logs; then on to the end."""
    installation, _ = played
    whole = rows(directory)
    for moment, number in (("--before", "6"), ("--after", "4")):
        process = child(installation, tmp_path, "--batch", "40", moment, number)
        assert process.wait(60) == -signal.SIGKILL, (installation.folder / "mirror.log").read_text()
    assert rows(tmp_path)["outbox"].total() > 0
    process = child(installation, tmp_path, "--batch", "20", "--pause", "0.05")
    wait_for(lambda: rows(tmp_path)["desk_log"])
    process.kill()
    process.wait(30)
    assert rows(tmp_path)["desk_log"].total() < whole["desk_log"].total()
    run_until_caught_up(mirror_of(installation, tmp_path))
    assert rows(tmp_path) == whole


def test_a_full_disk_ends_it_and_the_next_start_goes_on(played, directory, tmp_path):
    """No file of its process may grow beyond a few pages: it ends and says why; with room again all of it is there."""
    installation, _ = played
    assert child(installation, tmp_path, "--batch", "40", "--after", "2").wait(60) == -signal.SIGKILL
    process = child(installation, tmp_path, "--batch", "40", "--pause", "0.05")
    wait_for(lambda: rows(tmp_path)["desk_log"])
    room = (tmp_path / FILE_NAME).stat().st_size
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (room, room))
    assert process.wait(60) == 1
    assert "OperationalError" in (installation.folder / "mirror.log").read_text()
    assert rows(tmp_path)["desk_log"].total() < rows(directory)["desk_log"].total()
    run_until_caught_up(mirror_of(installation, tmp_path))
    assert rows(tmp_path) == rows(directory)


def test_two_mirrors_side_by_side(played, directory, tmp_path):
    """Each has a directory of its own, both read the same; a directory that is in use is refused."""
    installation, _ = played
    stop = threading.Event()
    one, two = (mirror_of(installation, tmp_path / name) for name in ("one", "two"))
    threads = [threading.Thread(target=each.run, args=(stop,)) for each in (one, two)]
    for thread in threads:
        thread.start()
    try:
        with pytest.raises(KafkaProblem, match="something else runs on"):
            mirror_of(installation, tmp_path / "one")
        while not (one.caught_up and two.caught_up):
            time.sleep(0.02)
        assert set(one.lag().values()) == {0}
    finally:
        stop.set()
        for thread in threads:
            thread.join(30)
    assert rows(tmp_path / "one") == rows(tmp_path / "two") == rows(directory)


def test_directories_that_are_not_its_own_are_refused(played, directory, tmp_path):
    """Another prefix's copy, and a service's own state; and no service runs on a copy, or publishes to it."""
    installation, _ = played
    with pytest.raises(KafkaProblem, match="holds a copy of the topics under prefix"):
        Mirror(installation.settings.kafka, Names("other."), directory)
    settings = Settings(state=tmp_path / "service", kafka=None)
    publish_files(settings, sorted((HERE / "campaigns").glob("*.yaml")), None, lambda: PUBLISHED_AT)
    with pytest.raises(KafkaProblem, match="a service's own state"):
        mirror_of(installation, settings.state)
    with pytest.raises(DatabaseError, match="a service needs a directory of its own"):
        publish_files(Settings(state=directory, kafka=None), [], None)


def test_an_outage_is_waited_out_and_another_cluster_is_refused(played, directory, tmp_path, monkeypatch):
    """While the broker is away what was read stays readable, and the mirror says that it is not what is so now."""
    monkeypatch.setattr(mirroring, "FRESH_SECONDS", 2.0)
    other = tmp_path / "other"
    shutil.copytree(directory, other)
    with Broker() as broker:
        installation = Installation(broker.address, tmp_path, orders=2, offers=1)
        first, second = played[0].reading().records(LOGS["ledger"])[:2]
        installation.write(LOGS["ledger"], first.key, first.value, partition=0)
        stop, one = threading.Event(), mirror_of(installation, tmp_path / "copy")
        thread = threading.Thread(target=one.run, args=(stop,))
        thread.start()
        try:
            wait_for(lambda: one.caught_up)
            assert not one.unanswered
            broker.stop()
            wait_for(lambda: not one.caught_up and one.unanswered)
            assert rows(tmp_path / "copy")["ledger_log"].total() == 1
            broker.start()
            installation.write(LOGS["ledger"], second.key, second.value, partition=0)
            wait_for(lambda: one.caught_up and rows(tmp_path / "copy")["ledger_log"].total() == 2)
            assert not one.unanswered
        finally:
            stop.set()
            thread.join(30)
        with pytest.raises(KafkaProblem, match="holds a copy of the topics of cluster"):
            run_until_caught_up(Mirror(broker.address, played[0].names, other))
        installation.close()


def wait_for(so, seconds=40):
    """Return once something is so."""
    end = time.monotonic() + seconds
    while not so():
        assert time.monotonic() < end
        time.sleep(0.02)


# ---------------------------------------------------------------- logs that are not what they were


def test_late_writers_have_no_say(played, directory, tmp_path):
    """A grant of units that are not there, from a writer with other code: void, and the levels are as before."""
    installation, _ = played
    before = Reader(directory, read_campaign)
    entries = installation.reading().entries("ledger")
    model = next(e for e in entries if isinstance(e, Settled) and e.units > 0 and e.moves)
    claim = replaced(model.claim, order="late", id="late/1", customer=None, units=10**6, customer_cap=None)
    move = Move(Account.FREE, Account.RESERVED, model.gift, model.site, 10**6)
    late = replaced(model, id="late:settled", claim=claim, moves=[move], units=10**6, serves=0)
    shutil.copytree(directory, tmp_path / "copy")
    record = next(r for r in installation.reading().records(LOGS["ledger"]) if r.key.decode() == claim.offer)
    installation.write(LOGS["ledger"], record.key, dumps(late), partition=record.partition)
    run_until_caught_up(mirror_of(installation, tmp_path / "copy"))
    after = Reader(tmp_path / "copy", read_campaign)
    assert isinstance(claim, Claim)
    levels = {x.offer: replaced(x, sequence=0) for x in after.levels()}
    assert levels == {x.offer: replaced(x, sequence=0) for x in before.levels()}
    (said,) = [c for c in after.ending().claims if c.claim.order == "late"]
    assert (said.outcome, said.held) == ("declined", 0)
    assert after.ending().hash() == installation.reading().ending().hash()
    seen = [watch_of(one) for one in (before, after)]
    assert seen[1].out == seen[0].out
    assert seen[1].units_by_hour == seen[0].units_by_hour
    assert seen[1].granted_at == seen[0].granted_at
    before.close()
    after.close()


def watch_of(reader):
    """What a board knows of it."""
    watching = Watching(reader)
    while watching.pull():
        pass
    return watching.watch


def test_topics_that_were_cut_or_made_anew_are_read_anew(played, installation, tmp_path, caplog):
    """Beyond its position, or under the same name: a new generation, in the same file, with what is there now."""
    records = [r for r in played[0].reading().records(LOGS["desk"]) if r.partition == 0][:40]
    for record in records[:10]:
        installation.write(LOGS["desk"], record.key, record.value, partition=0)
    run_until_caught_up(mirror_of(installation, tmp_path / "copy"))
    reading = Reader(tmp_path / "copy", read_campaign)
    assert (reading.generation(), rows(tmp_path / "copy")["desk_log"].total()) == (1, 10)
    for record in records[10:]:
        installation.write(LOGS["desk"], record.key, record.value, partition=0)
    admin = AdminClient({"bootstrap.servers": installation.settings.kafka, "log_level": 0})
    topic = installation.names.log("desk")
    for future in admin.delete_records([TopicPartition(topic, 0, 15)]).values():
        future.result()
    run_until_caught_up(mirror_of(installation, tmp_path / "copy"))
    # Entries of orders whose beginning was cut are left out, those of others are not.
    started = {r.key for r in records[15:] if json.loads(r.value)["kind"] == "judged"}
    assert set(reading.ending().orders) == {key.decode() for key in started}
    assert reading.generation() == 2
    assert "has lost its beginning: the board counts from position 15 on" in caplog.text
    make_anew(admin, installation)
    for record in records:  # its position is there again, in another log
        installation.write(LOGS["desk"], record.key, record.value, partition=0)
    run_until_caught_up(mirror_of(installation, tmp_path / "copy"))
    assert "made anew since they were read: campaigns, ledger-log" in caplog.text
    assert rows(tmp_path / "copy")["desk_log"].total() == len(records)
    stop, one = threading.Event(), mirror_of(installation, tmp_path / "copy")
    thread = threading.Thread(target=one.run, args=(stop,))
    thread.start()
    try:  # and while it follows
        wait_for(lambda: one.caught_up)
        make_anew(admin, installation)
        installation.write(LOGS["desk"], records[0].key, records[0].value, partition=0)
        wait_for(lambda: one.caught_up and rows(tmp_path / "copy")["desk_log"].total() == 1)
    finally:
        stop.set()
        thread.join(30)
    assert reading.generation() > 3
    reading.close()


def make_anew(admin, installation):
    """Remove the topics and make them under their names."""
    names = [name for name in admin.list_topics(timeout=10).topics if name.startswith(installation.settings.prefix)]
    for future in admin.delete_topics(names).values():
        future.result()
    end = time.monotonic() + 20
    while True:  # the name is free a moment later
        try:
            administration(installation.settings).apply()
        except (KafkaProblem, KafkaException):
            assert time.monotonic() < end
            time.sleep(0.1)
        else:
            return


def test_an_entry_that_cannot_be_read_ends_it(installation, tmp_path):
    """Figures without it would be wrong: it says which entry it is, and what came before stays committed."""
    installation.write(LOGS["ledger"], b"week/tin", b'{"kind":"of another version"}', partition=1)
    with pytest.raises(KafkaProblem, match=r"ledger-log.v1 \[1\] position 0 can't be read: .*same version"):
        run_until_caught_up(mirror_of(installation, tmp_path / "copy"))
    assert (tmp_path / "copy" / FILE_NAME).exists()


def test_a_board_on_kafka(played, directory, tmp_path):
    """`makeweight board --kafka` keeps its copy and shows what one on an embedded service would: the same numbers."""
    installation = played[0]
    settings = installation.settings
    env = {"MAKEWEIGHT_KAFKA": settings.kafka, "MAKEWEIGHT_PREFIX": settings.prefix}
    boards = [
        Board(tmp_path / "copied" / "state", "--at", "newest", on_kafka=True, **env),
        Board(directory, "--at", "newest"),
    ]
    try:
        told = [_told(board) for board in boards]
    finally:
        for board in boards:
            board.close()
    assert told[0] == told[1]
    assert any(name.startswith("makeweight_units_left{") for name in told[0]), told[0]


def test_a_move_from_the_copy(played, directory):
    """What a move of stock would come to is told from the copy as from the topics; it goes to the topic of commands."""
    settings = played[0].settings
    move = StockMove("winter-studio/notebook", "NOTEBOOK-A5", "main", 2, "winter-studio/notebook", "annex", "A", "x")
    with closing(Changes(settings, lambda: EVENING, directory)) as changes:
        told = changes.preview_move(move)
        assert told.difference == preview_move_distributed(settings, move, lambda: EVENING).difference
        assert sum(one.before.free_units != one.after.free_units for one in told.difference.offers) == 1
        changes.carry_out(told)
    bodies = [read_command(r.value) for r in played[0].reading().records("ledger-commands") if b'"transfer"' in r.value]
    assert bodies == [told.transfer]


def test_a_change_from_the_copy(played, directory):
    """What a change would come to is told from the copy as from the topics; it is published to the topics."""
    installation = played[0]
    settings, asked = installation.settings, Change("end", "winter-studio/notebook", "M.Byrne", "recall", NOON)
    with closing(Changes(settings, lambda: EVENING, directory)) as changes:
        told = changes.preview(asked)
        assert told.difference == preview_distributed(settings, asked, lambda: EVENING).difference
        assert any(one.before != one.after for one in told.difference.offers)
        later = changes.preview(Change("pause", "winter-studio/notebook", "M.Byrne", "recall"))
        assert changes.publish(later).revision == 2
    assert installation.reading().book().get("winter-studio", 2).why == "recall"


def _told(board):
    """What a board tells of offers once it has read everything: the series and their values."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        page = urlopen(f"{board.address}/metrics", timeout=10).read().decode()  # noqa: S310 - our own board
        found = dict(line.rsplit(" ", 1) for line in page.splitlines() if "{" in line and 'offer="' in line)
        if found and found == getattr(board, "before", None):
            return found
        board.before = found
        time.sleep(3)
    raise TimeoutError(page)
