"""Cents of notes in sampled chords: ``python -m tests.bench.chord_cents [--seeds 1 2]``.

The parts of `tests.bench.chorded`, shapes and chords of three notes and more. Each note is also
rendered alone, with the same soundfont, length and velocity. How far the chord's note reads from
that is told for notes found without and with the score (the notes as written), "found" and "known":
median and 95th percentile of the absolute difference in cents, of all notes and of the firm ones.
First against what the planner reads of the note alone; then against its first partial there, the
highest point of one long Hann spectrum, which shares no code with the planner but is moved by what
one partial strays from the others. Partials of a section or a pad are bands. Of a section's any one
strays, and the median of the middles of the first twelve is taken, over the whole note; of a pad's,
whose voices differ in timbre, the middle of the first. Percent of
notes within one and within two of the stated uncertainties are told of the first comparison; for
sections and pads of the second, whose truth no reading of the planner's moves. What was left
unmeasured is counted.
"""

import argparse
import tempfile
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from planner.edges.heard_stem import HeardStem
from planner.edges.hearing import hear_stem
from planner.model import HARMONIC_ROLES, Floats
from planner.score.score_match import StemScore
from planner.words.session_model import StemSpec
from tests.bench.chorded import PLAYERS, Player, line_of
from tests.bench.rendered import SOUNDS, Line, render
from tests.bench.stacked import LARGER

_APART_S = 1.5  # between notes rendered alone: by then the one before has died away
_SKIP_S, _LONGEST_S = 0.025, 0.8  # the stretch that a chord is read in
_REACH_CENTS = 60.0  # around the written key; chosen: soundfonts are in tune to some tens of cents
_NEAR_S = 0.2  # chosen: sections speak late, and what is asked here is pitch
_FFT = 1 << 20  # steps of 0.05 Hz, between which a parabola is laid
PADS = {
    "synth strings": Player(50, "sampled", "keys"), "synth brass": Player(62, "sampled", "keys"),
    "saw lead": Player(81, "sampled", "keys"), "warm pad": Player(89, "sampled", "keys"),
    "sweep pad": Player(95, "sampled", "keys"),
}  # fmt: skip
_BANDS, _BAND_CENTS = 12, 45.0  # chosen: a section's players lie 10 to 15 cents apart


@dataclass(slots=True)
class Read:
    """Absolute errors of the notes measured, cents; and how many were not."""

    cents: list[float] = field(default_factory=list)
    firm: list[float] = field(default_factory=list)
    pulls: list[float] = field(default_factory=list)  # of all, errors in stated uncertainties
    first: list[float] = field(default_factory=list)  # against the first partial alone
    unmeasured: int = 0
    missed: int = 0

    def told(self) -> str:
        words = []
        for name, cents in (("all", self.cents), ("firm", self.firm), ("first", self.first)):
            if cents:
                middle, most = np.percentile(cents, [50.0, 95.0])
                words.append(f"{name} {len(cents):4d}: {middle:5.2f} {most:6.2f}")
            else:
                words.append(f"{name}    0:   -      -  ")
        pulls = np.array(self.pulls or [np.nan])
        words.append(
            f"within {100 * np.mean(pulls <= 1.0):3.0f} {100 * np.mean(pulls <= 2.0):3.0f} %"
        )
        return f"{'  '.join(words)}  not measured {self.unmeasured:3d}, missed {self.missed:3d}"


def spread_out(line: Line, apart_s: float = _APART_S) -> Line:
    """Set the notes of a part one after another, so many seconds between them."""
    alone: Line = []
    at_s = 0.5
    for start_s, end_s, key, velocity in line:
        alone.append((at_s, at_s + end_s - start_s, key, velocity))
        at_s += end_s - start_s + apart_s
    return alone


def first_partial_hz(mono: Floats, sr: int, start_s: float, end_s: float, key: int) -> float:
    """The highest point near a note's first partial, Hz; NaN where there is none."""
    first_s = start_s + _SKIP_S
    piece = mono[round(first_s * sr) : round(min(first_s + _LONGEST_S, end_s) * sr)]
    height = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), _FFT))
    middle_hz = 440.0 * 2 ** ((key - 69) / 12)
    step = 2 ** (_REACH_CENTS / 1200)
    first, last = (round(f_hz * _FFT / sr) for f_hz in (middle_hz / step, middle_hz * step))
    k = first + int(np.argmax(height[first:last]))
    low, mid, high = height[k - 1 : k + 2]
    if not first < k < last - 1 or mid < 1e-4:
        return float("nan")
    return float((k + 0.5 * (low - high) / (low - 2 * mid + high)) * sr / _FFT)


