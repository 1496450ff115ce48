"""Container images for the tests, and a broker in a container.

Where images can be pulled, the ones that docker-compose.yml and deploy/Dockerfile name are used. A machine that only
reaches Debian's packages builds stand-ins of the same shape with debootstrap: a Kafka under /opt/kafka with the two
scripts that are called, and a Python base that carries the wheels of requirements.lock, so that `pip install` in
deploy/Dockerfile finds everything there and our Dockerfile is built as it is.

Everything goes through the engine's API: no command of a client is needed, and the classic builder does.
"""

import base64
import fcntl
import hashlib
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import docker
from docker.errors import BuildError, DockerException, ImageNotFound
from testcontainers.core.config import testcontainers_config
from testcontainers.core.container import DockerContainer

from tests.support.broker import (
    IMAGE,
    JARS,
    POM,
    ROOT,
    NoBroker,
    free_ports,
    jars,
    java_problem,
    server_properties,
    wait_until_it_answers,
)

# It is an image of its own, which can't be pulled everywhere; what is started here is closed here.
testcontainers_config.ryuk_disabled = True

LOCAL_ENGINE = "unix:///var/run/docker.sock"
SUITE, SUITE_PYTHON = "bookworm", (3, 11)
KAFKA_TAG = "makeweight-stand-in/kafka"
PYTHON_TAG = "makeweight-stand-in/python"
MAKEWEIGHT_TAG = "makeweight:test"
RECIPE = "makeweight.recipe"
BUILD = ROOT / "build" / "images"
CLUSTER = base64.urlsafe_b64encode(b"makeweight-tests").rstrip(b"=").decode()  # a cluster's id has 16 bytes
HEAP = "-Xmx512m -XX:+UseSerialGC"

# What is called of the official image's scripts: their names and arguments, and the variable for the heap.
SCRIPTS = {
    "kafka-server-start.sh": "kafka.Kafka",
    "kafka-storage.sh": "kafka.tools.StorageTool",
    "kafka-topics.sh": "org.apache.kafka.tools.TopicCommand",
}
SCRIPT = """#!/bin/sh
exec java ${KAFKA_HEAP_OPTS:--Xmx512m} -cp "/opt/kafka/libs/*" %s "$@"
"""
# How the official image is configured, so that docker-compose.yml runs on the stand-in: KAFKA_NODE_ID=1 is node.id=1.
RUN_AT = "etc/kafka/docker/run"
RUN = """#!/bin/sh
set -e
env | awk -F= '/^KAFKA_/ && $1 != "KAFKA_HEAP_OPTS" {
    name = tolower(substr($1, 7)); gsub("_", ".", name); print name "=" substr($0, length($1) + 2)
}' > /tmp/server.properties
/opt/kafka/bin/kafka-storage.sh format --ignore-formatted -t "$CLUSTER_ID" -c /tmp/server.properties
exec /opt/kafka/bin/kafka-server-start.sh /tmp/server.properties
"""
KAFKA_USER = 1000
# Both build and run on it. The wheels are named by the environment, so nobody's Dockerfile has to know of them.
PYTHON_WITH_WHEELS = """FROM %s
COPY *.whl /wheels/
ENV PIP_NO_INDEX=1 PIP_FIND_LINKS=/wheels
"""


def engine_problem() -> str | None:
    """Why no container engine answers here, or None if one does."""
    address = os.environ.get("DOCKER_HOST") or LOCAL_ENGINE
    if address.startswith("unix://"):
        # Asked here first: where nothing listens, Docker's client leaves its socket to the garbage collector.
        with socket.socket(socket.AF_UNIX) as probe:
            try:
                probe.connect(address.removeprefix("unix://"))
            except OSError as error:
                return f"no container engine answers at {address}: {error.strerror}"
    try:
        client = docker.from_env(timeout=10)
        try:
            client.ping()
        finally:
            client.close()
    except DockerException as error:
        return f"no container engine answers: {error}"
    return None


@contextmanager
def engine() -> Iterator[docker.DockerClient]:
    """The engine's API. Building and importing take a while."""
    client = docker.from_env(timeout=600)
    try:
        yield client
    finally:
        client.close()


