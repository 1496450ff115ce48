"""The command line as people and scripts use it: help, exit codes, what goes to stdout and what to stderr."""

import gc
import json
import os
import sqlite3
import subprocess
import sys
import time
from contextlib import chdir, closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from makeweight import __version__
from makeweight.adapters.documents.orders import read_jsonl
from makeweight.adapters.local.database import FILE_NAME, connect
from makeweight.adapters.local.host import Host
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap import Embedded, publish_files
from makeweight.cli.console import REFUSED, UNAVAILABLE, USAGE
from makeweight.cli.main import app
from makeweight.contracts.campaigns import read_campaign
from makeweight.settings import Settings
from tests.integration.test_http import CAMPAIGN, CUSTOMER, PUBLISHED, STRUCTURED, Serving, event, order

MAKEWEIGHT = Path(sys.executable).parent / "makeweight"
COMMANDS = (
    "serve",
    "check",
    "publish",
    "stock",
    "change",
    "quantity",
    "replay",
    "profile",
    "explain",
    "rejects",
    "despatch-advice",
    "prior-price",
    "close",
    "settings",
    "schemas",
    "rules",
)
STOCK = "gift,site,units\nTIN,main,2\n"


@pytest.fixture
def shop(tmp_path):
    """A folder with a campaign, two tins and a day of four orders: the third finds none left, the fourth is short."""
    (tmp_path / "week.yaml").write_text(CAMPAIGN)
    (tmp_path / "stock.csv").write_text(STOCK)
    bare = [order(n) for n in (1, 2, 3)] + [order(4, 3700)]
    (tmp_path / "day.jsonl").write_text("".join(json.dumps(one) + "\n" for one in bare))
    return tmp_path


def run(folder: Path, *arguments: str, **env: str) -> Result:
    """The command in a folder, in this process: what most tests need, and quick."""
    with chdir(folder):
        try:
            return CliRunner().invoke(app, arguments, env=env)
        finally:
            # `replay` switches the collector off for its own short life, and this process lives on.
            gc.enable()
            gc.unfreeze()


def spawn(folder: Path, *arguments: str, given: str | None = None, **env: str) -> subprocess.CompletedProcess:
    """The command in a folder, as a process of its own with the environment of a plain terminal."""
    kept = {name: text for name, text in os.environ.items() if name in ("PATH", "HOME", "LANG")}
    return subprocess.run(
        [MAKEWEIGHT, *arguments],
        check=False, cwd=folder, input=given, capture_output=True, text=True, timeout=60, env={**kept, **env},
    )  # fmt: skip


def published(folder: Path) -> Path:
    """A state directory with the campaign in force and the stock waiting."""
    state = folder / "state"
    publish_files(Settings(state=state), [folder / "week.yaml"], folder / "stock.csv", clock=lambda: PUBLISHED)
    return state


def taken(state: Path, events: Path) -> dict[str, int]:
    """A service in this process takes in a file of events and stops; how many ended in which result."""
    service = Embedded(Settings(state=state))
    try:
        service.intake.start()
        service.take_up()
        return service.take_lines(read_jsonl(events), events.name)
    finally:
        service.close()


def rows(state: Path, query: str) -> list[tuple]:
    """What is on the disk."""
    connection = sqlite3.connect(state / FILE_NAME)
    found = connection.execute(query).fetchall()
    connection.close()
    return found


# --- help -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_help_starts_with_examples(command, tmp_path):
    """Issue, 'CLI': help with examples first, before the options; each one names the command it is about."""
    done = run(tmp_path, command, "--help", COLUMNS="120")
    assert done.exit_code == 0
    examples, options = done.stdout.index("Examples"), done.stdout.index("Options")
    assert examples < options
    assert f"makeweight {command}" in done.stdout[examples:options]


def test_help_lists_the_commands(tmp_path):
    """Without a command there is help; every command is in it, and the version is the package's."""
    done = run(tmp_path, "--help")
    assert done.exit_code == 0
    assert [c for c in COMMANDS if f" {c} " not in done.stdout] == []
    assert "Order events in" in run(tmp_path).output
    assert run(tmp_path, "--version").stdout == f"makeweight {__version__}\n"


