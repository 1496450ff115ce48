"""Bad input: one clear message for each fault, with its place, what was expected and the nearest valid name.

The texts are the program's own; the tests ask for the parts of them that a person needs.
"""

import gc
import json
import re
import subprocess
import sys
from pathlib import Path

import orjson
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from makeweight.adapters.documents.campaigns import read_file, read_files
from makeweight.adapters.documents.files import FileError, FileErrors
from makeweight.adapters.documents.orders import read_jsonl
from makeweight.adapters.documents.stock import read_stock
from makeweight.adapters.documents.table import Reading, Table
from makeweight.cli.main import app
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.orders import read_fulfilment, read_order
from makeweight.contracts.problems import WireError
from makeweight.contracts.topics import MAX_EVENT_BYTES
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Cautions
from makeweight.domain.moments import Instant

MAKEWEIGHT = Path(sys.executable).parent / "makeweight"
CAMPAIGN = """\
campaign: ink-week
title: Ink Week
markets: [IE]
currency: EUR
zone: Europe/Dublin
from: 2026-11-23 00:00
until: 2026-11-30 00:00
gifts:
  - gift: SAMPLER-INK
    gtin: "9521234567899"
    title: Sampler of five inks
    stated_value: 600
    cautions: {dangerous_goods: none, age: none, food: none}
  - gift: PAD-A6
    title: Sketch pad A6
    stated_value: 600
offers:
  - offer: sampler
    says: Spend 40 or more on Inkmoor.
    counts:
      brands: [Inkmoor]
      by: total
      at_least: 4000
    gives:
      gift: SAMPLER-INK
      otherwise: [PAD-A6]
"""
ROWS = "order_id,placed_at,units,line_total\n"
NOW = Instant.fromisoformat("2026-11-24T10:00:00+00:00")


def order(**members: object) -> dict:
    """The example order with other members; None takes one away."""
    wire = {**json.loads(EXAMPLES["order-event"]), **members}
    return {name: member for name, member in wire.items() if name not in members or member is not None}


def with_line(**members: object) -> dict:
    """The example order with another first line."""
    return order(lines=[{**order()["lines"][0], **members}])


def run(*arguments: object) -> subprocess.CompletedProcess:
    """The command, as a person runs it."""
    return subprocess.run([MAKEWEIGHT, *map(str, arguments)], check=False, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize(
    ("body", "code", "parts"),
    [
        (order(market=None), "malformed", ["member 'market' is missing"]),
        (order(status="canceled"), "malformed", ["status", "did you mean 'cancelled'?"]),
        (order(order_class="retial"), "malformed", ["order_class", "did you mean 'retail'?"]),
        (order(placed_at="2026-11-24T10:00:00"), "malformed", ["placed_at", "timezone"]),
        (order(placed_at="yesterday"), "malformed", ["placed_at", "datetime"]),
        (order(placed_at=1_764_000_000), "malformed", ["placed_at", "datetime"]),
        (order(currency="eur"), "malformed", ["currency", "pattern"]),
        (order(currency="EUX"), "currency", ["A-1001", "'EUX'", "ISO 4217", "EUR"]),
        (order(currency="XAU"), "currency", ["'XAU'"]),  # ISO 4217: gold has no minor unit
        (order(revision=0), "malformed", ["revision", "greater than or equal to 1"]),
        (order(revision="1"), "malformed", ["revision", "valid integer"]),
        (order(discount=-1), "malformed", ["discount", "greater than or equal to 0"]),
        (order(discount=4.5), "malformed", ["discount", "valid integer"]),
        (order(order="a/b"), "malformed", ["order", "pattern"]),
        (order(lines={}), "malformed", ["lines", "valid array"]),
        (order(lines=[{"number": 1}]), "malformed", ["lines.0", "'sku'", "'units'", "'total_charged'"]),
        (with_line(units=-1), "malformed", ["lines.0.units", "greater than or equal to 0"]),
        (with_line(total_charged="44.00"), "malformed", ["lines.0.total_charged", "valid integer"]),
        (with_line(kind="wine"), "malformed", ["lines.0.kind", "goods"]),
        (with_line(gtin="952123456789"[:7]), "malformed", ["lines.0.gtin", "pattern"]),
        (with_line(cancelled_units=3), "contradiction", ["A-1001 line 1", "3 units cancelled of 2", "at most"]),
        (order(lines=order()["lines"] * 2), "contradiction", ["A-1001", "same number", "1, 2, 3"]),
    ],
    ids=lambda p: p if isinstance(p, str) else "",
)
def test_malformed_order(body, code, parts):
    """One sentence says which member, and what was expected."""
    with pytest.raises(WireError) as refused:
        read_order(orjson.dumps(body))
    assert refused.value.code == code
    assert [part for part in parts if part not in refused.value.sentence] == []
    assert "\n" not in refused.value.sentence


@pytest.mark.parametrize(
    ("body", "parts"),
    [
        (b"", ["not JSON"]),
        (b'{"order": "A', ["not JSON", "line 1 column 12"]),
        (b"[]", ["object"]),
        (b"\xff", ["not JSON"]),
    ],
    ids=str,
)
def test_order_that_is_no_json(body, parts):
    """Bytes that are no JSON object are refused with the place at which reading stopped."""
    with pytest.raises(WireError) as refused:
        read_order(body)
    assert refused.value.code == "malformed"
    assert [part for part in parts if part not in refused.value.sentence] == []


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"happened": "release"}, "did you mean 'released'?"),
        ({"tickets": "x"}, "unknown member 'tickets'"),
        ({"at": "2026-11-24"}, "at: input should be a valid datetime"),
        ({"lines": [{"units": 0}]}, "lines.0.units"),
    ],
)
def test_malformed_fulfilment(change, part):
    """Warehouse facts are strict: an unknown member is refused."""
    body = {**json.loads(EXAMPLES["fulfilment-event"]), **change}
    with pytest.raises(WireError, match=re.escape(part)) as refused:
        read_fulfilment(orjson.dumps(body))
    assert part in refused.value.sentence


