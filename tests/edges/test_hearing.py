"""One stem from its file to measured notes."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from tones.exact import cents_between, faded, laid_out, steady, tone, with_floor

from planner.demo.tones import PianoSound, band_noise, mix, struck
from planner.edges.heard_stem import HeardStem, found_share
from planner.edges.hearing import hear_stem
from planner.errors import AudioError
from planner.model import Floats, Role
from planner.pitch import hz_to_midi, midi_to_hz
from planner.score.score_match import StemScore
from planner.words.session_model import StemSpec

FILE = "take.wav"


def spec(role: Role, **more: object) -> StemSpec:
    return StemSpec(code="GTR", file=FILE, role=role, **more)  # type: ignore[arg-type]


def line(sr: int) -> Floats:
    """Three plucked notes at 0.3, 1.0 and 1.7 s."""
    rng = np.random.default_rng(1)
    pieces = [
        (at, faded(tone(steady(f, 0.5, sr), sr, rng, decay_s=0.7), sr))
        for at, f in ((0.3, 196.0), (1.0, 220.0), (1.7, 262.0))
    ]
    return with_floor(laid_out(pieces, 2.5, sr), -75.0, rng)


@pytest.mark.parametrize("sr", [44_100, 96_000])
def test_a_file_is_heard_from_end_to_end(tmp_path: Path, sr: int) -> None:
    """Facts and measured notes come out of a file, positions at the file's own rate."""
    soundfile.write(tmp_path / FILE, line(sr), sr, subtype="PCM_24")
    heard = hear_stem(spec("fretted"), tmp_path / FILE, FILE)
    assert (heard.code, heard.facts.sr, heard.facts.frames) == ("GTR", sr, round(2.5 * sr))
    starts = [note.start_smp for note, _ in heard.notes]
    assert starts == pytest.approx([0.3 * sr, sr, 1.7 * sr], abs=0.01 * sr)
    for (_, measured), true_hz in zip(heard.notes, (196.0, 220.0, 262.0), strict=True):
        assert measured.sustain_hz is not None
        assert abs(cents_between(measured.sustain_hz, true_hz)) < 0.2


def test_an_excluded_stem_is_read_but_not_listened_to(tmp_path: Path) -> None:
    """A stem left out has facts and no notes."""
    soundfile.write(tmp_path / FILE, line(48_000), 48_000)
    heard = hear_stem(spec("exclude"), tmp_path / FILE, FILE)
    assert heard.facts.frames == 120_000
    assert heard.notes == ()


def test_the_named_side_is_listened_to(tmp_path: Path) -> None:
    """Of a file with a line on the left and silence on the right, the side asked for is heard."""
    left = line(48_000)
    soundfile.write(tmp_path / FILE, np.stack([left, np.zeros(len(left))], axis=1), 48_000)
    assert len(hear_stem(spec("fretted", side="left"), tmp_path / FILE, FILE).notes) == 3
    assert hear_stem(spec("fretted", side="right"), tmp_path / FILE, FILE).notes == ()


def test_the_stems_range_is_kept(tmp_path: Path) -> None:
    """Notes outside the range that the session file gives are not found."""
    soundfile.write(tmp_path / FILE, line(48_000), 48_000)
    heard = hear_stem(spec("fretted", range_midi=(56, 80)), tmp_path / FILE, FILE)
    assert [round(note.pitch_hz) for note, _ in heard.notes] == pytest.approx([220, 262], abs=2)


def test_a_chord_stem_has_notes_that_sound_together(tmp_path: Path) -> None:
    """In a chordal role the three notes of a triad are found at once."""
    rng = np.random.default_rng(2)
    triad = [
        (0.4, faded(tone(steady(f, 1.2, 48_000), 48_000, rng, decay_s=1.0), 48_000))
        for f in (196.0, 246.9, 293.7)
    ]
    samples = with_floor(laid_out(triad, 2.2, 48_000), -75.0, rng)
    soundfile.write(tmp_path / FILE, samples, 48_000)
    heard = hear_stem(spec("tuning-reference"), tmp_path / FILE, FILE)
    found = sorted(note.pitch_hz for note, _ in heard.notes)
    assert found == pytest.approx([196.0, 246.9, 293.7], rel=0.005)


