"""A broker in memory: topics with partitions and offsets, stage logs, and one consumer group with generations.

A record's offset is its place in a list. What was appended is never changed. Who reads nothing and writes late is
fenced only where a real broker fences: at the commit of offsets, by generation. Records and log entries it takes from
anyone.
"""

PARTITIONS = {"desk": 2, "ledger": 2}
INPUTS = {"desk": ("orders", "fulfilment", "decisions"), "ledger": ("ledger-commands",)}
STAGE_OF = {channel: stage for stage, channels in INPUTS.items() for channel in channels}
_OFFERS = {"c/tin": 0, "c/mug": 1, "c/pad": 0, "c/brush": 1, "c/ships": 1}


def partition_of(stage, key):
    """The partition of a key: orders by their number, offers by a table, so that both partitions are in use."""
    return _OFFERS[key] if stage == "ledger" else int(key[1:]) % PARTITIONS["desk"]


class Record:
    """An input at its place."""

    __slots__ = ("channel", "message", "offset", "partition")

    def __init__(self, channel, partition, offset, message):
        self.channel, self.partition, self.offset, self.message = channel, partition, offset, message

    @property
    def place(self):
        """Where it stands."""
        return self.channel, self.partition, self.offset


class Broker:
    """Everything that outlives a worker but its disk."""

    def __init__(self):
        self.topics = {(c, p): [] for s, channels in INPUTS.items() for c in channels for p in range(PARTITIONS[s])}
        self.logs = {(stage, p): [] for stage, count in PARTITIONS.items() for p in range(count)}
        self.committed = dict.fromkeys(self.topics, 0)
        self.generation = 0
        self.members = []
        self.fenced = 0

    def send(self, channel, partition, message):
        """Append an input record."""
        records = self.topics[channel, partition]
        records.append(Record(channel, partition, len(records), message))

    def append(self, stage, partition, entry):
        """Append a log entry; its offset."""
        log = self.logs[stage, partition]
        log.append(entry)
        return len(log) - 1

    def rebalance(self, members):
        """A new generation of these members; by member what it owns: partitions by stage, its inputs together."""
        self.generation += 1
        self.members = sorted(members)
        owned = {name: {stage: set() for stage in PARTITIONS} for name in self.members}
        for turn, (stage, count) in enumerate(PARTITIONS.items()):
            for partition in range(count):
                owner = self.members[(partition + self.generation + turn) % len(self.members)]
                owned[owner][stage].add(partition)
        return owned

    def commit(self, member, generation, offsets):
        """Commit offsets; False if the member is of an older generation, and then nothing is committed."""
        if generation != self.generation or member not in self.members:
            self.fenced += 1
            return False
        self.committed.update(offsets)
        return True

    def lag(self):
        """Input records that are not committed as handled."""
        return sum(len(records) - self.committed[place] for place, records in self.topics.items())