# --- campaigns --------------------------------------------------------------------------------------------------

OFFER_AT = CAMPAIGN.splitlines().index("  - offer: sampler") + 1
CAMPAIGN_FAULTS = {
    "unknown member": ("title: Ink Week", "title: Ink\ntitel: Ink", 3, ["member 'titel'", "did you mean 'title'?"]),
    "missing member": ("title: Ink Week\n", "", 1, ["member 'title' is missing"]),
    "unknown member deep": ("at_least", "at_last", 23, ["unknown member 'at_last'", "did you mean 'at_least'?"]),
    "member in the wrong place": (
        "title: Ink Week", "title: Ink\nback_orders: wait", 3, ["'back_orders' has no place here", "goes into `gives`"]
    ),
    "currency": ("currency: EUR", "currency: EURO", 4, ["'EURO'", "ISO 4217"]),
    "zone": ("Europe/Dublin", "Europe/Dubln", 5, ["'Europe/Dubln'", "IANA", "did you mean 'Europe/Dublin'?"]),
    "by": ("by: total", "by: totals", 22, ["by", "did you mean 'total'?"]),
    "check digit": ("9521234567899", "9521234567898", 10, ["9521234567898", "check digit"]),
    "no GTIN": ('"9521234567899"', '"95212"', 10, ["gtin", "pattern"]),
    "GTIN without quotes": ('"9521234567899"', "9521234567899", 10, ["gtin", "valid string"]),
    "unknown gift": ("gift: SAMPLER-INK\n      o", "gift: SAMPLER-INC\n      o", 25, ["did you mean 'SAMPLER-INK'?"]),
    "unknown substitute": ("[PAD-A6]", "[PAD-A5]", 26, ["'PAD-A5'", "did you mean 'PAD-A6'?"]),
    "gift twice": ("gift: PAD-A6", "gift: SAMPLER-INK", 14, ["'SAMPLER-INK' is declared twice"]),
    "both thresholds": ("at_least: 4000", "at_least: 4000\n      over: 1", 20, ["`at_least` and `over` exclude"]),
    "no threshold": ("      at_least: 4000\n", "", 20, ["threshold is missing", "at_least", "over"]),
    "threshold of any": ("by: total", "by: any", 20, ["`by: any` takes no threshold"]),
    "threshold of zero": ("at_least: 4000", "at_least: 0", 23, ["asks nothing", "by: any"]),
    "for_each with over": (
        "at_least: 4000\n    gives:", "over: 4000\n    gives:\n      for_each: true", 25, ["ambiguous", "at_least"]
    ),
    "for_each by line": (
        "total\n      at_least: 4000\n    gives:", "line\n      at_least: 4000\n    gives:\n      for_each: true", 25,
        ["`by: total` or `by: units`"],
    ),
    "amount as text": ("at_least: 4000", 'at_least: "4000"', 23, ["at_least", "valid integer"]),
    "amount in major units": ("at_least: 4000", "at_least: 40.5", 23, ["at_least", "integer"]),
    "amount beyond 64 bits": ("at_least: 4000", "at_least: 10" + "0" * 30, 23, ["at_least", "integer"]),
    "amount beyond all digits": ("at_least: 4000", "at_least: 1" + "0" * 5_000, 23, ["at_least"]),
    "no gift": ("      gift: SAMPLER-INK\n      otherwise: [PAD-A6]", "      units: 1", 24, ["a `gift` or"]),
    "no substitute": ("      otherwise: [PAD-A6]", "    when_out: substitute", 26, ["`gives.otherwise`"]),
    "prices and gives": ("    gives:", "    prices: {A: 1}\n    gives:", OFFER_AT, ["either", "`prices`", "`reduces`"]),
    "no such day": ("from: 2026-11-23", "from: 2026-11-31", 6, ["day"]),
    "no local time": ("from: 2026-11-23 00:00", "from: 2026-11-23T00:00Z", 6, ["from", "pattern"]),
    "empty window": ("until: 2026-11-30", "until: 2026-11-23", 7, ["empty"]),
    "member twice": ("currency: EUR", "currency: EUR\ncurrency: USD", 5, ["'currency' stands here twice"]),
    "not YAML": ("markets: [IE]", "markets: [IE", 4, ["not YAML"]),
    # --- the trade's further rules
    "class that takes no part": (
        "currency: EUR", "currency: EUR\nclasses: [retail, test]", 5, ["test orders never take part", "take 'test' out"]
    ),
    "unknown class": ("currency: EUR", "currency: EUR\nclasses: [retial]", 5, ["classes.0", "did you mean 'retail'?"]),
    "no class": ("currency: EUR", "currency: EUR\nclasses: []", 5, ["classes", "at least 1 item"]),
    "country of despatch": ("currency: EUR", "currency: EUR\nships_from: Ireland", 5, ["ships_from", "pattern"]),
    "caution in other words": ("age: none", "age: nobody under 18", 13, ["age", "'none' or 'adult'"]),
    "caution misspelt": ("age: none", "age: adlt", 13, ["did you mean 'adult'?"]),
    "class without lanes": (
        "dangerous_goods: none", 'dangerous_goods: "3"', 13,
        ["gifts.0.cautions.dangerous_goods: ", "expected `none`", '`{class: "3", lanes: [ground]}`'],
    ),
    "class as a number": (
        "dangerous_goods: none", "dangerous_goods: {class: 3, lanes: [ground]}", 13,
        ["cautions.dangerous_goods.class: ", "valid string"],
    ),
    "no such class": (
        "dangerous_goods: none", 'dangerous_goods: {class: "10", lanes: [ground]}', 13, ["_goods.class", "pattern"]
    ),
    "lanes missing": ("dangerous_goods: none", 'dangerous_goods: {class: "3"}', 13, ["member 'lanes' is missing"]),
    "no lane": ("dangerous_goods: none", 'dangerous_goods: {class: "3", lanes: []}', 13, ["lanes", "at least 1 item"]),
    "unknown lane": (
        "dangerous_goods: none", 'dangerous_goods: {class: "3", lanes: [grund]}', 13, ["did you mean 'ground'?"]
    ),
    "unknown member of a caution": (
        "food: none", "food: {allergens: [], allergen: []}", 13, ["unknown member 'allergen'", "mean 'allergens'?"]
    ),
    "food in words": ("food: none", "food: oats", 13, ["food", "expected `none`", "`{allergens: [milk]}`"]),
    "unknown allergen": (
        "food: none", "food: {allergens: [milk, celeri]}", 13,
        ["cautions.food.allergens.1: ", "did you mean 'celery'?"],
    ),
    "worth less": (
        "gift: PAD-A6\n    title: Sketch pad A6\n    stated_value: 600",
        "gift: PAD-A6\n    title: Sketch pad A6\n    stated_value: 599", 26,
        ["'PAD-A6' can't be sent in place of 'SAMPLER-INK'", "599 is below the 600", "name another gift"],
    ),
    "adds a caution": (
        "title: Sketch pad A6", "title: Sketch pad A6\n    cautions: {carries: [small parts]}", 27,
        ["can't be sent in place", "it adds small parts"],
    ),
    "unknown choice": (
        "otherwise: [PAD-A6]", "choice: [PAD-A6, PAD-A7]", 26, ["gives.choice.1", "'PAD-A7'", "did you mean 'PAD-A6'?"]
    ),
    "how it rides": ("otherwise: [PAD-A6]", "rides_with: firts", 26, ["rides_with", "did you mean 'first'?"]),
    "country in words": ("    gives:", "    only_to: [Ireland]\n    gives:", 24, ["only_to.0", "pattern"]),
    "no days": ("    gives:", "    paid_within_days: 0\n    gives:", 24, ["paid_within_days", "greater than or equal"]),
    "used once by line": (
        "by: total\n      at_least: 4000", "by: line\n      at_least: 4000\n    value_used: once", 24,
        ["`once` goes with `by: total`", "not with `by: line`"],
    ),
    "used once for each": (
        "      otherwise: [PAD-A6]", "      for_each: true\n    value_used: once", 27, ["`for_each`", "drop one"]
    ),
    "used once in a group": (
        "    gives:", "    value_used: once\n    group: g\n    gives:", 24, ["`group`", "drop one of them"]
    ),
    "value used": ("    gives:", "    value_used: twice\n    gives:", 24, ["value_used", "'shared' or 'once'"]),
    "clawback": ("    gives:", "    clawback: deduction\n    gives:", 24, ["clawback", "did you mean 'deduct'?"]),
    "clawback of a benefit": (
        "      gift: SAMPLER-INK\n      otherwise: [PAD-A6]", "      benefit: free_shipping\n    clawback: deduct", 26,
        ["`clawback` goes with a `gift`"],
    ),
    "parcel of a benefit": (
        "      gift: SAMPLER-INK\n      otherwise: [PAD-A6]", "      benefit: stamp\n      rides_with: last", 26,
        ["`rides_with` goes with a `gift`"],
    ),
    "choice of a benefit": (
        "      gift: SAMPLER-INK\n      otherwise: [PAD-A6]", "      benefit: stamp\n      choice: [PAD-A6]", 26,
        ["`choice` goes with a `gift`"],
    ),
    "price for a destination": (
        CAMPAIGN[CAMPAIGN.index("    counts:"):], "    prices: {A: 1}\n    only_to: [IE]\n", 21,
        ["`only_to` goes with `gives`"],
    ),
    "price that is topped up": (
        CAMPAIGN[CAMPAIGN.index("    counts:"):], "    prices: {A: 1}\n    top_up: true\n", 21,
        ["`top_up` goes with `gives`"],
    ),
    # Ireland's clock goes back at 02:00 on 25 October 2026 and forward at 01:00 on 29 March 2026 (IANA tzdata); what
    # the two readings are is RFC 5545 section 3.3.5 and its other choice.
    "fold in from": (
        "from: 2026-11-23 00:00", "from: 2026-10-25 01:30", 6,
        ["happens twice", "2026-10-25T00:30Z", "2026-10-25T01:30Z"],
    ),
    "fold in until": (
        "from: 2026-11-23 00:00\nuntil: 2026-11-30 00:00", "from: 2026-10-20 00:00\nuntil: 2026-10-25 01:00", 7,
        ["until", "happens twice", "2026-10-25T00:00Z", "2026-10-25T01:00Z"],
    ),
    "gap": (
        "from: 2026-11-23 00:00", "from: 2026-03-29 01:30", 6,
        ["does not exist", "2026-03-29T00:30Z", "2026-03-29T01:30Z"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CAMPAIGN_FAULTS)
def test_campaign_fault_names_its_line(name, tmp_path):
    """File, line, what is wrong there, and the nearest valid name."""
    old, new, line, parts = CAMPAIGN_FAULTS[name]
    assert CAMPAIGN.count(old) == 1
    path = tmp_path / "ink-week.yaml"
    path.write_text(CAMPAIGN.replace(old, new), encoding="utf-8")
    with pytest.raises(FileErrors) as refused:
        read_file(path)
    first = refused.value.errors[0]
    assert (first.path, first.line) == (path, line)
    assert str(first).startswith(f"{path}:{line}: ")
    assert [part for part in parts if part not in str(first)] == []


def test_everything_that_an_offer_may_say_can_be_said_together(tmp_path):
    """What each refusal is about has a form that is taken; what is left out is as it was before."""
    path = tmp_path / "c.yaml"
    changes = {
        "currency: EUR": "currency: EUR\nclasses: [retail, staff]\nships_from: IE",
        "{dangerous_goods: none, age: none, food: none}": """
      dangerous_goods: {class: '2.1', lanes: [ground, air]}
      age: adult
      food: {allergens: [tree nuts]}
      never_to: [US]
      carries: [fragrance]""",
        "by: total": "by: total\n      not_reduced: true",
        "    gives:\n": "    only_to: [IE, GB]\n    services: [standard]\n    value_used: once\n    top_up: true\n"
        "    paid_within_days: 7\n    clawback: gift_back\n    gives:\n      choice: [SAMPLER-INK, PAD-A6]\n"
        "      rides_with: trigger\n      own_parcel: [main]\n      back_orders: travel\n",
    }
    text = CAMPAIGN
    for old, new in changes.items():
        text = text.replace(old, new)
    path.write_text(text)
    campaign = read_file(path).campaign
    (offer,) = campaign.offers
    assert (campaign.classes, campaign.gifts["SAMPLER-INK"].ships_from) == (("retail", "staff"), "IE")
    said = campaign.gifts["SAMPLER-INK"].cautions
    assert said == Cautions("2.1", "adult", "food", ["ground", "air"], ["tree nuts"], ["US"], ["fragrance"])
    assert (offer.scope.not_reduced, offer.only_to, offer.services) == (True, {"IE", "GB"}, {"standard"})
    assert (offer.value_used, offer.top_up, offer.paid_within_days, offer.clawback) == ("once", True, 7, "gift_back")
    assert (offer.choice, offer.rides_with, offer.own_parcel, offer.back_orders, offer.zone) == (
        ("SAMPLER-INK", "PAD-A6"), "trigger", ("main",), "travel", "Europe/Dublin",
    )  # fmt: skip


def test_all_faults_of_a_campaign_are_told_at_once(tmp_path):
    """Who mends a file wants to mend it once."""
    path = tmp_path / "c.yaml"
    path.write_text(CAMPAIGN.replace("at_least: 4000", "at_least: 0").replace("[PAD-A6]", "[X]").replace("EUR", "XXX"))
    with pytest.raises(FileErrors) as refused:
        read_file(path)
    assert [e.line for e in refused.value.errors] == [4, 23, 26]


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        (b"", ["expected a campaign"]),
        (b"- a\n- b\n", ["expected a campaign"]),
        (b"just words", ["expected a campaign"]),
        (b"a: \xff", ["UTF-8"]),
        (b"a: *b", ["not YAML"]),
        (b"a: &a [*a]", ["nested"]),
        (b"a: !!python/object:os.system {}", ["unknown member 'a'"]),
        (b"--- {}\n--- {}", ["not YAML"]),
    ],
    ids=str,
)
def test_file_that_is_no_campaign(content, parts, tmp_path):
    """Whatever is in the file, the answer names it."""
    path = tmp_path / "c.yaml"
    path.write_bytes(content)
    with pytest.raises(FileErrors) as refused:
        read_file(path)
    assert [part for part in [str(path), *parts] if part not in str(refused.value)] == []


