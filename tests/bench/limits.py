"""How near to what noise allows are single notes measured? ``python -m tests.bench.limits``.

A grid of notes of a second whose pitch is known at every sample: 41 to 1760 Hz, driven and stiff,
steady, decaying and gliding, with and without their first partial, in white noise 60 to 10 dB
under them. The whole chain finds each note and measures it. RMS error of the sustain over the
Cramer-Rao bound, its largest error, RMS and largest error of the onset and of the slope, and how
many are lost: not found, or read as another note. Then plucks that sag, stiff strings that do not,
vibrato cut at any phase, and the stiffness B of lines of plucked strings.

The bound is that of the partials which the planner hears (under 7.2 kHz), on the sustain alone,
with amplitudes and phases unknown, and slope unknown, and B where the string is stiff.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.demo.build import in_room, room_response, with_noise_floor
from planner.demo.tones import StringSound, mix, plucked
from planner.edges.hearing import ANALYSIS_SR
from planner.harmonics import HIGHEST_PARTIAL_SHARE
from planner.measure.partial_series import LN_CENTS
from planner.model import Floats, Measurement, Note, Role
from tests.tones.exact import bent, faded, laid_out, measured_notes, moments, stem_of, tone
from tests.tones.truth import truth_windows

SR = 48_000
START_S, LENGTH_S, WHOLE_S = 0.3, 1.0, 1.6
PITCHES_HZ = (41.2, 61.7, 82.4, 110.0, 220.0, 440.0, 880.0, 1760.0)
SNRS_DB = (60.0, 40.0, 20.0, 10.0)
SPREAD_CENTS = 300.0  # of the pitches of a cell: none lies on a grid of any estimator
GLIDE = 20.0  # cents per second
HIGHEST_HZ = 1850.0
GROSS_CENTS = 50.0
BASS_BELOW_HZ = 80.0  # no guitar plays there
FAR_CENTS = 1.0
FAR_SLOPE = 0.3  # cents per second
PLACED_S = 0.05
DECAY_S, TILT = 0.5, 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One sort of note."""

    name: str
    role: Role
    b: float = 0.0
    slope: float = 0.0  # cents per second
    decay_s: float | None = None
    first_partial: bool = True


