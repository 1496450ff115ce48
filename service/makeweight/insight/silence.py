"""Silence is a signal: how unlikely it is that so little came, and what it points to.

Expected units come from a rehearsal or from history, as units an exposure hour times the exposure hours of the span.
"""

from math import log
from typing import Literal

from scipy.special import betainc, gammaincc

from makeweight.domain.moments import Instant
from makeweight.insight.profile import Profile

UNLIKELY = 0.001  # once in a thousand looks; a look is a span of its own, not a refresh of the page

Silence = Literal["none", "gap", "drop"]


def quiet(expected: float, seen: int, certainty: float | None = None) -> float:
    """The probability of so few events or fewer where so many were expected.

    Poisson: P(N <= n) = Q(n + 1, expected), the regularised upper incomplete gamma function. Where the expectation is
    uncertain itself, ``certainty`` is the shape a of its gamma distribution (its relative variance is 1 / a; an
    expectation from k past units has a = k), and N is negative binomial: P(N <= n) = I_p(a, n + 1), p = a / (a + E).
    ``ValueError`` for what is no expectation or no count.
    """
    if not expected >= 0 or seen < 0 or (certainty is not None and not certainty > 0):
        raise ValueError(f"expected {expected}, seen {seen}, certainty {certainty}: expected numbers from 0 up")
    if certainty is None:
        return float(gammaincc(seen + 1, expected))
    return float(betainc(certainty, seen + 1, certainty / (certainty + expected)))


def overdue(expected: float, seen: int = 0, *, certainty: float | None = None, level: float = UNLIKELY) -> bool:
    """Whether an offer should have granted more by now: what was seen is less likely than the level."""
    return quiet(expected, seen, certainty) < level


def overdue_from(
    profile: Profile, start: Instant, units_an_exposure_hour: float, limit: Instant, level: float = UNLIKELY
) -> Instant | None:
    """From when on an offer that has granted nothing is overdue: when -ln(level) units were expected.

    None if that is not by the limit.
    """
    if not units_an_exposure_hour > 0:
        return None
    return profile.when(start, -log(level) / units_an_exposure_hour, limit)


def silence_of(
    expected: float, seen: int, others_expected: float, others_seen: int, *, level: float = UNLIKELY
) -> Silence:
    """What too few events of an offer (or market) point to, beside those of all others in the same span.

    'gap': nothing came at all, though something was expected: look at the feed first. 'drop': the feed is alive, and of
    this too few came: look at its copy, its price, its page. 'none': nothing that chance doesn't explain.
    """
    if seen + others_seen == 0:
        return "gap" if overdue(expected + others_expected, level=level) else "none"
    return "drop" if overdue(expected, seen, level=level) else "none"
