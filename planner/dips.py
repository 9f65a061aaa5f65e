"""Where does a level dip and come back, how far, how long, and does the pitch explain it?

In vibrato a level dips several times a second, because partials swing through the resonances of a
body or a vowel; that much of a dip follows the pitch. All thresholds are common practice without a
source, checked on synthetic melodies in rooms and on recorded instruments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.frame_blocks import highest_near
from planner.model import Floats
from planner.spread import spread_of

REACH_S = 0.10  # the level is back this soon on both sides
LEAST_DIP_DB = 1.5
AROUND_S = 0.35  # what says what is usual around a dip
SILENT_DB = 45.0  # under the loudest
_ASIDE_S = 0.06  # the dip itself is no part of what explains it
_OTHERS_S = 0.50
_OVER_OTHERS = 1.2
_SCATTER_FLOOR_DB = 0.2
_FITS = 4
_SWINGS_SEMITONES = 0.15  # from trough to crest: a slight vibrato
_TURN_OF_VIBRATO_S = 0.15  # holds a trough and a crest of 4 Hz


def level_dips(level_db: Floats, hop_s: float) -> tuple[NDArray[np.intp], Floats]:
    """Frames at which a level is lowest before it comes back, and how deep in dB."""
    reach = round(REACH_S / hop_s)
    if len(level_db) < 2 * reach + 1:
        return np.empty(0, dtype=np.intp), np.empty(0)
    floor = level_db.max() - SILENT_DB
    # The highest of the frames up to each, and of those from it on.
    depth = (
        np.minimum(highest_near(level_db, reach, 0), highest_near(level_db, 0, reach)) - level_db
    )
    near = max(1, round(0.02 / hop_s))
    lowest = -highest_near(-level_db, near, near)
    dips = np.flatnonzero(
        (level_db == lowest) & (depth > LEAST_DIP_DB) & (level_db + depth > floor)
    )
    return dips, depth[dips]


def dip_widths_s(
    level_db: Floats, dips: NDArray[np.intp], depth_db: Floats, hop_s: float
) -> Floats:
    """How long each dip lies under half its depth, s."""
    reach = round(REACH_S / hop_s)
    widths = []
    for dip, depth in zip(dips, depth_db, strict=True):
        over = level_db[max(0, dip - reach) : dip + reach + 1] > level_db[dip] + depth / 2.0
        at = min(dip, reach)
        left, right = np.flatnonzero(over[:at]), np.flatnonzero(over[at:])
        first = left[-1] if len(left) else -1
        last = at + right[0] if len(right) else len(over)
        widths.append((last - first - 1) * hop_s)
    return np.array(widths)


def others_db(
    dips: NDArray[np.intp], depth_db: Floats, within: NDArray[np.bool_], hop_s: float
) -> list[Floats]:
    """How deep those dips around each dip are that lie ``within`` a tone, dB.

    The dip itself and what belongs to it are left out.
    """
    away = np.abs(dips[:, None] - dips)
    around = (away > REACH_S / 4 / hop_s) & (away < _OTHERS_S / hop_s) & within
    return [depth_db[row] for row in around]


def deeper_than_others(depth_db: Floats, others: list[Floats]) -> NDArray[np.bool_]:
    """Which dips are clearly deeper than those around: an unsteady tone has many like them."""
    usual = [_OVER_OTHERS * float(np.median(other)) if len(other) else 0.0 for other in others]
    return depth_db > np.array(usual)


def deepest_other_db(others: list[Floats]) -> Floats:
    """How deep the deepest dip around each dip is, dB; 0 where there is none."""
    return np.array([other.max(initial=0.0) for other in others])


def in_vibrato(dips: NDArray[np.intp], swing: Floats, hop_s: float) -> NDArray[np.bool_]:
    """Which dips have a vibrato either side."""
    reach = round(_TURN_OF_VIBRATO_S / hop_s)
    spans = [
        min(np.ptp(swing[max(0, dip - reach) : dip + 1]), np.ptp(swing[dip : dip + reach + 1]))
        for dip in dips
    ]
    return np.array(spans, dtype=float) > _SWINGS_SEMITONES


def unexplained_dip(level_db: Floats, swing: Floats, dip: int, hop_s: float) -> tuple[float, float]:
    """How much of a dip the pitch's own swing, and slow swells, leave unexplained.

    The level is fitted by a parabola in time and one in the swing, which a room makes lag, robustly
    (Huber weights), on what lies around the dip but not in it. Returned in dB, and as a multiple of
    what the fit leaves unexplained around the dip.
    """
    around, aside, reach = (round(s / hop_s) for s in (AROUND_S, _ASIDE_S, REACH_S))
    first, last = max(0, dip - around), min(len(level_db), dip + around + 1)
    time = np.arange(first - dip, last - dip) / around
    outside = np.abs(time) > aside / around
    off = swing[first:last]
    lag = np.gradient(off)
    model = np.stack([np.ones_like(time), time, time**2, off, off**2, lag], axis=1)
    level = level_db[first:last]
    weight = np.ones(int(outside.sum()))
    for _ in range(_FITS):
        shape = np.linalg.lstsq(
            model[outside] * weight[:, None], level[outside] * weight, rcond=None
        )[0]
        rest = level - model @ shape
        scatter = spread_of(rest[outside], 0.0) + _SCATTER_FLOOR_DB
        weight = 1.0 / np.sqrt(np.maximum(1.0, np.abs(rest[outside]) / (1.5 * scatter)))
    at = dip - first
    left = rest[max(0, at - reach) : at + 1].max() - rest[at]
    right = rest[at : at + reach + 1].max() - rest[at]
    unexplained = min(float(left), float(right))
    return unexplained, unexplained / scatter
