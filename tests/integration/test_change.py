"""`makeweight change`: told beforehand, published as a revision, and true of the orders that come after it."""

import asyncio
import json
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
import yaml

from makeweight.adapters.board.resident import Resident
from makeweight.adapters.hosting import Watcher
from makeweight.adapters.local.reading import Reader
from makeweight.bootstrap import Embedded, publish_files
from makeweight.bootstrap.changing import (
    Changes,
    Owing,
    preview_distributed,
    publish_distributed,
    redress_distributed,
)
from makeweight.cli.console import REFUSED, USAGE
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.events import ORDER_TYPE
from makeweight.domain.claims import Redress
from makeweight.domain.values import replaced
from makeweight.planning.changing import Change, ChangeRefused, Correction
from makeweight.planning.differing import OrderChange
from makeweight.planning.moving import StockMove
from makeweight.settings import Settings
from tests.integration.test_cli import run, taken
from tests.integration.test_http import order
from tests.support.week import CAMPAIGN, day

# Long enough for whatever the clock of the machine shows: the command asks it.
PAGE = """\
campaign: week
title: A long week
markets: [IE]
currency: EUR
zone: Europe/Dublin
from: 2020-01-01 00:00
until: 2090-01-01 00:00
gifts:
  - {gift: TIN, title: Tin, stated_value: 600, cautions: {dangerous_goods: none, age: none, food: none}}
  - {gift: MUG, title: Mug, stated_value: 600, cautions: {dangerous_goods: none, age: none, food: none}}
offers:
  - {offer: tin, says: A tin from 40 on., counts: {by: total, at_least: 4000}, gives: {gift: TIN}, caps: {total: 4}}
  - {offer: mug, says: A mug from 90 on., counts: {by: total, at_least: 9000}, gives: {gift: MUG}}
"""
PUBLISHED = datetime(2020, 1, 1, tzinfo=UTC)
SAID = ("--why", "the bin is empty", "--by", "M.Byrne", "--state", "state")


def placed(number, hour, charged=4000):
    """An order of an hour of 24 November."""
    at = f"2021-11-24T{hour:02d}:00:00Z"
    return order(number, charged, placed_at=at, revised_at=at, customer=f"c{number}")


def send(folder, *orders):
    """Orders to the service, which starts for them and stops."""
    (folder / "day.jsonl").write_text("".join(json.dumps(one) + "\n" for one in orders))
    assert taken(folder / "state", folder / "day.jsonl") == {"applied": len(orders)}


@pytest.fixture
def shop(tmp_path):
    """A service with six orders over a day, of which the cap of four refuses two; one of them has a mug too."""
    (tmp_path / "week.yaml").write_text(PAGE)
    (tmp_path / "stock.csv").write_text("gift,site,units,offer\nTIN,main,9,week/tin\nMUG,main,3,week/mug\n")
    settings = Settings(state=tmp_path / "state")
    publish_files(settings, [tmp_path / "week.yaml"], tmp_path / "stock.csv", clock=lambda: PUBLISHED)
    send(tmp_path, *(placed(n, 8 + 2 * n, 9000 if n == 3 else 4000) for n in range(1, 7)))
    return tmp_path


def change(folder, *words):
    """The command and its JSON."""
    done = run(folder, "change", *words, *SAID, "--json")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


def test_what_if_i_had_stopped_at_four(shop):
    """Nothing is published by asking; the two orders of 16:00 and 18:00 would have no tin, and their tins be left."""
    told = change(shop, "end", "week/tin", "--at", "2021-11-24T16:00:00Z", "--preview")
    (tin,) = told["offers"]
    assert (tin["before"]["granted_orders"], tin["after"]["granted_orders"]) == (4, 3)
    assert (tin["before"]["declined_orders"], tin["after"]["declined_orders"]) == (2, 0)
    assert (tin["before"]["free_units"], tin["after"]["free_units"]) == ({"TIN/main": 5}, {"TIN/main": 6})
    assert (told["orders_differing"], told["published"]) == (3, False)
    assert "orders placed since then were promised more" in told["refused"]
    assert json.loads(run(shop, "explain", "O4", "--state", "state", "--json").stdout)["judged_by"] == {"week": 1}
    done = run(shop, "change", "end", "week/tin", "--at", "2021-11-24T16:00:00Z", *SAID)
    assert done.exit_code == REFUSED
    assert "2021-11-24T16:00:00Z is too early" in done.stderr