KINDS = (
    Kind(name="steady", role="bowed"),
    Kind(name="gliding", role="bowed", slope=GLIDE),
    Kind(name="decaying", role="bowed", decay_s=DECAY_S),
    Kind(name="no first partial", role="bowed", first_partial=False),
    Kind(name="string B 0", role="fretted", decay_s=DECAY_S),
    Kind(name="string B 1e-4", role="fretted", b=1e-4, decay_s=DECAY_S),
    Kind(name="string B 1e-3", role="fretted", b=1e-3, decay_s=DECAY_S),
    Kind(name="steady B 1e-3", role="fretted", b=1e-3),
    Kind(name="string, no first", role="fretted", b=1e-4, decay_s=DECAY_S, first_partial=False),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """Errors of one note, cents; None where that was not measured."""

    f1_hz: float
    sustain: float | None
    bound: float
    onset: float | None = None
    slope: float | None = None
    slope_bound: float = 1.0
    slope_stated: float | None = None
    stated: float | None = None
    onset_stated: float | None = None


def read(kind: Kind, f1_hz: float, snr_db: float, rng: np.random.Generator) -> Read:
    """Make one note, let the whole chain find and measure it, and compare."""
    t = moments(LENGTH_S, SR)
    line = bent(f1_hz, kind.slope * (t - LENGTH_S / 2))
    amplitudes = np.array([1.0 / n for n in range(1, 21)])
    if not kind.first_partial:
        amplitudes[0] = 0.0
    note = tone(
        line, SR, rng, b=kind.b, amplitudes=list(amplitudes), decay_s=kind.decay_s, decay_tilt=TILT
    )
    struck = kind.role == "fretted"
    note = faded(note, SR, rise_s=0.002 if struck else 0.005)
    sigma = float(np.sqrt(np.mean(note**2))) * 10 ** (-snr_db / 20)
    scale = 0.5 / float(np.abs(note).max())
    samples = laid_out([(START_S, note)], WHOLE_S, SR)
    samples = samples + scale * sigma * rng.standard_normal(len(samples))
    bass = struck and f1_hz < BASS_BELOW_HZ
    found = heard(samples, "bass-fretted" if bass else kind.role)
    if found is None or found[1].sustain_hz is None:
        return Read(f1_hz=f1_hz, sustain=None, bound=1.0)
    measured, late_s = found[1], found[0].start_s - START_S
    # In the windows of the note as it was found: where it begins and ends is another question.
    windows = truth_windows(found[0].length_s, f1_hz)
    onset_s = (windows.onset_s[0] + late_s, windows.onset_s[1] + late_s)
    assert windows.sustain_s is not None
    sustain_s = (windows.sustain_s[0] + late_s, windows.sustain_s[1] + late_s)
    bound, slope_bound = bounds(kind, f1_hz, amplitudes, sigma, sustain_s)
    return Read(
        f1_hz=f1_hz,
        sustain=off(measured.sustain_hz, line, sustain_s),
        bound=bound,
        onset=None if measured.onset_hz is None else off(measured.onset_hz, line, onset_s),
        slope=None
        if measured.slope_cents_per_s is None
        else measured.slope_cents_per_s - kind.slope,
        slope_bound=slope_bound,
        slope_stated=measured.slope_uncertainty_cents_per_s,
        stated=measured.uncertainty_cents,
        onset_stated=measured.onset_uncertainty_cents,
    )


def heard(samples: Floats, role: Role) -> tuple[Note, Measurement] | None:
    """What the chain makes of the note that begins where one was made."""
    pairs = measured_notes(stem_of(samples, SR, role))
    near = [pair for pair in pairs if abs(pair[0].start_s - START_S) < PLACED_S]
    return max(near, key=lambda pair: pair[0].length_s, default=None)


def off(f_hz: float, line: Floats, span_s: tuple[float, float]) -> float:
    """How far a reading lies off the mean of a line over a span, cents."""
    log = np.log(line)
    total = np.concatenate([[0.0], np.cumsum((log[1:] + log[:-1]) / 2)])  # up to each sample
    first, last = (np.clip(at_s * SR, 0, len(line) - 1) for at_s in span_s)
    mean = np.diff(np.interp([first, last], np.arange(len(line)), total))[0] / (last - first)
    return float(LN_CENTS * (np.log(f_hz) - mean))


def bounds(
    kind: Kind, f1_hz: float, amplitudes: Floats, sigma: float, span_s: tuple[float, float]
) -> tuple[float, float]:
    """Least standard deviations over a span, for partials in white noise.

    Of the mean pitch, cents, and of its slope, cents per second.

    Fisher information of the phases 2 pi r_n (f0 t + s t^2 / 2) + p_n of partials a_n(t), each p_n
    unknown: for pitch, its slope and, where the string is stiff, B together (D. Rife and R.
    Boorstyn, IEEE Trans. Information Theory 20, 1974, for one sinusoid; A. Nehorai and B. Porat,
    IEEE Trans. ASSP 34, 1986, for partials tied to one pitch; from memory). Amplitudes are
    independent of phases but for terms of a period.
    """
    t = np.arange(round(span_s[0] * SR), round(span_s[1] * SR)) / SR
    u = t - t.mean()
    unknown = 3 if kind.b > 0 or kind.role == "fretted" else 2
    information = np.zeros((unknown, unknown))
    for n, amplitude in enumerate(amplitudes, start=1):
        ratio = n * np.sqrt((1.0 + kind.b * n * n) / (1.0 + kind.b))
        if amplitude == 0.0 or ratio * f1_hz > HIGHEST_PARTIAL_SHARE * ANALYSIS_SR:
            continue
        level = np.full(len(t), amplitude)
        if kind.decay_s is not None:
            level = level * np.exp(-t * (1.0 + TILT * (n - 1)) / kind.decay_s)
        weight = level**2 / (2.0 * sigma**2)
        # Of the log of f1, of its slope, and of B.
        by_b = n * n / (2.0 * (1.0 + kind.b * n * n)) - 0.5 / (1.0 + kind.b)
        turns = np.stack([u, u * u / 2.0, by_b * u])[:unknown] * (2 * np.pi * ratio * f1_hz)
        turns = turns - (turns @ weight / weight.sum())[:, None]
        information += (turns * weight) @ turns.T
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale)
    return float(LN_CENTS * np.sqrt(inverse[0, 0])), float(LN_CENTS * np.sqrt(inverse[1, 1]))