def test_campaign_file_that_is_not_there(tmp_path):
    """The system's reason, with the file's name."""
    with pytest.raises(FileErrors, match=r"nope\.yaml: cannot be read: No such file"):
        read_file(tmp_path / "nope.yaml")


def test_one_revision_in_two_files(tmp_path):
    """The second file is refused, and the message names the first."""
    for name in ("a.yaml", "b.yaml"):
        (tmp_path / name).write_text(CAMPAIGN)
    with pytest.raises(FileErrors, match=r"b\.yaml:1: .*revision 1 stands in .*a\.yaml too"):
        read_files([tmp_path / "a.yaml", tmp_path / "b.yaml"])


def test_market_no_stays_text(tmp_path):
    """Source: YAML 1.2.2 core schema (yaml.org, section 10.3.2): only true and false are booleans. Norway is 'NO'."""
    path = tmp_path / "c.yaml"
    path.write_text(CAMPAIGN.replace("[IE]", "[NO, on, y, SE]").replace("brands: [Inkmoor]", "brands: [Yes, 12:30]"))
    campaign = read_file(path).campaign
    assert campaign.markets == ("NO", "on", "y", "SE")
    assert campaign.offers[0].scope.brands == {"Yes", "12:30"}


# --- stock ------------------------------------------------------------------------------------------------------


