"""What the board shows as numbers for Prometheus: those of the pages' own picture, worked out nowhere else."""

from math import inf
from typing import get_args

from makeweight.adapters.board.cards import urgency
from makeweight.adapters.board.pulse import Pulse
from makeweight.adapters.telemetry.board_metrics import (
    SIGNAL_KINDS,
    OfferWatched,
    RateName,
    RateWatched,
    SignalWatched,
    Watched,
)
from makeweight.domain.campaigns import SINCE_EVER
from makeweight.planning.picture import OfferPicture, Picture, StockPlace

_RATES: tuple[RateName, ...] = get_args(RateName)


def watched(pulse: Pulse) -> Watched:
    """The numbers of the latest picture; before the first one there are none."""
    view = pulse.now.view
    if view is None:
        return Watched(SINCE_EVER, open_pages=pulse.pages)
    picture = view.picture
    return Watched(
        picture.at,
        [_place(offer, place) for offer in picture.offers for place in offer.stock],
        [one for offer in picture.offers for one in _rates(offer)],
        _signals(picture),
        picture.feed.watermark,
        picture.feed.lag_seconds,
        pulse.pages,
        [offer.key for offer in picture.offers],
    )


def _place(offer: OfferPicture, place: StockPlace) -> OfferWatched:
    """A gift at a site; whether to act is the offer's, since what is gone at one site may be given from another."""
    clock = place.clock if place.clock is not None and place.clock.before_end is not None else None
    return OfferWatched(
        offer.key,
        place.gift,
        place.balance.site,
        place.balance.free,
        urgency(offer) == "act_now",
        _hours(clock.hours_p05) if clock else None,
        _hours(clock.hours_p50) if clock else None,
        _hours(clock.hours_p95) if clock else None,
        clock.before_end if clock else None,
        place.burn_units_per_hour,
    )


def _hours(hours: float | None) -> float:
    return inf if hours is None else hours


def _rates(offer: OfferPicture) -> list[RateWatched]:
    return [
        RateWatched(offer.key, name, one.low, one.share, one.high)
        for name in _RATES
        if (one := offer.rates.get(name)) is not None
        and one.share is not None
        and one.low is not None
        and one.high is not None
    ]


def _signals(picture: Picture) -> list[SignalWatched]:
    """Those that alerts know; the others are for people who look, and what is put aside has an alert of its own."""
    return [
        SignalWatched(one.kind, one.offer or "", is_on=True, figure=one.figure)
        for one in picture.signals
        if one.kind in SIGNAL_KINDS
    ]
