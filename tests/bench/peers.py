"""Other people's pitch estimators on the same exact tones: ``python -m tests.bench.peers``.

Ours, librosa's yin and pyin, and Praat's autocorrelation through parselmouth, in one run and one
process: errors in cents against exact truth, and how many times faster than the sound they are.
WORLD (pyworld) and SwiftF0 join where they are installed (``pip install -e ".[bench]"``); they are
no dependency. Each peer gives frames; a note's onset and sustain are the medians of its frames over
the same windows that ours is judged by, and where a note begins is given to the peers, not to ours.
Times depend on the machine and on what else it does; nothing here passes or fails.
"""

import argparse
import importlib.util
import resource
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace

import librosa
import numpy as np
import parselmouth
import soxr

from planner.model import Floats, Role
from tests.tones.exact import (
    bent,
    faded,
    laid_out,
    measured_notes,
    moments,
    steady,
    stem_of,
    tone,
    with_snr,
)
from tests.tones.truth import truth_windows

SR = 48_000
LOW_HZ, HIGH_HZ = 60.0, 1300.0  # what is asked of every peer alike
START_S, LENGTH_S, WHOLE_S = 0.3, 1.0, 1.6
# Off every scale: pyin rounds to tenths of a semitone, and notes of one scale would all be rounded
# alike.
PITCHES_HZ = (83.7, 92.9, 113.2, 143.9, 178.3, 201.4, 257.8, 335.1, 431.7, 548.2, 668.3, 871.9)
HOP_S = 0.005
SWIFT_SR, SWIFT_SURE = 16_000, 0.9  # SwiftF0's rate, and the confidence its authors ask for
GROSS_CENTS = 50.0
MEMORY_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One note whose pitch is known at every sample."""

    samples: Floats
    f1_hz: Floats
    role: Role
    bound_cents: float | None = None  # of the sustain, where amplitudes hold still


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one peer makes of one note, in Hz; None where it finds nothing."""

    onset_hz: float | None
    sustain_hz: float | None


Peer = Callable[[Case], Reading]


def cases() -> dict[str, list[Case]]:
    """Steady tones at three noise levels, a pluck, and a stiff string that never moves."""
    made: dict[str, list[Case]] = {}
    t = moments(LENGTH_S, SR)
    for k, f1_hz in enumerate(PITCHES_HZ):
        rng = np.random.default_rng(k)
        still = steady(f1_hz, LENGTH_S, SR)
        driven = faded(tone(still, SR, rng), SR)
        for snr_db in (60, 20, 10):
            case = case_of(driven, still, snr_db, "bowed", rng)
            bound = cramer_rao_cents(f1_hz, snr_db)
            made.setdefault(f"steady {snr_db} dB", []).append(replace(case, bound_cents=bound))
        relaxing = bent(f1_hz, 15 * np.exp(-t / 0.08))
        pluck = tone(relaxing, SR, rng, decay_s=0.8, decay_tilt=0.25)
        made.setdefault("pluck +15 c", []).append(
            case_of(faded(pluck, SR, rise_s=0.002), relaxing, 60, "fretted", rng)
        )
        amplitudes = [n**-0.5 for n in range(1, 25)]
        for b in (1e-4, 3e-4, 1e-3):
            stiff = tone(still, SR, rng, b=b, amplitudes=amplitudes, decay_s=0.8, decay_tilt=0.25)
            made.setdefault(f"stiff B {b:.0e}", []).append(
                case_of(faded(stiff, SR, rise_s=0.002), still, 60, "fretted", rng)
            )
    return made


def case_of(
    note: Floats, f1_hz: Floats, snr_db: float, role: Role, rng: np.random.Generator
) -> Case:
    """A note in silence, with noise that many dB under the note itself."""
    laid = laid_out([(START_S, note)], WHOLE_S, SR)
    rms = float(np.sqrt(np.mean(laid[round(START_S * SR) :][: len(note)] ** 2)))
    noisy = with_snr(laid, snr_db + 20 * np.log10(np.sqrt(np.mean(laid**2)) / rms), rng)
    return Case(samples=noisy, f1_hz=f1_hz, role=role)