def _middle_of_bands_hz(
    mono: Floats, sr: int, start_s: float, end_s: float, key: int, bands: int
) -> float:
    piece = mono[round((start_s + 2 * _SKIP_S) * sr) : round(end_s * sr)]
    power = np.abs(np.fft.rfft(piece * np.hanning(len(piece)), _FFT)) ** 2
    step_hz, key_hz = sr / _FFT, 440.0 * 2 ** ((key - 69) / 12)
    cents = []
    for n in range(1, bands + 1):
        off = 0.0
        for reach in (_REACH_CENTS, *3 * (_BAND_CENTS,)):
            middle_hz = n * key_hz * 2 ** (off / 1200)
            half_hz = max(middle_hz * (2 ** (reach / 1200) - 1), 1.5 * sr / len(piece))
            k = np.arange(
                int((middle_hz - half_hz) / step_hz), int((middle_hz + half_hz) / step_hz)
            )
            hz = float((k * power[k]).sum() / power[k].sum()) * step_hz
            off = 1200 * float(np.log2(hz / (n * key_hz)))
        cents.append(off)
    return key_hz * 2 ** (float(np.median(cents)) / 1200)


def read_alone(alone: Line, heard: HeardStem) -> Floats:
    """What the planner reads of each note alone, Hz; NaN where it does not."""
    result = np.full(len(alone), np.nan)
    for k, (start_s, _, key, _) in enumerate(alone):
        for note, measured in heard.notes:
            off = 12 * np.log2(note.pitch_hz / 440.0) + 69 - key
            if abs(note.start_s - start_s) < _NEAR_S and abs(off) < 0.5 and measured.sustain_hz:
                result[k] = measured.sustain_hz
    return result


def add_part(player: Player, seed: int, sounds: Path, found: Read, known: Read) -> None:
    """Render a part, measure its notes without and with its score, and compare."""
    line = line_of(player, seed)
    spec = StemSpec(code="A", file="line.wav", role=player.role)
    score = StemScore(name="score", notes=tuple(sorted((s, e, k) for s, e, k, _ in line)))
    alone = spread_out(line)
    with tempfile.TemporaryDirectory() as folder:
        path = render(alone, player.program, Path(folder), sounds)
        samples, sr = soundfile.read(path, always_2d=True)
        pad = player in PADS.values()
        banded = pad or player.role in HARMONIC_ROLES
        middle = partial(_middle_of_bands_hz, bands=1 if pad else _BANDS)
        read_first = middle if banded else first_partial_hz
        first_hz = [read_first(samples.mean(axis=1), sr, *note[:3]) for note in alone]
        alone_hz = read_alone(alone, hear_stem(spec, path, "line"))
        path = render(line, player.program, Path(folder), sounds)
        told_hz = np.array(first_hz) if banded else alone_hz
        _compare(line, first_hz, alone_hz, told_hz, hear_stem(spec, path, "line"), found)
        _compare(line, first_hz, alone_hz, told_hz, hear_stem(spec, path, "line", score), known)


def _compare(
    line: Line,
    first_hz: list[float],
    alone_hz: Floats,
    told_hz: Floats,
    heard: HeardStem,
    read: Read,
) -> None:
    left = list(heard.notes)
    for (start_s, _, key, _), first, alone, told in zip(
        line, first_hz, alone_hz, told_hz, strict=True
    ):
        near = [
            pair
            for pair in left
            if abs(pair[0].start_s - start_s) < _NEAR_S
            and abs(12 * np.log2(pair[0].pitch_hz / 440.0) + 69 - key) < 0.5
        ]
        if not near:
            read.missed += 1
            continue
        pair = min(near, key=lambda one: abs(one[0].start_s - start_s))
        left.remove(pair)
        sustain_hz = pair[1].sustain_hz
        if sustain_hz is None:
            read.unmeasured += 1
            continue
        if not np.isnan(told):
            off = abs(float(1200 * np.log2(sustain_hz / told)))
            read.pulls.append(off / (pair[1].uncertainty_cents or np.nan))
        if not np.isnan(first):
            read.first.append(abs(float(1200 * np.log2(sustain_hz / first))))
        if not np.isnan(alone):
            off = abs(float(1200 * np.log2(sustain_hz / alone)))
            read.cents.append(off)
            read.firm += [off] * (pair[1].confidence == "firm")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    players = {n: p for n, p in PLAYERS.items() if p.plays in ("strum", "keys")} | PADS
    chords = list(players)
    parser.add_argument("--only", nargs="*", default=chords, choices=chords)
    args = parser.parse_args()
    every = {"found": Read(), "known": Read()}
    for name in args.only:
        for sounds in (SOUNDS, LARGER):
            if not sounds.exists():
                print(f"{sounds.name}: not installed")
                continue
            reads = {"found": Read(), "known": Read()}
            for seed in range(args.seeds[0], args.seeds[1] + 1):
                add_part(players[name], seed, sounds, reads["found"], reads["known"])
            for how, read in reads.items():
                print(f"{name:18s} {sounds.stem:11s} {how}  {read.told()}", flush=True)
                every[how].cents += read.cents
                every[how].firm += read.firm
                every[how].first += read.first
                every[how].pulls += read.pulls
                every[how].unmeasured += read.unmeasured
                every[how].missed += read.missed
    for how, read in every.items():
        print(f"{'all':30s} {how}  {read.told()}")


if __name__ == "__main__":
    main()