# --- settings -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [[], ["--json"]])
def test_settings_hide_the_token(options, tmp_path):
    """Secrets are hidden, in both forms; what was set is shown."""
    done = run(tmp_path, "settings", *options, MAKEWEIGHT_TOKEN="s3cret", MAKEWEIGHT_PORT="9000")  # noqa: S106
    assert done.exit_code == 0
    assert "s3cret" not in done.stdout + done.stderr
    assert "(hidden)" in done.stdout
    assert "9000" in done.stdout
    if options:
        told = json.loads(done.stdout)
        assert (told["token"], told["port"], told["state"]) == ("(hidden)", 9000, "state")


def test_a_wrong_setting_is_told(tmp_path):
    """Exit code 2, the variable's name and what was expected; no traceback, and not the secret beside it."""
    for command in (["settings"], ["serve"], ["explain", "O1"], ["publish", "x.yaml"]):
        done = run(tmp_path, *command, MAKEWEIGHT_PORT="high", MAKEWEIGHT_TOKEN="s3cret")  # noqa: S106
        assert (command, done.exit_code) == (command, USAGE)
        assert done.stderr.startswith("MAKEWEIGHT_PORT: ")
        assert "s3cret" not in done.output


def test_no_color(shop):
    """Source: no-color.org: with NO_COLOR set there is no colour, even where a terminal is forced."""
    coloured = spawn(shop, "publish", "nope.yaml", FORCE_COLOR="1")
    assert "\x1b[31m" in coloured.stderr
    plain = spawn(shop, "publish", "nope.yaml", FORCE_COLOR="1", NO_COLOR="1")
    assert "\x1b[3" not in plain.stderr
    assert plain.stderr.startswith("nope.yaml: cannot be read")
    assert "\x1b" not in spawn(shop, "publish", "nope.yaml").stderr


# --- check --------------------------------------------------------------------------------------------------------


def test_a_draft_is_checked(shop):
    """In words, at its edges and with its stock; exit code 1 if something is wrong. Nothing is written."""
    published(shop)
    before = rows(shop / "state", "SELECT count(*) FROM inbox"), rows(shop / "state", "SELECT count(*) FROM campaigns")
    draft = CAMPAIGN.replace("campaign: week", "campaign: next").replace("2026", "2096")
    (shop / "next.yaml").write_text(draft)
    told = run(shop, "check", "next.yaml", "--stock", "stock.csv")
    assert told.exit_code == 0, told.stdout
    assert "40.00 EUR or more spent on any goods earns 1 x Tin (TIN)." in told.stdout
    assert "An order with 39.99 EUR earns nothing, a near miss; 40.00 EUR earns 1; 40.01 EUR earns 1." in told.stdout
    whole = json.loads(run(shop, "check", "next.yaml", "--json").stdout)
    assert [(edge["worth"], edge["earns"]) for edge in whole["offers"][0]["edges"]] == [(3999, 0), (4000, 1), (4001, 1)]
    (shop / "over.yaml").write_text((shop / "next.yaml").read_text().replace("from 40 on", "over 40"))
    done = run(shop, "check", "over.yaml")
    assert done.exit_code == 0
    assert "look: next/tin: it says 'over', and exactly 40.00 EUR earns it too" in done.stdout
    assert "stock is not looked at" in done.stderr
    (shop / "empty.csv").write_text("gift,site,units\n")
    done = run(shop, "check", "next.yaml", "--stock", "empty.csv")
    assert (done.exit_code, "there is no stock of TIN for it" in done.stdout) == (REFUSED, True)
    assert before == (
        rows(shop / "state", "SELECT count(*) FROM inbox"),
        rows(shop / "state", "SELECT count(*) FROM campaigns"),
    )