def cramer_rao_cents(f1_hz: float, snr_db: float) -> float:
    """Give the least standard deviation that a sustain in white noise can have, cents.

    Harmonics of amplitudes a_k over N samples: var(w) >= 24 s^2 / (N^3 sum k^2 a_k^2) (the single
    sinusoid of D. Rife and R. Boorstyn, IEEE Trans. Information Theory 20, 1974, summed over
    partials tied to one pitch, as A. Nehorai and B. Porat, IEEE Trans. ASSP 34, 1986; from memory).
    """
    windows = truth_windows(LENGTH_S, f1_hz)
    assert windows.sustain_s is not None
    count = (windows.sustain_s[1] - windows.sustain_s[0]) * SR
    k = np.arange(1, 21)
    amplitude = np.where(k * f1_hz < 0.44 * SR, 1.0 / k, 0.0)  # as `tones.exact.tone` makes them
    noise = 0.5 * float(np.sum(amplitude**2)) / 10 ** (snr_db / 10)
    sd = np.sqrt(24 * noise / (count**3 * float(np.sum((k * amplitude) ** 2))))
    return float(1200 / np.log(2) * sd / (2 * np.pi * f1_hz / SR))


def ours(case: Case) -> Reading:
    """The planner's own chain: it finds the note too."""
    stem = stem_of(case.samples, SR, case.role, range_hz=(LOW_HZ, HIGH_HZ))
    pairs = measured_notes(stem)
    if not pairs:
        return Reading(onset_hz=None, sustain_hz=None)
    measured = max(pairs, key=lambda pair: pair[0].length_s)[1]
    return Reading(onset_hz=measured.onset_hz, sustain_hz=measured.sustain_hz)


def praat(case: Case) -> Reading:
    """Praat's autocorrelation, with the window that its floor asks for (three periods)."""
    sound = parselmouth.Sound(case.samples, sampling_frequency=SR)
    pitch = sound.to_pitch_ac(time_step=HOP_S, pitch_floor=LOW_HZ, pitch_ceiling=HIGH_HZ)
    hz = pitch.selected_array["frequency"]
    return _from_frames(pitch.xs(), np.where(hz > 0, hz, np.nan), case)


def yin(case: Case) -> Reading:
    """librosa's yin: every frame has a pitch."""
    hop = round(HOP_S * SR)
    hz = librosa.yin(
        case.samples, fmin=LOW_HZ, fmax=HIGH_HZ, sr=SR, frame_length=4096, hop_length=hop
    )
    return _from_frames(np.arange(len(hz)) * hop / SR, hz, case)


def pyin(case: Case) -> Reading:
    """librosa's pyin, at its standard resolution of a tenth of a semitone."""
    hop = round(HOP_S * SR)
    hz, _, _ = librosa.pyin(
        case.samples, fmin=LOW_HZ, fmax=HIGH_HZ, sr=SR, frame_length=4096, hop_length=hop
    )
    return _from_frames(np.arange(len(hz)) * hop / SR, hz, case)


def world(case: Case) -> Reading:
    """WORLD's Harvest, refined by StoneMask, as its authors advise."""
    import pyworld

    samples = np.ascontiguousarray(case.samples, dtype=np.float64)
    hz, at_s = pyworld.harvest(
        samples, SR, f0_floor=LOW_HZ, f0_ceil=HIGH_HZ, frame_period=1000 * HOP_S
    )
    hz = pyworld.stonemask(samples, hz, at_s, SR)
    return _from_frames(at_s, np.where(hz > 0, hz, np.nan), case)


def swift(case: Case) -> Reading:
    """SwiftF0, a small convolutional network, at its own hop of 16 ms."""
    import swift_f0

    samples = soxr.resample(case.samples, SR, SWIFT_SR).astype(np.float32)
    found = swift_f0.SwiftF0().detect(samples, SWIFT_SR, fmin=LOW_HZ, fmax=HIGH_HZ)
    hz = np.where(found.confidence > SWIFT_SURE, found.pitch_hz, np.nan)
    return _from_frames(np.asarray(found.timestamps), hz, case)


PEERS: dict[str, Peer] = {"ours": ours, "praat ac": praat, "librosa yin": yin, "librosa pyin": pyin}
for _module, _name, _peer in (("pyworld", "world harvest", world), ("swift_f0", "swiftf0", swift)):
    if importlib.util.find_spec(_module) is not None:
        PEERS[_name] = _peer


def _from_frames(at_s: Floats, hz: Floats, case: Case) -> Reading:
    """Median of the pitched frames over the windows of onset and sustain."""
    windows = truth_windows(LENGTH_S, float(case.f1_hz.mean()))
    assert windows.sustain_s is not None  # notes of a second have one

    def median(span_s: tuple[float, float]) -> float | None:
        inside = (at_s >= START_S + span_s[0]) & (at_s < START_S + span_s[1])
        known = hz[inside & np.isfinite(hz)]
        return float(np.exp(np.median(np.log(known)))) if len(known) else None

    return Reading(onset_hz=median(windows.onset_s), sustain_hz=median(windows.sustain_s))


def _true_hz(case: Case, span_s: tuple[float, float]) -> float:
    piece = case.f1_hz[round(span_s[0] * SR) : round(span_s[1] * SR)]
    return float(np.exp(np.log(piece).mean()))


