"""The dashboards' files, as far as they can be checked without Grafana, for which Debian has no package.

Whether their queries are about metrics that there are is checked in test_alerts.py, and what a real Prometheus answers
in test_prometheus.py.
"""

import json
from pathlib import Path

import pytest
import yaml

from tests.support.queries import DASHBOARDS, panels, targets

GRAFANA = Path(__file__).parents[2] / "deploy" / "grafana"
SOURCES = yaml.safe_load((GRAFANA / "provisioning" / "datasources" / "prometheus.yaml").read_text())["datasources"]
UIDS = {source["uid"] for source in SOURCES}
# Grafana's names of units; another would be shown as a suffix.
UNITS = {"none", "short", "cps", "s", "h", "percentunit", "bool_yes_no"}
KINDS = {"timeseries", "stat", "table", "state-timeline"}
COLUMNS = 24

each_dashboard = pytest.mark.parametrize("path", DASHBOARDS, ids=lambda path: path.stem)


def board(path):
    """A dashboard as its file has it."""
    return json.loads(path.read_text())


def shown(path):
    """Its panels without the rows, which are headings."""
    return [panel for panel in panels(path) if panel["type"] != "row"]


def test_both_are_there():
    """One for whoever runs the service, one for whoever runs the offers; each leads to the other."""
    uids = {path.stem: board(path)["uid"] for path in DASHBOARDS}
    assert uids == {"offers": "makeweight-offers", "operations": "makeweight-operations"}
    for path in DASHBOARDS:
        assert [link["url"] for link in board(path)["links"]] == [
            f"/d/{u}" for u in uids.values() if u != uids[path.stem]
        ]


@each_dashboard
def test_a_panel_can_be_told_from_another(path):
    """Numbers and titles are their own; Grafana would renumber, and links to a panel would lead elsewhere."""
    ids = [panel["id"] for panel in panels(path)]
    titles = [panel["title"] for panel in panels(path)]
    assert len(set(ids)) == len(ids)
    assert len(set(titles)) == len(titles)


@each_dashboard
def test_a_panel_says_what_it_shows(path):
    """In a title, a sentence and a unit that Grafana knows; of a kind that it has."""
    for panel in shown(path):
        assert panel["title"]
        assert panel["description"].endswith("."), panel["title"]
        assert panel["fieldConfig"]["defaults"]["unit"] in UNITS, panel["title"]
        assert panel["type"] in KINDS, panel["title"]


@each_dashboard
def test_a_panel_asks_the_source_that_is_provisioned(path):
    """By its uid, in the panel and in each of its queries; the queries have letters of their own."""
    for panel in shown(path):
        asked = [panel, *panel["targets"]]
        assert {one["datasource"]["uid"] for one in asked} <= UIDS, panel["title"]
        letters = [target["refId"] for target in panel["targets"]]
        assert letters
        assert len(set(letters)) == len(letters), panel["title"]
    for variable in board(path)["templating"]["list"]:
        assert variable["datasource"]["uid"] in UIDS


@each_dashboard
def test_panels_do_not_overlap(path):
    """Each has a place of its own on the columns, and no line is left empty: Grafana would move what is below up."""
    places = set()
    for panel in panels(path):
        box = panel["gridPos"]
        own = {(box["x"] + dx, box["y"] + dy) for dx in range(box["w"]) for dy in range(box["h"])}
        assert box["x"] + box["w"] <= COLUMNS, panel["title"]
        assert not own & places, panel["title"]
        places |= own
    assert len(places) == COLUMNS * (1 + max(y for _, y in places)), "a hole"


@each_dashboard
def test_a_variable_is_used_and_every_used_one_is_there(path):
    """A query with a variable that isn't there would match nothing."""
    variables = {f"${variable['name']}" for variable in board(path)["templating"]["list"]}
    used = {word for query in targets(path).values() for word in variables if word in query}
    assert used == variables
    assert not [query for query in targets(path).values() if "$" in query and not any(v in query for v in variables)]