def test_paused_and_resumed(shop):
    """A paused offer is given to no order that is placed from then on; after it was resumed it is, again."""
    paused = change(shop, "pause", "week/tin")
    assert (paused["revision"], paused["published"], paused["by"]) == (2, True, "M.Byrne")
    from_then = datetime.fromisoformat(paused["effective"])
    during, after = ((from_then + timedelta(minutes=m)).isoformat() for m in (1, 61))
    resumed = change(shop, "resume", "week/tin", "--at", (from_then + timedelta(hours=1)).isoformat(timespec="seconds"))
    assert resumed["revision"] == 3
    change(shop, "cap", "week/tin", "--total", "9", "--at", (from_then + timedelta(hours=1)).isoformat())
    late = placed(9, 23)
    send(shop, order(7, placed_at=during, revised_at=during), order(8, placed_at=after, revised_at=after), late)
    stories = {n: json.loads(run(shop, "explain", f"O{n}", "--state", "state", "--json").stdout) for n in (7, 8, 9)}
    tins = {n: next(o for o in story["offers"] if o["offer"] == "week/tin") for n, story in stories.items()}
    assert stories[7]["judged_by"] == {"week": 2}
    assert tins[7]["says"].startswith(
        "The offer was paused when the order was placed; it would have been earned if placed 1 minute 1 second earlier"
    )
    assert (tins[8]["outcome"], tins[9]["reason"]) == ("granted", "campaign_cap")  # a late one keeps its old cap


def test_more_than_was_promised(shop):
    """A cap that was set too low, corrected from noon on: who is newly owed is named, and the page takes effect."""
    page = PAGE.replace("total: 4", "total: 5").replace("at_least: 9000", "at_least: 4000")
    (shop / "right.yaml").write_text(page)
    told = change(shop, "correct", "right.yaml", "--since", "2021-11-24T12:00:00Z")
    owed = sorted((one["order"], one["offer"]) for one in told["newly_owed"])
    assert owed == [("O2", "week/mug"), ("O4", "week/mug"), ("O5", "week/tin")]
    assert told["published"]
    lower = PAGE.replace("at_least: 9000", "at_least: 9500")
    (shop / "wrong.yaml").write_text(lower)
    done = run(shop, "change", "correct", "wrong.yaml", "--since", "2021-11-24T12:00:00Z", *SAID)
    assert done.exit_code == REFUSED
    assert "a higher threshold of week/mug" in done.stderr


def tins(folder, *numbers):
    """What explain says of the tin of some orders."""
    stories = (json.loads(run(folder, "explain", f"O{n}", "--state", "state", "--json").stdout) for n in numbers)
    return [next(o for o in story["offers"] if o["offer"] == "week/tin")["outcome"] for story in stories]


def in_force_at(instant):
    """A service's clock."""
    return lambda: datetime.fromisoformat(instant) + timedelta(seconds=1)


