"""Recorded wind, brass, bowed and sung notes, one by one: ``python -m tests.bench.recorded``.

Each sample of the soundfont that pretty_midi ships, as it is and moved, at its own rate and at half
of it, is one note; it is counted how often one note is found. Ensembles, drones and single-cycle
waves are left out: they are not one player's note.
"""

import re
import warnings

import numpy as np

from tests.recorded_samples import (
    between_quiet,
    recorded_sample,
    resampled_by_cents,
    soundfont_path,
)
from tests.tones.exact import found_notes, stem_of

DRIVEN = re.compile(
    "Violin|Viola|Cello|Trump|Tromb|Horn|Tuba|Flute|Oboe|Clar|Bassoon|Picc|Recorder|Shak"
    "|Tenor|Bari|Alto|Sopr|Doo"
)
LEAST_S, MOST_S = 0.25, 1.2
MOVED_CENTS = (0.0, 35.0)


def driven_names() -> list[tuple[str, float]]:
    """Name and length in seconds of every sample of a driven instrument."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from sf2utils.sf2parse import Sf2File
    found: dict[str, float] = {}
    with open(soundfont_path(), "rb") as stream:
        for sample in Sf2File(stream).samples:
            name = getattr(sample, "name", "")
            if DRIVEN.search(name) and "Wave" not in name:
                found.setdefault(name, len(sample.raw_sample_data) / 2 / sample.sample_rate)
    return [(name, length_s) for name, length_s in found.items() if length_s >= LEAST_S]


def notes_in(name: str, length_s: float, divided: int, cents: float) -> int:
    """Count the notes found in one recording between two stretches of silence."""
    sample = recorded_sample(name)
    sr = sample.sr // divided
    samples = sample.samples[: round(min(0.92 * length_s * divided, MOST_S) * sr)]
    samples = 0.5 * samples / np.abs(samples).max()
    if cents:
        samples, _ = resampled_by_cents(samples, cents)
    stem = stem_of(between_quiet(samples, sr), sr, "woodwind")
    return len(found_notes(stem)[0])


def main() -> None:
    cases = [
        (name, length_s, divided, cents)
        for name, length_s in driven_names()
        for divided in (1, 2)
        for cents in MOVED_CENTS
    ]
    counts = [notes_in(*case) for case in cases]
    right = sum(count == 1 for count in counts)
    print(f"{right} of {len(cases)} recorded notes are found as one note")
    for (name, _, divided, cents), count in zip(cases, counts, strict=True):
        if count != 1:
            print(f"  {name}, rate / {divided}, moved by {cents:g} cents: {count} notes")


if __name__ == "__main__":
    main()