@pytest.fixture
def book(tmp_path):
    """The campaign, and another that gives the same pad."""
    path, other = tmp_path / "ink-week.yaml", tmp_path / "pads.yaml"
    path.write_text(CAMPAIGN)
    pads = CAMPAIGN.replace("ink-week", "pads").replace("      gift: SAMPLER-INK\n", "      gift: PAD-A6\n")
    other.write_text(pads.replace("      otherwise: [PAD-A6]\n", ""))
    return Book(file.campaign for file in read_files([path, other]))


@pytest.mark.parametrize(
    ("content", "line", "parts"),
    [
        ("gift,sites,units\n", 1, ["column 'site' is missing", "did you mean 'sites'?"]),
        ("gift,site,units,offr\n", 1, ["unknown column 'offr'", "did you mean 'offer'?"]),
        ("", 1, ["column 'gift' is missing"]),
        ("gift,site,units\nSAMPLER-INK,main,x\n", 2, ["units 'x'", "whole number above 0"]),
        ("gift,site,units\nSAMPLER-INK,main,0\n", 2, ["units '0'"]),
        ("gift,site,units\nSAMPLER-INK,main,-3\n", 2, ["units '-3'"]),
        ("gift,site,units\nSAMPLER-INK,main,1.5\n", 2, ["units '1.5'"]),
        ("gift,site,units\nSAMPLER-INK,main,1,000\n", 2, ["more values than columns"]),
        ("gift,site,units\nSAMPLER-INK,,5\n", 2, ["gift and site must not be empty"]),
        ("gift,site,units\nSAMPLER-INK,main\n", 2, ["units ''"]),
        ("gift,site,units\nSAMPLER-INK,main,5\nSAMPLR,main,5\n", 3, ["'SAMPLR'", "did you mean 'SAMPLER-INK'?"]),
        ("gift,site,units\nPAD-A6,main,5\n", 2, ["several offers", "ink-week/sampler", "pads/sampler", "`offer`"]),
        ("gift,site,units,offer\nPAD-A6,main,5,sampler\n", 2, ["'sampler'", "campaign/offer"]),
    ],
)
def test_wrong_stock(content, line, parts, tmp_path, book):
    """File, line, and what was expected there."""
    path = tmp_path / "stock.csv"
    path.write_text(content)
    with pytest.raises(FileErrors) as refused:
        read_stock(path, book, NOW)
    first = refused.value.errors[0]
    assert first.line == line
    assert [part for part in [f"{path}:{line}: ", *parts] if part not in str(first)] == []


