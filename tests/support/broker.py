"""A real Kafka for the tests, found in this order: an address that is given, a container, a plain process.

A container is taken where an image is named (MAKEWEIGHT_KAFKA_IMAGE). A plain process needs Java 17 and Maven, which
fetches the broker once; it starts faster, so a container of docker-compose.yml's image is only taken where these two
are missing and an engine answers. Where none can be had the tests fail and say what to install: a suite without a
broker would show nothing of the distributed service.
"""

import fcntl
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from confluent_kafka import KafkaException
from confluent_kafka.admin import AdminClient

if TYPE_CHECKING:
    from tests.support.image import ContainerBroker

ROOT = Path(__file__).parents[2]
POM = Path(__file__).parent / "kafka" / "pom.xml"
JARS = ROOT / "build" / "kafka"
ADDRESS, IMAGE = "MAKEWEIGHT_TEST_KAFKA", "MAKEWEIGHT_KAFKA_IMAGE"
START_SECONDS = 60
JAVA_MIN = 17
MISSING = (
    f"the tests need a Kafka broker: install Java {JAVA_MIN} or newer and Maven (Debian: apt-get install "
    f"openjdk-{JAVA_MIN}-jdk-headless maven), or Docker, or set {ADDRESS} to the address of a broker"
)


class NoBroker(RuntimeError):
    """No broker can be had on this machine."""