@contextmanager
def _alone() -> Iterator[None]:
    """One run at a time builds images: two would do the same minute's work twice."""
    BUILD.mkdir(parents=True, exist_ok=True)
    with (BUILD / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def stands_in() -> bool:
    """Whether stand-ins are built here: with debootstrap and as root. Elsewhere images are pulled."""
    return shutil.which("debootstrap") is not None and hasattr(os, "geteuid") and os.geteuid() == 0


def _recipe() -> str:
    """What a stand-in is made by, in short: one that was made by another version of this file is made anew."""
    return hashlib.sha256(Path(__file__).read_bytes() + POM.read_bytes()).hexdigest()[:12]


def _exists(client: docker.DockerClient, tag: str) -> bool:
    try:
        return bool(client.images.get(tag).labels.get(RECIPE) == _recipe())
    except ImageNotFound:
        return False


# --- the stand-ins ----------------------------------------------------------------------------------------------------


def _debian(root: Path, *packages: str) -> None:
    """A minimal Debian with some packages, without what only its package tools would read."""
    cache = BUILD / "debs"  # the two systems have most packages in common
    cache.mkdir(parents=True, exist_ok=True)
    command = ["debootstrap", "--variant=minbase", f"--cache-dir={cache}", f"--include={','.join(packages)}", SUITE]
    done = subprocess.run([*command, str(root)], capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoBroker(f"debootstrap could not make a Debian: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    for waste in ("var/cache/apt/archives", "var/lib/apt/lists", "usr/share/doc", "usr/share/man", "usr/share/locale"):
        shutil.rmtree(root / waste, ignore_errors=True)


def _script(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(0o755)


def _import(client: docker.DockerClient, root: Path, tag: str, changes: Sequence[str] = ()) -> None:
    repository, _, version = tag.partition(":")
    command = ["tar", "--numeric-owner", "-C", str(root), "-c", "."]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as tar:
        changes = [*changes, f"LABEL {RECIPE}={_recipe()}"]
        client.api.import_image_from_stream(tar.stdout, repository=repository, tag=version, changes=changes)
    if tar.returncode or not _exists(client, tag):
        raise NoBroker(f"the engine did not take the image {tag}")


def kafka_version() -> str:
    """The version of the broker that the plain process runs: what pom.xml says."""
    found = re.search(r"<artifactId>kafka_[\d.]+</artifactId>\s*<version>([\d.]+)</version>", POM.read_text())
    assert found is not None, f"{POM} names no version of the broker"
    return found[1]


def stand_in_kafka() -> str:
    """The tag of a Kafka image of the official one's shape, of the jars that the plain process runs; built once."""
    tag = f"{KAFKA_TAG}:{kafka_version()}"
    with _alone(), engine() as client, tempfile.TemporaryDirectory(prefix="makeweight-image-") as place:
        if _exists(client, tag):
            return tag
        jars()
        root = Path(place)
        _debian(root, "openjdk-17-jre-headless", "ca-certificates-java")
        shutil.copytree(JARS / "libs", root / "opt" / "kafka" / "libs")
        (root / "opt" / "kafka" / "bin").mkdir()
        for name, main in SCRIPTS.items():
            _script(root / "opt" / "kafka" / "bin" / name, SCRIPT % main)
        _script(root / RUN_AT, RUN)
        data = root / "var" / "lib" / "kafka" / "data"
        data.mkdir(parents=True)
        os.chown(data, KAFKA_USER, KAFKA_USER)
        _import(client, root, tag, (f"USER {KAFKA_USER}:{KAFKA_USER}", f'CMD ["/{RUN_AT}"]'))
    return tag


def _wheels() -> tuple[Path, str]:
    """A directory with the wheels that `pip install .[board]` takes, as locked, and a name for its content."""
    wanted = b"".join((ROOT / name).read_bytes() for name in ("pyproject.toml", "requirements.lock"))
    name = f"board-{hashlib.sha256(wanted).hexdigest()[:12]}"
    folder, stamp = BUILD / "wheels", BUILD / "wheels.complete"
    if not stamp.exists() or stamp.read_text() != name:
        shutil.rmtree(folder, ignore_errors=True)
        # hatchling: the build of our own package, which pip isolates, asks for it.
        what = ["-c", str(ROOT / "requirements.lock"), f"{ROOT}[board]", "hatchling"]
        command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-input", "-w", str(folder), *what]
        subprocess.run(command, check=True, capture_output=True, text=True)
        for own in folder.glob("makeweight-*.whl"):
            own.unlink()  # the image's comes from its sources
        stamp.write_text(name)
    return folder, name


def stand_in_python() -> str:
    """The tag of a Python base image with our dependencies' wheels; built once for each requirements.lock."""
    assert sys.version_info[:2] == SUITE_PYTHON, "the wheels are made by this Python and read by Debian's 3.11"
    base = f"{PYTHON_TAG}:{SUITE}"
    with _alone(), engine() as client, tempfile.TemporaryDirectory(prefix="makeweight-image-") as place:
        folder, name = _wheels()
        tag = f"{PYTHON_TAG}:{SUITE}-{name}"
        if _exists(client, tag):
            return tag
        if not _exists(client, base):
            _debian(Path(place), "python3", "python3-venv")
            _import(client, Path(place), base)
        (folder / "Dockerfile").write_text(PYTHON_WITH_WHEELS % base)
        client.images.build(path=str(folder), tag=tag, rm=True, forcerm=True)
    return tag


# --- what the tests use -----------------------------------------------------------------------------------------------


def kafka_image() -> str:
    """The image of the broker: the one that is named, a stand-in, or docker-compose.yml's."""
    named = os.environ.get(IMAGE)
    if named:
        return named
    # A stand-in is made of the jars of the plain process, which Maven fetches.
    return stand_in_kafka() if stands_in() and java_problem() is None else f"apache/kafka:{kafka_version()}"


def makeweight_image() -> str:
    """Build deploy/Dockerfile and give the tag; what has not changed comes from the engine's cache."""
    # The stand-in has all that is installed, so it is built without a network; other bases need a registry.
    how = {"buildargs": {"PYTHON_IMAGE": stand_in_python()}, "network_mode": "none"} if stands_in() else {}
    with _alone(), engine() as client:
        try:
            client.images.build(
                path=str(ROOT),
                dockerfile="deploy/Dockerfile",
                tag=MAKEWEIGHT_TAG,
                rm=True,
                forcerm=True,
                **how,
            )
        except BuildError as error:
            log = "".join(str(line.get("stream", "")) for line in error.build_log)
            raise AssertionError(f"deploy/Dockerfile does not build: {error}\n{log[-4000:]}") from None
    return MAKEWEIGHT_TAG


class ContainerBroker:
    """A broker in a container, on this machine's loopback; started when it is made."""

    def __init__(self, image: str) -> None:
        if image.startswith(f"{KAFKA_TAG}:"):
            stand_in_kafka()
        port, controller = free_ports(2)
        self.address = f"127.0.0.1:{port}"
        script = "\n".join(
            (
                "set -e",
                "mkdir -p /tmp/broker",
                "cat > /tmp/broker/server.properties <<'END'",
                server_properties(1, [(port, controller)], "/tmp/broker/data") + "END",  # noqa: S108 - in the container
                f"cd /opt/kafka/bin; set -- {CLUSTER} /tmp/broker/server.properties",
                './kafka-storage.sh format --standalone -t "$1" -c "$2"',
                'exec ./kafka-server-start.sh "$2"',
            )
        )
        # The machine's network: listeners are on loopback only, and clients find the broker under the same address.
        self._container = DockerContainer(image, network_mode="host", entrypoint=["sh", "-c", script])
        self._container.with_env("KAFKA_HEAP_OPTS", HEAP)
        try:
            self._container.start()
            wait_until_it_answers(self.address)
        except NoBroker as error:
            told = b"".join(self._container.get_logs()).decode(errors="replace")
            self.close()
            raise NoBroker(f"{error}; its container said: {told[-2000:]}") from None
        except DockerException as error:
            self.close()
            raise NoBroker(f"the image {image} can't be run: {error}") from None

    def close(self) -> None:
        """End the broker; its data goes with the container."""
        self._container.stop()