def test_a_draft_is_held_against_what_is_published(shop):
    """An offer of a running campaign that the same goods earn is named, with an order that gets both."""
    (shop / "week.yaml").write_text(CAMPAIGN.replace("2026-11-30", "2096-11-30"))
    published(shop)
    (shop / "next.yaml").write_text(
        CAMPAIGN.replace("campaign: week", "campaign: next").replace("2026-11-30", "2096-11-30")
    )
    assert "week/tin" not in run(shop, "check", "next.yaml").stdout
    told = run(shop, "check", "next.yaml", "--state", "state")
    assert "next/tin and week/tin: an order with any goods for 40.00 EUR gets both" in told.stdout
    assert run(shop, "check", "next.yaml", "--state", "nowhere").exit_code == UNAVAILABLE
    broken = run(shop, "check", "stock.csv")
    assert (broken.exit_code, broken.stdout) == (USAGE, "")


def test_how_many_gifts_to_order(tmp_path):
    """A table with the cheapest, JSON with the same; costs and counts that tell nothing end with 2."""
    past = ["412", "388", "510", "455", "367", "498"]
    costs = ["--missing", "9.00", "--leftover", "1.60", "--currency", "EUR"]
    told = run(tmp_path, "quantity", *past, *costs)
    assert told.exit_code == 0, told.stderr
    assert "cheapest: order 499; such a campaign asks for 438 on average" in told.stdout
    assert "151.99 EUR" in told.stdout
    assert "allowing for how little 6 campaigns tell: 512" in told.stdout
    found = json.loads(run(tmp_path, "quantity", *past, *costs, "--json").stdout)
    assert (found["cheapest"], found["allowing"]) == (499, 512)
    assert 499 in [one["units"] for one in found["levels"]]
    more = run(tmp_path, "quantity", *past[:4], "498", "--ran-out", "367", *costs)
    assert "allowing" not in more.stdout
    for wrong, text in (
        ([*past, "--missing", "0.00", *costs[2:]], "above 0"),
        ([*past, "--missing", "9.001", *costs[2:]], "more than the 2 decimals of EUR"),
        (["412", *costs], "expected 2 or more"),
    ):
        done = run(tmp_path, "quantity", *wrong)
        assert (done.exit_code, done.stdout) == (USAGE, ""), done.stdout
        assert text in done.stderr


# --- publish and explain --------------------------------------------------------------------------------------------


def test_publish_twice_changes_nothing(shop):
    """The same files again: no new revision, and stock that was sent before is added once."""
    first = run(shop, "publish", "week.yaml", "--stock", "stock.csv", "--json")
    again = run(shop, "publish", "week.yaml", "--stock", "stock.csv", "--json")
    assert (first.exit_code, again.exit_code) == (0, 0)
    one, two = (json.loads(done.stdout)["campaigns"][0] for done in (first, again))
    assert (one["campaign"], one["revision"], one["changed"], two["changed"]) == ("week", 1, True, False)
    assert one["effective_at"] == two["effective_at"]
    (stamped,) = rows(shop / "state", "SELECT published_at FROM campaigns")
    notice = datetime.fromisoformat(one["effective_at"]) - datetime.fromisoformat(stamped[0])
    assert notice == timedelta(seconds=10)
    assert "published before, unchanged" in run(shop, "publish", "week.yaml").stdout
    assert spawn(shop, "serve", "--events", "-", given="").returncode == 0
    levels = rows(shop / "state", "SELECT body FROM state WHERE space = 'ledger.balances'")
    assert [json.loads(body)["received"] for (body,) in levels] == [2]


AT = "2026-11-24T14:20:00Z"
SAID = [
    ("count", "week/tin", "TIN", "main", "3"),
    ("damage", "week/tin", "TIN", "main", "1"),
    ("transfer", "week/tin", "TIN", "main", "1", "--to-site", "south", "--id", "van", "--by", "M", "--why", "short"),
    ("arrived", "week/tin", "van", "1"),
    ("taken-down", "week/tin", "--at", AT),
]


