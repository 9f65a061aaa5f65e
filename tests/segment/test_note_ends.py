"""A note ends where it is stopped or let go, not where the room has died away."""

import numpy as np
import pytest
from tones.exact import faded, found_notes, steady, stem_of, tone

from planner.demo.build import in_room, room_response
from planner.demo.tones import SR, StringSound, mix, plucked
from planner.model import Floats
from planner.segment.note_ends import rings_from_frame, stopped_frame

HOP_S = 0.005


def decay(slope_db_per_s: float, seconds: float) -> Floats:
    return -20.0 - slope_db_per_s * np.arange(round(seconds / HOP_S)) * HOP_S


def stopped_at(level_db: Floats, at_s: float, *, drop_db: float, room_db_per_s: float) -> Floats:
    """The level falls by some dB within 20 ms, then along the room's decay."""
    t = np.arange(len(level_db)) * HOP_S - at_s
    fall = np.clip(t / 0.02, 0.0, 1.0) * drop_db + np.clip(t - 0.02, 0.0, None) * room_db_per_s
    out: Floats = level_db - fall
    return out


@pytest.mark.parametrize("slope_db_per_s", [0.0, 8.0, 30.0])
@pytest.mark.parametrize("drop_db", [14.0, 24.0])
@pytest.mark.parametrize("at_s", [0.2, 0.45, 0.8])
def test_the_stop_is_found(slope_db_per_s: float, drop_db: float, at_s: float) -> None:
    """A drop out of the decay is the end, whatever the room does afterwards."""
    level_db = stopped_at(decay(slope_db_per_s, 1.0), at_s, drop_db=drop_db, room_db_per_s=120.0)
    assert stopped_frame(level_db, HOP_S) * HOP_S == pytest.approx(at_s, abs=0.015)


def test_what_is_not_stopped_rings_to_its_end() -> None:
    """A steady decay, one that slows down, a swell and a very short note keep their length."""
    slowing = np.maximum(decay(40.0, 1.0), decay(5.0, 1.0) - 12.0)
    for level_db in (decay(15.0, 1.0), slowing, -decay(15.0, 1.0), decay(15.0, 0.08)):
        assert stopped_frame(level_db, HOP_S) == len(level_db)


def test_a_beat_is_not_a_stop() -> None:
    """Two strings that beat fall by 10 dB and come back: the note goes on."""
    t = np.arange(300) * HOP_S
    beating = decay(8.0, 1.5) + 20 * np.log10(np.abs(1 + 0.5 * np.cos(2 * np.pi * 2.5 * t)) / 1.5)
    assert stopped_frame(beating, HOP_S) > 250


@pytest.mark.parametrize("f1_hz", [55.0, 147.0, 392.0])
@pytest.mark.parametrize("rt60_s", [0.3, 0.6])
def test_a_plucked_note_in_a_room_ends_with_the_string(f1_hz: float, rt60_s: float) -> None:
    """A pluck of 0.5 s is found 0.5 s long, within a fifth of it (mir_eval's bound for ends)."""
    rng = np.random.default_rng(11)
    sound = mix([(0.3, plucked(f1_hz, 0.5, StringSound(damp_s=0.01), rng))], 2.0)
    wet = in_room(sound.samples, room_response(rt60_s, -16.0, rng))
    notes, _ = found_notes(stem_of(0.5 * wet / np.abs(wet).max(), SR, "fretted"))
    assert len(notes) == 1
    assert notes[0].end_s == pytest.approx(0.8, abs=0.1)


def let_go_at(
    at_s: float, seconds: float, *, room_db_per_s: float, ring_db: float = 12.0
) -> Floats:
    """A level that stands, is let go over 60 ms, and rings on along a room's decay."""
    t = np.arange(round(seconds / HOP_S)) * HOP_S - at_s
    release = np.cos(np.pi / 2 * np.clip(t / 0.06 + 1.0, 0.0, 1.0)) ** 2
    ring = 10.0 ** (-(ring_db + room_db_per_s * np.clip(t, 0.0, None)) / 20.0)
    out: Floats = -20.0 + 20.0 * np.log10(release + ring)
    return out


@pytest.mark.parametrize("room_db_per_s", [60.0, 100.0, 200.0])
@pytest.mark.parametrize("at_s", [0.3, 1.2])
def test_a_driven_note_ends_where_it_is_let_go(room_db_per_s: float, at_s: float) -> None:
    """Rooms of 0.3 to 1 s (60 dB over RT60, ISO 3382-1) do not lengthen a note."""
    level_db = let_go_at(at_s, at_s + 18.0 / room_db_per_s, room_db_per_s=room_db_per_s)
    assert rings_from_frame(level_db, HOP_S) * HOP_S == pytest.approx(at_s, abs=0.03)


def test_a_level_that_comes_back_or_falls_slowly_is_no_end() -> None:
    """A dip, a diminuendo, a release without a room and a very short note keep their length."""
    t = np.arange(240) * HOP_S
    dip = -20.0 - 15.0 * np.exp(-(((t - 0.6) / 0.03) ** 2))
    slow = -20.0 - 60.0 * np.clip(t - 0.8, 0.0, None)
    dry = let_go_at(1.0, 0.995, room_db_per_s=0.0, ring_db=80.0)
    for level_db in (dip, slow, dry, dip[:20]):
        assert rings_from_frame(level_db, HOP_S) == len(level_db)


@pytest.mark.parametrize("rt60_s", [0.3, 0.6, 1.0])
def test_a_bowed_note_in_a_room_ends_with_the_bow(rt60_s: float) -> None:
    """A note of 0.7 s is found 0.7 s long, within 50 ms (MIREX's bound for ends)."""
    rng = np.random.default_rng(21)
    note = faded(tone(steady(220.0, 0.7, SR), SR, rng), SR, rise_s=0.03, fall_s=0.06)
    samples = np.concatenate([np.zeros(SR // 2), note, np.zeros(SR)])
    wet = in_room(samples, room_response(rt60_s, -12.0, rng))
    notes, _ = found_notes(stem_of(0.5 * wet / np.abs(wet).max(), SR, "bowed"))
    assert len(notes) == 1
    assert notes[0].end_s == pytest.approx(1.2, abs=0.05)
