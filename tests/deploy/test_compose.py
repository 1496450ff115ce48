"""The files that set up a trial on one machine: valid, safe as they come, and in step with the service."""

import importlib
import json
import re
from importlib.metadata import distribution
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator
from typer.main import get_command

from makeweight.cli.main import app
from makeweight.settings import Settings
from tests.support.image import kafka_version

ROOT = Path(__file__).parents[2]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES = COMPOSE["services"]
SCHEMA = "check_jsonschema/builtin_schemas/vendor/compose-spec.json"
WORKERS = ("worker-1", "worker-2")
LONG_RUNNING = {name for name, service in SERVICES.items() if "restart" in service}
DOCKERFILE = (ROOT / "deploy" / "Dockerfile").read_text()
PROMETHEUS = yaml.safe_load((ROOT / "deploy" / "prometheus" / "prometheus.yml").read_text())
GRAFANA = ROOT / "deploy" / "grafana"

each_service = pytest.mark.parametrize("name", SERVICES)


def environment(name):
    """A service's variables of ours."""
    return {k: v for k, v in SERVICES[name].get("environment", {}).items() if k.startswith("MAKEWEIGHT_")}


def binds(name):
    """(source, target, mode) of the files of this tree that a service sees."""
    mounts = (volume.split(":") for volume in SERVICES[name].get("volumes", ()))
    return [(source, target, mode) for source, target, *mode in mounts if source.startswith(".")]


def test_it_is_what_the_specification_allows():
    """Checked against the Compose specification's own schema: a misspelt key would be ignored, or refused at start."""
    schema = json.loads(Path(distribution("check-jsonschema").locate_file(SCHEMA)).read_text())
    errors = [f"{error.json_path}: {error.message}" for error in Draft202012Validator(schema).iter_errors(COMPOSE)]
    assert errors == []


def test_nothing_is_missing():
    """The services of a trial, and no other; what ends by itself is not started again."""
    assert set(SERVICES) == {"kafka", "topics", *WORKERS, "board", "load", "prometheus", "grafana"}
    assert set(SERVICES) - LONG_RUNNING == {"topics", "load"}


@each_service
def test_images_are_pinned(name):
    """The same file starts the same versions tomorrow: a tag with a version down to the patch, also as a default."""
    image = re.sub(r"\$\{\w+:-([^}]*)\}", r"\1", SERVICES[name]["image"])
    assert re.search(r":v?\d+\.\d+\.\d+$", image), image


def test_the_base_image_is_pinned():
    """As above for what the Dockerfile stands on; every stage takes it from the one argument."""
    assert re.search(r"^ARG PYTHON_IMAGE=python:3\.\d+\.\d+-slim-\w+$", DOCKERFILE, re.MULTILINE)
    assert {line.split()[1] for line in DOCKERFILE.splitlines() if line.startswith("FROM ")} == {"${PYTHON_IMAGE}"}


def test_the_broker_is_the_one_that_the_tests_run():
    """The version that was tested is the version that is set up."""
    assert f":-apache/kafka:{kafka_version()}}}" in SERVICES["kafka"]["image"]


@each_service
def test_a_service_may_do_no_more_than_it_must(name):
    """Not root, no capabilities, none to be gained; nothing but its state is writable."""
    service = SERVICES[name]
    assert re.fullmatch(r"[1-9]\d*:\d+", service["user"])
    assert service["cap_drop"] == ["ALL"]
    assert "no-new-privileges:true" in service["security_opt"]
    assert not {"privileged", "cap_add", "network_mode", "pid", "ipc", "devices"} & set(service)
    # The broker's image writes its configuration beside its programs when it starts.
    assert service.get("read_only", False) is (name != "kafka")


@each_service
def test_ports_are_on_loopback(name):
    """None of these pages asks who is there, so none is for the network."""
    for port in SERVICES[name].get("ports", ()):
        assert re.fullmatch(r"127\.0\.0\.1:\d+:\d+", port), port


def test_no_port_is_taken_twice():
    """Two services at one port would not start."""
    ports = [port.split(":")[1] for service in SERVICES.values() for port in service.get("ports", ())]
    assert len(ports) == len(set(ports))


@each_service
def test_whether_it_works_can_be_seen(name):
    """Whatever runs on tells whether it works; whatever ends tells by its end."""
    assert ("healthcheck" in SERVICES[name]) == (name in LONG_RUNNING)


@each_service
def test_it_waits_for_what_it_needs(name):
    """Each condition is one that the other service can meet: a health that is told, or an end."""
    for other, condition in SERVICES[name].get("depends_on", {}).items():
        expected = "service_healthy" if other in LONG_RUNNING else "service_completed_successfully"
        assert condition["condition"] == expected, other


@each_service
def test_what_it_mounts_is_there(name):
    """Files of this tree exist and are read-only; volumes are declared."""
    for source, _, mode in binds(name):
        assert (ROOT / source).exists(), source
        assert mode == ["ro"], source
    for volume in SERVICES[name].get("volumes", ()):
        source = volume.split(":")[0]
        assert source.startswith("./") or source in COMPOSE["volumes"], source


def test_no_two_services_share_a_volume():
    """A worker's caches are its own."""
    kept = [v.split(":")[0] for s in SERVICES.values() for v in s.get("volumes", ()) if not v.startswith(".")]
    assert sorted(kept) == sorted(COMPOSE["volumes"])