def free_ports(count: int) -> list[int]:
    """Ports that nothing listens on now."""
    sockets = [socket.socket() for _ in range(count)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


def server_properties(node: int, ports: list[tuple[int, int]], data: str) -> str:
    """The configuration of one of some brokers that are their own controllers; everything stays on loopback.

    ``ports``: of each node, the brokers' and the controllers'. ``node`` counts from 1.
    """
    port, controller = ports[node - 1]
    copies = len(ports)
    quorum = f"controller.quorum.bootstrap.servers=127.0.0.1:{controller}"
    if copies > 1:
        voters = ",".join(f"{number}@127.0.0.1:{each}" for number, (_, each) in enumerate(ports, 1))
        quorum = f"controller.quorum.voters={voters}"
    return f"""process.roles=broker,controller
node.id={node}
{quorum}
listeners=PLAINTEXT://127.0.0.1:{port},CONTROLLER://127.0.0.1:{controller}
advertised.listeners=PLAINTEXT://127.0.0.1:{port}
controller.listener.names=CONTROLLER
listener.security.protocol.map=PLAINTEXT:PLAINTEXT,CONTROLLER:PLAINTEXT
offsets.topic.replication.factor={copies}
offsets.topic.num.partitions=4
transaction.state.log.replication.factor={copies}
transaction.state.log.min.isr={1 if copies == 1 else copies - 1}
min.insync.replicas={1 if copies == 1 else copies - 1}
group.initial.rebalance.delay.ms=0
broker.session.timeout.ms=3000
broker.heartbeat.interval.ms=1000
auto.create.topics.enable=false
log.dirs={data}
"""


def java_problem() -> str | None:
    """Why the broker can't be run as a plain process here, or None if it can."""
    java, maven = shutil.which("java"), shutil.which("mvn")
    if java is None or maven is None:
        return f"no {'java' if java is None else 'mvn'} on the path"
    told = subprocess.run([java, "-version"], capture_output=True, text=True, check=False).stderr
    found = re.search(r'version "(\d+)', told)
    if found is None or int(found[1]) < JAVA_MIN:
        return f"java is not {JAVA_MIN} or newer: {told.splitlines()[0] if told else 'it says no version'}"
    return None


def jars() -> str:
    """The class path of the broker; fetched once, also if two runs start at the same time."""
    problem = java_problem()
    if problem:
        raise NoBroker(f"{MISSING} ({problem})")
    JARS.mkdir(parents=True, exist_ok=True)
    with (JARS / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        stamp = JARS / "complete"
        if not stamp.exists() or stamp.read_text() != POM.read_text():
            shutil.rmtree(JARS / "libs", ignore_errors=True)  # jars of another version would be on the class path too
            command = ["mvn", "-q", "-B", "-f", str(POM), "dependency:copy-dependencies"]
            done = subprocess.run(
                [*command, f"-DoutputDirectory={JARS / 'libs'}"], capture_output=True, text=True, check=False
            )
            if done.returncode:
                raise NoBroker(f"Maven could not fetch the broker: {done.stdout[-2000:]}{done.stderr[-2000:]}")
            stamp.write_text(POM.read_text())
    return f"{JARS / 'libs'}/*"


class Broker:
    """A broker in a process of its own, with its data in a temporary directory."""

    def __init__(self, node: int = 1, ports: list[tuple[int, int]] | None = None, cluster: str | None = None) -> None:
        self._class_path = jars()  # first, since it may raise: then nothing is left behind
        self._directory = Path(tempfile.mkdtemp(prefix="makeweight-kafka-"))
        if ports is None:
            port, controller = free_ports(2)
            ports = [(port, controller)]
        self.address = f"127.0.0.1:{ports[node - 1][0]}"
        self._config = self._directory / "server.properties"
        self._config.write_text(server_properties(node, ports, str(self._directory / "data")))
        self._process: subprocess.Popen[bytes] | None = None
        alone = ["--standalone"] if len(ports) == 1 else []
        self._format = ("format", *alone, "-t", cluster or self.random_id(), "-c", str(self._config))
        self._tool(*self._format)

    def lose_disk(self) -> None:
        """Everything that it kept is gone; it is down, and its next start is with an empty disk."""
        shutil.rmtree(self._directory / "data")
        self._tool(*self._format)

    def random_id(self) -> str:
        """An id for a cluster."""
        return self._tool("random-uuid").stdout.strip().splitlines()[-1]

    def _tool(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        command = ["java", "-cp", self._class_path, "kafka.tools.StorageTool", *arguments]
        return subprocess.run(command, capture_output=True, text=True, check=True)

    @property
    def runs(self) -> bool:
        """Whether its process is there."""
        return self._process is not None and self._process.poll() is None

    def start(self, *, wait: bool = True) -> "Broker":
        """Start, and wait until it answers; after an end, on the same ports and with the same data."""
        out = self._directory / "out.log"
        command = ["java", "-Xmx512m", "-XX:+UseSerialGC", "-cp", self._class_path, "kafka.Kafka", str(self._config)]
        with out.open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
        if not wait:
            return self
        try:
            wait_until_it_answers(self.address)
        except NoBroker as error:
            told = out.read_text(errors="replace")[-2000:]
            self.close()
            raise NoBroker(f"{error}; it said: {told}") from None
        return self

    def __enter__(self) -> "Broker":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.close()

    def signal(self, number: int) -> None:
        """Send a signal to the broker's process."""
        assert self._process is not None
        self._process.send_signal(number)

    def pause(self) -> None:
        """Stop the clock of the broker."""
        self.signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let it go on."""
        self.signal(signal.SIGCONT)

    def kill(self) -> None:
        """SIGKILL, and wait for the end."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """SIGTERM, and wait for the end: the broker hands over and closes its logs."""
        self._end(signal.SIGTERM)

    def restart(self) -> None:
        """Stop and start, on the same ports and with the same data."""
        self.stop()
        self.start()

    def _end(self, number: int) -> None:
        self.signal(number)
        assert self._process is not None
        self._process.wait(30)

    def close(self) -> None:
        """End the broker and remove its data."""
        if self._process is not None and self._process.poll() is None:
            self.kill()
        shutil.rmtree(self._directory, ignore_errors=True)


class Cluster:
    """Three brokers that copy everything to each other, of which one at a time comes to harm: each in its turn."""

    def __init__(self) -> None:
        ports = free_ports(6)
        pairs = [(ports[2 * n], ports[2 * n + 1]) for n in range(3)]
        first = Broker(1, pairs, cluster="MkU3OEVBNTcwNTJENDM2Qg")
        self._nodes = [first, *(Broker(node, pairs, cluster="MkU3OEVBNTcwNTJENDM2Qg") for node in (2, 3))]
        self.address = ",".join(node.address for node in self._nodes)
        self._turn = 0

    def start(self) -> "Cluster":
        """Start the nodes that don't run, and wait until each answers."""
        for node in self._nodes:
            if not node.runs:
                node.start(wait=False)
        for node in self._nodes:
            wait_until_it_answers(node.address)
        return self

    def __enter__(self) -> "Cluster":
        return self.start()

    def __exit__(self, *_: object) -> None:
        for node in self._nodes:
            node.close()

    def _next(self) -> Broker:
        self._turn += 1
        return self._nodes[self._turn % len(self._nodes)]

    def kill(self) -> None:
        """SIGKILL of the next one."""
        self._next().kill()

    def lose_disk(self) -> None:
        """Everything is gone of the one that was killed or stopped last."""
        self._nodes[self._turn % len(self._nodes)].lose_disk()

    def stop(self) -> None:
        """SIGTERM of the next one."""
        self._next().stop()

    def pause(self) -> None:
        """SIGSTOP of the next one."""
        self._next().pause()

    def resume(self) -> None:
        """SIGCONT of the one that was stopped last."""
        self._nodes[self._turn % len(self._nodes)].resume()


class GivenBroker:
    """Someone else's broker: used under names of our own, never started or stopped."""

    def __init__(self, address: str) -> None:
        self.address = address

    def close(self) -> None:
        """Nothing of ours to end."""


def wait_until_it_answers(address: str, seconds: float = START_SECONDS) -> None:
    """Return once a broker tells its metadata; ``NoBroker`` if it doesn't in time."""
    admin = AdminClient({"bootstrap.servers": address, "log_level": 0})
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            if admin.list_topics(timeout=1).brokers:
                return
        except KafkaException:
            time.sleep(0.1)
    raise NoBroker(f"the broker at {address} did not answer within {seconds:.0f} s")


def found_broker() -> "Broker | GivenBroker | ContainerBroker":
    """A broker for the suite, by the order in the docstring of this module."""
    given, image = os.environ.get(ADDRESS), os.environ.get(IMAGE)
    if given:
        wait_until_it_answers(given, 15)
        return GivenBroker(given)
    problem = java_problem()
    if not image and problem is None:
        return Broker().start()
    from tests.support import image as images  # noqa: PLC0415 - it imports this module, and Docker's client

    no_engine = images.engine_problem()
    if not image and no_engine:
        raise NoBroker(f"{MISSING} ({problem}; {no_engine})")
    return images.ContainerBroker(image or images.kafka_image())
