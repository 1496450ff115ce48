"""The rules of Prometheus: valid, about metrics that there are; each alert fires, is silent, and is in the runbook."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from tests.support.queries import DASHBOARDS, RULES, labels_of, metrics_of, queries_of, recorded, rules, told

ROOT = Path(__file__).parents[2]
CASES = Path(__file__).parent / "rules"
RUNBOOK = (ROOT / "deploy" / "RUNBOOK.md").read_text()
ALERTS = {rule["alert"]: rule for rule in rules() if "alert" in rule}
SECTIONS = {part.splitlines()[0].strip(): part for part in re.split(r"^##? ", RUNBOOK, flags=re.MULTILINE)[1:]}
PROMETHEUS_OWN = {"up": {"instance", "job"}, "ALERTS": {"alertname", "alertstate", "severity"}}
ANSWERS = ("What it means", "What to look at", "What to do", "Harmless")

each_alert = pytest.mark.parametrize("name", ALERTS)


def promtool(*arguments, folder=ROOT):
    """Prometheus' own tool: whether it is content, and what it says."""
    command = shutil.which("promtool")
    assert command, "promtool is missing: install Debian's package `prometheus`"
    done = subprocess.run([command, *map(str, arguments)], cwd=folder, capture_output=True, text=True, check=False)
    return done.returncode == 0, done.stdout + done.stderr


def test_prometheus_takes_its_configuration_and_its_rules():
    """Checked by Prometheus' own tool, as it would read them."""
    for what in ("config", "rules"):
        files = RULES if what == "rules" else [ROOT / "deploy" / "prometheus" / "prometheus.yml"]
        fine, said = promtool("check", what, *files)
        assert fine, said
        assert len(files) == 1 or said.count("SUCCESS") == len(RULES)


def test_every_case_holds():
    """Each alert fires where it should, with these very words, and is silent where it should be."""
    fine, said = promtool("test", "rules", *sorted(CASES.glob("*.yml")))
    assert fine, said


def test_cases_are_the_same_each_time():
    """A group that isn't named is evaluated before or after what it reads, by chance; recorded groups come first."""
    groups = [group["name"] for path in RULES for group in yaml.safe_load(path.read_text())["groups"]]
    for path in CASES.glob("*.yml"):
        order = yaml.safe_load(path.read_text())["group_eval_order"]
        assert sorted(order) == sorted(groups), path.name
        assert [name.endswith("-recorded") for name in order] == sorted(
            (name.endswith("-recorded") for name in order), reverse=True
        )


@pytest.mark.parametrize(("instead", "word"), [("vector(0) > 1", "fires"), ("vector(1)", "is silent")])
def test_the_cases_would_notice(tmp_path, instead, word):
    """An alert that never fires fails each of its firing cases, one that always does each silent one: all have both."""
    spoilt = tmp_path / "deploy" / "prometheus" / "rules"
    spoilt.mkdir(parents=True)
    for path in RULES:
        document = yaml.safe_load(path.read_text())
        for rule in (rule for group in document["groups"] for rule in group["rules"] if "alert" in rule):
            rule["expr"] = instead
            rule.pop("for", None)
        (spoilt / path.name).write_text(yaml.safe_dump(document))
    cases = tmp_path / "tests" / "deploy" / "rules"
    shutil.copytree(CASES, cases)
    fine, said = promtool("test", "rules", *sorted(cases.glob("*.yml")), folder=tmp_path)
    assert not fine
    failed = set(re.findall(rf"name: (\w+) {word}", said))
    assert failed == set(ALERTS)


def test_everything_recorded_has_an_expected_value():
    """A rule that nobody holds against a figure may be wrong for years."""
    cases = yaml.safe_load((CASES / "recording.yml").read_text())["tests"]
    asked = {name for case in cases for test in case["promql_expr_test"] for name in metrics_of(test["expr"])}
    assert asked == set(recorded())


@each_alert
def test_an_alert_says_what_a_person_needs(name):
    """How urgent it is, what is the matter, the figure in a sentence, and where to read on."""
    alert = ALERTS[name]
    told_, page = alert["annotations"], f"deploy/RUNBOOK.md#{name.lower()}"
    assert alert["labels"]["severity"] in {"page", "today"}
    assert told_.keys() == {"summary", "description", "runbook"}
    assert told_["runbook"] == page
    assert told_["summary"][-1] not in ".!"
    assert told_["description"].endswith(".")


@each_alert
def test_an_alert_is_in_the_runbook(name):
    """Its section says what it means, what to look at, what to do, and when it is harmless."""
    section = SECTIONS[name]
    assert [answer for answer in ANSWERS if f"**{answer}.**" not in section] == []
    assert f"\nSeverity: {ALERTS[name]['labels']['severity']}\n" in section


def test_the_runbook_has_nothing_else():
    """A section of an alert that is gone would send people the wrong way."""
    assert {title for title in SECTIONS if title.startswith("Makeweight")} == set(ALERTS)


@pytest.mark.parametrize("query", queries_of(RULES, DASHBOARDS))
def test_a_query_asks_for_what_there_is(query):
    """Every metric is one that is told or recorded, with the labels that it is grouped and filtered by."""
    known = told() | recorded() | PROMETHEUS_OWN
    names = metrics_of(query)
    assert names, query
    assert set(names) <= set(known), query
    # What Prometheus itself adds: which process told it, and the bound of a histogram's bucket.
    allowed = {label for name in names for label in known[name]} | {"instance", "job", "le"}
    assert labels_of(query) <= allowed, query
