"""What a scrape of the embedded service costs does not depend on how many orders there were.

Counted, not timed: steps of SQLite's virtual machine, which are the same on every machine, and series.
"""

from deploy.demo.day import day
from deploy.demo.play import DayClock, feed, opened
from makeweight.settings import Settings

FEW, MANY = 600, 2_400  # events; the first have met nearly every offer, outcome and reason
LABELS = 1.25  # those that they had not


def scrape(service):
    """Steps that the database takes for one page of metrics, and lines of it."""
    steps = 0

    def step():
        nonlocal steps
        steps += 1
        return 0

    connection = service.reader._db  # noqa: SLF001 - the page has one connection, and it has the only counter
    connection.set_progress_handler(step, 1)
    body, _ = service.metrics.exposition()
    connection.set_progress_handler(None, 0)
    return steps, len(body.splitlines())


def test_a_scrape_costs_the_same_after_many_orders(tmp_path):
    """Four times the events, and hardly a step more: levels and totals are read, and no order."""
    settings, clock = Settings(state=tmp_path, kafka=None), DayClock()
    service = opened(settings, clock)
    try:
        events = list(day(orders=MANY))[:MANY]
        feed(service, clock, events[:FEW])
        few = scrape(service)
        feed(service, clock, events[FEW:])
        many = scrape(service)
    finally:
        service.close()
    assert few[0] > 100  # it does ask the database
    assert many[0] < few[0] * LABELS, (few, many)
    assert many[1] < few[1] * LABELS, (few, many)
