"""Are two sampled voices in one file told apart? ``python -m tests.bench.stacked [--seeds 1 2]``.

FluidSynth plays thirds to sixths, legato or a breath apart, on sampled bows, voices and sections of
two soundfonts. Note F1 (pitch within 50 cents) with starts within 50, 100 and 200 ms: many of these
samples take a tenth of a second to speak, and sections are detuned by tens of cents in themselves.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
from mir_eval.transcription import match_notes

from planner.edges.hearing import hear_stem
from planner.words.session_model import StemSpec
from tests.bench.rendered import SOUNDS, Line, render

LARGER = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")  # Debian's fluid-soundfont-gm
# General MIDI programs, counted from 0, and the lower voice's range.
PLAYERS = {
    "violin": (40, 55, 76),
    "cello": (42, 38, 60),
    "strings": (48, 48, 67),
    "voices, aah": (52, 50, 67),
    "voices, ooh": (53, 50, 67),
    "brass": (61, 48, 67),
}
STARTS_S = (0.05, 0.1, 0.2)
PAIRS = 22


def pairs_of(lowest: int, highest: int, seed: int) -> Line:
    """Pairs of notes a third to a sixth apart: start and end in s, MIDI note, velocity."""
    rng = np.random.default_rng(seed)
    line: Line = []
    at_s, low = 0.3, int(rng.integers(lowest, highest))
    for _ in range(PAIRS):
        length_s = float(rng.choice([0.4, 0.5, 0.75, 1.0, 1.5]))
        velocity = int(rng.integers(60, 110))
        for key in (low, low + int(rng.choice([3, 4, 5, 7, 8, 9]))):
            line.append((at_s, at_s + length_s, key, velocity))
        at_s += length_s + float(rng.choice([0.0, 0.0, 0.0, 0.1, 0.3]))
        low = int(np.clip(low + rng.choice([-5, -4, -3, -2, -1, 1, 2, 3, 4, 5]), lowest, highest))
    return line


def f1s_of(program: int, line: Line, sounds: Path) -> list[float]:
    """Note F1 for each of `STARTS_S`."""
    with tempfile.TemporaryDirectory() as folder:
        path = render(line, program, Path(folder), sounds)
        heard = hear_stem(StemSpec(code="A", file="line.wav", role="bowed-group"), path, "line")
    true = np.array([note[:2] for note in line])
    true_hz = np.array([440.0 * 2 ** ((note[2] - 69) / 12) for note in line])
    spans = np.array([[n.start_s, n.end_s] for n, _ in heard.notes]).reshape(-1, 2)
    hz = np.array([n.pitch_hz for n, _ in heard.notes])
    if len(spans) == 0:
        return [0.0 for _ in STARTS_S]
    return [
        2 * len(match_notes(true, true_hz, spans, hz, start_s, 50.0, offset_ratio=None))
        / (len(true) + len(spans))
        for start_s in STARTS_S
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    args = parser.parse_args()
    seeds = range(args.seeds[0], args.seeds[1] + 1)
    every = []
    for sounds in (SOUNDS, LARGER):
        if not sounds.exists():
            print(f"{sounds.name}: not installed")
            continue
        for name, (program, lowest, highest) in PLAYERS.items():
            f1s = [f1s_of(program, pairs_of(lowest, highest, seed), sounds) for seed in seeds]
            every += f1s
            told = "  ".join(f"{f1:.3f}" for f1 in np.mean(f1s, axis=0))
            print(f"{sounds.stem:12s}  {name:12s}  {told}", flush=True)
    print(f"{'mean':26s}  " + "  ".join(f"{f1:.3f}" for f1 in np.mean(every, axis=0)))


if __name__ == "__main__":
    main()