def test_redress(shop):
    """A threshold of 40 that should have been 30: who is owed is judged by the right page, once, and stays so."""
    send(shop, placed(21, 9, 3000), placed(22, 11, 3500), placed(23, 7, 3000))
    right = PAGE.replace("at_least: 4000", "at_least: 3000").replace("total: 4", "total: 9")
    (shop / "right.yaml").write_text(right)
    told = change(shop, "correct", "right.yaml", "--since", "2021-11-24T08:00:00Z")
    done = run(shop, "change", "redress", "week", "--since", "2021-11-24T08:00:00Z", "--state", "state")
    assert (done.exit_code, "say it from then on" in done.stderr) == (REFUSED, True)
    clock = in_force_at(told["effective"])
    with closing(Changes(Settings(state=shop / "state"), clock)) as changes:
        owing = changes.owing("week", datetime(2021, 11, 24, 8, tzinfo=UTC))
        assert sorted({one.order for one in owing.owed}) == ["O21", "O22", "O5", "O6"]
        assert changes.redress(owing) == 4
    assert tins(shop, 21, 5, 23) == ["declined", "declined", "declined"]  # nothing has taken it up yet
    assert wakes(shop, clock) == {"applied": 4}
    assert tins(shop, 21, 22, 5, 6, 23) == ["granted"] * 4 + ["declined"]
    with closing(Changes(Settings(state=shop / "state"), clock)) as changes:
        again = changes.owing("week", datetime(2021, 11, 24, 8, tzinfo=UTC))
        assert again.owed == []  # a rehearsal knows of those that were redressed
        assert changes.redress(owing) == 4
        assert wakes(shop, clock) == {"repeat": 4}
    late = placed(24, 9, 3000)  # it comes late: asked again, it is found
    more = {**placed(21, 9, 3200), "revision": 2, "status": "amended"}
    send(shop, late, more)
    assert tins(shop, 21, 24) == ["granted", "declined"]
    with closing(Changes(Settings(state=shop / "state"), clock)) as changes:
        owing = changes.owing("week", datetime(2021, 11, 24, 8, tzinfo=UTC))
        assert [one.order for one in owing.owed] == ["O24"]


def wakes(folder, clock):
    """A service takes up what waits for it; what became of that, by result."""
    found = {}
    service = Embedded(Settings(state=folder / "state"), clock)

    class Heard(Watcher):
        def result(self, stage, message, verdict):
            if isinstance(message.body, Redress):
                found[verdict.result] = found.get(verdict.result, 0) + 1

    service.host.watcher = Heard()
    try:
        service.intake.start()
        service.take_up()
    finally:
        service.close()
    return found


def test_words_that_are_wrong(shop):
    """Each says what was expected; exit codes as everywhere."""
    for words, code, text in (
        (("pause", "week/tins"), REFUSED, "did you mean 'week/tin'?"),
        (("pause", "weak/tin"), REFUSED, "did you mean 'week'?"),
        (("end", "week/tin", "--at", "16:00"), USAGE, "expected a date and time"),
        (("end", "week/tin", "--at", "2026-11-24T16:00:00"), USAGE, "has no zone"),
        (("cap", "week/tin", "--total", "few"), USAGE, "expected a number of units, or none"),
        (("swap", "week/tin", "BAG", "--facts", "none.yaml"), USAGE, "none.yaml"),
    ):
        done = run(shop, "change", *words, *SAID)
        assert (done.exit_code, text in done.stderr) == (code, True), done.stderr


def test_for_people(shop):
    """A table of what differs, and what was published; without a preview only that."""
    done = run(shop, "change", "cap", "week/tin", "--total", "6", "--at", "2021-11-24T08:00:00Z", *SAID, COLUMNS="120")
    assert "4 → 6" in done.stdout
    assert "newly owed: O5 1 of week/tin" in done.stdout
    assert "week revision 2: published, in force from" in done.stdout
    done = run(shop, "change", "pause", "week/tin", "--no-preview", *SAID)
    assert done.stdout.startswith("week revision 3: published")
    done = run(shop, "change", "resume", "week/tin", "--preview", *SAID)
    assert "No order is known that was placed at" in done.stdout
    assert "nothing is published" in done.stdout


def test_a_preview_that_was_overtaken(shop):
    """Two people at once: the second is told that the campaign has moved on."""
    ask = Change("pause", "week/tin", "M.Byrne", "x")
    with (
        closing(Changes(Settings(state=shop / "state"))) as one,
        closing(Changes(Settings(state=shop / "state"))) as two,
    ):
        first, second = one.preview(ask), two.preview(Change("cap", "week/mug", "A", "y", caps={"total": 1}))
        one.publish(first)
        with pytest.raises(ChangeRefused, match="revision 2 of 'week' has been published meanwhile"):
            two.publish(second)


