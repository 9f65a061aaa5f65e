"""Dips of a level: where, how deep, how long, and what the pitch explains of them."""

import numpy as np
import pytest

from planner.segment.dips import (
    deeper_than_others,
    deepest_other_db,
    dip_widths_s,
    in_vibrato,
    level_dips,
    others_db,
    unexplained_dips,
)
from planner.tracker import HOP_S

STILL = np.zeros(400)


def test_a_bow_change_is_a_dip() -> None:
    """A level that falls by 8 dB and comes back has its dip there, and only there."""
    t = np.arange(400) * HOP_S
    level_db = -20.0 - 8.0 * np.exp(-(((t - 1.0) / 0.025) ** 2))
    frames, depth = level_dips(level_db, HOP_S)
    assert list(frames) == [200]
    assert list(depth) == pytest.approx([8.0], abs=0.3)
    left_db, scatters = unexplained_dips(level_db, STILL, frames, HOP_S)
    assert left_db == pytest.approx([8.0], abs=0.5)
    assert scatters[0] > 4.5


def test_the_swing_of_a_tremulant_does_not_stand_out() -> None:
    """A level that swings by 6 dB all the time has many dips, and none is a border."""
    t = np.arange(400) * HOP_S
    level_db = -20.0 + 3.0 * np.sin(2 * np.pi * 5.5 * t)
    frames, _ = level_dips(level_db, HOP_S)
    assert len(frames) > 8
    assert (unexplained_dips(level_db, STILL, frames, HOP_S)[1] < 3.0).all()


def test_a_dip_that_follows_the_pitch_does_not_stand_out() -> None:
    """What a resonance makes of vibrato is explained by the pitch; a dip on top of it is not."""
    t = np.arange(400) * HOP_S
    swing = 0.5 * np.sin(2 * np.pi * 5.5 * t)
    formed = -20.0 - 6.0 * swing - 4.0 * swing**2
    dip = np.array([np.argmin(np.where(np.abs(t - 1.0) < 0.1, formed, 0.0))])
    assert unexplained_dips(formed, swing, dip, HOP_S)[0] < 1.5
    border = formed - 4.0 * np.exp(-(((t - t[dip]) / 0.025) ** 2))
    assert unexplained_dips(border, swing, dip, HOP_S)[0] == pytest.approx([4.0], abs=0.5)


def test_a_fading_note_has_no_dip() -> None:
    """What only falls has no dip, nor has a level too short to look around in."""
    assert len(level_dips(np.linspace(-10.0, -60.0, 400), HOP_S)[0]) == 0
    assert len(level_dips(np.full(5, -20.0), HOP_S)[0]) == 0


def test_widths_of_dips() -> None:
    """A Gaussian in decibels lies under half its depth for 1.67 times its width."""
    t = np.arange(400) * HOP_S
    level_db = -20.0 - 8.0 * np.exp(-(((t - 1.0) / 0.03) ** 2))
    frames, depth = level_dips(level_db, HOP_S)
    assert dip_widths_s(level_db, frames, depth, HOP_S) == pytest.approx([0.05], abs=0.006)


def test_a_dip_is_held_against_those_around_it() -> None:
    """Two of 3 dB around one of 8: only that stands out, and each knows the deepest other."""
    dips, depth_db = np.array([150, 200, 250]), np.array([3.0, 8.0, 3.0])
    others = others_db(dips, depth_db, np.full(3, True), HOP_S)
    assert list(deeper_than_others(depth_db, others)) == [False, True, False]
    assert list(deepest_other_db(others)) == [8.0, 3.0, 8.0]
    alone = others_db(dips[1:2], depth_db[1:2], np.array([True]), HOP_S)
    assert list(deepest_other_db(alone)) == [0.0]
    assert list(deeper_than_others(depth_db[1:2], alone)) == [True]


def test_a_dip_between_two_pitches_is_not_what_a_tone_does() -> None:
    """One as deep as those at changes of pitch either side stands out where it lies in a tone."""
    dips, depth_db = np.array([150, 200, 250]), np.array([9.0, 8.0, 9.0])
    within = np.array([False, True, False])
    found = deeper_than_others(depth_db, others_db(dips, depth_db, within, HOP_S))
    assert found[1]


def test_a_dip_in_vibrato_has_swings_on_both_sides() -> None:
    """Where the pitch swings before a dip alone, as it ends there, it lies in none."""
    t = np.arange(400) * HOP_S
    swing = 0.2 * np.sin(2 * np.pi * 5.5 * t)
    assert list(in_vibrato(np.array([200]), swing, HOP_S)) == [True]
    assert list(in_vibrato(np.array([200]), np.where(t < 1.0, swing, 0.0), HOP_S)) == [False]
