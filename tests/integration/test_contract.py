"""One contract for both hosts: the same tests against the embedded service and against workers on Kafka."""

import json
import uuid
from abc import ABC, abstractmethod
from datetime import timedelta

import pytest

from makeweight.adapters.documents.orders import read_one
from makeweight.adapters.hosting import Incoming
from makeweight.bootstrap import Embedded, check_files, despatch, printing, publish_files
from makeweight.bootstrap import book_of as book_embedded
from makeweight.bootstrap import explain as explain_embedded
from makeweight.bootstrap import rejects as rejects_embedded
from makeweight.bootstrap.closing import close_campaign, close_distributed
from makeweight.bootstrap.kafka import book_of as book_distributed
from makeweight.bootstrap.kafka import explain as explain_distributed
from makeweight.bootstrap.kafka import rejects as rejects_distributed
from makeweight.contracts.codec import dumps
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE
from makeweight.planning.parcel import NotPacked
from makeweight.planning.printing import NoSuchTicket
from makeweight.settings import Settings
from tests.support.fleet import Installation
from tests.support.sheets import pages, printed, scanned, words
from tests.support.week import PUBLISHED

LONG_AFTER = PUBLISHED + timedelta(days=300)

SAFE = "cautions: {dangerous_goods: none, age: none, food: none}"
CAMPAIGN = f"""\
campaign: week
title: A week
markets: [IE]
currency: EUR
zone: Europe/Dublin
from: 2026-11-23 00:00
until: 2026-11-30 00:00
gifts:
  - {{gift: TIN, title: Tin, stated_value: 600, {SAFE}}}
  - {{gift: MUG, title: Mug, stated_value: 300, {SAFE}}}
offers:
  - {{offer: tin, says: A tin from 40 on., counts: {{by: total, at_least: 4000}}, gives: {{gift: TIN}}}}
  - offer: mug
    says: A mug with Inkmoor.
    counts: {{brands: [Inkmoor], by: any}}
    gives: {{gift: MUG}}
    when_out: owed
"""
STOCK = "gift,site,units,offer\nTIN,main,1000,\nMUG,main,1,\n"


class Embeddable:
    """The embedded service as the contract sees it."""

    def __init__(self, folder):
        self._folder = folder
        self._settings = Settings(state=folder / "state", kafka=None)
        self.publish(CAMPAIGN, STOCK)
        self._start()

    def _start(self):
        self._service = Embedded(self._settings, lambda: PUBLISHED)
        self._service.intake.start()
        self._service.take_up()

    def publish(self, campaign, stock):
        """Campaign and stock, as texts; each may be empty."""
        _publish(self._folder, campaign, stock, lambda c, s: publish_files(self._settings, c, s, lambda: PUBLISHED))

    def send(self, *events):
        """Events (type, id, body) in this order; returns once they are handled."""
        incoming = []
        for kind, id_, body in events:
            whole = {"specversion": "1.0", "id": id_, "source": "/t", "type": kind, "data": body}
            line = read_one(dumps(whole) if isinstance(body, dict) else body, "t", 1)
            incoming.append(Incoming(line.kind, line.order, "/t", id_, line.raw, line.body, line.digest, line.error))
        self._service.take_up()
        self._service.intake.submit(incoming).result()

    def restart(self):
        """End it and start it again."""
        self._service.close()
        self._start()

    def ending(self):
        """What everything came to."""
        self._service.take_up()
        return self._service.reader.ending()

    def rejects(self):
        """Codes of what was put aside."""
        return [r.code for r in self._service.reader.rejects(1_000)]

    def aside(self, order):
        """What was put aside of an order."""
        return rejects_embedded(self._settings, 10, order)

    def explain(self, order):
        """The story of an order."""
        return explain_embedded(self._settings, order)

    def despatch(self, ticket):
        """The advice on a ticket that went out."""
        return despatch.embedded(self._settings, ticket)

    def pdf(self, ticket):
        """A ticket on paper."""
        return printing.as_pdf(printing.embedded(self._settings, ticket))

    def book(self):
        """What is published."""
        return book_embedded(self._settings)

    def closed(self):
        """The campaign's books, closed long after."""
        return close_campaign(self._settings, "week", timedelta(0), None, lambda: LONG_AFTER)

    def close(self):
        """End it."""
        self._service.close()


