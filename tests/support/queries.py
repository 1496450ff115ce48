"""What the rules and the dashboards ask for, and what there is to be asked for."""

import json
import re
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import yaml

from makeweight.adapters.telemetry.board_metrics import BoardMetrics, OfferWatched, RateWatched, Watched
from makeweight.adapters.telemetry.metrics import Metrics, Totals
from makeweight.adapters.telemetry.partitions import PartitionMetrics
from makeweight.bootstrap import read_book
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import OfferLevel
from makeweight.insight.tally import Tally

ROOT = Path(__file__).parents[2]
RULES = sorted((ROOT / "deploy" / "prometheus" / "rules").glob("*.yml"))
DASHBOARDS = sorted((ROOT / "deploy" / "grafana" / "dashboards").glob("*.json"))
# A recorded name has colons; the words of the language and its functions have none of ours in them.
_NAME = re.compile(r"(?<![\w:])((?:\w+:)?makeweight_\w+(?::\w+)?|up|ALERTS)(?=[{\[\s)=<>,+*/-]|$)")
_GROUPED = re.compile(r"\b(?:by|on|ignoring|group_left|without) ?\(([^)]*)\)")
_FILTERED = re.compile(r"(\w+)\s*(?:=~|!~|!=|=)\s*\"")


@cache
def rules():
    """Every rule, recording and alerting."""
    groups = [group for path in RULES for group in yaml.safe_load(path.read_text())["groups"]]
    return [rule for group in groups for rule in group["rules"]]


def panels(path):
    """The panels of a dashboard; rows have none of their own here."""
    return json.loads(path.read_text())["panels"]


def targets(path):
    """The queries of a dashboard, by panel and letter."""
    return {(p["title"], t["refId"]): t["expr"] for p in panels(path) for t in p.get("targets", ())}


def queries_of(rule_files, dashboards):
    """Every query of rules and dashboards, each once."""
    asked = [rule["expr"] for rule in rules()] if rule_files else []
    asked += [query for path in dashboards for query in targets(path).values()]
    return list(dict.fromkeys(asked))


def metrics_of(query):
    """The names of the series that a query asks for."""
    bare = _GROUPED.sub("", re.sub(r"\"[^\"]*\"", '""', query))
    return list(dict.fromkeys(_NAME.findall(bare)))


def labels_of(query):
    """The labels that a query groups, joins and filters by."""
    grouped = {word.strip() for group in _GROUPED.findall(query) for word in group.split(",") if word.strip()}
    return grouped | set(_FILTERED.findall(query))


@cache
def recorded():
    """Labels by the name of each recorded series, as far as its expression groups by them."""
    found = {}
    for rule in rules():
        if "record" in rule:
            found[rule["record"]] = labels_of(rule["expr"])
    for _ in range(2):  # what is recorded of what is recorded has its labels too
        for rule in (rule for rule in rules() if "record" in rule):
            for name in metrics_of(rule["expr"]):
                found[rule["record"]] = found[rule["record"]] | found.get(name, set())
    return found


@cache
def told():
    """Labels by the name of each series that a worker, the embedded service or the board can tell, with one of each."""
    metrics = Metrics()
    partitions = PartitionMetrics(metrics)
    level = OfferLevel("c/o", 1, 0, 0, None, None, [Balance("c/o", "gift", "site")])
    book, _ = read_book((ROOT / "deploy" / "demo" / "campaigns").glob("*.yaml"))
    offer = next(offer.key for campaign in book for offer in campaign.offers)
    tally = Tally({(offer, "declined", "no_stock"): 1})
    metrics.registry.register(Totals(lambda: book, lambda: tally, lambda: [level]))
    metrics.open_offer("c/o")
    metrics.outcomes.labels("c/o", "granted", "")
    partitions.opened("desk", 0, is_open=False)
    partitions.restoring("desk", 0, 0, 0)
    at = datetime(2026, 11, 24, tzinfo=UTC)
    clock = OfferWatched("c/o", "gift", "site", 1, False, 1.0, 2.0, 3.0, 0.5, 1.0)
    rate = RateWatched("c/o", "take_up", 0.1, 0.2, 0.3)
    board = Watched(at, [clock], [rate], watermark=at, lag_seconds=1.0)
    metrics.registry.register(BoardMetrics(lambda: board))
    return {sample.name: set(sample.labels) for metric in metrics.registry.collect() for sample in metric.samples}