def test_stock_is_counted_damaged_sent_and_arrives(shop):
    """Each is handed over and done by the service; said again under its name and instant it counts once."""
    state = published(shop)
    for words in SAID:
        done = run(shop, "stock", *words, "--state", "state")
        assert done.exit_code == 0, done.stderr
        assert "handed to the ledger" in done.stdout
    again = ("stock", "taken-down", "week/tin", "--at", AT, "--id", "gone", "--state", "state")
    assert run(shop, *again).exit_code == run(shop, *again).exit_code == 0
    connection = connect(state)
    Host(connection, lambda: PUBLISHED, read_campaign).take([])
    connection.close()
    reader = Reader(state, read_campaign)
    (level,) = reader.levels()
    reader.close()
    main, south = sorted(level.balances, key=lambda b: b.site)
    assert (main.received, main.count_gain, main.damaged, main.transferred_out, main.free) == (2, 1, 1, 1, 1)
    assert (south.transferred_in, south.in_transit, south.free) == (1, 0, 1)
    assert level.taken_down_at == datetime.fromisoformat(AT)
    assert rows(state, "SELECT count(*) FROM ledger_log WHERE id LIKE '%:gone:booked'") == [(1,)]
    assert rows(state, "SELECT code FROM rejects") == []


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("damage", "week/tin", "TIN", "main", "0"), "at least 1"),
        (("count", "tin", "TIN", "main", "1"), "campaign/offer"),
        (("count", "week/tim", "TIN", "main", "1"), "no offer 'week/tim' here; did you mean 'week/tin'?"),
        (("damage", "week/tin", "TINN", "main", "1"), "campaign 'week' has no gift 'TINN'; did you mean 'TIN'?"),
        (("transfer", "week/tin", "TIN", "main", "1", "--by", "M", "--why", "short"), "another offer or site"),
        (("transfer", "week/tin", "TIN", "main", "1", "--to-site", "south"), "who answers for it"),
        (("taken-down", "week/tin", "--at", "yesterday"), "expected a date and time"),
        (("taken-down", "week/tin", "--at", "2026-11-24T14:20:00"), "has no zone"),
    ],
)
def test_stock_that_can_t_be_said_is_refused(shop, words, text):
    """Exit code 2, a sentence, and nothing handed over."""
    state = published(shop)
    before = rows(state, "SELECT count(*) FROM inbox")
    done = run(shop, "stock", *words, "--state", "state")
    assert (done.exit_code, rows(state, "SELECT count(*) FROM inbox")) == (USAGE, before)
    assert text in done.stderr


def test_publish_of_a_changed_revision_is_refused(shop):
    """A published revision never changes: exit code 2 names the next one, and nothing of the call was done."""
    published(shop)
    (shop / "week.yaml").write_text(CAMPAIGN.replace("4000", "5000"))
    (shop / "other.yaml").write_text(CAMPAIGN.replace("campaign: week", "campaign: other"))
    done = run(shop, "publish", "other.yaml", "week.yaml")
    assert done.exit_code == USAGE
    assert "'week' revision 1 is published with other content; publish the change as `revision: 2`" in done.stderr
    assert rows(shop / "state", "SELECT campaign, revision FROM campaigns") == [("week", 1)]
    (shop / "week.yaml").write_text(CAMPAIGN.replace("4000", "5000").replace("title: A", "revision: 2\ntitle: A"))
    assert run(shop, "publish", "other.yaml", "week.yaml").exit_code == 0
    (shop / "week.yaml").write_text(CAMPAIGN.replace("4000", "5000").replace("title: A", "revision: 3\ntitle: A"))
    early = (shop / "week.yaml").read_text() + 'effective: "2026-11-22T00:00:00Z"\n'
    (shop / "week.yaml").write_text(early)
    done = run(shop, "publish", "week.yaml")
    assert done.exit_code == USAGE
    assert "is too early" in done.stderr


def test_publish_tells_what_gives_nothing(shop):
    """It is done, and what `check` would have called wrong is told."""
    (shop / "week.yaml").write_text(CAMPAIGN.replace("food: none", "").replace("age: none, ", "age: none"))
    done = run(shop, "publish", "week.yaml", "--state", "state")
    assert done.exit_code == 0
    assert "published, and TIN: no order gets it: nobody answered its cautions (food)" in done.stderr
    assert "published, and" not in run(shop, "publish", "week.yaml", "--state", "state", "--json").stderr