class Distributable:
    """Workers on Kafka as the contract sees them."""

    def __init__(self, address, folder):
        self._installation = Installation(address, folder)
        self._installation.publish(CAMPAIGN, STOCK)
        self._installation.worker()

    def publish(self, campaign, stock):
        """Campaign and stock, as texts; each may be empty."""
        self._installation.publish(campaign, stock)
        self._installation.quiet()

    def send(self, *events):
        """Events (type, id, body) in this order; returns once they are handled. Topics keep no order between them."""
        for kind, id_, body in events:
            told = [
                ("ce_specversion", b"1.0"),
                ("ce_id", id_.encode()),
                ("ce_source", b"/t"),
                ("ce_type", kind.encode()),
            ]
            channel = "fulfilment" if kind == FULFILMENT_TYPE else "orders"
            data, key = (dumps(body), body["order"]) if isinstance(body, dict) else (body, "")
            self._installation.write(channel, key.encode(), data, told)
            self._installation.quiet()

    def restart(self):
        """End it and start it again."""
        assert self._installation.workers[-1].terminate() == 0
        self._installation.worker()

    def ending(self):
        """What everything came to."""
        return self._installation.quiet().ending()

    def rejects(self):
        """Codes of what was put aside."""
        return [r.code for r in self._installation.rejects()]

    def aside(self, order):
        """What was put aside of an order."""
        return rejects_distributed(self._installation.settings, 10, order)

    def explain(self, order):
        """The story of an order."""
        return explain_distributed(self._installation.settings, order)

    def despatch(self, ticket):
        """The advice on a ticket that went out."""
        return despatch.distributed(self._installation.settings, ticket)

    def pdf(self, ticket):
        """A ticket on paper."""
        return printing.as_pdf(printing.distributed(self._installation.settings, ticket))

    def book(self):
        """What is published."""
        return book_distributed(self._installation.settings)

    def closed(self):
        """The campaign's books, closed long after."""
        return close_distributed(self._installation.settings, "week", timedelta(0), None, lambda: LONG_AFTER)

    def close(self):
        """End it."""
        self._installation.close()


def _publish(folder, campaign, stock, put):
    name = uuid.uuid4().hex[:8]
    paths = []
    if campaign:
        paths = [folder / f"{name}.yaml"]
        paths[0].write_text(campaign)
    rows = folder / f"{name}.csv"
    if stock:
        rows.write_text(stock)
    put(paths, rows if stock else None)


def order(revision=1, charged=4000, **members):
    """An order of one line, with an id of its own unless one is given."""
    line = {"number": 1, "sku": "S", "units": 1, "total_charged": charged, "brand": members.pop("brand", "")}
    at = "2026-11-24T10:00:00Z"
    head = {"order": f"O{uuid.uuid4().hex[:10]}", "revision": revision, "status": "placed", "placed_at": at}
    return {**head, "revised_at": at, "market": "IE", "currency": "EUR", "lines": [line], "note": "opaque", **members}


def placed(body):
    """The event of an order."""
    return (ORDER_TYPE, f"{body['order']}-{body['revision']}", body)


def released(body, ticket, happened="released"):
    """The event of a ticket that went to the floor, or further."""
    what = {"event": f"w-{happened}-{body['order']}", "order": body["order"], "ticket": ticket, "happened": happened}
    return (FULFILMENT_TYPE, what["event"], {**what, "at": "2026-11-24T11:00:00Z"})


