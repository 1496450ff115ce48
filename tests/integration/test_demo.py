"""The demo's stories on the floor: what the embedded service makes of them, and what the demo tells of it."""

from deploy.demo.day import day
from deploy.demo.floor import ANNEX, IN_TIME, RETURNED, SHELF, SHORT, TOO_LATE, stocktaking, stories
from deploy.demo.play import DayClock, feed, floor_stories, opened
from makeweight.settings import Settings

EVENTS = [event for _, event in sorted(stories(), key=lambda one: one[0])]


def test_four_stories_and_a_count(tmp_path):
    """A short pick that another site serves, an intercept in time and one too late, a return, and a shelf counted."""
    settings, clock = Settings(state=tmp_path, kafka=None), DayClock()
    service = opened(settings, clock)
    try:
        assert feed(service, clock, EVENTS) == {"applied": len(EVENTS)}
        told = floor_stories(service)
    finally:
        service.close()
    assert told == {
        SHORT: "its notebook was not found in the annex; sent from main",
        IN_TIME: "amended on the floor in time: 1 notebook put back, 0 sent unearned",
        TOO_LATE: "amended on the floor too late: 0 notebooks put back, 1 sent unearned",
        RETURNED: "an item came back with its notebook: 1 to give again, 0 still out",
        f"count in the {ANNEX}": f"{SHELF} notebooks found where {SHELF + 1} should be, 1 lost",
    }


def test_every_day_has_them():
    """Days of any size, byte for byte the same; each thing that is said of stock follows an event of the day."""
    known = {event["id"]: event for event in day(7, 40)}
    assert all(known[event["id"]] == event for event in EVENTS)
    assert stocktaking().keys() <= known.keys()
