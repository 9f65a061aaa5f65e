"""How many bad keys and strings apart are found in minutes of invented chords, and made up.

    python -m tests.bench.keyboard --seeds 101 110

Each seed is a piano of its own: keys 0.7 cents astray, two keys 6 to 9 cents off, two keys with
strings 1.2 to 4 cents apart, a minute of chords in a room; once damped, once with the pedal holding
every chord half a second into the next.
"""

import argparse
import time
from collections import Counter

import numpy as np

from planner.a4 import find_session_a4
from planner.chords import find_chord_notes
from planner.model import MeasuredNote, StemNotes
from planner.pitch import cents
from planner.target.keys import with_keys
from planner.target.tuner import strings_told
from planner.targets import curve_hz
from planner.words.session_model import Session
from tests.tones.struck import as_stem, piano

KEYS = (52, 55, 57, 59, 60, 62, 64)  # chosen: those that the chords play most


def one(seed: int, pedal_s: float, *, planted: bool = True) -> tuple[Counter[str], list[float]]:
    """Count what was planted, what was found and what was made up in one minute."""
    rng = np.random.default_rng(seed)
    chosen = [int(k) for k in rng.choice(KEYS, 4, replace=False)]
    off = {k: float(rng.choice([-1, 1]) * rng.uniform(6.0, 9.0)) for k in chosen[:2]}
    apart = {k: float(rng.uniform(1.2, 4.0)) for k in chosen[2:]}
    if not planted:
        off, apart = {}, {}
    sound, made = piano(seed, off_cents=off, apart_cents=apart, pedal_s=pedal_s)
    began = time.process_time()
    found = find_chord_notes(as_stem(sound))
    spent = time.process_time() - began
    notes = tuple(
        MeasuredNote(id=f"PNO-{k:04d}", note=n, measurement=m) for k, (n, m) in enumerate(found)
    )
    stem = StemNotes(code="PNO", role="tuning-reference", facts=None, notes=notes)
    session = Session(song="Low Tide Ledger", reference_from="PNO", stems=())
    a4 = find_session_a4(session, (stem,))
    keys = with_keys(session, (stem,), a4, curve_hz(session, a4)).keys
    played = Counter(note.midi for note in made)
    count: Counter[str] = Counter(notes=len(made), found=len(found), ms=round(1000 * spent))
    sizes = []
    out = {key.midi for key in keys if key.stands_out}
    told = {key.midi: key.strings_apart_cents or 0.0 for key in keys if strings_told(key)}
    for midi in off:
        count["off planted"] += played[midi] >= 2
        count["off found"] += midi in out
    for midi, distance in apart.items():
        count["apart planted"] += played[midi] >= 2
        count["apart found"] += midi in told
        if midi in told:
            sizes.append(told[midi] - distance)
    count["keys heard"] += len(keys)
    count["off made up"] += len(out - set(off))
    count["apart made up"] += len(set(told) - set(apart))
    for note in made:
        near = [m for n, m in found if abs(n.start_s - note.start_s) < 0.05 and m.sustain_hz
                and abs(cents(m.sustain_hz, note.f1_hz)) < 50.0]  # fmt: skip
        count["notes asked"] += any(m.strings_apart_cents is not None for m in near)
    return count, sizes


def main() -> None:
    """Print one line for damped chords, one with pedal, one for each without anything planted."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", nargs=2, type=int, default=(101, 110))
    first, last = parser.parse_args().seeds
    for pedal_s in (0.0, 0.5):
        for planted in (True, False):
            total: Counter[str] = Counter()
            sizes: list[float] = []
            for seed in range(first, last + 1):
                count, more = one(seed, pedal_s, planted=planted)
                total += count
                sizes += more
            print(f"pedal {pedal_s} s, planted {planted}: {dict(total)}")
            if sizes:
                away = np.abs(sizes)
                print(f"  size of strings: median {np.median(away):.2f}, most {away.max():.2f}")


if __name__ == "__main__":
    main()
