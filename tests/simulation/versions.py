"""Other versions of the code, for workers that were not yet replaced: they decide otherwise and fold as all do."""

from makeweight.stages.desk import decide
from makeweight.stages.ledger import settle


class _Version:
    """A stage whose decisions are made with one function of another version."""

    module, function = None, ""

    def __init__(self, others):
        self._others = others
        self.name, self.spaces, self.urgent = others.name, others.spaces, others.urgent
        self.key_of, self.fold, self.say = others.key_of, others.fold, others.say

    def decide(self, store, message, view):
        """Decide with the other function in the place of today's."""
        todays = getattr(self.module, self.function)
        setattr(self.module, self.function, self.otherwise)
        try:
            return self._others.decide(store, message, view)
        finally:
            setattr(self.module, self.function, todays)


class GenerousLedger(_Version):
    """A ledger that thinks every gift is in stock."""

    module, function = settle, "_free"

    @staticmethod
    def otherwise(*_):
        """Stock without end."""
        return 10**6


class StubbornDesk(_Version):
    """A desk that never moves on to the next offer of a group."""

    module, function = decide, "_next"

    @staticmethod
    def otherwise(*_):
        """Nothing is claimed because of a decision."""
        return []