def test_a_rehearsal_is_kept_up(shop):
    """What is logged later is read on from where it was left, and comes to what reading all of it does."""
    ask = Change("end", "week/tin", "M.Byrne", "x", datetime(2021, 11, 24, 12, tzinfo=UTC))
    with closing(Changes(Settings(state=shop / "state"))) as kept:
        before = kept.preview(ask).difference
        send(shop, placed(11, 20), placed(12, 21))
        after = kept.preview(ask).difference
        with closing(Changes(Settings(state=shop / "state"))) as fresh:
            assert after.offers == fresh.preview(ask).difference.offers
    assert after.offers != before.offers


def test_one_thread_for_all_pages(shop):
    """A board reads nothing before it is asked to, keeps up without a preview, and begins anew where its copy did."""
    settings, pause = Settings(state=shop / "state"), Change("pause", "week/tin", "M.Byrne", "empty")
    begun, generation = [], [1]

    def begin():
        begun.append(threading.get_ident())
        return Changes(settings)

    def kept_up(resident, more_than):
        resident.keep_up()
        end = time.monotonic() + 30
        while resident.read <= more_than:
            assert time.monotonic() < end
            time.sleep(0.01)
        return resident.read

    with closing(Resident(begin, lambda: generation[0])) as resident:
        assert (resident.read, begun) == (0, [])
        read = kept_up(resident, 0)
        send(shop, placed(7, 22))
        read = kept_up(resident, read)
        told = asyncio.run(resident.preview(pause))
        assert resident.read == read
        with closing(Changes(settings)) as fresh:
            assert told.difference == fresh.preview(pause).difference
        with pytest.raises(ChangeRefused, match="week/tin"):
            asyncio.run(resident.preview(Change("pause", "week/tins", "M.Byrne", "empty")))
        assert len(begun) == 1
        generation[0] = 2
        assert asyncio.run(resident.preview(pause)).difference == told.difference
    assert len(begun) == 2
    assert set(begun).isdisjoint({threading.get_ident()})
    assert len(set(begun)) == 1


def test_on_kafka(installation):
    """The same from the topics: what is told is what the ledger came to, and the revision is on its topic."""
    installation.publish(clock=lambda: PUBLISHED).worker()
    almost = order(77, 3500, placed_at="2026-11-24T10:00:00Z", revised_at="2026-11-24T10:00:00Z", customer="c77")
    installation.send([*day(Random(5), 40, facts=False), (ORDER_TYPE, json.dumps(almost).encode())])
    installation.quiet()
    ending = installation.ending()
    offer = max((c.claim.offer for c in ending.claims if c.held), key=lambda name: name)
    ask = Change("pause", offer, "M.Byrne", "the bin is empty", datetime(2026, 11, 23, tzinfo=UTC))
    told = preview_distributed(installation.settings, ask)
    change = next(one for one in told.difference.offers if one.offer == offer)
    assert change.before.granted_orders == sum(c.held > 0 for c in ending.claims if c.claim.offer == offer) > 0
    assert change.after.granted_orders == 0
    assert told.refused is not None
    with pytest.raises(ChangeRefused, match="is too early"):
        publish_distributed(installation.settings, told)
    redressed(installation)
    later = preview_distributed(installation.settings, Change("pause", offer, "M.Byrne", "the bin is empty"))
    done = publish_distributed(installation.settings, later)
    assert (done.revision, done.changed) == (3, True)
    assert installation.reading().book().latest(done.campaign).why == "the bin is empty"


def redressed(installation):
    """A correction reaches an order through the topic of decisions; the second time it changes nothing."""
    page = yaml.safe_load(CAMPAIGN.replace("at_least: 4000", "at_least: 3000"))
    since = datetime(2026, 11, 23, tzinfo=UTC)
    told = preview_distributed(
        installation.settings, Correction(page, PUBLISHED, "M.Byrne", "said 30, set 40"), clock=lambda: PUBLISHED
    )
    assert publish_distributed(installation.settings, told, clock=lambda: PUBLISHED).revision == 2
    time.sleep(1.5)  # the view is looked at every second
    owing = Owing(told.revision.campaign, since, [OrderChange("O77", "week/tin", None, None)])
    assert redress_distributed(installation.settings, owing) == 1
    first = installation.quiet().ending()
    (claim,) = [c for c in first.claims if (c.claim.order, c.claim.offer) == ("O77", "week/tin")]
    assert (claim.outcome, claim.held) == ("granted", 1)
    assert first.orders["O77"].evaluation.campaigns == {"week": 2}
    assert redress_distributed(installation.settings, owing) == 1
    assert installation.quiet().ending().hash() == first.hash()


