"""Edited notes that kept their tone, and others: ``python -m tests.bench.edited_tone --seeds 1 2``.

Parts of random sessions are made again with a twelfth of their notes moved by 8 to 45 cents:
formants kept ("kept"), with the whole spectrum ("resampled"), or by librosa's phase vocoder
("vocoder"). Of the kept ones each is also spoiled: 6 dB less from 2 kHz on ("dull"), formants three
semitones higher ("formants"), white noise 20 dB under it ("noise"). Prints how many of each are
told, and how far bands read apart.
"""

import argparse
from collections import Counter, defaultdict

import librosa
import numpy as np
import soxr
from numpy.typing import NDArray

from planner.compare.edited_notes import band_levels_db, tone_change_db, tone_said
from planner.demo.tones import SR
from tests.bench.edited import PARTS, part

Sound = NDArray[np.float64]
KINDS = ("kept", "resampled", "vocoder", "dull", "formants", "noise")


def dull(x: Sound) -> Sound:
    """Take 6 dB away above 2 kHz, over an octave."""
    f_hz = np.fft.rfftfreq(len(x), 1.0 / SR)
    gain = np.interp(np.log2(np.maximum(f_hz, 1.0)), np.log2([1400.0, 2800.0]), [1.0, 0.5])
    return np.fft.irfft(np.fft.rfft(x) * gain, len(x))


def other_formants(x: Sound, semitones: float) -> Sound:
    """Move the smooth shape of the spectrum and leave its lines where they are."""
    spectrum = np.fft.rfft(x)
    f_hz = np.fft.rfftfreq(len(x), 1.0 / SR)
    log_power = 10.0 * np.log10(np.abs(spectrum) ** 2 + 1e-12)
    # The shape: the loudest line of each third of a kilohertz, joined.
    middles = np.arange(150.0, 12_000.0, 300.0)
    tops = [log_power[np.abs(f_hz - m) <= 200.0].max() for m in middles]
    shape = np.interp(f_hz, middles, tops)
    moved = np.interp(f_hz / 2.0 ** (semitones / 12.0), middles, tops)
    return np.fft.irfft(spectrum * 10.0 ** ((moved - shape) / 20.0), len(x))


def inner(span: tuple[float, float]) -> slice:
    """The middle of a note, as the check takes it."""
    start, end = span
    edge = 0.1 * (end - start)
    return slice(round((start + edge) * SR), round((end - edge) * SR))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    first, last = parser.parse_args().seeds
    told, made = Counter[str](), Counter[str]()
    apart: defaultdict[str, list[float]] = defaultdict(list)
    for seed in range(first, last + 1):
        for code in PARTS:
            rng = np.random.default_rng([seed, *code.encode(), 7])
            x, spans = part(seed, code, {})
            chosen = [int(k) for k in rng.choice(len(spans), len(spans) // 12, replace=False)]
            moves = {k: float(rng.choice([-1, 1]) * rng.uniform(8, 45)) for k in chosen}
            moved, _ = part(seed, code, moves)
            for k, by in moves.items():
                before = x[inner(spans[k])]
                now = moved[inner(spans[k])]
                whole = soxr.resample(x[inner(spans[k])], SR * 2.0 ** (by / 1200.0), SR)
                vocoder = librosa.effects.pitch_shift(x[inner(spans[k])], sr=SR, n_steps=by / 100)
                hiss = rng.normal(size=len(now)) * np.sqrt(np.mean(now**2)) * 0.1
                sounds = {
                    "kept": now, "resampled": whole, "vocoder": vocoder, "dull": dull(now),
                    "formants": other_formants(now, 3.0), "noise": now + hiss,
                }  # fmt: skip
                then_db = band_levels_db(before, SR)
                for kind in KINDS:
                    after_db = band_levels_db(sounds[kind], SR, by)
                    change = tone_change_db(then_db, after_db)
                    made[f"{code} {kind}"] += 1
                    told[f"{code} {kind}"] += bool(tone_said({"N": change}, {}))
                    apart[f"{code} {kind}"].append(float(np.nanmax(np.abs(change))))
    for kind in KINDS:
        for code in PARTS:
            name = f"{code} {kind}"
            low, middle, high = np.percentile(apart[name], [5, 50, 95]).round(1)
            most = max(apart[name])
            print(
                f"{name:14s} told {told[name]:3d} of {made[name]:3d}; widest band, dB: "
                f"5 % {low}, median {middle}, 95 % {high}, most {most:.1f}"
            )


if __name__ == "__main__":
    main()
