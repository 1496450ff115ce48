"""A watch over a service's database: equal to what is counted from the end, however it was read."""

import shutil
from datetime import timedelta

import pytest

from deploy.demo.day import day
from deploy.demo.play import DayClock, feed, opened
from makeweight.adapters.local.database import connect
from makeweight.adapters.local.reading import Reader
from makeweight.adapters.local.watching import Watching
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.counted import counted_lines, kept_goods
from makeweight.planning.watch import NOT_EXCEPTIONS
from makeweight.settings import Settings
from makeweight.stages.desk.standing import in_window

ORDERS = 500


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """A small day of the demo's shop, played by the embedded service; the directory, and a watch that followed it."""
    directory = tmp_path_factory.mktemp("state")
    settings, clock = Settings(state=directory, kafka=None), DayClock()
    service = opened(settings, clock)
    reader = Reader(directory, read_campaign)
    following = Watching(reader)
    events = list(day(orders=ORDERS))
    for start in range(0, len(events), 200):
        feed(service, clock, events[start : start + 200])
        while following.pull(97):
            pass
        following.picture(clock.now)
    service.close()
    yield directory, following, clock.now
    reader.close()


def caught_up(directory, chunk):
    """A watch that reads everything from the start."""
    watching = Watching(Reader(directory, read_campaign))
    while watching.pull(chunk):
        pass
    return watching


def test_it_does_not_matter_when_and_in_what_pieces_it_is_read(played):
    """Followed live, read at once, or in small pieces: the same picture."""
    directory, following, now = played
    seen = following.picture(now)
    assert seen.offers
    for chunk in (100_000, 7):
        assert caught_up(directory, chunk).picture(now) == seen


def test_the_numbers_are_those_counted_from_the_end(played):
    """Units that are out, demand, revenue and exceptions: each counted anew from balances and orders."""
    directory, following, _ = played
    watch, ending = following.watch, Reader(directory, read_campaign).ending()
    for offer in {balance.offer for balance in ending.balances}:
        balances = [b for b in ending.balances if b.offer == offer]
        out = sum(units.units for (of, _), units in watch.out.items() if of == offer)
        assert out == sum(b.reserved + b.released for b in balances), offer
    revenue, orders = {}, 0
    for state in ending.orders.values():
        orders += 1
        worth = sum(kept_goods(counted_lines(state.order)).charged)
        named = [*in_window(state), *(j.offer for j in state.evaluation.judgements if j.qualifies)]
        for name in named:
            revenue[name] = revenue.get(name, 0) + worth
    assert {name: worth for name, worth in watch.revenue.items() if worth} == revenue
    assert sum(watch.orders_by_hour.values()) == orders == len(watch.arrivals)
    open_notices = {
        id_
        for state in ending.orders.values()
        for id_, notice in state.notices.items()
        if notice.amount and notice.kind not in NOT_EXCEPTIONS
    }
    assert watch.exceptions.keys() == open_notices
    assert open_notices


def test_a_picture_reads_no_log(played, tmp_path):
    """What a picture reads grows with what is published, not with the orders: without its logs it is still the same."""
    directory, following, now = played
    shutil.copytree(directory, tmp_path, dirs_exist_ok=True)
    watching = caught_up(tmp_path, 100_000)
    other = connect(tmp_path)
    for table in ("desk_log", "ledger_log", "outbox", "inbox"):
        assert other.execute(f"DELETE FROM {table}").rowcount > 0  # noqa: S608
    assert watching.picture(now) == following.picture(now)


def test_two_days_of_orders_are_enough_to_know_the_night(played):
    """With the same day before and the one before that, three quiet hours at night are no gap in the feed any more."""
    directory, _, now = played
    watching, night = caught_up(directory, 100_000), now + timedelta(hours=3)
    assert "feed_gap" in {signal.kind for signal in watching.picture(night).signals}
    for hour, count in list(watching.watch.orders_by_hour.items()):
        watching.watch.orders_by_hour[hour - 24] += count
        watching.watch.orders_by_hour[hour - 48] += count
    known = watching.picture(night)
    assert known.profile_learnt
    assert "feed_gap" not in {signal.kind for signal in known.signals}
