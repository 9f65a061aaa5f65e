"""Starts of notes are placed where they are heard to begin, and say how well that is known."""

from dataclasses import replace

import numpy as np
import pytest
from tones.exact import bent, faded, found_notes, laid_out, moments, steady, stem_of, tone

from planner.model import Floats, Note, Role
from planner.segment.note_starts import note_start
from planner.segment.pitch_steps import Step
from planner.tracker import HOP_S

SR = 16_000
BEGINS_S = 0.3
CHANGES_S = 0.6  # after that


def notes_of(sound: Floats, role: Role = "bowed") -> tuple[Note, ...]:
    """What is found in one sound with silence around it."""
    length_s = BEGINS_S + len(sound) / SR + 0.3
    return found_notes(stem_of(laid_out([(BEGINS_S, sound)], length_s, SR), SR, role))[0]


def driven(line: Floats, level: Floats | float = 1.0) -> Floats:
    """A tone along a pitch line that fades in and out."""
    samples = tone(line, SR, np.random.default_rng(4)) * level
    return faded(samples, SR, rise_s=0.04, fall_s=0.05)


@pytest.mark.parametrize("slide_s", [0.06, 0.1])
@pytest.mark.parametrize("semitones", [2.0, -3.0, 4.0])
def test_a_slide_begins_the_next_note_half_way(slide_s: float, semitones: float) -> None:
    """However long it takes, within 5 ms; the note before lasts up to there."""
    t = moments(1.2, SR)
    way = np.clip((t - CHANGES_S) / slide_s + 0.5, 0.0, 1.0)
    first, second = notes_of(driven(bent(262.0, 100 * semitones * way)))
    assert second.start_s == pytest.approx(BEGINS_S + CHANGES_S, abs=0.005)
    assert first.end_smp == second.start_smp
    assert 0.002 < second.start_sd_s < 0.008


def test_a_note_that_sounds_before_a_slide_could_leave_is_not_led_to() -> None:
    """Two notes of a sampled violin fade into each other for 0.2 s, which reads as a slide."""
    rng = np.random.default_rng(5)
    old = faded(tone(steady(440.0, 0.65, SR), SR, rng), SR, rise_s=0.03, fall_s=0.1)
    new = faded(tone(steady(466.2, 0.6, SR), SR, rng), SR, rise_s=0.05, fall_s=0.05)
    stem = stem_of(laid_out([(0.3, old), (0.75, new)], 1.6, SR), SR, "bowed")
    (before, *_), _ = found_notes(stem)
    before = replace(before, end_s=0.85, end_smp=round(0.85 * SR))
    t = np.arange(round(1.6 / HOP_S)) * HOP_S
    reads_hz = 440.0 * (466.2 / 440.0) ** np.clip((t - 0.82) / 0.06, 0.0, 1.0)
    border = round(0.85 / HOP_S)
    step = Step(first=border, last=round(1.3 / HOP_S), begins="legato", struck=border)
    start = note_start(stem, reads_hz, np.ones(len(t)), step, border, 466.2, before)
    assert start.s < 0.81
    assert not start.follows


def test_a_slide_between_notes_that_swing_is_known_less_well() -> None:
    """What half-way is hangs on where in its swing the note before is left."""
    t = moments(1.6, SR)
    way = 200 * np.clip((t - 0.8) / 0.1 + 0.5, 0.0, 1.0)
    doubts = []
    for half_cents in (0.0, 50.0):
        line = bent(330.0, way + half_cents * np.sin(2 * np.pi * 5.5 * t))
        doubts.append(notes_of(driven(line), "lead-voice")[1].start_sd_s)
    assert doubts[1] > 1.5 * doubts[0]


def test_what_rises_over_a_ring_is_known_less_well() -> None:
    """Out of silence to two milliseconds; with a ring 12 dB under it to many more."""
    rng = np.random.default_rng(2)
    note = driven(steady(330.0, 0.6, SR))
    ring = tone(steady(247.0, 1.0, SR), SR, rng, decay_s=2.0)
    ring = faded(ring, SR, rise_s=0.01, fall_s=0.3)
    doubts = []
    for level in (0.0, 0.25):
        samples = laid_out([(0.2, level * ring), (0.7, note)], 1.6, SR)
        found = found_notes(stem_of(samples, SR, "bowed"))[0]
        last = min(found, key=lambda one: abs(one.start_s - 0.7))
        assert last.start_s == pytest.approx(0.7, abs=0.03)
        doubts.append(last.start_sd_s)
    assert doubts[0] < 0.0025
    assert doubts[1] > 2.0 * doubts[0]


@pytest.mark.parametrize(("jump_cents", "most_s"), [(0.0, 0.020), (60.0, 0.005)])
def test_a_bow_that_turns_is_told_by_its_pitch_if_by_anything(
    jump_cents: float, most_s: float
) -> None:
    """Where the level dips on one pitch, the start is anywhere in the dip; a jump says when."""
    t = moments(1.2, SR)
    dip = 1.0 - 0.65 * np.exp(-(((t - CHANGES_S) / 0.02) ** 2))
    line = bent(262.0, jump_cents * (t >= CHANGES_S))
    second = notes_of(driven(line, dip))[1]
    assert second.start_s == pytest.approx(BEGINS_S + CHANGES_S, abs=0.010)
    assert most_s / 4 < second.start_sd_s <= most_s


def test_what_sounds_from_the_first_sample_begins_with_the_file() -> None:
    """There is nothing to rise from, and nothing to doubt."""
    samples = tone(steady(330.0, 0.8, SR), SR, np.random.default_rng(3))
    first = found_notes(stem_of(0.5 * samples, SR, "bowed"))[0][0]
    assert first.start_s == pytest.approx(0.0, abs=0.010)
    assert first.start_sd_s < 0.005


def test_a_scoop_after_a_rest_does_not_lengthen_the_note_before() -> None:
    """The second note comes up through the pitch half-way between; 0.4 s lie between the two."""
    first = driven(bent(262.0, np.zeros(round(0.4 * SR))))
    second = driven(bent(349.2, -400.0 * np.clip(1.0 - moments(0.5, SR) / 0.1, 0.0, 1.0)))
    stem = stem_of(laid_out([(0.3, first), (1.1, second)], 1.9, SR), SR, "lead-voice")
    notes, heard = found_notes(stem)
    begins = round(1.12 / HOP_S)
    step = Step(first=begins, last=round(1.55 / HOP_S), begins="legato", struck=begins)
    start = note_start(stem, heard.f0_hz, heard.strength, step, begins, 349.2, notes[0])
    assert not start.follows
    assert start.s == pytest.approx(1.1, abs=0.03)
