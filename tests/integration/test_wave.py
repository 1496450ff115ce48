"""The index of tickets to pick: what the warehouse's facts and the orders' revisions do to it, however it was read."""

import json

import pytest

from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.wave import Wave
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.events import FULFILMENT_TYPE
from tests.integration.test_cli import published, rows, taken
from tests.integration.test_http import CAMPAIGN, event, fact, order

SAID = "SELECT count(*) FROM outbox WHERE channel = 'pick-tickets' AND id = 'O1/main/1'"
STOCK = "gift,site,units\nTIN,main,9\n"


class Folder:
    """A shop's folder, whose service takes in what happens and stops."""

    def __init__(self, path):
        self.path, self.count = path, 0
        (path / "week.yaml").write_text(CAMPAIGN)
        (path / "stock.csv").write_text(STOCK)
        self.state = published(path)

    def take(self, *events):
        """It happens."""
        self.count += 1
        day = self.path / f"{self.count}.jsonl"
        day.write_text("".join(json.dumps(one) + "\n" for one in events))
        assert taken(self.state, day) == {"applied": len(events)}

    def report(self, number, happened, **members):
        """The warehouse reports something of an order's first ticket."""
        told = {**fact(number, f"O{number}/main/1", happened), **members}
        self.take(event(told, id=told["event"], type=FULFILMENT_TYPE))


@pytest.fixture
def shop(tmp_path):
    """A shop with four orders."""
    found = Folder(tmp_path)
    found.take(*(order(n) for n in (1, 2, 3, 4)))
    return found


def listed(state, chunk=2_000, wave=None):
    """The standing of each ticket in an index that has read everything."""
    reader = None
    if wave is None:
        reader = Reader(state, read_campaign)
        wave = Wave(reader)
    while wave.pull(chunk):
        pass
    found = {one.ticket: one.standing for one in wave.tickets()}
    if reader is not None:
        reader.close()
    return found


def test_what_is_to_pick(shop):
    """Open tickets are to be picked, with their units and gifts."""
    reader = Reader(shop.state, read_campaign)
    wave = Wave(reader)
    assert listed(shop.state, wave=wave) == {f"O{n}/main/1": "to_pick" for n in (1, 2, 3, 4)}
    first = next(iter(wave.tickets()))
    assert (first.order, first.site, first.goods, first.gifts) == ("O1", "main", 1, (("TIN", 1),))
    reader.close()


@pytest.mark.parametrize("chunk", [1, 2, 3, 2_000])
def test_what_becomes_of_a_ticket(chunk, shop):
    """Released is on the floor, packed is gone; the same in an index that went along and in a new one."""
    reader = Reader(shop.state, read_campaign)
    along = Wave(reader)
    listed(shop.state, chunk, along)
    shop.report(1, "released")
    shop.report(2, "released")
    assert listed(shop.state, chunk, along)["O1/main/1"] == "on_floor"
    shop.report(2, "packed")
    shop.report(3, "packed")
    expected = {"O1/main/1": "on_floor", "O4/main/1": "to_pick"}
    assert listed(shop.state, chunk, along) == listed(shop.state, chunk) == expected
    reader.close()


def test_a_packed_ticket_that_is_said_again_does_not_come_back(shop):
    """What comes back of a packed ticket is said on its paper; nobody is to pick it again."""
    reader = Reader(shop.state, read_campaign)
    along = Wave(reader)
    listed(shop.state, wave=along)
    shop.report(1, "packed")
    listed(shop.state, wave=along)
    (before,) = rows(shop.state, SAID)
    shop.report(1, "gift_returned", event="back", lines=[{"offer": "week/tin", "gift": "TIN", "units": 1}])
    (after,) = rows(shop.state, SAID)
    assert after > before
    assert "O1/main/1" not in listed(shop.state, wave=along)
    assert "O1/main/1" not in listed(shop.state)
    reader.close()
