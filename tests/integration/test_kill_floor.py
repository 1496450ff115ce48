"""The embedded service killed while the warehouse and people say everything that there is to say of orders and stock.

What the nemesis's floor says (`tests.faults.floor`), with stock put into the database by another process, as
`makeweight stock` does. After every kill all is sent again that was not answered.
"""

import time
from random import Random

from makeweight.adapters.local.database import connect
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.rerun import recorded, rerun
from makeweight.bootstrap import hand_to_ledger, publish_files
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.messages import COMMAND, ENTRIES
from makeweight.domain.entries import Booked, Reported
from makeweight.settings import Settings
from tests.faults.floor import CAMPAIGN, day, stock
from tests.faults.floor import COMMAND as OF_STOCK
from tests.integration.test_http import Serving
from tests.integration.test_kill import Sender
from tests.support.fleet import check_books, check_tickets
from tests.support.week import PUBLISHED

ORDERS, KILLS = 150, 5
EXPECTED = {"unknown_order", "unknown_ticket", "not_enough", "unknown_transfer"}


def play(settings, events, rng):
    """Send everything, a part of it between two kills."""
    share, again = len(events) // KILLS + 1, []
    for start in range(0, len(events) + 1, share):
        part, last = events[start : start + share], start + share > len(events)
        serving = Serving(settings.state)
        try:
            sender = Sender(serving.port)
            sending = sender.send(again + [event for event in part if event[0] != OF_STOCK])
            for _, data in [event for event in part if event[0] == OF_STOCK]:
                hand_to_ledger(settings, COMMAND.loads(data), lambda: PUBLISHED)
            if not last:
                time.sleep(rng.uniform(0.05, 0.4))
                serving.kill()
            sending.join(60)
            again = sender.unanswered
            if last:
                assert serving.stop() == 0
        finally:
            serving.kill()
    return again


def test_nothing_is_lost_or_doubled_on_the_floor(tmp_path):
    """The books balance, tickets carry what is held, and the logs again come to the same."""
    campaign, rows = tmp_path / "week.yaml", tmp_path / "stock.csv"
    campaign.write_text(CAMPAIGN)
    rows.write_text(stock(ORDERS))
    settings = Settings(state=tmp_path / "state", kafka=None)
    publish_files(settings, [campaign], rows, lambda: PUBLISHED)
    events = day(Random(20261126), ORDERS)
    assert play(settings, events, Random(1)) == []
    Serving(settings.state).stop()  # takes up what was put beside it
    reader = Reader(settings.state, read_campaign)
    try:
        assert not reader.pending()
        ending, book, aside = reader.ending(), reader.book(), {one.code for one in reader.rejects(10_000)}
    finally:
        reader.close()
    check_books(ending)
    check_tickets(ending)
    assert aside <= EXPECTED
    connection = connect(settings.state)
    try:
        logs = {}
        for stage, codec in ENTRIES.items():
            bodies = connection.execute(f"SELECT body FROM {stage}_log ORDER BY position")  # noqa: S608 - two tables
            logs[stage] = [codec.loads(body) for (body,) in bodies]
    finally:
        connection.close()
    for log in logs.values():
        assert len({entry.id for entry in log}) == len(log)
    facts = {entry.fact.happened for entry in logs["desk"] if isinstance(entry, Reported)}
    assert facts == {"released", "packed", "dispatched", "short_picked", "put_back", "gift_returned"}
    said = {entry.command.kind for entry in logs["ledger"] if isinstance(entry, Booked)}
    assert said >= {"count", "damage", "transfer", "transfer_in", "arrival"}
    inputs = [one for stage, log in logs.items() for one in recorded(stage, log)]
    assert rerun(tmp_path / "again", book, inputs, PUBLISHED).hash() == ending.hash()