def test_stock_of_an_ended_offer_is_refused(tmp_path, book):
    """A row without an offer goes only to one that has not ended."""
    path = tmp_path / "stock.csv"
    path.write_text("gift,site,units\nSAMPLER-INK,main,5\n")
    assert [r.offer for r in read_stock(path, book, NOW)] == ["ink-week/sampler"]
    with pytest.raises(FileErrors, match="no offer that has not ended gives 'SAMPLER-INK'"):
        read_stock(path, book, Instant.fromisoformat("2026-11-30T00:00:00+00:00"))


# --- the table of lines ----------------------------------------------------------------------------------------------

TABLE_FAULTS = {
    "no zone": ("A,2026-11-24 10:00,1,5.00\n", ["placed_at 2026-11-24 10:00", "offset", "--zone"]),
    "no time": ("A,tomorrow,1,5.00\n", ["placed_at 'tomorrow'", "RFC 3339"]),
    "year 10000": ("A,9999-12-31T23:59:59-10:00,1,5.00\n", ["placed_at 9999-12-31", "years 1 and 9999"]),
    "empty time": ("A,,1,5.00\n", ["placed_at is empty"]),
    "decimals": ("A,2026-11-24T10:00Z,1,5.001\n", ["line_total '5.001'", "2 decimals of EUR"]),
    "no amount": ("A,2026-11-24T10:00Z,1,five\n", ["line_total 'five'", "12.50"]),
    "negative": ("A,2026-11-24T10:00Z,1,-5\n", ["line_total -5", "from 0 up"]),
    "infinite": ("A,2026-11-24T10:00Z,1,inf\n", ["line_total 'inf'"]),
    "beyond all digits": ("A,2026-11-24T10:00Z,1,1e9999999\n", ["line_total '1e9999999'"]),
    "part of a unit": ("A,2026-11-24T10:00Z,1.5,5.00\n", ["units '1.5'", "whole number"]),
    "no order": (",2026-11-24T10:00Z,1,5.00\n", ["order_id is empty"]),
    "short row": ("A,2026-11-24T10:00Z,1\n", ["3 values", "4 columns"]),
    "long row": ("A,2026-11-24T10:00Z,1,5,00\n", ["5 values", "4 columns"]),
}
GOOD_ROW = "B,2026-11-24T10:00:00Z,1,5.00\n"