def _cents(a_hz: float | None, b_hz: float | None) -> float:
    return float("nan") if a_hz is None or b_hz is None else float(1200 * np.log2(a_hz / b_hz))


def _spread(errors: list[float]) -> str:
    known = np.abs([e for e in errors if np.isfinite(e)])
    if len(known) == 0:
        return "nothing found"
    lost = len(errors) - len(known)
    return f"{np.median(known):7.3f} {np.percentile(known, 95):8.3f}" + (
        f" ({lost} not found)" if lost else ""
    )


def _grown_mb(peer: Peer) -> float:
    """Give the memory by which this process grows while a peer reads a minute of sound."""
    second = tone(steady(200.0, 1.0, SR), SR, np.random.default_rng(0)).astype(np.float32)
    line = np.full(1, 200.0)
    short = Case(samples=second, f1_hz=line, role="bowed")
    minute = Case(samples=np.tile(second, round(MEMORY_S)), f1_hz=line, role="bowed")
    peer(short)  # loads what it needs
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peer(minute)
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024


def _peak_mb(name: str) -> float:
    """Give by how much a process of its own grows in which one peer reads a minute."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.bench.peers", "--memory-of", name],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return float(ran.stdout.split()[-1])


def main(argv: list[str] | None = None) -> int:
    """Print what every peer reads of every case, how long it takes, and what it holds."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.peers")
    parser.add_argument("--memory-of", choices=PEERS, help=argparse.SUPPRESS)
    options = parser.parse_args(argv)
    warnings.simplefilter("ignore")
    if options.memory_of:
        print(_grown_mb(PEERS[options.memory_of]))
        return 0
    made = cases()
    readings: dict[str, dict[str, list[Reading]]] = {}
    took_s: dict[str, float] = {}
    for name, peer in PEERS.items():
        peer(made["steady 60 dB"][0])  # first calls load and compile
        begun = time.perf_counter()
        readings[name] = {what: [peer(case) for case in group] for what, group in made.items()}
        took_s[name] = time.perf_counter() - begun
    print(f"{len(PITCHES_HZ)} pitches, {PITCHES_HZ[0]:g} to {PITCHES_HZ[-1]:g} Hz, a case each\n")
    print(
        "absolute error in cents: median, 95th percentile; sustains over 50 cents off or missing;"
    )
    print("RMS error of the sustain over the Cramer-Rao bound")
    print(f"{'':14s}{'':16s}{'onset':>16s}{'sustain':>18s}{'gross':>8s}{'bound':>10s}")
    for what, group in made.items():
        for name in PEERS:
            onset, sustain = _errors(group, readings[name][what])
            gross = sum(not abs(error) <= GROSS_CENTS for error in sustain)
            line = f"{what:14s}{name:14s}{_spread(onset):>18s}  {_spread(sustain):>18s}{gross:8d}"
            bounds = [case.bound_cents for case in group if case.bound_cents]
            if bounds and not gross:
                over = np.array(sustain) / np.array(bounds)
                line += f"{float(np.sqrt(np.mean(over**2))):10.1f}"
            print(line)
        print()
    print("onset minus sustain on a stiff string of one pitch (truth 0), cents: median, largest")
    for what in [w for w in made if w.startswith("stiff")]:
        for name in PEERS:
            apart = np.array([_cents(r.onset_hz, r.sustain_hz) for r in readings[name][what]])
            largest = apart[np.nanargmax(np.abs(apart))]
            print(f"{what:14s}{name:14s}{np.nanmedian(apart):+8.2f} {largest:+8.2f}")
    sound_s = WHOLE_S * sum(len(group) for group in made.values())
    print("\ntimes real time (this machine, now), time over ours, MB that a minute of sound takes")
    for name, seconds in took_s.items():
        print(
            f"{name:14s}{sound_s / seconds:8.1f} x   {seconds / took_s['ours']:6.2f}"
            f"{_peak_mb(name):8.0f}"
        )
    return 0


def _errors(group: list[Case], read: list[Reading]) -> tuple[list[float], list[float]]:
    """Errors of onsets and sustains in cents, NaN where nothing was found."""
    onset, sustain = [], []
    for case, reading in zip(group, read, strict=True):
        windows = truth_windows(LENGTH_S, float(case.f1_hz.mean()))
        assert windows.sustain_s is not None
        onset.append(_cents(reading.onset_hz, _true_hz(case, windows.onset_s)))
        sustain.append(_cents(reading.sustain_hz, _true_hz(case, windows.sustain_s)))
    return onset, sustain


if __name__ == "__main__":
    raise SystemExit(main())