def test_an_order_that_no_campaign_was_in_force_for(shop):
    """It was placed before the campaign: that is said, in place of an empty table."""
    published(shop)
    early = {**order(8), "placed_at": "2026-11-01T10:00:00Z", "revised_at": "2026-11-01T10:00:00Z", "market": "GB"}
    assert spawn(shop, "serve", "--events", "-", given=json.dumps(early) + "\n").returncode == 0
    assert "no campaign was in force for it when it was placed" in run(shop, "explain", "O8").stdout


def test_publish_nothing(tmp_path):
    """Exit code 2 says what to name; no state is made on the way."""
    done = run(tmp_path, "publish")
    assert done.exit_code == USAGE
    assert "--stock FILE" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_explain(shop):
    """0 tells the story, 1 for an order that was never seen, 3 where there is no service."""
    state = published(shop)
    assert spawn(shop, "serve", "--events", "-", given=(shop / "day.jsonl").read_text()).returncode == 0
    told = run(shop, "explain", "O3")
    assert told.exit_code == 0
    assert "No gift of this offer was left" in told.stdout
    story = json.loads(run(shop, "explain", "O4", "--json").stdout)
    assert [(o["offer"], o["outcome"]) for o in story["offers"]] == [("week/tin", "near_miss")]
    assert "3.00 EUR short" in story["offers"][0]["says"]
    assert story["offers"][0]["now"].startswith("No longer to be had")
    assert CUSTOMER not in told.stdout
    unknown = run(shop, "explain", "O9", "--state", str(state))
    assert unknown.exit_code == REFUSED
    assert "'O9' was never seen" in unknown.stderr
    assert unknown.stdout == ""
    assert run(shop, "explain", "O1", "--state", "nowhere").exit_code == UNAVAILABLE
    assert not (shop / "nowhere").exists()


def test_what_was_put_aside(shop):
    """Newest first, each with its reason; of one key alone; as JSON with the bytes. Nothing: it says so."""
    state = published(shop)
    assert run(shop, "rejects").stdout == "nothing was put aside\n"
    broken = [json.dumps({**order(n), "market": 7}) for n in (5, 6)]
    odd = {"specversion": "1.0", "id": "7", "source": "/t", "type": "what", "data": {**order(7), "note": "\x1b[31m"}}
    lines = [*broken, json.dumps(order(5)), "nope", json.dumps(odd)]
    done = spawn(shop, "serve", "--events", "-", given="\n".join(lines) + "\n")
    assert done.returncode == REFUSED
    told = run(shop, "rejects")
    assert told.exit_code == 0
    heads = [line.partition("  ")[2] for line in told.stdout.splitlines() if not line.startswith(" ")]
    assert heads == ["orders, O7", "orders", "orders, O6", "orders, O5"]
    assert told.stdout.count("    malformed: market: ") == 2
    kept = json.loads(run(shop, "rejects", "--key", "O6", "--json").stdout)
    assert [(one["topic"], one["key"], one["code"], one["body"]) for one in kept] == [
        ("orders", "O6", "malformed", broken[1])
    ]
    few = run(shop, "rejects", "--limit", "1")
    assert (few.stdout.count("envelope: "), "older ones are not shown" in few.stderr) == (1, True)
    assert "put aside, malformed: market: " in run(shop, "explain", "O5").stdout
    with closing(sqlite3.connect(state / FILE_NAME)) as connection, connection:
        connection.execute("UPDATE rejects SET key = ? WHERE key = 'O5'", ("\x1b[31m:tada:",))
    assert "orders, ?[31m:tada:\n" in run(shop, "rejects").stdout
    lost = run(shop, "explain", "O6", "--state", str(state))
    assert (lost.exit_code, lost.stdout) == (REFUSED, "")
    assert "'O6' was never taken in: an event of it was put aside, the latest at" in lost.stderr
    assert kept[0]["sentence"] in lost.stderr
    assert run(shop, "rejects", "--state", "nowhere").exit_code == UNAVAILABLE


