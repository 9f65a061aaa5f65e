"""Are the notes of hard melodies found? ``python -m tests.bench.melodies``.

Note F1 of MIREX (mir_eval: starts within 50 ms, pitch within 50 cents, ends within 20 % or 50 ms)
on fast legato, sung, fretted and bass lines, dry and in a room. With ``--peer`` beside basic-pitch,
where that is installed (``pip install --no-deps basic-pitch`` and ``pip install -e ".[bench]"``):
a network for any number of voices, which gives whole semitones; bends are left out of its pitch.
"""

import argparse
import contextlib
import io
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile
from mir_eval.transcription import match_notes, precision_recall_f1_overlap

from planner.model import Floats, Stem
from tests.tones.exact import measured_notes
from tests.tones.melodies import MELODIES, Melody

Found = tuple[Floats, Floats]  # (n, 2) starts and ends in s, and (n,) Hz


def ours(stem: Stem) -> Found:
    """The planner's own chain."""
    pairs = measured_notes(stem)
    spans = np.array([[n.start_s, n.end_s] for n, _ in pairs]).reshape(-1, 2)
    return spans, np.array([m.sustain_hz or m.onset_hz or n.pitch_hz for n, m in pairs])


def basic_pitch(stem: Stem) -> Found:
    """basic-pitch as its authors ship it, kept to the stem's range."""
    from basic_pitch.inference import predict

    lowest_hz, highest_hz = stem.range_hz
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stem.wav"
        soundfile.write(path, stem.samples, stem.analysis_sr, subtype="FLOAT")
        with contextlib.redirect_stdout(io.StringIO()):
            notes = predict(path, minimum_frequency=lowest_hz, maximum_frequency=highest_hz)[2]
    notes = sorted(notes, key=lambda note: note[0])
    spans = np.array([[note[0], note[1]] for note in notes]).reshape(-1, 2)
    return spans, np.array([440.0 * 2 ** ((note[2] - 69) / 12) for note in notes])


def scores(
    melody: Melody,
    rt60_s: float | None = None,
    seed: int = 0,
    finder: Callable[[Stem], Found] = ours,
) -> tuple[float, float, int]:
    """Give F1, F1 with ends, and how many notes were read an octave off."""
    est, est_hz = finder(melody.stem(rt60_s, seed=seed))
    ref = np.array([[n.start_s, n.end_s] for n in melody.notes])
    ref_hz = np.array([n.hz for n in melody.notes])
    if not len(est):
        return 0.0, 0.0, 0
    f1 = precision_recall_f1_overlap(ref, ref_hz, est, est_hz, offset_ratio=None)[2]
    with_ends = precision_recall_f1_overlap(ref, ref_hz, est, est_hz)[2]
    starts = match_notes(ref, ref_hz, est, est_hz, offset_ratio=None, pitch_tolerance=1e6)
    octaves = sum(abs(abs(np.log2(est_hz[j] / ref_hz[i])) - 1) < 0.05 for i, j in starts)
    return float(f1), float(with_ends), int(octaves)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.melodies", description="Note F1 on hard melodies."
    )
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 10), metavar=("FIRST", "LAST"))
    parser.add_argument("--room-s", type=float, default=0.6, help="RT60 of the room, s")
    parser.add_argument("--peer", action="store_true", help="basic-pitch on the same melodies")
    options = parser.parse_args(argv)
    warnings.simplefilter("ignore")
    finders = {"ours": ours, "basic-pitch": basic_pitch} if options.peer else {"ours": ours}
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    for name, make in MELODIES.items():
        melodies = [make(seed) for seed in seeds]
        for place, rt60_s in (("dry", None), (f"room {options.room_s:g} s", options.room_s)):
            for who, finder in finders.items():
                got = [scores(m, rt60_s, s, finder) for m, s in zip(melodies, seeds, strict=True)]
                f1, with_ends, octaves = np.array(got).T
                print(
                    f"{name:17s}{place:11s}{who:12s} F1 mean {f1.mean():.3f} worst {f1.min():.3f}"
                    f"  with ends {with_ends.mean():.3f} worst {with_ends.min():.3f}"
                    f"  octave errors {octaves.sum():.0f} of {sum(len(m.notes) for m in melodies)}"
                )


if __name__ == "__main__":
    main()