def cell_line(reads: list[Read]) -> str:
    """One line of figures for one cell, or for several."""
    lost = sum(r.sustain is None or abs(r.sustain) > GROSS_CENTS for r in reads)
    good = [r for r in reads if r.sustain is not None and abs(r.sustain) <= GROSS_CENTS]
    if not good:
        return f"all {lost} lost"
    sustain = np.array([r.sustain for r in good], dtype=float)
    over = sustain / np.array([r.bound for r in good])
    worst = int(np.argmax(np.abs(sustain)))
    text = f"{_rms(over):7.2f} {1.4826 * np.median(np.abs(over)):6.2f} {_rms(sustain):8.4f}"
    text += f" {abs(sustain[worst]):8.4f} at {good[worst].f1_hz:6.1f}"
    for values in ([r.onset for r in good], [r.slope for r in good]):
        known = np.array([v for v in values if v is not None], dtype=float)
        text += f"  {_rms(known):7.3f} {np.abs(known).max():7.3f}" if len(known) else " " * 17
    sloped = [r.slope / r.slope_bound for r in good if r.slope is not None]
    text += f" {_rms(np.array(sloped)):6.2f}" if sloped else " " * 7
    blank = sum(r.onset is None for r in good)
    z = np.abs(sustain) / np.array([r.stated for r in good], dtype=float)
    text += f"  {100 * np.mean(z <= 1):3.0f} {100 * np.mean(z <= 2):3.0f} %"
    for pairs in (
        [(r.onset, r.onset_stated) for r in good],
        [(r.slope, r.slope_stated) for r in good],
    ):
        z = np.array([abs(e) / stated for e, stated in pairs if e is not None and stated])
        if len(z):
            text += f" {100 * np.mean(z <= 1):3.0f} {100 * np.mean(z <= 2):3.0f} %"
    return text + (f"  {blank} onsets blank" if blank else "") + (f"  {lost} lost" if lost else "")


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def grid(
    seed: int, trials: int, kinds: tuple[Kind, ...], pitches: tuple[float, ...], *, cells: bool
) -> None:
    """Print the grid: a line for each kind and level of noise, or for each cell."""
    print("sustain: RMS over bound, the same by its median, RMS, largest and where (cents, Hz);")
    print("onset: RMS, largest (cents); slope: RMS, largest (cents/s), RMS over bound;")
    print("sustains, onsets and slopes within one and two stated uncertainties")
    below, above, slopes = [], [], []
    for k, kind in enumerate(kinds):
        for snr_db in SNRS_DB:
            pooled = []
            for pitch_hz in pitches:
                reads = []
                for trial in range(trials):
                    rng = np.random.default_rng([seed, k, round(pitch_hz), round(snr_db), trial])
                    f1_hz = pitch_hz * 2 ** (rng.uniform(0.0, SPREAD_CENTS) / 1200)
                    reads.append(read(kind, min(f1_hz, HIGHEST_HZ), snr_db, rng))
                if cells:
                    print(f"{kind.name:17s} {snr_db:3.0f} dB {pitch_hz:6.1f} Hz {cell_line(reads)}")
                pooled += reads
            print(f"{kind.name:17s} {snr_db:3.0f} dB {cell_line(pooled)}", flush=True)
            for r in pooled:
                if r.sustain is not None and abs(r.sustain) <= GROSS_CENTS:
                    (above if snr_db >= 20 else below).append(abs(r.sustain))
                    if r.slope is not None:
                        slopes.append((abs(r.slope), r.slope_bound))
    for name, errors in (("20 dB and better", above), ("below", below)):
        far = sum(error > FAR_CENTS for error in errors)
        print(f"{name}: {far} of {len(errors)} sustains over {FAR_CENTS:g} cent off")
    least = [bound for error, bound in slopes if error > FAR_SLOPE]
    print(
        f"{len(least)} of {len(slopes)} slopes over {FAR_SLOPE:g} cents/s off,"
        f" whose bounds are {min(least, default=0.0):.2f} cents/s at the least"
    )