def test_a_file_that_is_no_database(shop):
    """Exit code 3: the store can't be used, and the message says which."""
    (shop / "state").mkdir()
    (shop / "state" / FILE_NAME).write_bytes(b"this is no database, however one looks at it" * 50)
    for command in (["explain", "O1"], ["publish", "week.yaml"]):
        done = run(shop, *command)
        assert (command, done.exit_code) == (command, UNAVAILABLE)
        assert FILE_NAME in done.stderr
    assert spawn(shop, "serve", "--port", "0").returncode == UNAVAILABLE


# --- replay ---------------------------------------------------------------------------------------------------------


def test_replay_json(shop):
    """The shape that ../shared/contracts.md fixes at 'Summary of a replay', and the tickets as JSONL beside it."""
    arguments = ["replay", "--campaign", "week.yaml", "--orders", "day.jsonl", "--stock", "stock.csv", "--json"]
    done = run(shop, *arguments, "--tickets", "tickets.jsonl")
    assert done.exit_code == 0
    assert done.stderr == ""
    summary = json.loads(done.stdout)
    sha = summary.pop("canonical_sha256")
    assert len(sha) == 64
    assert int(sha, 16) >= 0
    assert summary == {
        "orders": 4,
        "lines": 4,
        "rejected_rows": 0,
        "stock": "file",
        "offers": {
            "tin": {
                "in_window": 4,
                "qualified": 3,
                "near_miss": 1,
                "granted": 2,
                "granted_units": 2,
                "declined": {"no_stock": 1},
                "units_wanted": 3,
                "exhausted_at": "2026-11-24T10:00:00+00:00",
            }
        },
        "tickets": {"final": 4},
    }
    tickets = [json.loads(line) for line in (shop / "tickets.jsonl").read_text().splitlines()]
    assert [t["ticket"] for t in tickets] == [f"O{n}/main/1" for n in (1, 2, 3, 4)]
    assert [len(t["gift_lines"]) for t in tickets] == [1, 1, 0, 0]
    again = json.loads(run(shop, *arguments).stdout)
    assert again["canonical_sha256"] == sha


def test_replay_of_a_table_says_the_same(shop):
    """The same baskets as rows in any order, times without an offset in Dublin, which is on UTC in November."""
    head = "shop_order,placed_at,customer,sku,maker,category,units,line_total\n"
    lines = [f"O{n},2026-11-24 10:00:00,{CUSTOMER},S,,,1,{t}\n" for n, t in ((1, "40"), (2, "40.00"), (4, "37"))]
    (shop / "lines.csv").write_text(head + "".join(lines))
    columns = ["--column", "order_id=shop_order", "--column", "brand=maker", "--zone", "Europe/Dublin"]
    done = run(shop, "replay", "--campaign", "week.yaml", "--lines", "lines.csv", *columns, "--json")
    assert done.exit_code == 0
    summary = json.loads(done.stdout)
    assert summary["stock"] == "unlimited"
    assert [summary["offers"]["tin"][k] for k in ("in_window", "qualified", "near_miss", "granted")] == [3, 2, 1, 2]


def test_replay_for_people(shop):
    """Without --json the same figures as a table, on stdout."""
    done = run(
        shop, "replay", "--campaign", "week.yaml", "--orders", "day.jsonl", "--stock", "stock.csv", COLUMNS="140"
    )
    assert done.exit_code == 0
    row = next(line for line in done.stdout.splitlines() if line.strip().startswith("tin"))
    assert row.split()[:6] == ["tin", "4", "3", "1", "2", "2"]
    assert "4 orders, 4 lines, 0 rejected" in done.stdout


def test_offers_of_one_name_in_two_campaigns(shop):
    """Contract: `campaign/offer` where two campaigns of one replay use the same id."""
    (shop / "other.yaml").write_text(CAMPAIGN.replace("campaign: week", "campaign: other"))
    arguments = ["replay", "--campaign", "week.yaml", "--campaign", "other.yaml", "--orders", "day.jsonl", "--json"]
    assert sorted(json.loads(run(shop, *arguments).stdout)["offers"]) == ["other/tin", "week/tin"]


