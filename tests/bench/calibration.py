"""Do stated uncertainties tell the truth? ``python -m tests.bench.calibration``.

Random sessions with rooms and noise floors, as they are, with noise added, and with another stem
bleeding in: per stem and grade, how far notes are off as plans tell them, to a tenth of a cent,
what was stated, and how often one and two stated uncertainties cover the error. A normal error is
covered in 68 and 95 of a hundred cases.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from tests.sessions.random_session import Truth, make_session
from tests.sessions.score import FoundNote, Tally, found_directly, score_stem

GRADES = ("firm", "fair", "shaky")
CODES = ("BAS", "GTR", "LV", "CEL")
FAR_CENTS = 5.0  # a firm note must not be this far off

Pairs = tuple[tuple[float, float | None], ...]


def graded(truth: Truth, codes: tuple[str, ...] = CODES) -> dict[tuple[str, str], Tally]:
    """Measure the stems of a session; give tallies by stem code and grade, onsets by their own."""
    tallies: dict[tuple[str, str], Tally] = {}
    for stem in truth.stems:
        if stem.code in codes:
            found = [as_told(note) for note in found_directly(truth, stem)]
            for grade in GRADES:
                of_grade = [note for note in found if note.confidence == grade]
                begun = [note for note in found if note.onset_confidence == grade]
                onsets = score_stem(stem.notes, begun)[0]
                tallies[stem.code, grade] = replace(
                    score_stem(stem.notes, of_grade)[0],
                    onset=onsets.onset,
                    moving_onset=onsets.moving_onset,
                )
    return tallies


def as_told(note: FoundNote) -> FoundNote:
    """A note whose pitches stand on the tenths of a cent that plans tell."""

    def told(hz: float | None) -> float | None:
        return None if hz is None else 2.0 ** (round(1200.0 * float(np.log2(hz)), 1) / 1200.0)

    return replace(note, sustain_hz=told(note.sustain_hz), onset_hz=told(note.onset_hz))


def worsen(truth: Truth, noise_db: float | None, bleed_db: float | None, seed: int) -> None:
    """Add white noise, or the next stem, this far under each stem of a session made for a test."""
    rng = np.random.default_rng(seed)
    folder = truth.session_file.parent / "audio"
    played = [stem for stem in truth.stems if stem.code in CODES]
    clean = [soundfile.read(folder / stem.file, always_2d=True) for stem in played]
    for place, (stem, (samples, sr)) in enumerate(zip(played, clean, strict=True)):
        power = float(np.mean(samples**2))
        worse = samples.copy()
        if noise_db is not None:
            worse += rng.normal(size=samples.shape) * np.sqrt(power / 10 ** (noise_db / 10))
        if bleed_db is not None:
            other = clean[(place + 1) % len(clean)][0].mean(axis=1, keepdims=True)
            count = min(len(other), len(worse))
            scale = np.sqrt(power / float(np.mean(other**2)) / 10 ** (bleed_db / 10))
            worse[:count] += scale * other[:count]
        soundfile.write(folder / stem.file, worse, sr, subtype="FLOAT")


def coverage(pairs: Pairs) -> tuple[float, float]:
    """Shares of errors within one and within two stated uncertainties."""
    z = np.array([abs(error) / stated for error, stated in pairs if stated])
    return float(np.mean(z <= 1.0)), float(np.mean(z <= 2.0))


def _line(pairs: Pairs) -> str:
    error = np.abs([e for e, _ in pairs])
    once, twice = coverage(pairs)
    stated = np.median([u for _, u in pairs if u])
    return (
        f"n {len(pairs):5d}  error median {np.median(error):5.2f}"
        f" 95 % {np.percentile(error, 95):6.2f} most {error.max():5.1f}"
        f"  stated {stated:5.2f}  covered {100 * once:3.0f} and {100 * twice:3.0f} %"
    )


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.calibration", description="Check stated uncertainties."
    )
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 4), metavar=("FIRST", "LAST"))
    parser.add_argument("--noise-db", type=float, help="white noise, dB under each stem")
    parser.add_argument("--bleed-db", type=float, help="another stem, dB under each stem")
    options = parser.parse_args(argv)
    totals: dict[tuple[str, str], Tally] = {}
    for seed in range(options.seeds[0], options.seeds[1] + 1):
        with tempfile.TemporaryDirectory() as folder:
            truth = make_session(seed, Path(folder) / "session")
            worsen(truth, options.noise_db, options.bleed_db, seed)
            for key, tally in graded(truth).items():
                totals[key] = totals[key] + tally if key in totals else tally
    for what in ("sustain", "onset", "moving_onset"):
        print(what.replace("_", " "))
        for (code, grade), tally in sorted(totals.items()):
            pairs: Pairs = getattr(tally, what)
            if pairs:
                print(f"  {code:4s}{grade:6s}{_line(pairs)}")
    firm = [pair for (_, grade), t in totals.items() if grade == "firm" for pair in t.sustain]
    far = sum(abs(error) > FAR_CENTS for error, _ in firm)
    print(f"firm sustains over {FAR_CENTS:g} cents off: {far} of {len(firm)}")


if __name__ == "__main__":
    main()
