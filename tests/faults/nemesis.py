"""What goes wrong: one function for each kind of fault, all of them on real processes and a real broker.

A fault begins and heals within its function. Whoever runs workers starts those anew that end by themselves.
"""

import json
import resource
import shutil
import signal
import time
from dataclasses import dataclass, field

from makeweight.adapters.kafka.worker import CRASHED
from makeweight.contracts.events import ORDER_TYPE
from makeweight.contracts.topics import MAX_EVENT_BYTES
from tests.faults.floor import CAMPAIGN
from tests.support.fleet import SESSION_SECONDS

HEADERS = [("ce_specversion", b"1.0"), ("ce_id", b"x"), ("ce_source", b"/s"), ("ce_type", ORDER_TYPE.encode())]
BROKER_DOWN_SECONDS = 3
BROKER_STOPPED_SECONDS = 10


@dataclass
class Happening:
    """A fault: when it began, and when what it broke was whole again, in seconds since the epoch."""

    kind: str
    began: float
    healed: float = 0.0


@dataclass
class Scene:
    """The installation under attack."""

    rng: object
    broker: object
    installation: object
    sender: object
    team: dict = field(default_factory=dict)  # workers that are meant to run, by name
    happenings: list = field(default_factory=list)
    ended: list = field(default_factory=list)  # workers that ended by themselves: their code, and what they said
    number: int = 0

    def start(self, name, *extra):
        """Start a worker; one of the same name is its former self, with its directory."""
        self.team[name] = self.installation.worker(name, *extra, ready=False)
        return self.team[name]

    def look_after(self):
        """Start workers anew that ended by themselves, as whoever runs them in earnest would."""
        for name, worker in list(self.team.items()):
            code = worker.process.poll()
            if code is not None:
                self.ended.append((code, worker.reason()))
                self.start(name, *worker.extra)

    def wait(self, seconds):
        """Let time pass, looking after the workers."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.look_after()
            time.sleep(0.2)

    def any_worker(self):
        """One of the workers."""
        self.look_after()
        return self.rng.choice(sorted(self.team))


def kill_one(scene):
    """SIGKILL of one worker, which is started again."""
    name = scene.any_worker()
    scene.team[name].kill()
    time.sleep(scene.rng.uniform(0, 2))
    scene.start(name)


def kill_all(scene):
    """SIGKILL of all workers at once."""
    for worker in scene.team.values():
        worker.process.kill()
    for name, worker in list(scene.team.items()):
        worker.process.wait(30)
        scene.start(name)


def kill_in_a_row(scene):
    """SIGKILL of one worker, again while it starts, and again."""
    name = scene.any_worker()
    for _ in range(3):
        scene.team[name].kill()
        scene.start(name)
        time.sleep(scene.rng.uniform(0.3, 2.5))


def terminate_one(scene):
    """SIGTERM of one worker: it ends what it is at, and leaves in good order."""
    name = scene.any_worker()
    code = scene.team[name].terminate()
    # One that has not come up yet, or was crashing already, may end otherwise; nothing may be lost by it either.
    if code not in (0, -signal.SIGTERM, CRASHED):
        raise AssertionError(f"a worker that was told to end ended with {code}: {scene.team[name].tail()}")
    scene.start(name)


def pause_past_the_session(scene):
    """SIGSTOP until the session is over and its heir at work, then SIGCONT: it wakes with a batch half done."""
    worker = scene.team[scene.any_worker()]
    worker.signal(signal.SIGSTOP)
    time.sleep(SESSION_SECONDS + scene.rng.uniform(2, 5))
    worker.signal(signal.SIGCONT)


def more_and_fewer(scene):
    """Two workers more, one after the other, and then both gone: partitions move four times."""
    for name in ("three", "four"):
        scene.start(name)
        scene.wait(4)
    for name in ("three", "four"):
        scene.team.pop(name).terminate()
        time.sleep(1)


def bounce_broker(scene):
    """The broker is told to end and started again."""
    scene.broker.stop()
    time.sleep(BROKER_DOWN_SECONDS)
    scene.broker.start()


def kill_broker(scene):
    """SIGKILL of the broker, which is started again with its data."""
    scene.broker.kill()
    time.sleep(BROKER_DOWN_SECONDS)
    scene.broker.start()


def stop_broker(scene):
    """SIGSTOP of the broker for longer than a session, then SIGCONT."""
    scene.broker.pause()
    time.sleep(BROKER_STOPPED_SECONDS)
    scene.broker.resume()


def lose_directory(scene):
    """SIGKILL of one worker, and its caches are gone."""
    name = scene.any_worker()
    scene.team[name].kill()
    shutil.rmtree(scene.installation.folder / name, ignore_errors=True)
    scene.start(name)


def fill_disk(scene):
    """No file of one worker may grow any more: it must end, and nothing that it could not keep is acknowledged."""
    worker = scene.team[scene.any_worker()]
    folder = scene.installation.folder / worker.name
    sizes = [path.stat().st_size for path in folder.rglob("*.db*") if path.is_file()]
    if worker.process.poll() is None and sizes:
        full = max(4096, max(sizes) // 2)
        resource.prlimit(worker.process.pid, resource.RLIMIT_FSIZE, (full, full))
        end = time.monotonic() + 15
        while worker.process.poll() is None and time.monotonic() < end:
            time.sleep(0.2)
        if worker.process.poll() is None:  # it had nothing to write in that time
            worker.kill()


def poison(scene):
    """Records that can't be processed among those that can: broken, under a wrong key, too large, conflicting."""
    scene.number += 1
    kind, data = scene.rng.choice(scene.sender.events[: max(1, scene.sender.acknowledged // 2)])
    body = json.loads(data)
    other = json.dumps({**body, "note": f"other {scene.number}", "shipping_charged": 99_000 + scene.number}).encode()
    write = scene.installation.write
    write("orders", f"p{scene.number}".encode(), b"not json", HEADERS)
    write("orders", b"nobody", data, HEADERS)
    write("orders", b"big", b" " * (MAX_EVENT_BYTES + 1), HEADERS)
    write("ledger-commands", b"week/tin", b'{"kind": "claim"}')
    if kind == ORDER_TYPE:
        write("orders", body["order"].encode(), other, HEADERS)


def publish_campaign(scene):
    """One more campaign is published, for days to come."""
    scene.number += 1
    text = CAMPAIGN.replace("campaign: week", f"campaign: later-{scene.number}").replace("2026-11-", "2027-11-")
    scene.installation.publish(text, None)


def another_version(scene):
    """A worker of a version that thinks every gift is in stock takes part for a while, and is killed at its work."""
    scene.start("other", "--code", "generous")
    scene.wait(scene.rng.uniform(5, 9))
    scene.team.pop("other").kill()


FAULTS = {
    "worker killed": kill_one,
    "all workers killed": kill_all,
    "worker killed three times in a row": kill_in_a_row,
    "worker told to end": terminate_one,
    "worker paused past its session": pause_past_the_session,
    "two workers more, then fewer": more_and_fewer,
    "broker told to end": bounce_broker,
    "broker killed": kill_broker,
    "broker stopped": stop_broker,
    "state directory lost": lose_directory,
    "disk full": fill_disk,
    "poison": poison,
    "campaign published": publish_campaign,
}
OTHER_VERSION = "another version beside"
HARMLESS = ("poison", "campaign published")
EXPECTED_CODES = ("malformed", "wrong_key", "too_large", "other_content", "not_enough", "unknown_transfer")


def strike(scene, kind):
    """Let one kind of fault happen, and wait until the broker and the workers are there again."""
    happening = Happening(kind, time.time())
    scene.happenings.append(happening)
    (another_version if kind == OTHER_VERSION else FAULTS[kind])(scene)
    scene.look_after()
    happening.healed = time.time()


def order_of(rng, count, besides=()):
    """So many faults: every kind once before one comes again, in an order of the seed's."""
    kinds = []
    while len(kinds) < count:
        more = [*FAULTS, *besides]
        rng.shuffle(more)
        kinds += more
    return kinds[:count]
