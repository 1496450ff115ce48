"""Closing the books (rules of the trade 2.13; common practice, no source): early, final, restated, never silently."""

from copy import deepcopy
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from makeweight.contracts.codec import dumps
from makeweight.domain.values import replaced
from makeweight.insight.summary import offers_summary
from makeweight.insight.tally import IN_WINDOW, Tally
from makeweight.planning.closing import REPORT, OtherBooks, close, differences, figures_hash
from tests.support.build import offer

ENDS = datetime(2026, 11, 30, tzinfo=UTC)
DAY = timedelta(days=1)
FIGURES = {"tin": {"granted": 4, "declined": {"no_stock": 1}, "exhausted_at": None}}


def test_before_the_allowed_lateness_it_is_early():
    """Up to end + lateness, that instant included, an order may still come; without any order nothing is known."""
    for watermark in (None, ENDS - DAY, ENDS, ENDS + DAY):
        report = close(FIGURES, ENDS, watermark, DAY)
        assert (report.status, report.edition, report.differences) == ("early", 0, {})


def test_after_it_is_final():
    """One instant later the books are closed: edition 1."""
    report = close(FIGURES, ENDS, ENDS + DAY + timedelta(microseconds=1), DAY)
    assert (report.status, report.edition, report.lateness_seconds) == ("final", 1, 86_400)
    assert report.sha256 == figures_hash(FIGURES)
    early = close({}, ENDS, ENDS, DAY)
    assert close(FIGURES, ENDS, ENDS + 2 * DAY, DAY, early).edition == 1, "an early report closed nothing"


def test_a_later_event_makes_a_restated_report():
    """The differences by name, what each was and is; the next edition, and the next after that."""
    final = close(FIGURES, ENDS, ENDS + 2 * DAY, DAY)
    late = {"tin": {"granted": 5, "declined": {}, "exhausted_at": "2026-11-29T00:00:00+00:00"}}
    restated = close(late, ENDS, ENDS + 3 * DAY, DAY, final)
    assert (restated.status, restated.edition) == ("restated", 2)
    assert restated.differences == {
        "tin.declined.no_stock": (1, None),
        "tin.exhausted_at": (None, "2026-11-29T00:00:00+00:00"),
        "tin.granted": (4, 5),
    }
    assert close(late, ENDS, ENDS + 4 * DAY, DAY, restated) == restated
    back = close(FIGURES, ENDS, ENDS + 4 * DAY, DAY, restated)
    assert (back.edition, back.sha256, len(back.differences)) == (3, final.sha256, 3)


def test_a_member_that_comes_or_goes_is_a_difference():
    """None and not there are told apart, though both are written as none."""
    assert differences({"a": None}, {}) == {"a": (None, None)}
    assert differences({}, {"b": {"c": 1}}) == {"b.c": (None, 1)}
    assert differences({"a": 1}, {"a": 1}) == {}
    final = close({"tin": {"granted": 1}}, ENDS, ENDS + 2 * DAY, DAY)
    assert close({"tin": {"granted": 1, "declined": {}}}, ENDS, ENDS + 2 * DAY, DAY, final) is final, "nothing declined"


def test_closed_books_stay_closed():
    """More lateness allowed afterwards opens nothing again."""
    final = close(FIGURES, ENDS, ENDS + 2 * DAY, DAY)
    assert close({"tin": {}}, ENDS, ENDS + 2 * DAY, 9 * DAY, final).status == "restated"
    assert close(FIGURES, ENDS, ENDS + 2 * DAY, 9 * DAY, final) == final


@pytest.mark.parametrize(
    ("changes", "ends", "watermark", "part"),
    [
        ({"figures": {"tin": {"granted": 9}}}, ENDS, ENDS + 2 * DAY, "changed by hand"),
        ({}, ENDS + DAY, ENDS + 2 * DAY, "of a window that ends 2026-11-30"),
        ({}, ENDS, ENDS + DAY, "it is older, or another one"),
        ({}, ENDS, None, "knows none"),
    ],
)
def test_reports_of_other_books_are_refused(changes, ends, watermark, part):
    """A backup, another window, a file that somebody edited: no edition follows from those."""
    final = replaced(close(FIGURES, ENDS, ENDS + 2 * DAY, DAY), **changes)
    with pytest.raises(OtherBooks, match=part):
        close(FIGURES, ends, watermark, DAY, final)


# Events as a campaign's figures know them: an hour after the window's start, what came of the order, and its units.
events = st.lists(
    st.tuples(
        st.integers(0, 400),
        st.sampled_from([("granted", ""), ("declined", "no_stock"), ("declined", "caution"), ("near_miss", "")]),
        st.integers(1, 3),
        st.sampled_from([1, 1, -1]),  # a later revision takes back what an order came to
    ),
    max_size=12,
)


def counted(happened):
    """The figures after events, and the newest instant that they told."""
    tally = Tally()
    for _, (word, reason), units, sign in happened:
        tally.add([("week/tin", word, 1, reason), ("week/tin", f"{word}_units", units, "")], sign)
        tally.add_in_window(["week"], sign)
    newest = max((hour for hour, *_ in happened), default=None)
    watermark = None if newest is None else ENDS - timedelta(hours=168) + timedelta(hours=newest)
    return offers_summary([offer()], tally, {}), watermark


@given(batches=st.lists(events, min_size=1, max_size=6))
def test_no_event_changes_a_report_that_was_made(batches):
    """Whatever comes later, edition 1 stays as it was made, and what differs from it has another number and says so."""
    happened, made, last = [], [], None
    for batch in batches:
        happened += batch
        figures, watermark = counted(happened)
        report = close(figures, ENDS, watermark, DAY, last)
        figures["tin"]["granted"] = -1  # figures are copied: their source may live on
        if report.status == "early":
            assert not made
            assert watermark is None or watermark <= ENDS + DAY
        elif report is last:
            assert report.sha256 == figures_hash(counted(happened)[0])
        else:
            assert (report.status, report.edition) == ("restated" if made else "final", len(made) + 1)
            assert bool(report.differences) == bool(made)
            made.append((report, deepcopy(report)))
        last = report
        assert all(kept == copy and kept.sha256 == figures_hash(kept.figures) for kept, copy in made)
    for (before, _), (after, _) in pairwise(made):
        assert after.differences == differences(before.figures, after.figures) != {}
    assert IN_WINDOW in counted(happened)[0]["tin"]


@given(happened=events)
def test_a_report_survives_its_file(happened):
    """Written and read it is the same, and closes the same books."""
    figures, _ = counted(happened)
    final = close(figures, ENDS, ENDS + 2 * DAY, DAY)
    restated = close({**figures, "late": {"granted": 1}}, ENDS, ENDS + 2 * DAY, DAY, final)
    for report in (final, restated):
        again = REPORT.loads(dumps(report))
        assert again == report
        assert close(report.figures, ENDS, ENDS + 2 * DAY, DAY, again) is again
