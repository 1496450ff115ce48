"""Totals over all orders, kept as differences: what an order added before, minus; what it adds now, plus."""

from collections.abc import Iterable, Mapping

Key = tuple[str, str, str]  # offer, word, reason; a campaign stands for all its offers in the word 'in_window'
IN_WINDOW = "in_window"


class Tally:
    """Numbers by (offer, word, reason). ``changed`` are the differences since they were last taken."""

    def __init__(self, numbers: Mapping[Key, int] | None = None) -> None:
        self.numbers: dict[Key, int] = dict(numbers or {})
        self._changed: dict[Key, int] = {}

    def add(self, counts: Iterable[tuple[str, str, int, str]], sign: int = 1) -> None:
        """Add (or with sign -1 take away) what an order counts for."""
        numbers, changed = self.numbers, self._changed
        for offer, word, number, reason in counts:
            key = (offer, word, reason)
            numbers[key] = numbers.get(key, 0) + sign * number
            changed[key] = changed.get(key, 0) + sign * number

    def add_in_window(self, campaigns: Iterable[str], sign: int = 1) -> None:
        """The order counts in these campaigns' windows."""
        self.add([(campaign, IN_WINDOW, 1, "") for campaign in campaigns], sign)

    def take_changes(self) -> dict[Key, int]:
        """The differences since the last call, without those that came to nothing."""
        changed, self._changed = self._changed, {}
        return {key: number for key, number in changed.items() if number}

    def of(self, offer: str, word: str, reason: str = "") -> int:
        """One number."""
        return self.numbers.get((offer, word, reason), 0)

    def reasons(self, offer: str) -> dict[str, int]:
        """Declined orders of an offer by reason."""
        found = {str(r): n for (o, word, r), n in self.numbers.items() if o == offer and word == "declined" and n}
        return dict(sorted(found.items()))