def table(path: Path, content: str, **columns: str) -> Table:
    """A CSV table in EUR without a zone."""
    path.write_text(content, encoding="utf-8")
    return Table(path, Reading(columns, None, "EUR", "IE"))


@pytest.mark.parametrize("name", TABLE_FAULTS)
def test_wrong_row_is_told_and_kept_out(name, tmp_path):
    """Contract, 'Table of lines': a wrong row is reported with its number and kept out; its neighbours are read."""
    row, parts = TABLE_FAULTS[name]
    path = tmp_path / "lines.csv"
    read = table(path, f"{ROWS}{GOOD_ROW}{row}{GOOD_ROW.replace('B', 'C')}A,2026-11-24T10:00Z,x,1\n")
    assert [o.order for o in read.orders()] == ["B", "C"]
    assert read.rejected == 2
    assert [part for part in [f"{path}:3: ", *parts] if part not in read.told[0]] == []
    assert read.told[1].startswith(f"{path}:5: units 'x'")


@pytest.mark.parametrize(
    ("column", "given", "part"),
    [("kind", "good", "did you mean 'goods'?"), ("status", "canceled", "did you mean 'cancelled'?")],
)
def test_wrong_word_names_the_nearest(column, given, part, tmp_path):
    """Optional columns hold closed lists."""
    read = table(tmp_path / "lines.csv", f"{ROWS.strip()},{column}\n{GOOD_ROW.strip()},{given}\n")
    assert list(read.orders()) == []
    assert f"{column} '{given}'" in read.told[0]
    assert part in read.told[0]