def plucks(seed: int) -> None:
    """Print how well the sag of plucks is told, on strings that sag and on stiff ones."""
    print("sag (onset minus sustain), errors in cents: median, 95th percentile, largest")
    t = moments(LENGTH_S, SR)
    stills: tuple[tuple[str, float, float], ...] = (
        ("pluck +15 c, B 1e-4", 15.0, 1e-4),
        ("pluck +6 c, B 1e-4", 6.0, 1e-4),
        ("still, B 1e-4", 0.0, 1e-4),
        ("still, B 3e-4", 0.0, 3e-4),
        ("still, B 1e-3", 0.0, 1e-3),
    )
    for k, (name, sharp, b) in enumerate(stills):
        errors = []
        for trial in range(48):
            rng = np.random.default_rng([seed, 77, k, trial])
            f1_hz = float(np.exp(rng.uniform(np.log(41.2), np.log(880.0))))
            line = bent(f1_hz, sharp * np.exp(-t / 0.08))
            amplitudes = [n**-0.5 for n in range(1, 25)]
            note = tone(line, SR, rng, b=b, amplitudes=amplitudes, decay_s=0.8, decay_tilt=TILT)
            note = faded(note, SR, rise_s=0.002)
            noise = 10 ** (-60 / 20) * float(np.sqrt(np.mean(note**2))) / float(np.abs(note).max())
            samples = laid_out([(START_S, note)], WHOLE_S, SR)
            samples = samples + 0.5 * noise * rng.standard_normal(len(samples))
            found = heard(samples, "bass-fretted" if f1_hz < BASS_BELOW_HZ else "fretted")
            measured = found[1] if found else Measurement()
            if measured.onset_hz is None or measured.sustain_hz is None:
                print(f"  {name} {f1_hz:.1f} Hz: not measured")
                continue
            windows = truth_windows(LENGTH_S, f1_hz)
            assert windows.sustain_s is not None
            errors.append(
                off(measured.onset_hz, line, windows.onset_s)
                - off(measured.sustain_hz, line, windows.sustain_s)
            )
        size = np.abs(errors)
        print(f"{name:20s} {np.median(size):7.3f} {np.percentile(size, 95):7.3f} {size.max():7.3f}")


def vibratos(seed: int) -> None:
    """Print how well vibrato is told, for any rate, width and phase at which the note is cut."""
    print(
        "vibrato, errors: rate in Hz, half-extent in %, centre in cents: 95th percentile, largest"
    )
    cases: tuple[tuple[str, Callable[[np.random.Generator], float]], ...] = (
        ("notes of 1 s", lambda rng: 1.0),
        ("notes of 0.6 to 1 s", lambda rng: float(rng.uniform(0.6, 1.0))),
    )
    for k, (name, length) in enumerate(cases):
        errors, lost = [], 0
        for trial in range(48):
            rng = np.random.default_rng([seed, 78, k, trial])
            f1_hz = float(np.exp(rng.uniform(np.log(110.0), np.log(1000.0))))
            rate, half = float(rng.uniform(4.5, 7.0)), float(rng.uniform(15.0, 60.0))
            seconds = length(rng)
            t = moments(seconds, SR)
            swing = half * np.sin(2 * np.pi * (rate * t + rng.uniform()))
            line = bent(f1_hz, swing)
            note = faded(tone(line, SR, rng), SR)
            sigma = 0.5 / float(np.abs(note).max()) * float(np.sqrt(np.mean(note**2))) / 100
            samples = laid_out([(START_S, note)], WHOLE_S, SR)
            found = heard(samples + sigma * rng.standard_normal(len(samples)), "bowed")
            measured = found[1] if found else Measurement()
            if measured.sustain_hz is None or measured.vibrato_hz is None:
                lost += 1
                continue
            errors.append(
                (
                    abs(measured.vibrato_hz - rate),
                    100 * abs((measured.vibrato_half_cents or 0.0) / half - 1),
                    abs(LN_CENTS * np.log(measured.sustain_hz / f1_hz)),
                )
            )
        columns = np.array(errors).T
        text = "  ".join(f"{np.percentile(c, 95):7.3f} {c.max():7.3f}" for c in columns)
        print(f"{name:20s} {text}  not found {lost}")


