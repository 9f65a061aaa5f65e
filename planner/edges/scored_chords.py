"""The notes of a stem in which several sound at once, with its score to lead the search."""

from functools import partial

from planner.chords import find_chord_notes
from planner.model import Measurement, Note, Stem
from planner.pitch import hz_to_midi, midi_to_hz
from planner.polyphony.chord_voices import Voice, f1_of
from planner.score.score_match import StemScore, match_score
from planner.score.score_use import verdict


def find_scored_notes(stem: Stem, score: StemScore | None) -> tuple[tuple[Note, Measurement], ...]:
    """Find and measure the notes of a stem; a score that fits leads a second search and a third."""
    return find_chord_notes(stem, partial(_expected, score) if score is not None else None)


def _expected(score: StemScore, voices: list[Voice]) -> tuple[tuple[float, float], ...]:
    """Say where the notes of a score that fits should be heard: (s, Hz); nothing otherwise."""
    starts = [voice.start_s for voice in voices]
    pitches = [hz_to_midi(f1_of(voice)) for voice in voices]
    match = match_score(starts, pitches, score, one_at_a_time=False)
    if match is None or verdict(match, score) != "fits":
        return ()
    above = match.transpose + match.offset_semitones
    return tuple(
        (float(at), midi_to_hz(midi + above))
        for at, (_, _, midi) in zip(match.placed_s, score.notes, strict=True)
    )