@each_service
def test_its_variables_are_settings(name):
    """Each variable of ours is a setting's, with a value that it takes: an unknown one would be ignored in silence."""
    given = {key.removeprefix("MAKEWEIGHT_").lower(): kept for key, kept in environment(name).items()}
    assert set(given) <= set(Settings.model_fields)
    Settings(**given)


def test_our_services_agree_on_the_installation():
    """What makes the topics, works on them and fills them has one layout and one broker."""
    ours = [name for name, service in SERVICES.items() if service["image"].startswith("makeweight:")]
    own = {"worker", "host", "port"}
    for setting in set(Settings.model_fields) - own:
        assert len({environment(name).get(f"MAKEWEIGHT_{setting.upper()}") for name in ours}) == 1, setting
    inside = dict(x.split("://") for x in SERVICES["kafka"]["environment"]["KAFKA_ADVERTISED_LISTENERS"].split(","))
    assert environment("topics")["MAKEWEIGHT_KAFKA"] == inside["INSIDE"]


@pytest.mark.parametrize("name", WORKERS)
def test_a_worker_has_its_name_its_state_and_its_page(name):
    """Stable names give partitions back; the state is the volume; health is asked where it is served."""
    worker, given = SERVICES[name], environment(name)
    assert given["MAKEWEIGHT_WORKER"] == name
    state = re.search(r"MAKEWEIGHT_STATE=(\S+)", DOCKERFILE)[1]
    assert worker["volumes"] == [f"{name}:{state}"]
    assert given["MAKEWEIGHT_HOST"] == "0.0.0.0"  # noqa: S104 - inside the container; outside it is loopback
    assert f"http://127.0.0.1:{given['MAKEWEIGHT_PORT']}/health" in worker["healthcheck"]["test"][-1]
    assert worker["ports"][0].endswith(f":{given['MAKEWEIGHT_PORT']}")


def test_our_commands_exist():
    """What the containers are told to run is a command, or a module, of this tree."""
    commands = get_command(app)
    for name in ("topics", "board", *WORKERS):
        found = commands
        for word in SERVICES[name]["command"]:
            found = found.commands[word]
    option, module = SERVICES["load"]["command"]
    assert option == "-m"
    assert callable(importlib.import_module(module).main)


def test_the_image_and_its_services_run_as_the_same_user():
    """The volumes belong to the image's user."""
    user = re.search(r"^USER (\S+)$", DOCKERFILE, re.MULTILINE)[1]
    assert {SERVICES[name]["user"] for name in ("topics", "load", *WORKERS)} == {user}


def test_the_board_is_served_where_it_is_asked():
    """Health is asked, and the page is shown, at the port that it listens on; the image has what it alone needs."""
    board, given = SERVICES["board"], environment("board")
    assert given["MAKEWEIGHT_HOST"] == "0.0.0.0"  # noqa: S104 - inside the container; outside it is loopback
    assert f"http://127.0.0.1:{given['MAKEWEIGHT_PORT']}/health" in board["healthcheck"]["test"][-1]
    assert board["ports"] == [f"127.0.0.1:{given['MAKEWEIGHT_PORT']}:{given['MAKEWEIGHT_PORT']}"]
    assert "pip install -c requirements.lock '.[board]'" in DOCKERFILE


def test_prometheus_scrapes_every_worker_and_the_board():
    """At the service's name and the port that it serves, under the names that the rules know; with the rules."""
    jobs = {
        job["job_name"]: {target for group in job["static_configs"] for target in group["targets"]}
        for job in PROMETHEUS["scrape_configs"]
    }
    served = {name: f"{name}:{environment(name)['MAKEWEIGHT_PORT']}" for name in (*WORKERS, "board")}
    assert jobs == {"makeweight": {served[name] for name in WORKERS}, "makeweight-board": {served["board"]}}
    # The rules are named from where the configuration lies, here and in the container.
    mounted = {target: ROOT / source for source, target, _ in binds("prometheus")}
    config = Path("/etc/prometheus/prometheus.yml")
    assert mounted[str(config)] == ROOT / "deploy" / "prometheus" / "prometheus.yml"
    for pattern in PROMETHEUS["rule_files"]:
        found = mounted[str((config.parent / pattern).parent)]
        assert found == (ROOT / "deploy" / "prometheus" / pattern).parent
        assert list(found.glob(Path(pattern).name))


def test_grafana_finds_its_source_and_its_dashboards():
    """Provisioned files name a service that exists and a directory that is mounted."""
    mounted = {target: ROOT / source for source, target, _ in binds("grafana")}
    provisioned = GRAFANA / "provisioning"
    assert mounted["/etc/grafana/provisioning"] == provisioned
    sources = yaml.safe_load((provisioned / "datasources" / "prometheus.yaml").read_text())["datasources"]
    port = SERVICES["prometheus"]["ports"][0].split(":")[-1]
    assert [source["url"] for source in sources] == [f"http://prometheus:{port}"]
    providers = yaml.safe_load((provisioned / "dashboards" / "makeweight.yaml").read_text())["providers"]
    assert [mounted[provider["options"]["path"]] for provider in providers] == [GRAFANA / "dashboards"]
    home = Path(SERVICES["grafana"]["environment"]["GF_DASHBOARDS_DEFAULT_HOME_DASHBOARD_PATH"])
    assert (mounted[str(home.parent)] / home.name).exists()