def stiffness(seed: int) -> None:
    """Print how well B of plucked strings is told, and how honestly, dry, in noise, in a room."""
    print("B, errors in %: median, 95th percentile; stated; within one and two stated; not told")
    places = (("dry", None, -70.0), ("noise", None, -40.0), ("room of 0.6 s", 0.6, -65.0))
    told: dict[str, list[tuple[float, float]]] = {}
    untold: dict[str, int] = {}
    for trial in range(24):
        rng = np.random.default_rng([seed, 79, trial])
        role: Role = "bass-fretted" if trial % 2 else "fretted"
        lowest, highest = (41.2, 150.0) if trial % 2 else (82.4, 660.0)
        notes, truth, at_s = [], [], 0.2
        for _ in range(12):
            f1_hz, b = _between(rng, lowest, highest), _between(rng, 3e-5, 6e-4)
            string = StringSound(
                b=b,
                pick_at=float(rng.uniform(0.08, 0.3)),
                brightness=float(rng.uniform(0.6, 1.3)),
                decay_s=float(rng.uniform(0.5, 2.0)),
                sharp_at_onset_cents=float(rng.uniform(0.0, 15.0)),
                settle_s=float(rng.uniform(0.05, 0.2)),
            )
            seconds = float(rng.uniform(0.4, 1.0))
            notes.append((at_s, plucked(f1_hz, seconds, string, rng)))
            truth.append((at_s, b))
            at_s += seconds + float(rng.uniform(0.0, 0.3))
        dry = mix(notes, at_s + 1.0).samples
        for place, rt60_s, floor_dbfs in places:
            samples = dry if rt60_s is None else in_room(dry, room_response(rt60_s, -12.0, rng))
            samples = with_noise_floor(samples / (2 * np.abs(samples).max()), floor_dbfs, rng)
            for note, measured in measured_notes(stem_of(samples, SR, role)):
                known, sd = measured.inharmonicity_b, measured.inharmonicity_b_uncertainty
                true_b = next((b for s, b in truth if abs(s - note.start_s) < PLACED_S), None)
                if true_b is None:
                    continue
                if known is None or sd is None:
                    untold[f"{role} {place}"] = untold.get(f"{role} {place}", 0) + 1
                else:
                    pair = (abs(known / true_b - 1), sd / true_b)
                    told.setdefault(f"{role} {place}", []).append(pair)
    for name, pairs in sorted(told.items()):
        error, stated = np.array(pairs).T
        print(
            f"{name:26s} n {len(error):4d} {100 * np.median(error):6.2f}"
            f" {100 * np.percentile(error, 95):6.2f}  {100 * np.median(stated):6.2f}"
            f"  {100 * np.mean(error <= stated):3.0f} {100 * np.mean(error <= 2 * stated):3.0f} %"
            f"  {untold.get(name, 0)}"
        )


def _between(rng: np.random.Generator, lowest: float, highest: float) -> float:
    return float(np.exp(rng.uniform(np.log(lowest), np.log(highest))))


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.limits", description="Single notes beside what noise allows."
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trials", type=int, default=8, help="notes a cell")
    parser.add_argument("--cells", action="store_true", help="a line for every pitch")
    parser.add_argument("--kinds", nargs="*", default=None, metavar="NAME")
    parser.add_argument("--pitches-hz", type=float, nargs="*", default=PITCHES_HZ)
    parser.add_argument("--parts", nargs="*", default=("grid", "plucks", "vibrato", "stiffness"))
    options = parser.parse_args(argv)
    kinds = tuple(k for k in KINDS if options.kinds is None or k.name in options.kinds)
    if "grid" in options.parts:
        pitches = tuple(options.pitches_hz)
        grid(options.seed, options.trials, kinds, pitches, cells=options.cells)
    if "plucks" in options.parts:
        plucks(options.seed)
    if "vibrato" in options.parts:
        vibratos(options.seed)
    if "stiffness" in options.parts:
        stiffness(options.seed)


if __name__ == "__main__":
    main()
