"""Are scoops, falls and slides no notes of their own? ``python -m tests.bench.slides``.

Driven tones of exact pitch with a slow unrest of 15 cents: a scoop into a note, a fall off it, and
a slide from one note to another, 0.1 to 0.45 s long and 1.5 to 12 semitones wide, at an even speed
or slower at both ends. It is counted how often one note is found, of a slide two. What falls to a
rest may be called a note, so a fall that ends slowly is not asked for.
"""

import argparse
from itertools import product
from typing import Literal

import numpy as np

from planner.model import Floats, Stem
from planner.pitch import midi_to_hz
from planner.words.roles import Role
from tests.tones.exact import (
    bent,
    faded,
    laid_out,
    measured_notes,
    moments,
    stem_of,
    tone,
    with_floor,
)

SR = 48_000
START_S, HELD_S = 0.25, 0.6
LOWEST_MIDI: dict[Role, int] = {"lead-voice": 52, "bowed": 45, "woodwind": 55}
LENGTHS_S, SEMITONES = (0.1, 0.15, 0.2, 0.3, 0.45), (1.5, 2.2, 3.0, 4.0, 5.0, 7.0, 12.0)
Way = Literal["scoop", "fall", "slide"]


def line_of(way: Way, shape: str, length_s: float, semitones: float) -> Floats:
    """Make a pitch line in semitones from the note that it leads to, or that it falls from."""
    share = np.linspace(0.0, 1.0, round(length_s * SR))
    if shape == "eased":
        share = 0.5 - 0.5 * np.cos(np.pi * share)
    held = np.zeros(round(HELD_S * SR))
    if way == "fall":
        return np.concatenate([held, -semitones * share])
    led = np.concatenate([-semitones * (1.0 - share), held])
    return np.concatenate([held - semitones, led]) if way == "slide" else led


def stem_with(role: Role, line: Floats, rng: np.random.Generator) -> Stem:
    """Play a line at a pitch of that role's range, over a floor at -80 dBFS."""
    unrest = 0.15 * np.sin(2 * np.pi * (5.3 * moments(len(line) / SR, SR) + rng.uniform()))
    note_hz = midi_to_hz(LOWEST_MIDI[role] + float(rng.uniform(0.0, 18.0)))
    played = tone(bent(note_hz, 100.0 * (line + unrest)), SR, rng)
    played = faded(played, SR, rise_s=0.03, fall_s=0.05)
    samples = laid_out([(START_S, played)], len(line) / SR + 2 * START_S, SR)
    return stem_of(with_floor(samples, -80.0, rng), SR, role)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    rng = np.random.default_rng(parser.parse_args().seed)
    ways: tuple[Way, ...] = ("scoop", "fall", "slide")
    for role, way in product(LOWEST_MIDI, ways):
        right, early_s = 0, []
        cases = list(
            product(("even",) if way == "fall" else ("even", "eased"), LENGTHS_S, SEMITONES)
        )
        for case in cases:
            notes = [n for n, _ in measured_notes(stem_with(role, line_of(way, *case), rng))]
            right += len(notes) == (2 if way == "slide" else 1)
            early_s.append(abs(notes[0].start_s - START_S) if notes else np.inf)
        print(
            f"{role:10s} {way:5s} {right:3d} of {len(cases)} as played; "
            f"started {1000 * np.median(early_s):.0f} ms off, p95 "
            f"{1000 * np.percentile(early_s, 95):.0f}"
        )


if __name__ == "__main__":
    main()
