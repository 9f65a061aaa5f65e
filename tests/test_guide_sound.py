"""The guide as it sounds: played by FluidSynth, measured by Praat; none of it is ours.

FluidSynth rounds bends to whole cents and starts notes on blocks of 64 samples (measured: asked for
+7 cents it sounds +6; blocks as its manual says), so the bars are 1.5 cents and 3 ms.
"""

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import parselmouth
import pretty_midi
import pytest
import soundfile
from invented_plan import judged

from planner.files.midi import midi_bytes
from planner.guide import guide_midi, guide_traces_midi
from planner.model import SessionA4
from planner.pitch import cents
from tests.test_guide import small_plan, song_map

pytestmark = [
    pytest.mark.outside,
    pytest.mark.skipif(
        shutil.which("fluidsynth") is None, reason="the command fluidsynth is not installed"
    ),
]
SOUNDS = Path(pretty_midi.__file__).parent / "TimGM6mb.sf2"  # comes with pretty_midi, GPL-2
SR = 48000
STEADY = 80  # General MIDI's square wave: it starts at once and stands still
STARTS_S = (0.5, 2.4, 4.3, 85.2)  # the last one beyond a change of tempo


def played(midi: mido.MidiFile, folder: Path) -> np.ndarray:
    """What FluidSynth makes of a file, one channel."""
    (folder / "guide.mid").write_bytes(midi_bytes(midi))
    (folder / "sound.txt").write_text("".join(f"prog {c} {STEADY}\n" for c in range(16)))
    subprocess.run(
        ["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-r", str(SR), "-f", "sound.txt",
         "-F", "guide.wav", str(SOUNDS), "guide.mid"],
        cwd=folder, check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    samples, _ = soundfile.read(folder / "guide.wav", always_2d=True)
    return samples.mean(axis=1)


def heard_hz(samples: np.ndarray, from_s: float, to_s: float) -> float:
    """Praat's pitch of a stretch, by autocorrelation."""
    sound = parselmouth.Sound(samples[round(from_s * SR) : round(to_s * SR)], SR)
    pitch = sound.to_pitch_ac(pitch_floor=100.0, pitch_ceiling=1000.0, very_accurate=True)
    found = pitch.selected_array["frequency"]
    return float(np.median(found[found > 0]))


def test_notes_begin_where_the_stems_do(tmp_path: Path) -> None:
    """Each note is heard within 3 ms of its place in the stem, before and after a tempo change."""
    notes = [judged(f"LV-{k}", 60 + 2 * k, start_s=s) for k, s in enumerate(STARTS_S)]
    samples = np.abs(played(guide_midi(small_plan(*notes), song_map()), tmp_path))
    for start_s in STARTS_S:
        before = round((start_s - 0.2) * SR)
        stretch = samples[before : before + round(0.4 * SR)]
        first = int(np.argmax(stretch > 0.1 * stretch.max()))
        assert abs((before + first) / SR - start_s) < 3e-3


def test_curves_sound_at_their_pitch(tmp_path: Path) -> None:
    """Measured and planned curves sound within 1.5 cents of what the plan says."""
    moves = (16.0, -9.0, 34.0, -27.0)
    notes = []
    for k, (start_s, move) in enumerate(zip(STARTS_S, moves, strict=True)):
        note = judged(f"LV-{k}", 60 + 3 * k, start_s=start_s, add_cents=move)
        level = replace(
            note.measured.measurement,
            contour_s=None, contour_hz=None,
            sustain_hz=note.target.target_hz * 2 ** (-move / 1200),
        )  # fmt: skip
        notes.append(replace(note, measured=replace(note.measured, measurement=level)))
    # A4 = 440 needs no tuning, which FluidSynth would round to whole cents as well.
    plan = small_plan(*notes, a4=SessionA4(a4_hz=440.0, found_from="typed"))
    bare = played(guide_midi(plan, song_map()), tmp_path)
    (traces,) = guide_traces_midi(plan, song_map())
    names = [track.name for track in traces.tracks]
    over_440 = cents(441.0, 440.0)  # where the invented notes' targets lie
    for kind, left in (("LV measured", moves), ("LV planned", (0.0,) * len(moves))):
        alone = mido.MidiFile(type=1, ticks_per_beat=traces.ticks_per_beat)
        alone.tracks = [traces.tracks[0], traces.tracks[names.index(kind)]]
        samples = played(alone, tmp_path)
        for start_s, off in zip(STARTS_S, left, strict=True):
            where = (start_s + 0.3, start_s + 1.2)
            # The bare note, without any bend, takes the sample's own error out.
            apart = cents(heard_hz(samples, *where), heard_hz(bare, *where))
            assert apart == pytest.approx(over_440 - off, abs=1.5)
