"""`makeweight close`: a campaign's books on an embedded service, and the file of their editions."""

import json

import pytest

from makeweight.adapters.documents.files import FileErrors
from makeweight.adapters.documents.reports import read_reports
from makeweight.bootstrap import publish_files
from makeweight.bootstrap.closing import close_campaign
from makeweight.cli.console import REFUSED, UNAVAILABLE, USAGE
from makeweight.domain.moments import Instant
from makeweight.settings import Settings
from tests.integration.test_cli import run, taken
from tests.integration.test_http import CAMPAIGN, order

# A campaign that is over, with orders around its end; the midnight of Dublin is that of UTC in November.
PAST = CAMPAIGN.replace("2026", "2025")
PUBLISHED = Instant.fromisoformat("2025-11-20T00:00:00+00:00")
EARLY, LATE = "2025-11-30T23:00:00Z", "2025-12-02T02:00:00+01:00"


def placed(number, at, **members):
    """An order of an instant."""
    return order(number, placed_at=at, revised_at=at, **members)


def send(folder, *orders):
    """Orders to the service, which then stops."""
    (folder / "day.jsonl").write_text("".join(json.dumps(one) + "\n" for one in orders))
    assert taken(folder / "state", folder / "day.jsonl") == {"applied": len(orders)}


def close(folder, *options):
    """The command: its exit code and its report."""
    done = run(folder, "close", "week", "--state", "state", "--report", "week.jsonl", *options)
    return done, json.loads(done.stdout)


@pytest.fixture
def shop(tmp_path):
    """A service with two orders of the window and one of the hours after it."""
    (tmp_path / "week.yaml").write_text(PAST)
    (tmp_path / "stock.csv").write_text("gift,site,units\nTIN,main,2\n")
    settings = Settings(state=tmp_path / "state")
    publish_files(settings, [tmp_path / "week.yaml"], tmp_path / "stock.csv", clock=lambda: PUBLISHED)
    send(tmp_path, placed(1, "2025-11-24T10:00:00Z"), placed(2, "2025-11-25T10:00:00Z"), placed(3, EARLY))
    return tmp_path


def test_early_final_unchanged_restated(shop):
    """Rules of the trade 2.13 (common practice, no source): the file is added to, what was closed stays as it was."""
    done, report = close(shop)
    assert (done.exit_code, report["status"], report["edition"]) == (REFUSED, "early", 0)
    assert "too early, nothing is closed: the newest order is of 2025-11-30T23:00:00" in done.stderr
    assert not (shop / "week.jsonl").exists()

    send(shop, placed(4, LATE))
    done, final = close(shop)
    assert (done.exit_code, done.stderr, final["status"], final["edition"]) == (0, "", "final", 1)
    assert final["watermark"] == "2025-12-02T01:00:00+00:00"
    assert (final["ends"], final["lateness_seconds"]) == ("2025-11-30T00:00:00+00:00", 86_400)
    assert [final["figures"]["tin"][word] for word in ("in_window", "qualified", "granted")] == [2, 2, 2]
    assert final["figures"]["tin"]["stock"] == {"TIN": {"main": {"received": 2, "given": 2}}}
    kept = (shop / "week.jsonl").read_bytes()
    assert close(shop)[1] == final
    assert (shop / "week.jsonl").read_bytes() == kept

    send(shop, placed(5, "2025-11-26T10:00:00Z"))  # placed in the window, and heard of long after it
    done, restated = close(shop)
    assert (done.exit_code, restated["status"], restated["edition"]) == (0, "restated", 2)
    assert restated["differences"]["tin.in_window"] == [2, 3]
    assert restated["differences"]["tin.declined.no_stock"] == [None, 1]
    assert done.stderr.startswith("restated: edition 2 differs in tin.declined.no_stock, ")
    assert (shop / "week.jsonl").read_bytes().startswith(kept)
    assert [r.edition for r in read_reports(shop / "week.jsonl")] == [1, 2]
    done, again = close(shop)
    assert (again, done.stderr) == (restated, "")


def test_without_a_file_nothing_is_kept(shop):
    """The report alone; 0 hours allowed make it final as soon as an order of after the end is known."""
    done = run(shop, "close", "week", "--state", "state", "--lateness", "0")
    assert (done.exit_code, json.loads(done.stdout)["status"]) == (0, "final")
    assert not (shop / "week.jsonl").exists()


def test_an_order_of_the_future_closes_nothing(shop):
    """A shop's clock that is a year ahead: the watermark is at most the present."""
    send(shop, placed(6, "2027-11-24T10:00:00Z"))
    settings = Settings(state=shop / "state")
    now = Instant.fromisoformat("2025-11-30T12:00:00+00:00")
    report = close_campaign(settings, "week", lateness=now - now, earlier=None, clock=lambda: now)
    assert (report.status, report.watermark) == ("final", now)
    before = Instant.fromisoformat("2025-11-29T12:00:00+00:00")
    assert close_campaign(settings, "week", now - now, None, lambda: before).status == "early"


def test_what_cannot_be_closed(shop):
    """Exit codes as everywhere: 1 an unknown campaign, 2 a wrong file or option, 3 no service."""
    unknown = run(shop, "close", "weak", "--state", "state")
    assert (unknown.exit_code, unknown.stdout) == (REFUSED, "")
    assert "no campaign 'weak' here; did you mean 'week'?" in unknown.stderr
    assert run(shop, "close", "week", "--state", "nowhere").exit_code == UNAVAILABLE
    assert run(shop, "close", "week", "--state", "state", "--lateness", "-1").exit_code == USAGE
    on_kafka = run(shop, "close", "week", MAKEWEIGHT_KAFKA="127.0.0.1:1")
    assert (on_kafka.exit_code, "no Kafka broker answers" in on_kafka.stderr) == (UNAVAILABLE, True)
    full = run(shop, "close", "week", "--state", "state", "--lateness", "0", "--report", "no-folder/week.jsonl")
    assert (full.exit_code, "cannot be written" in full.stderr) == (USAGE, True)


def test_a_file_of_other_books_is_left_alone(shop):
    """Figures that somebody edited, an edition that is missing, and what is no report: exit code 2, nothing written."""
    send(shop, placed(4, LATE))
    close(shop)
    path = shop / "week.jsonl"
    kept = path.read_text()
    for text, part in (
        (kept.replace('"granted":2', '"granted":9'), "changed by hand"),
        (kept.replace('"edition":1', '"edition":2'), ":1: is edition 2; expected edition 1 here"),
        (kept + "nope\n", ":2: is no report"),
        (kept.replace("2025-11-30", "2025-11-29"), "close it into a report of its own"),
    ):
        path.write_text(text)
        done = run(shop, "close", "week", "--state", "state", "--report", "week.jsonl")
        assert (done.exit_code, done.stdout, part in done.stderr) == (USAGE, "", True), done.stderr
        assert path.read_text() == text
    path.write_bytes(b"\xff")
    with pytest.raises(FileErrors, match="cannot be read as UTF-8"):
        read_reports(path)