def test_a_move_of_stock_is_told_beforehand(tmp_path):
    """What it serves and leaves is told, then it is done, by whom and why; what isn't there is refused."""
    (tmp_path / "week.yaml").write_text(PAGE.replace("gives: {gift: MUG}", "gives: {gift: TIN}, when_out: owed"))
    (tmp_path / "stock.csv").write_text("gift,site,units,offer\nTIN,main,9,week/tin\n")
    settings = Settings(state=tmp_path / "state")
    publish_files(settings, [tmp_path / "week.yaml"], tmp_path / "stock.csv", clock=lambda: PUBLISHED)
    send(tmp_path, *(placed(n, 8 + 2 * n, 9000 if n == 3 else 4000) for n in range(1, 7)))
    words = ("change", "move", "week/tin", "TIN", "main", "3", "--to-offer", "week/mug", *SAID)
    told = run(tmp_path, *words, "--preview")
    assert told.exit_code == 0, told.stderr
    assert "served by it: O3 of week/mug\nnothing is done" in told.stdout
    assert "left at main for week/tin: 2 of TIN, 5 before" in told.stdout
    assert "5 → 2" in told.stdout
    assert run(tmp_path, *words).exit_code == 0
    send(tmp_path, placed(8, 23, 1000))
    after = balances(tmp_path)
    assert after["week/tin"].free == 2
    assert (after["week/mug"].reserved, after["week/mug"].free) == (1, 2)
    refused = run(tmp_path, *words)
    assert (refused.exit_code, "2 of TIN are free for week/tin at main" in refused.stderr) == (REFUSED, True)
    for words, code, text in (
        (("week/tin", "TIN", "main", "1"), USAGE, "that is where they are"),
        (("week/tin", "TIN", "main", "1", "--to-offer", "week/mugs"), REFUSED, "did you mean 'week/mug'?"),
        (("week/tin", "TIM", "main", "1", "--to-site", "south"), REFUSED, "gifts and sites that it has: TIN/main"),
        (("week/tin", "TIN", "south", "1", "--to-site", "main"), REFUSED, "no TIN was ever put at south for week/tin"),
    ):
        done = run(tmp_path, "change", "move", *words, *SAID)
        assert (done.exit_code, text in done.stderr) == (code, True), done.stderr


def test_a_move_is_carried_out_as_it_was_previewed(shop):
    """What is handed over is what was told, and counts once however often; what is gone by then is refused."""
    settings, move = (
        Settings(state=shop / "state"),
        StockMove("week/tin", "TIN", "main", 3, "week/mug", "main", "A", "x"),
    )
    with closing(Changes(settings, lambda: PUBLISHED)) as changes:
        first, second = changes.preview_move(move), changes.preview_move(move)
        assert first.transfer.id != second.transfer.id  # though the clock stands still
        changes.carry_out(first)
        changes.carry_out(first)
        send(shop, placed(8, 23, 1000))
        assert (balances(shop)["week/tin"].free, balances(shop)["week/mug"].free) == (2, 3)
        with pytest.raises(ChangeRefused, match="2 of TIN are free for week/tin at main, and 3 are asked for"):
            changes.carry_out(second)
        third = changes.preview_move(replaced(move, units=2))
        only_tins = PAGE.replace("campaign: week\n", "campaign: week\nrevision: 2\n").rpartition("  - {offer: mug")[0]
        (shop / "week.yaml").write_text(only_tins)
        publish_files(Settings(state=shop / "state"), [shop / "week.yaml"], None)
        with pytest.raises(ChangeRefused, match="week/mug gives no gift"):
            changes.carry_out(third)
    send(shop, placed(9, 23, 1000))
    assert balances(shop)["week/tin"].free == 2


def balances(folder):
    """Balances of tins by offer."""
    reader = Reader(folder / "state", read_campaign)
    found = {b.offer: b for level in reader.levels() for b in level.balances if b.gift == "TIN"}
    reader.close()
    return found