@pytest.mark.parametrize(
    ("content", "columns", "parts"),
    [
        ("order,placed_at,units,line_total\n", {}, [":1: ", "'order_id' is missing", "the table has order,"]),
        ("order_id,placed,units,line_total\n", {}, ["'placed_at' is missing", "did you mean 'placed'?", "--column"]),
        (ROWS, {"brand": "maker"}, ["'maker' is missing", "--column brand="]),
        (ROWS, {"brnd": "maker"}, ["'brnd' is no column of ours", "did you mean 'brand'?"]),
        ("order_id,units,units,placed_at,line_total\n", {}, [":1: ", "'units' stands here twice"]),
        ("", {}, ["cannot be read as a table"]),
    ],
    ids=str,
)
def test_wrong_header(content, columns, parts, tmp_path):
    """A table whose columns can't be found is refused as a whole."""
    path = tmp_path / "lines.csv"
    with pytest.raises(FileError) as refused:
        table(path, content, **columns)
    assert [part for part in [str(path), *parts] if part not in str(refused.value)] == []


def test_parquet_rows_count_from_one(tmp_path):
    """A Parquet file has no header line; floats are read as the decimals that they were written from."""
    path = tmp_path / "lines.parquet"
    totals = [0.1 + 0.2, 19.99, 0.015, float("nan"), float("inf"), None]
    count = len(totals)
    columns = {
        "order_id": [f"O{n}" for n in range(1, count + 1)],
        "placed_at": pa.array([NOW] * count),
        "units": pa.array([1.0] * count),
        "line_total": totals,
        "brand": pa.array(["Inkmoor"] * count).dictionary_encode(),  # how pandas writes a category
        "category": pa.array(["ink"] * count).dictionary_encode(),
    }
    pq.write_table(pa.table(columns), path)
    read = Table(path, Reading({}, None, "EUR", "IE"))
    found = [(o.order, o.lines[0].total_charged, o.lines[0].brand, o.lines[0].categories) for o in read.orders()]
    assert found == [("O1", 30, "Inkmoor", ["ink"]), ("O2", 1999, "Inkmoor", ["ink"])]
    assert [text.removeprefix(f"{path}:")[:13] for text in read.told] == [f"{n}: line_total" for n in (3, 4, 5, 6)]


def test_parquet_that_is_none(tmp_path):
    """Bytes with a hopeful name."""
    path = tmp_path / "lines.parquet"
    path.write_bytes(b"order_id,placed_at\n")
    with pytest.raises(FileError, match=r"lines\.parquet: cannot be read as a table"):
        Table(path, Reading({}, None, "EUR", "IE"))


# --- JSONL ------------------------------------------------------------------------------------------------------

JSONL_FAULTS = [
    (b"nope", "malformed", "not JSON"),
    (b"[1]", "malformed", "expected a JSON object"),
    (b'{"order":"A"}', "malformed", "member 'revision' is missing"),
    (b'{"specversion":"1.0","type":"com.makeweight.order.v1","source":"s","data":{}}', "envelope", "'id' is missing"),
    (b'{"specversion":"1.0"}', "envelope", "'data' is missing"),
    (b'{"specversion":"1.0","id":"1","source":"s","type":"x","data":{}}', "envelope", "com.makeweight.order.v1"),
    (b"\xff\xfe", "malformed", "not JSON"),
    (b'{"order":"' + b"x" * MAX_EVENT_BYTES + b'"}', "too_large", "larger than"),
    (EXAMPLES["order-event"][:-1] + b',"opaque":' + b"9" * 40 + b"}", "malformed", "can't be carried through"),
    (EXAMPLES["order-event"][:-1] + b',"opaque":' + b"[" * 999 + b"]" * 999 + b"}", "malformed", "recursion"),
]


