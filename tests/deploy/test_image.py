"""The image, built and run as docker-compose.yml runs it: not as root, read-only; and the broker that stands beside it.

Everything runs without a network or on loopback. Without a container engine these tests are skipped at a desk; in CI
only where .ci/run says that none could be started.
"""

import os
import signal
import time
import urllib.error
import urllib.request
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from uuid import uuid4

import pytest
import yaml
from confluent_kafka import OFFSET_BEGINNING, Consumer, Producer, TopicPartition
from confluent_kafka.admin import AdminClient, NewTopic
from docker.errors import APIError

from deploy.demo.compare import compare, wait_until_quiet
from deploy.demo.day import day
from deploy.demo.load import publish_day, send_day
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.reading import TopicReader
from makeweight.adapters.kafka.wire import Names
from makeweight.contracts.events import ORDER_TYPE
from makeweight.settings import Settings
from tests.support.broker import free_ports
from tests.support.image import ContainerBroker, engine, engine_problem, kafka_image, makeweight_image

COMPOSE = yaml.safe_load((Path(__file__).parents[2] / "docker-compose.yml").read_text())["services"]
STATE = "/var/lib/makeweight"
READY_SECONDS = 60
EVENTS = 60  # of the demo's morning: orders, changes of them, and what the warehouse says

# The first of these tests builds images, which may take some minutes.
pytestmark = pytest.mark.timeout(1_200)


@pytest.fixture(scope="module")
def client():
    """The engine's API."""
    problem = engine_problem()
    if problem and os.environ.get("CI") and os.environ.get("MAKEWEIGHT_CI_DOCKER") != "0":
        pytest.fail(f"CI has to build the image: {problem}")
    if problem:
        pytest.skip(problem)
    with engine() as answering:
        yield answering


@pytest.fixture(scope="module")
def image(client):
    """The tag of our image, built from the tree."""
    return makeweight_image()


@pytest.fixture(scope="module")
def broker(client):
    """A broker in a container."""
    found = ContainerBroker(kafka_image())
    yield found
    found.close()


@contextmanager
def running(client, image, command, service, **given):
    """A container with what a service of docker-compose.yml may do; without a network unless one is given."""
    allowed = {name: COMPOSE[service][name] for name in ("user", "cap_drop", "security_opt")}
    allowed |= {"read_only": COMPOSE[service].get("read_only", False)}
    allowed |= {"tmpfs": dict.fromkeys(COMPOSE[service].get("tmpfs", ()), "")}
    container = client.containers.run(image, command, detach=True, **{"network_mode": "none", **allowed, **given})
    try:
        yield container
    finally:
        container.remove(v=True, force=True)


def ended(container, seconds=60):
    """Wait for the end; the exit code and all that was said."""
    code = container.wait(timeout=seconds)["StatusCode"]
    return code, container.logs().decode()


def until(container, condition, what):
    """Wait until something is so; a container that ends before fails with what it said."""
    end = time.monotonic() + READY_SECONDS
    while time.monotonic() < end:
        container.reload()
        assert container.status == "running", container.logs().decode()[-4000:]
        with suppress(APIError):  # it ended since: the next look says so
            if condition():
                return
        time.sleep(0.3)
    pytest.fail(f"{what} not within {READY_SECONDS} s: {container.logs().decode()[-4000:]}")


