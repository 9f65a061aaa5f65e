"""Does a recorded note measure the same once it is changed? ``python -m tests.bench.consistency``.

``python -m tests.bench.consistency ROLE FILE_OR_FOLDER ...`` needs no truth, so any recording of a
single line will do: it is measured as it is, and again at another rate, softer, upside down, moved
by exact cents, with noise, with another of the recordings leaking in, and in rooms. Sustains and
onsets of notes found in both should differ by no more than both doubts together say, 93 times in a
hundred by no more than twice that.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import numpy as np
import soundfile
import soxr

from planner.demo.build import in_room, room_response
from planner.demo.tones import SR
from planner.model import Floats, Measurement, Note, Role
from planner.words.roles import role_range_hz, seldom_below_hz
from planner.words.session_model import StemSpec
from tests.tones.exact import cents_between, measured_notes, stem_of

AUDIO = (".wav", ".flac", ".mp3", ".ogg")
MOST_S = 12.0  # of each recording
QUIET_S = 0.2
FLOOR = 1e-5  # of full scale, as a quiet converter
MOVED_CENTS = 37.3
OTHER_SR = 44_100
SAME_START_S = 0.025  # starts further apart are other notes, or windows, of the same sound
SAME_PITCH_CENTS = 50.0

Measured = list[tuple[Note, Measurement]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changed:
    """A recording, changed in one way."""

    how: str
    samples: Floats
    sr: int
    cents: float = 0.0  # by which its pitch was moved


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One figure of one note, measured before and after."""

    difference_cents: float
    doubt_cents: float  # of both together
    confidence: str  # of the figure before


def recording(path: Path) -> Floats:
    """Samples of a file at 48 kHz, at most `MOST_S`, between two stretches of quiet."""
    channels, sr = soundfile.read(path, frames=-1, always_2d=True)
    samples = channels.mean(axis=1)[: round(MOST_S * sr)]
    samples = 0.5 * samples / (np.abs(samples).max() + 1e-12)
    if sr != SR:
        samples = soxr.resample(samples, sr, SR, quality="VHQ")
    quiet = np.random.default_rng(0).normal(0.0, FLOOR, round(QUIET_S * SR))
    whole: Floats = np.concatenate([quiet, samples, quiet])
    return whole


def changes(samples: Floats, other: Floats, rng: np.random.Generator) -> Iterator[Changed]:
    """Give the recording in every changed form; the other one leaks into it."""
    rms = float(np.sqrt(np.mean(samples**2)))
    yield Changed(how="at 44.1 kHz", samples=soxr.resample(samples, SR, OTHER_SR), sr=OTHER_SR)
    yield Changed(how="20 dB softer", samples=0.1 * samples, sr=SR)
    yield Changed(how="upside down", samples=-samples, sr=SR)
    # Read faster than it was taken: what was at 48 kHz is played at a rate a little higher.
    ratio = 2.0 ** (MOVED_CENTS / 1200.0)
    moved = soxr.resample(samples, SR * ratio, SR, quality="VHQ")
    yield Changed(how=f"moved by {MOVED_CENTS:g} cents", samples=moved, sr=SR, cents=MOVED_CENTS)
    for down_db in (40.0, 30.0, 20.0):
        noise = rng.normal(0.0, rms / 10.0 ** (down_db / 20.0), len(samples))
        yield Changed(how=f"noise at -{down_db:g} dB", samples=samples + noise, sr=SR)
    leak = np.resize(other, len(samples))
    leak = leak * rms / (float(np.sqrt(np.mean(leak**2))) + 1e-12) / 10.0 ** (30.0 / 20.0)
    yield Changed(how="another at -30 dB", samples=samples + leak, sr=SR)
    for rt60_s in (0.3, 0.6):
        wet = in_room(samples, room_response(rt60_s, -14.0, rng))
        yield Changed(how=f"room of {rt60_s:g} s", samples=wet, sr=SR)