@pytest.mark.parametrize(("raw", "code", "part"), JSONL_FAULTS, ids=[f[2] for f in JSONL_FAULTS])
def test_wrong_line(raw, code, part, tmp_path):
    """A wrong line keeps its bytes and its number, and the lines around it are read."""
    path = tmp_path / "day.jsonl"
    path.write_bytes(b"\n".join([EXAMPLES["order-event"], b"", raw, EXAMPLES["fulfilment-event"]]))
    lines = list(read_jsonl(path))
    assert [(x.number, x.kind, x.error is None) for x in lines] == [
        (1, "orders", True), (3, "orders", False), (4, "fulfilment", True),
    ]  # fmt: skip
    wrong = lines[1]
    assert wrong.raw == raw
    assert wrong.error.code == code
    assert part in wrong.error.sentence


# --- through the command -----------------------------------------------------------------------------------------


def test_replay_tells_every_wrong_line(tmp_path):
    """File and line on stderr, the summary on stdout, exit code 1: done, but something was refused."""
    campaign, orders = tmp_path / "c.yaml", tmp_path / "day.jsonl"
    campaign.write_text(CAMPAIGN)
    wrong = [f[0] for f in JSONL_FAULTS]
    orders.write_bytes(b"\n".join([EXAMPLES["order-event"], *wrong]))
    done = run("replay", "--campaign", campaign, "--orders", orders)
    assert done.returncode == 1
    assert [line.split(" ")[0] for line in done.stderr.splitlines()] == [
        f"{orders}:{n}:" for n in range(2, len(wrong) + 2)
    ]
    assert f"1 orders, 1 lines, {len(wrong)} rejected" in done.stdout
    assert "Traceback" not in done.stderr


def test_replay_counts_wrong_rows(tmp_path):
    """The summary says how many rows were kept out, and stderr which."""
    campaign, lines = tmp_path / "c.yaml", tmp_path / "lines.csv"
    campaign.write_text(CAMPAIGN)
    lines.write_text(ROWS + GOOD_ROW + "".join(row for row, _ in TABLE_FAULTS.values()))
    done = run("replay", "--campaign", campaign, "--lines", lines, "--json")
    assert json.loads(done.stdout)["rejected_rows"] == len(TABLE_FAULTS)
    assert json.loads(done.stdout)["orders"] == 1
    assert [line.split(" ")[0] for line in done.stderr.splitlines()] == [
        f"{lines}:{n}:" for n in range(3, len(TABLE_FAULTS) + 3)
    ]


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (["--lines", "l.csv", "--orders", "o.jsonl"], ["either --lines", "or --orders"]),
        ([], ["either --lines", "or --orders"]),
        (["--orders", "nope.jsonl"], ["nope.jsonl: cannot be read: No such file"]),
        (["--lines", "nope.csv"], ["nope.csv: cannot be read"]),
        (["--lines", "l.csv", "--zone", "Europe/Dubln"], ["'Europe/Dubln' is not an IANA time zone"]),
        (["--lines", "l.csv", "--column", "brand"], ["--column brand: expected OURS=THEIRS"]),
        (["--lines", "l.csv", "--column", "brnd=maker"], ["did you mean 'brand'?"]),
        (["--lines", "l.csv", "--stock", "s.csv"], ["s.csv:2: units 'x'"]),
        (["--lines", "l.csv", "--campaign", "bad.yaml"], ["bad.yaml:4: currency: 'EURO'"]),
        (["--lines", "l.csv", "--tickets", "no/such/folder.jsonl"], ["no/such/folder.jsonl"]),
        (["--line", "l.csv"], ["--lines"]),
    ],
    ids=str,
)
def test_wrong_command(arguments, parts, tmp_path, monkeypatch):
    """Exit code 2: the command or a file is wrong, and nothing was done. One message, no traceback."""
    (tmp_path / "c.yaml").write_text(CAMPAIGN)
    (tmp_path / "bad.yaml").write_text(CAMPAIGN.replace("EUR", "EURO"))
    (tmp_path / "l.csv").write_text(ROWS + GOOD_ROW)
    (tmp_path / "s.csv").write_text("gift,site,units\nSAMPLER-INK,main,x\n")
    monkeypatch.chdir(tmp_path)
    try:
        done = CliRunner().invoke(app, ["replay", "--campaign", "c.yaml", *arguments])
    finally:
        # The command switches the collector off for its own short life, and this process lives on.
        gc.enable()
        gc.unfreeze()
    assert done.exit_code == 2
    assert isinstance(done.exception, SystemExit)
    assert done.stdout == ""
    assert [part for part in parts if part not in done.stderr] == []