# --- serve ----------------------------------------------------------------------------------------------------------


def test_serve_takes_in_a_stream(shop):
    """A JSONL stream on stdin: bare lines and enveloped ones, a wrong one and a repeat; then it leaves and says so."""
    state = published(shop)
    extra = [json.dumps(event(order(5))), "nope", json.dumps(order(1)), ""]
    done = spawn(shop, "serve", "--events", "-", given=(shop / "day.jsonl").read_text() + "\n".join(extra))
    assert done.returncode == REFUSED  # cli/console.py: done, but something was refused and told
    assert done.stderr.strip() == "5 applied, 1 rejected, 1 repeat"
    assert rows(state, "SELECT code, body FROM rejects") == [("malformed", b"nope")]
    assert rows(state, "SELECT source, id FROM inbox WHERE key = 'O5'") == [("stdin", "5")]
    assert all(json.loads(line)["event"] in ("handled", "rejected") for line in done.stdout.splitlines())
    assert "no events" in spawn(shop, "serve", "--events", "-", given="").stderr


@pytest.mark.parametrize(
    ("options", "code", "part"),
    [
        (["--events", "day.jsonl"], USAGE, "--inbox"),
        (["--port", "99999"], USAGE, "MAKEWEIGHT_PORT: "),
        (["--host", "203.0.113.7", "--port", "0"], UNAVAILABLE, "can't listen on 203.0.113.7:0"),  # RFC 5737
    ],
)
def test_serve_that_can_not_start(options, code, part, tmp_path):
    """One message, and an exit code that a supervisor can act upon."""
    done = spawn(tmp_path, "serve", *options)
    assert done.returncode == code
    assert part in done.stderr
    assert "Traceback" not in done.stderr


def test_inbox_folder(shop):
    """Files of a folder are taken in and moved to `done`; what is no file of events stays, and stops nothing."""
    state, inbox = published(shop), shop / "inbox"
    inbox.mkdir()
    (inbox / "not-a-file.jsonl").mkdir()
    (inbox / "notes.txt").write_text("not for us")
    (shop / "day.jsonl").rename(inbox / "day.jsonl")
    serving = Serving(state, "--inbox", str(inbox))
    try:
        _until((inbox / "done" / "day.jsonl").exists)
        assert rows(state, "SELECT count(*) FROM inbox WHERE source = 'day.jsonl'") == [(4,)]
        # A second file of the same name is kept beside the first.
        (inbox / "tmp").write_text(json.dumps(order(5)) + "\nnope\n")
        (inbox / "tmp").rename(inbox / "day.jsonl")
        _until(lambda: not (inbox / "day.jsonl").exists())
        assert len([p for p in (inbox / "done").iterdir() if p.name.startswith("day")]) == 2
        body = json.dumps(event(order(1))).encode()
        assert serving.ask("POST", "/events", body, {"Content-Type": STRUCTURED})[0] == 200
        assert json.loads(serving.ask("GET", "/tickets?limit=1000")[1])["tickets"][-1]["order"] in ("O1", "O5")
        assert (inbox / "notes.txt").exists()
        assert serving.stop() == 0
    finally:
        serving.kill()
    assert rows(state, "SELECT code, body FROM rejects") == [("malformed", b"nope")]


def _until(reached, seconds: float = 30) -> None:
    deadline = time.monotonic() + seconds
    while not reached():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.05)


def test_an_inbox_larger_than_the_queue(shop):
    """A file with more events than may wait at once is taken in all the same."""
    state, inbox = published(shop), shop / "inbox"
    inbox.mkdir()
    (shop / "day.jsonl").rename(inbox / "day.jsonl")
    os.environ["MAKEWEIGHT_QUEUE"] = "1"
    try:
        serving = Serving(state, "--inbox", str(inbox))
    finally:
        del os.environ["MAKEWEIGHT_QUEUE"]
    try:
        _until((inbox / "done" / "day.jsonl").exists)
        assert serving.process.poll() is None
    finally:
        serving.kill()
    assert rows(state, "SELECT count(*) FROM desk_log WHERE id LIKE '%:judged'") == [(4,)]
