"""The trade's worked examples that take several events, as data: what happens, and what must be so at the end.

Each is played on the core, on the embedded host and on Kafka, by `tests/integration/test_scenarios.py`. 'Ex-n' is a
worked example of the rules of the trade, 'rule n' one of its rules. They are common practice, no source. Amounts are in
cents, instants so long after the first morning of the campaign's week.
"""

from tests.support.scenarios_floor import AFTER_SALE, FLOOR, STOCK
from tests.support.scenarios_orders import CLOCKED, JUDGED

SCENARIOS = (*JUDGED, *CLOCKED, *FLOOR, *AFTER_SALE, *STOCK)
