"""Where notes lie in time: late doubles, tempo maps that do not fit; both sides of each edge."""

import numpy as np
import pytest

from planner.inspect.inspection_places import inspect_places
from planner.model import MeasuredNote, Measurement, Note, Role, StemNotes
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import Session, StemSpec, TempoMark

MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=92.0)], bar_one_at_s=0.0)
BAR_S = 4 * 60 / 92.0  # four quarters at 92 to the minute


def part(code: str, role: Role, starts_s: list[float], midi: list[int]) -> StemNotes:
    """A stem with notes of a third of a second."""
    notes = [
        MeasuredNote(
            id=f"{code}-{k:04d}",
            note=Note(
                stem=code, start_s=s, end_s=s + 0.3, start_smp=round(s * 48000),
                end_smp=round(s * 48000) + 14400, pitch_hz=440.0 * 2 ** ((m - 69) / 12),
                strength=0.95, pitched_share=1.0, level_db=-20.0, begins="attack",
            ),
            measurement=Measurement(),
        )
        for k, (s, m) in enumerate(zip(starts_s, midi, strict=True))
    ]  # fmt: skip
    return StemNotes(code=code, role=role, facts=None, notes=tuple(notes))


def said(*stems: StemNotes, late_by_ms: float = 0.0, no_map: bool = False) -> list[str]:
    """What is found, with BV a double of LV."""
    session = Session(
        song="Low Tide Ledger",
        stems=tuple(
            StemSpec(code=s.code, file=f"{s.code}.wav", role=s.role,
                     sung_with="LV" if s.role == "voice-double" else None,
                     late_by_ms=late_by_ms if s.role == "voice-double" else 0.0)
            for s in stems
        ),
    )  # fmt: skip
    return [f.what for f in inspect_places(session, stems, None if no_map else MAP)]


def tune(count: int = 40) -> tuple[list[float], list[int]]:
    """A line that does not repeat: starts on uneven eighths, eight notes."""
    rng = np.random.default_rng(8)
    steps = rng.choice([1, 1, 2, 3], count)
    starts = np.cumsum(steps) * BAR_S / 8
    return starts.tolist(), rng.integers(60, 68, count).tolist()


@pytest.mark.parametrize(
    ("late_s", "words"),
    [
        (BAR_S, "BV starts 2.609 s (1 bar) late against the notes of LV."),
        (-2 * BAR_S, "BV starts 5.217 s (2 bars) early against the notes of LV."),
        (0.4, "BV starts 0.400 s late against the notes of LV."),
    ],
)
def test_a_late_double_is_asked_about(late_s: float, words: str) -> None:
    """The size, in bars where it is whole bars; the double's own scatter of 20 ms does not hide it.

    A bar of four quarters at 92 to the minute lasts 2.609 s.
    """
    starts, midi = tune()
    rng = np.random.default_rng(1)
    moved = [s + late_s + 6.0 + x for s, x in zip(starts, rng.normal(0, 0.02, 40), strict=True)]
    lead = part("LV", "lead-voice", [s + 6.0 for s in starts], midi)
    found = said(lead, part("BV", "voice-double", moved, midi))
    assert len(found) == 1
    words_s, found_s = (float(text.split(" s")[1].split()[-1]) for text in (words, found[0]))
    assert found_s == pytest.approx(words_s, abs=0.012)
    assert found[0].split(" s", 2)[2] == words.split(" s", 2)[2]


def test_a_double_in_its_place_is_not_asked_about() -> None:
    """Together, or loosely together, or another tune, or too few notes: nothing is said."""
    starts, midi = tune()
    lead = part("LV", "lead-voice", starts, midi)
    together = [s + 0.03 for s in starts]
    assert said(lead, part("BV", "voice-double", together, midi)) == []
    other = np.random.default_rng(3).integers(60, 68, 40).tolist()
    assert said(lead, part("BV", "voice-double", [s + 3.3 for s in starts], other)) == []
    late = [s + BAR_S for s in starts]
    few = part("BV", "voice-double", late[:11], midi[:11])
    assert said(lead, few) == []
    assert len(said(lead, part("BV", "voice-double", late[:12], midi[:12]))) == 1


def test_a_known_late_start_is_no_news() -> None:
    """What the session file already says is taken into account."""
    starts, midi = tune()
    lead = part("LV", "lead-voice", starts, midi)
    late = part("BV", "voice-double", [s + 0.4 for s in starts], midi)
    assert said(lead, late, late_by_ms=400.0) == []


def beats(off_s: float = 0.0, climb: float = 0.0, scatter_s: float = 0.008) -> StemNotes:
    """64 bars of eighths on guitar, off the map by a constant, or more and more (s per s)."""
    at = np.arange(0, 64 * 8) * BAR_S / 8
    at = at * (1 + climb) + off_s + np.random.default_rng(5).normal(0, scatter_s, len(at)) + 0.05
    return part("EGL", "fretted", (at - 0.05).clip(0).tolist(), [64] * len(at))


def test_music_on_the_map_is_not_asked_about() -> None:
    """Players within 8 ms, or 40 ms behind the beat, fit; without a map nothing is said."""
    assert said(beats()) == []
    assert said(beats(off_s=0.04)) == []
    assert said(beats(off_s=0.1), no_map=True) == []


def test_a_constant_misfit_names_bar_one() -> None:
    """100 ms late throughout: a map whose bar 1 lies elsewhere."""
    (found,) = said(beats(off_s=0.1))
    assert found == "struck notes lie 100 ms after the beats of the tempo map throughout."


def test_a_growing_misfit_is_followed_past_half_a_beat() -> None:
    """0.3 % slower than the map is half a second after 64 bars, beyond where a beat repeats.

    64 bars at 92 to the minute last 167 s; the middle of the last eight bars lies at 156.5 s, and
    0.3 % of it is 470 ms.
    """
    (found,) = said(beats(climb=0.003))
    assert int(found.split("lie ")[1].split(" ms")[0]) == pytest.approx(470, abs=8)
    assert "from bar 57 (146.09 s) on" in found
    assert found.endswith("and not as much elsewhere.")


def test_free_playing_is_not_held_against_a_map() -> None:
    """Where notes fall anywhere between the beats, nobody plays to this grid."""
    assert said(beats(scatter_s=0.2)) == []