def measure(samples: Floats, sr: int, role: Role) -> Measured:
    """Find and measure the notes of a single line."""
    spec = StemSpec(code="X", file="x.wav", role=role)
    range_hz, seldom_hz = role_range_hz(spec), seldom_below_hz(spec)
    stem = stem_of(samples, sr, role, range_hz=range_hz, seldom_below_hz=seldom_hz)
    return measured_notes(stem)


def compared(before: Measured, after: Measured, changed: Changed) -> dict[str, list[Pair]]:
    """Sustains and onsets of the notes found both times at the same place and pitch."""
    pairs: dict[str, list[Pair]] = {"sustain": [], "onset": []}
    stretch = 2.0 ** (changed.cents / 1200.0)
    for note, m in before:
        for again, n in after:
            off = cents_between(again.pitch_hz, note.pitch_hz) - changed.cents
            late_s = abs(again.start_s * stretch - note.start_s)
            if late_s > SAME_START_S or abs(off) > SAME_PITCH_CENTS:
                continue
            for what, hz, then_hz, sd, then_sd, grade in (
                (
                    "sustain", m.sustain_hz, n.sustain_hz,
                    m.uncertainty_cents, n.uncertainty_cents, m.confidence,
                ),
                (
                    "onset", m.onset_hz, n.onset_hz,
                    m.onset_uncertainty_cents, n.onset_uncertainty_cents, m.onset_confidence,
                ),
            ):  # fmt: skip
                if hz and then_hz and sd and then_sd:
                    pairs[what].append(
                        Pair(
                            difference_cents=cents_between(then_hz, hz) - changed.cents,
                            doubt_cents=float(np.hypot(sd, then_sd)),
                            confidence=grade,
                        )
                    )
    return pairs


def line(pairs: list[Pair]) -> str:
    """Say how far figures differ, and how often doubts cover that."""
    if not pairs:
        return "none"
    off = np.abs([p.difference_cents for p in pairs])
    z = off / np.array([p.doubt_cents for p in pairs])
    return (
        f"n {len(pairs):4d}  differ by {np.median(off):6.3f} 95 % {np.percentile(off, 95):6.2f}"
        f" most {off.max():6.1f}  covered {100 * np.mean(z <= 1):3.0f}"
        f" and {100 * np.mean(z <= 2):3.0f} %"
    )


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.consistency", description="Measure recordings once more."
    )
    parser.add_argument("role", choices=get_args(Role))
    parser.add_argument("paths", type=Path, nargs="+", metavar="FILE_OR_FOLDER")
    parser.add_argument("--every", type=int, default=1, help="only every so many recordings")
    parser.add_argument("--list", action="store_true", help="what is further off than three doubts")
    options = parser.parse_args(argv)
    files = [f for p in options.paths for f in (sorted(p.rglob("*")) if p.is_dir() else [p])]
    files = [f for f in files if f.suffix.lower() in AUDIO][:: options.every]
    sounds = [recording(f) for f in files]
    totals: dict[tuple[str, str], list[Pair]] = {}
    for k, (file, samples) in enumerate(zip(files, sounds, strict=True)):
        before = measure(samples, SR, options.role)
        rng = np.random.default_rng(k)
        for changed in changes(samples, sounds[(k + 1) % len(sounds)], rng):
            after = measure(changed.samples, changed.sr, options.role)
            for what, pairs in compared(before, after, changed).items():
                totals.setdefault((what, changed.how), []).extend(pairs)
                far = [p for p in pairs if abs(p.difference_cents) > 3.0 * p.doubt_cents]
                for pair in far if options.list else []:
                    print(
                        f"  {file.name} {changed.how}: {what} {pair.difference_cents:+.2f}, "
                        f"doubt {pair.doubt_cents:.2f}, {pair.confidence}"
                    )
    for what in ("sustain", "onset"):
        print(what)
        for (of, how), pairs in totals.items():
            if of == what:
                print(f"  {how:22s}{line(pairs)}", flush=True)


if __name__ == "__main__":
    main()