def test_stacked_voices_in_one_file_are_heard_where_the_session_says_so(tmp_path: Path) -> None:
    """Three voices that hold a triad: one line by their role, three notes with several_notes."""
    rng = np.random.default_rng(2)
    triad = [
        (0.4, faded(tone(steady(f, 1.6, 48_000), 48_000, rng), 48_000, rise_s=0.05))
        for f in (196.0, 246.9, 293.7)
    ]
    samples = with_floor(laid_out(triad, 2.6, 48_000), -75.0, rng)
    soundfile.write(tmp_path / FILE, samples, 48_000)
    stacked = spec("voice-harmony", several_notes=True)
    found = sorted(note.pitch_hz for note, _ in hear_stem(stacked, tmp_path / FILE, FILE).notes)
    assert found == pytest.approx([196.0, 246.9, 293.7], rel=0.005)
    line_of_it = hear_stem(spec("voice-harmony"), tmp_path / FILE, FILE).notes
    assert len(line_of_it) < 3


def test_findings_name_the_stem(tmp_path: Path) -> None:
    """What reading finds out about a file is said of its stem: here, broken samples."""
    broken = line(48_000)
    broken[5000:5010] = np.nan
    soundfile.write(tmp_path / FILE, broken, 48_000, subtype="FLOAT")
    heard = hear_stem(spec("fretted"), tmp_path / FILE, FILE)
    assert [finding.stem for finding in heard.findings] == ["GTR"]


def test_the_file_is_left_as_it_is(tmp_path: Path) -> None:
    """Listening changes no byte and adds no file."""
    soundfile.write(tmp_path / FILE, line(48_000), 48_000)
    before = (tmp_path / FILE).read_bytes()
    hear_stem(spec("fretted"), tmp_path / FILE, FILE)
    assert (tmp_path / FILE).read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


def test_what_is_no_audio_is_told(tmp_path: Path) -> None:
    """A file that cannot be read is an error that names it."""
    (tmp_path / FILE).write_bytes(b"not audio at all")
    with pytest.raises(AudioError, match=r"take\.wav"):
        hear_stem(spec("fretted"), tmp_path / FILE, FILE)


def test_a_score_leads_the_search_of_chords(tmp_path: Path) -> None:
    """Octaves over a sounding note, missed by ear alone in places, are all heard with a score."""
    rng = np.random.default_rng(3)
    chords = ((48, 60, 64), (53, 65, 69), (50, 62, 65), (55, 59, 67), (48, 60, 67), (53, 60, 65))
    played = [(0.4 + 1.3 * k, m) for k, chord in enumerate(chords) for m in chord]
    sounds = [(at, struck(midi_to_hz(m, 441.0), m, 1.2, PianoSound(), rng)) for at, m in played]
    samples = mix(sounds, 8.8).samples
    samples = 0.4 * samples / np.abs(samples).max() + 3e-4 * rng.standard_normal(len(samples))
    soundfile.write(tmp_path / FILE, samples, 48_000, subtype="PCM_24")
    notes = tuple((at, at + 1.2, m) for at, m in played)
    score = StemScore(name="piano.mid", notes=notes)
    role: Role = "tuning-reference"
    alone = heard_notes(hear_stem(spec(role), tmp_path / FILE, FILE))
    with_score = heard_notes(hear_stem(spec(role), tmp_path / FILE, FILE, score))
    assert with_score == sorted((round(at, 1), m) for at, m in played)
    assert len(set(alone) & set(with_score)) < len(played)
    other = StemScore(name="other.mid", notes=tuple((a, b, 110 - m) for a, b, m in notes))
    assert heard_notes(hear_stem(spec(role), tmp_path / FILE, FILE, other)) == alone


def heard_notes(heard: HeardStem) -> list[tuple[float, int]]:
    return sorted(
        (round(n.start_s, 1), round(hz_to_midi(n.pitch_hz, 441.0))) for n, _ in heard.notes
    )


@pytest.mark.parametrize(
    ("tone_s", "noise_s", "share"), [(6.0, 0.0, 1.0), (3.0, 3.0, 0.5), (3.0, 0.0, None)]
)
def test_how_much_of_the_loud_time_its_notes_take(
    tone_s: float, noise_s: float, share: float | None, tmp_path: Path
) -> None:
    """A tone, then noise as loud; three seconds are too few to say."""
    rng = np.random.default_rng(4)
    held = faded(0.3 * tone(steady(220.0, tone_s, 48_000), 48_000, rng), 48_000)
    noise = band_noise(round(noise_s * 48_000), (100.0, 1800.0), rng) if noise_s else np.zeros(0)
    noise *= held.std() / max(float(noise.std()), 1e-9) if noise_s else 1.0
    soundfile.write(tmp_path / FILE, np.concatenate([held, noise, np.zeros(48_000)]), 48_000)
    told = found_share(hear_stem(spec("brass"), tmp_path / FILE, FILE))
    assert told == share if share is None else told == pytest.approx(share, abs=0.05)
