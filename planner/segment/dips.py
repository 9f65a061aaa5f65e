"""Where does a level dip and come back, how far, how long, and does the pitch explain it?

In vibrato a level dips several times a second, because partials swing through the resonances of a
body or a vowel; that much of a dip follows the pitch. All thresholds are common practice without a
source, checked on synthetic melodies in rooms and on recorded instruments.
"""

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats
from planner.track.frame_blocks import highest_near
from planner.words.spread import MAD_TO_SD, reached_by

REACH_S = 0.10  # the level is back this soon on both sides
LEAST_DIP_DB = 1.5
AROUND_S = 0.35  # what says what is usual around a dip
SILENT_DB = 45.0  # under the loudest
CONSONANT_S = 0.08  # it ends about where the level is lowest
_ASIDE_S = 0.06  # the dip itself is no part of what explains it
_OTHERS_S = 0.50
_OVER_OTHERS = 1.2
_SCATTER_FLOOR_DB = 0.2
_FITS = 4
_TRACE = 1e-9  # of columns of length 1
_DIPS_AT_ONCE = 256  # so that memory stays flat
_SWINGS_SEMITONES = 0.15  # from trough to crest: a slight vibrato
_TURN_OF_VIBRATO_S = 0.15  # holds a trough and a crest of 4 Hz


def level_dips(
    level_db: Floats, hop_s: float, reach_s: float = REACH_S
) -> tuple[NDArray[np.intp], Floats]:
    """Frames at which a level is lowest before it comes back, in time, and how deep in dB."""
    reach = round(reach_s / hop_s)
    if len(level_db) < 2 * reach + 1:
        return np.empty(0, dtype=np.intp), np.empty(0)
    floor = level_db.max() - SILENT_DB
    depth = depths_db(level_db, reach)
    near = max(1, round(0.02 / hop_s))
    lowest = -highest_near(-level_db, near, near)
    dips = np.flatnonzero(
        (level_db == lowest) & (depth > LEAST_DIP_DB) & (level_db + depth > floor)
    )
    return dips, depth[dips]


def depths_db(level_db: Floats, reach: int) -> Floats:
    """How far a level lies under the highest of so many frames before and after, in each."""
    # The highest of the frames up to each, and of those from it on.
    beside = np.minimum(highest_near(level_db, reach, 0), highest_near(level_db, 0, reach))
    depths: Floats = beside - level_db
    return depths


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
    near, far = REACH_S / 4 / hop_s, _OTHERS_S / hop_s
    first, last = np.searchsorted(dips, dips - far, "right"), np.searchsorted(dips, dips + far)
    around = [slice(a, b) for a, b in zip(first, last, strict=True)]
    return [
        depth_db[span][(np.abs(dips[span] - dip) > near) & within[span]]
        for dip, span in zip(dips, around, strict=True)
    ]


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


def unexplained_dips(
    level_db: Floats, swing: Floats, dips: NDArray[np.intp], hop_s: float
) -> tuple[Floats, Floats]:
    """How much of dips the pitch's own swing, and slow swells, leave unexplained.

    The level is fitted by a parabola in time and one in the swing, which a room makes lag, robustly
    (Huber weights), on what lies around the dip but not in it. Returned in dB, and as a multiple of
    what the fit leaves unexplained around the dip.
    """
    pieces = np.split(dips, range(_DIPS_AT_ONCE, len(dips), _DIPS_AT_ONCE))
    of_pieces = [_unexplained(level_db, swing, piece, hop_s) for piece in pieces]
    left_db, scatter_db = np.concatenate(of_pieces, axis=1)
    return left_db, left_db / scatter_db


def _unexplained(level_db: Floats, swing: Floats, dips: NDArray[np.intp], hop_s: float) -> Floats:
    """What is left of some dips, and what the fit leaves around them: (2, dips), dB."""
    around, aside, reach = (round(s / hop_s) for s in (AROUND_S, _ASIDE_S, REACH_S))
    away = np.arange(-around, around + 1)
    at = dips[:, None] + away
    there = at.clip(0, len(level_db) - 1)
    level, off = level_db[there], swing[there]
    time = np.broadcast_to(away / around, at.shape)
    lag = np.gradient(off, axis=1)
    model = np.stack([np.ones_like(off), time, time**2, off, off**2, lag], axis=1)
    outside = (at == there) & (np.abs(away) > aside)
    # Where nothing swings, or off and its square are alike, a trace on the diagonal parts them.
    model /= np.sqrt(np.sum((model * outside[:, None]) ** 2, axis=2, keepdims=True)) + 1e-12
    trace = _TRACE * np.eye(model.shape[1])
    weight = outside.astype(float)
    for _ in range(_FITS):
        weighted = model * weight[:, None]
        onto = weighted @ level[..., None]
        shape = np.linalg.solve(weighted @ model.swapaxes(1, 2) + trace, onto)
        rest = level - (shape.swapaxes(1, 2) @ model)[:, 0]
        ordered = np.sort(np.where(outside, np.abs(rest), np.inf), axis=1)
        count = outside.sum(axis=1)
        row = np.arange(len(dips))
        middle = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2.0
        scatter = MAD_TO_SD * middle + _SCATTER_FLOOR_DB
        weight = outside / np.maximum(1.0, np.abs(rest) / (1.5 * scatter[:, None]))
    here = np.where(at == there, rest, -np.inf)
    left = here[:, around - reach : around + 1].max(axis=1)
    right = here[:, around : around + reach + 1].max(axis=1)
    return np.stack([np.minimum(left, right) - rest[:, around], scatter])


def clearest(dips: NDArray[np.intp], clear_db: Floats, hop_s: float) -> NDArray[np.bool_]:
    """Which dips are the clearest of those so close together that one consonant made them."""
    near = CONSONANT_S / hop_s
    kept = [
        clear >= clear_db[np.abs(dips - dip) < near].max()
        for dip, clear in zip(dips, clear_db, strict=True)
    ]
    return np.array(kept, dtype=bool)


def hiss_rise_db(hiss_db: Floats, dip: int, hop_s: float) -> float:
    """How far a hiss at a dip stands over the loudest around, dB: high partials swing too."""
    ahead, after = round(CONSONANT_S / hop_s), round(0.02 / hop_s)
    far, near = round(AROUND_S / hop_s), round(REACH_S / hop_s)
    sides = [hiss_db[max(0, dip - far) : max(0, dip - near)], hiss_db[dip + near : dip + far]]
    usual = [reached_by(side, 0.9) for side in sides if len(side)]
    here = hiss_db[max(0, dip - ahead) : dip + after]
    return float(here.max()) - max(usual, default=np.inf)


def lowest_after(level_db: Floats, dips: NDArray[np.intp], hop_s: float) -> NDArray[np.intp]:
    """The frames from some dips on, as far as a consonant reaches, at which a level is lowest."""
    reach = round(CONSONANT_S / hop_s)
    after = [int(np.argmin(level_db[dip : dip + reach + 1])) for dip in dips]
    return dips + np.array(after, dtype=np.intp)