class HostContract(ABC):
    """What holds of every host. Orders have ids of their own, so the tests of a class share one service."""

    @pytest.fixture(scope="class")
    @classmethod
    @abstractmethod
    def service(cls):
        """A service with the campaign and the stock."""

    def gifts(self, service, body):
        """State and gifts of an order's tickets."""
        tickets = [t for t in service.ending().tickets.values() if t.order == body["order"]]
        return [(t.state, [(g.gift, g.units) for g in t.gift_lines]) for t in sorted(tickets, key=lambda t: t.ticket)]

    def test_an_order_gets_its_ticket(self, service):
        """A qualifying order: final, with its gift, its opaque part carried through; the other has none."""
        yes, no = order(), order(charged=3999)
        service.send(placed(yes), placed(no))
        assert self.gifts(service, yes) == [("final", [("TIN", 1)])]
        assert self.gifts(service, no) == [("final", [])]
        ticket = service.ending().tickets[f"{yes['order']}/main/1"]
        assert ticket.order_parts == {"note": "opaque"}

    def test_a_repeat_changes_nothing(self, service):
        """The same event again: the same ending, and nothing put aside."""
        body = order()
        service.send(placed(body))
        before, aside = service.ending().hash(), service.rejects()
        service.send(placed(body), placed(body))
        assert service.ending().hash() == before
        assert service.rejects() == aside

    def test_other_content_is_a_conflict(self, service):
        """Same order and revision, other content: the first counts, the second is kept aside."""
        body = order()
        service.send(placed(body), placed({**body, "note": "other"}))
        assert self.gifts(service, body) == [("final", [("TIN", 1)])]
        assert service.rejects().count("other_content") == 1

    def test_a_lower_revision_changes_nothing(self, service):
        """Revision 2 overtakes revision 1."""
        body = order()
        second = {**body, "revision": 2, "status": "amended", "lines": [{**body["lines"][0], "total_charged": 10}]}
        service.send(placed(second), placed(body))
        assert self.gifts(service, body) == [("final", [])]
        assert service.ending().orders[body["order"]].order.revision == 2

    def test_a_cancelled_order_gives_its_gift_back(self, service):
        """Its ticket is void, and the unit is free again."""
        body = order()
        free = self.free(service)
        service.send(placed(body))
        assert self.free(service) == free - 1
        service.send(placed({**body, "revision": 2, "status": "cancelled"}))
        assert self.gifts(service, body) == [("void", [])]
        assert self.free(service) == free

    def free(self, service):
        """Free units of the tin."""
        return next((b.free for b in service.ending().balances if b.gift == "TIN"), 0)

    def test_a_malformed_event_is_put_aside_and_its_neighbours_are_served(self, service):
        """Between two good orders."""
        first, last = order(), order()
        aside = len(service.rejects())
        service.send(placed(first), (ORDER_TYPE, "x", b"no json"), placed(last))
        assert len(service.rejects()) == aside + 1
        assert "malformed" in service.rejects()
        assert self.gifts(service, first) == self.gifts(service, last) == [("final", [("TIN", 1)])]

    def test_what_was_put_aside_is_told_of_its_order(self, service):
        """By its key, with the bytes as they came; mended and sent again, the order is taken in and tells of it."""
        body, other = order(), order()
        broken = {name: member for name, member in body.items() if name != "market"}
        service.send((ORDER_TYPE, "broken", broken), placed(other))
        assert service.aside(other["order"]) == []
        (one,) = service.aside(body["order"])
        assert (one.topic, one.key, one.code) == ("orders", body["order"], "malformed")
        assert "'market' is missing" in one.sentence
        came = json.loads(one.body)
        assert came.get("data", came) == broken
        assert service.explain(body["order"]) is None
        service.send(placed(body))
        assert service.aside(body["order"]) == [one]
        told = [event["what"] for event in service.explain(body["order"])["events"]]
        assert told.count(f"an event of orders was put aside, {one.why}") == 1
        assert len(told) > 1

    def test_a_released_ticket_is_frozen(self, service):
        """What comes after it is on a second ticket."""
        body = order()
        service.send(placed(body))
        service.send(released(body, f"{body['order']}/main/1"))
        lines = [*body["lines"], {**body["lines"][0], "number": 2}]
        service.send(placed({**body, "revision": 2, "status": "amended", "lines": lines}))
        assert self.gifts(service, body) == [("final", [("TIN", 1)]), ("final", [])]

    def test_a_fact_on_an_unknown_order_is_put_aside(self, service):
        """Nobody has heard of it."""
        body = order()
        service.send(released(body, f"{body['order']}/main/1"))
        assert "unknown_order" in service.rejects()

    def test_an_owed_gift_follows_its_stock(self, service):
        """One mug for two orders: the second is owed, and gets it when stock comes in."""
        first, second = (order(brand="Inkmoor", charged=100) for _ in range(2))
        service.send(placed(first))
        service.send(placed(second))
        assert self.gifts(service, first) == [("final", [("MUG", 1)])]
        assert self.gifts(service, second) == [("gift_to_follow", [])]
        service.publish("", "gift,site,units,offer\nMUG,main,1,week/mug\n")
        assert self.gifts(service, second) == [("final", [("MUG", 1)])]

    def test_a_restart_forgets_nothing(self, service):
        """The same ending after a restart; a repeat is still one, and an amendment finds what was held."""
        body = order()
        service.send(placed(body))
        before = service.ending().hash()
        service.restart()
        assert service.ending().hash() == before
        service.send(placed(body))
        assert service.ending().hash() == before
        service.send(placed({**body, "revision": 2, "status": "amended", "note": "changed"}))
        assert self.gifts(service, body) == [("final", [("TIN", 1)])]

    def test_an_order_is_explained(self, service):
        """Its events, its offers with a sentence each, its tickets."""
        body = order()
        service.send(placed(body))
        story = service.explain(body["order"])
        assert [o["outcome"] for o in story["offers"] if o["offer"] == "week/tin"] == ["granted"]
        assert story["tickets"][0]["gifts"] == [{"gift": "TIN", "units": 1, "offer": "week/tin"}]
        assert json.dumps(story["events"]).count("ledger answered") == 1
        assert service.explain("never-seen") is None

    def test_a_near_miss_is_explained_with_what_is_left(self, service):
        """Rule 2.37: what the ledger has now, on either runtime, beside the sentence that the desk decided."""
        body = order(charged=3700)
        service.send(placed(body))
        (near,) = [o for o in service.explain(body["order"])["offers"] if o["offer"] == "week/tin"]
        assert (near["outcome"], near["now"].partition(":")[0]) == ("near_miss", "Still to be had")

    def test_a_packed_ticket_is_advised(self, service):
        """Its gift is a line of the document; before it is packed there is none."""
        body = order()
        service.send(placed(body))
        ticket = f"{body['order']}/main/1"
        with pytest.raises(NotPacked, match="not packed yet"):
            service.despatch(ticket)
        service.send(released(body, ticket, "packed"))
        assert b">week/tin<" in service.despatch(ticket)

    def test_a_ticket_is_printed(self, service):
        """A scanner reads the ticket, its goods and its gift from the paper of either runtime."""
        body = order()
        service.send(placed(body))
        name = f"{body['order']}/main/1"
        paper = service.pdf(name)
        assert scanned(pages(paper)) == printed(service.ending().tickets[name])
        assert words(paper)[0].count("Tin") >= 1
        with pytest.raises(NoSuchTicket):
            service.pdf(f"{body['order']}/main/2")

    def test_a_draft_is_held_against_what_is_published(self, service, tmp_path):
        """The tin of a draft and the mug that is published are earned by the same goods."""
        draft = tmp_path / "draft.yaml"
        draft.write_text(CAMPAIGN.replace("campaign: week", "campaign: draft"))
        found = check_files([draft], None, service.book(), lambda: PUBLISHED)
        pairs = {frozenset(pair.offers) for pair in found.together}
        assert frozenset({"draft/tin", "week/mug"}) in pairs
        assert frozenset({"draft/tin", "week/tin"}) in pairs

    def test_books_are_closed_and_restated(self, service):
        """One order more is one more in the figures; until one is late enough nothing is closed."""
        service.send(placed(order()))
        before = service.closed()
        service.send(placed(order()))
        after = service.closed()
        assert after.figures["tin"]["granted"] == before.figures["tin"]["granted"] + 1
        assert (before.status, after.status) == ("early", "early")
        assert after.watermark >= before.watermark


class TestEmbedded(HostContract):
    """The embedded service keeps the contract."""

    @pytest.fixture(scope="class")
    @classmethod
    def service(cls, tmp_path_factory):
        """Embedded."""
        made = Embeddable(tmp_path_factory.mktemp("embedded"))
        yield made
        made.close()


class TestDistributed(HostContract):
    """Workers on Kafka keep the contract."""

    @pytest.fixture(scope="class")
    @classmethod
    def service(cls, broker, tmp_path_factory):
        """One worker on a real broker."""
        made = Distributable(broker.address, tmp_path_factory.mktemp("distributed"))
        yield made
        made.close()
