"""A stage on one partition, as the real lane: its state, where it stands in the log, and one open transaction.

The store keeps a journal instead of a copy: a rollback puts the old values back. Values are never changed in place, so
what is on 'disk' after a crash is the same store, rolled back.
"""

_MISSING = object()


class JournalStore:
    """A stage's state with one open transaction."""

    def __init__(self, stage):
        self._spaces = {space.name: {} for space in stage.spaces}
        self._waiting = {}
        self._journal = []

    def get(self, space, key):
        """The value at a key, or None."""
        return self._spaces[space.name].get(key)

    def put(self, space, key, kept, due=None):
        """Set the value at a key."""
        values = self._spaces[space.name]
        self._journal.append((values, key, values.get(key, _MISSING)))
        values[key] = kept
        waiting = self._waiting
        if due is not None:
            self._journal.append((waiting, key, waiting.get(key, _MISSING)))
            waiting[key] = due
        elif waiting and key in waiting:
            self._unset(waiting, key)

    def _unset(self, values, key):
        if key in values:
            self._journal.append((values, key, values.pop(key)))

    def drop(self, space, key):
        """Forget a key."""
        self._unset(self._spaces[space.name], key)
        self._unset(self._waiting, key)

    def scan(self, space, prefix):
        """All (key, value) whose key starts with the prefix, by key."""
        values = self._spaces[space.name]
        return iter([(key, values[key]) for key in sorted(values) if key.startswith(prefix)])

    def due(self, space, until, limit):
        """Keys due at or before the instant, earliest first."""
        return [key for _, key in sorted((at, key) for key, at in self._waiting.items() if at <= until)[:limit]]

    def values(self, space):
        """Everything in a space."""
        return self._spaces[space.name]

    def contents(self):
        """Everything, by space, and what is due."""
        return self._spaces, self._waiting

    def keep(self):
        """Commit."""
        self._journal.clear()

    def undo(self):
        """Roll back."""
        for values, key, old in reversed(self._journal):
            if old is _MISSING:
                del values[key]
            else:
                values[key] = old
        self._journal.clear()


class Lane:
    """A stage's partition."""

    def __init__(self, stage, partition):
        self.stage, self.partition = stage, partition
        self.store = JournalStore(stage)
        self.log_next = self.log_kept = 0
        self.gate_end = 0  # where the log ended when the gate was passed
        self.input_next = {}
        self.new, self.subjects = [], {}
        self.voids = 0

    def begin(self):
        """Open a transaction; one that was left open is rolled back first."""
        self.undo()

    def decide(self, message, view):
        """Decide an input and fold its entries into the open transaction."""
        verdict = self.stage.decide(self.store, message, view)
        self.new += verdict.entries
        self._fold(verdict.entries)
        for subject in verdict.subjects:
            self.subjects[subject] = None
        return verdict

    def _fold(self, entries):
        fold, store, subjects = self.stage.fold, self.store, self.subjects
        for entry in entries:
            for subject in fold(store, entry):
                if subject[0] == "void":
                    self.voids += 1
                else:
                    subjects[subject] = None

    def place(self):
        """The new entries stand in the log from where the fold stood."""
        self.log_next += len(self.new)

    def take(self, log):
        """Fold the log to its end into the open transaction."""
        self._fold(log[self.log_next :])
        self.log_next = len(log)

    def refold(self):
        """Another writer was first: roll back the state; what was to be said is said from what the log gives."""
        self.store.undo()
        self.log_next, self.new = self.log_kept, []

    def undo(self):
        """Roll back."""
        self.refold()
        self.subjects = {}

    def say(self):
        """The current level of everything that the transaction touched; what the other stage waits for comes first."""
        said = {}
        for subject in sorted(self.subjects, key=lambda s: s[0] not in self.stage.urgent):
            for output in self.stage.say(self.store, subject):
                said[output.channel, output.id] = output
        return list(said.values())

    def commit(self, inputs):
        """Commit the state with where the log and the inputs stand."""
        self.input_next |= inputs
        self.store.keep()
        self.log_kept, self.new, self.subjects = self.log_next, [], {}