def healthy(port):
    """Whether a worker says so, seen from this machine."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=2):
            return True
    except (urllib.error.URLError, TimeoutError, ConnectionError):
        return False


def test_the_image_says_how_it_is_run(client, image):
    """It names a user by number, keeps its state in a volume, and is the command."""
    config = client.images.get(image).attrs["Config"]
    assert config["User"] == COMPOSE["worker-1"]["user"]
    assert list(config["Volumes"]) == [STATE]
    assert config["Entrypoint"] == ["makeweight"]


def test_the_command_runs(client, image):
    """Not as root, on a read-only root, without a network."""
    with running(client, image, None, "worker-1") as container:
        code, said = ended(container)
    assert code == 0
    assert "pick tickets out" in said
    with running(client, image, ["settings"], "worker-1") as container:
        code, said = ended(container)
    assert code == 0
    assert STATE in said


def test_nothing_but_its_state_and_tmp_can_be_written(client, image):
    """Not its own code, nor what it runs on: all else belongs to root, even where the root is writable."""
    probe = "import os; print([p for p in ('/', '/app', '/opt/makeweight', '/tmp', %r) if os.access(p, os.W_OK)])"
    for read_only in (True, False):
        with running(
            client, image, ["-c", probe % STATE], "worker-1", entrypoint=["python"], read_only=read_only
        ) as container:
            assert ended(container) == (0, f"['/tmp', '{STATE}']\n")


def test_the_demo_is_in_the_image(client, image):
    """What `load` of docker-compose.yml runs can be imported there."""
    with running(client, image, ["-c", "import deploy.demo.load"], "load", entrypoint=["python"]) as container:
        assert ended(container) == (0, "")


def test_the_embedded_service_runs_in_it(client, image):
    """With its database in the volume; SIGTERM ends it well."""
    ask = ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8420/health', timeout=3)"]
    with running(client, image, ["serve"], "worker-1") as container:
        until(container, lambda: container.exec_run(ask).exit_code == 0, "healthy")
        container.kill(signal.SIGTERM)
        code, said = ended(container)
    assert code == 0, said


def test_a_record_goes_through_a_broker_in_a_container(broker):
    """The broker as the tests take it from a container: a topic is made, a record is written and read."""
    topic, here = f"t{uuid4().hex[:8]}", {"bootstrap.servers": broker.address, "log_level": 0}
    admin = AdminClient(here)
    admin.create_topics([NewTopic(topic, 1, 1)])[topic].result(15)
    producer = Producer(here)
    producer.produce(topic, key="a", value="1")
    assert producer.flush(15) == 0
    consumer = Consumer({**here, "group.id": "reader"})
    consumer.assign([TopicPartition(topic, 0, OFFSET_BEGINNING)])
    record = consumer.poll(15)
    consumer.close()
    assert (record.error(), record.key(), record.value()) == (None, b"a", b"1")


def test_workers_in_containers_share_the_work(client, image, broker):
    """`topics apply`, then two workers, as docker-compose.yml has them: healthy, orders in, tickets out, ended well."""
    prefix, ports = f"t{uuid4().hex[:8]}.", free_ports(2)
    common = {"MAKEWEIGHT_KAFKA": broker.address, "MAKEWEIGHT_PREFIX": prefix, "MAKEWEIGHT_REPLICATION": "1"}

    def container(service, port=0):
        # On the machine's network, where the broker is; there the page is served on loopback.
        own = {"MAKEWEIGHT_WORKER": f"{prefix}{service}", "MAKEWEIGHT_HOST": "127.0.0.1", "MAKEWEIGHT_PORT": str(port)}
        command = COMPOSE[service]["command"]
        return running(client, image, command, service, network_mode="host", environment=common | own)

    with container("topics") as topics:
        code, said = ended(topics)
    assert code == 0, said
    # Before there are workers: the demo dates its publishing back, so that its campaigns are in force at once, and a
    # running worker might judge the first order before it has read them.
    settings = Settings(kafka=broker.address, prefix=prefix, replication=1)
    publish_day(settings)
    with container("worker-1", ports[0]) as one, container("worker-2", ports[1]) as two:
        for worker, port in ((one, ports[0]), (two, ports[1])):
            until(worker, lambda port=port: healthy(port), "healthy")
        until(one, lambda: sum(opened(port) for port in ports) == 8 + 4, "all partitions open")
        check_the_morning(settings)
        for worker in (one, two):
            worker.kill(signal.SIGTERM)
            code, said = ended(worker)
            assert code == 0, said


def check_the_morning(settings):
    """Send the first of the demo's day: each order has a ticket, gifts are on them, and all is as embedded."""
    events = list(islice(day(), EVENTS))
    send_day(settings, events)
    wait_until_quiet(settings)
    consumer = reader(settings.kafka)
    ending = TopicReader(consumer, Names(settings.prefix)).ending()
    consumer.close()
    orders = {one["subject"] for one in events if one["type"] == ORDER_TYPE}
    assert {ticket.order for ticket in ending.tickets.values()} == orders
    assert any(claim.outcome == "granted" for claim in ending.claims)
    found = compare(settings, events)
    assert found.equal, found.differing


def opened(port):
    """Partitions that a worker serves, by its metrics."""
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
        lines = answer.read().decode().splitlines()
    return sum(float(line.rsplit(" ", 1)[1]) for line in lines if line.startswith("makeweight_partition_open{"))


def test_the_broker_of_the_compose_file_becomes_healthy(client):
    """Its listeners and its health check, as they stand there; a name and a loopback are all the network it has."""
    service = COMPOSE["kafka"]
    given = {"environment": service["environment"], "hostname": "kafka", "extra_hosts": {"kafka": "127.0.0.1"}}
    with running(client, kafka_image(), None, "kafka", **given) as container:
        until(container, lambda: container.exec_run(service["healthcheck"]["test"][1:]).exit_code == 0, "healthy")
