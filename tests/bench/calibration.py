"""Do stated uncertainties tell the truth? ``python -m tests.bench.calibration``.

Random sessions with rooms and noise floors, as they are, with noise added, in a larger room, and
with all other stems leaking in through a room: per stem and grade, how far notes are off as plans
tell them, to a tenth of a cent and with what is known of bleed, what was stated, and how often one
and two stated uncertainties cover the error; and how many notes are found (F1, without and with
ends). A normal error is covered in 68 and 95 of a hundred
cases.
"""

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from planner.demo.build import in_room, room_response
from planner.demo.tones import SR
from planner.edges.hearing import hear_stem
from planner.leaks.bleed import leaks_into, with_only_bleed, without_bleed
from planner.leaks.bleed_paths import how_stems_leak
from planner.model import Floats, MeasuredNote, StemNotes
from planner.words.session_model import StemSpec
from tests.bench.rooms import REVERB_DB
from tests.sessions.random_session import Truth, make_session
from tests.sessions.score import FoundNote, Tally, found_note, score_stem

GRADES = ("firm", "fair", "shaky")
ALL = "all"
CODES = ("BAS", "GTR", "LV", "CEL")
FAR_CENTS = 5.0  # a firm note must not be this far off

Pairs = tuple[tuple[float, float | None], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worse:
    """What is done to each stem of a session; nothing as it stands."""

    noise_db: float | None = None  # white noise, under the stem
    bleed_db: float | None = None  # each other stem, leaking in from elsewhere in a room, under it
    room_s: float | None = None  # RT60 of a room that makes a close recording sound distant


def graded(truth: Truth) -> dict[tuple[str, str], Tally]:
    """Measure the stems of a session; give tallies by stem code and grade, onsets by their own.

    Of `ALL` grades together only how many notes are found.
    """
    tallies: dict[tuple[str, str], Tally] = {}
    found = found_together(truth)
    for stem in truth.stems:
        if stem.code in found:
            every = score_stem(stem.notes, found[stem.code])[0]
            tallies[stem.code, ALL] = replace(every, sustain=(), onset=(), moving_onset=())
            for grade in GRADES:
                of_grade = [note for note in found[stem.code] if note.confidence == grade]
                begun = [note for note in found[stem.code] if note.onset_confidence == grade]
                onsets = score_stem(stem.notes, begun)[0]
                tallies[stem.code, grade] = replace(
                    score_stem(stem.notes, of_grade)[0],
                    onset=onsets.onset,
                    moving_onset=onsets.moving_onset,
                )
    return tallies


def found_together(truth: Truth) -> dict[str, list[FoundNote]]:
    """The notes of each stem, as sure as plans tell them that know all stems."""
    folder = truth.session_file.parent / "audio"
    specs = {
        stem.code: StemSpec(code=stem.code, file=stem.file, role=stem.role)  # type: ignore[arg-type]
        for stem in truth.stems
        if stem.code in CODES
    }
    heard = {c: hear_stem(spec, folder / spec.file, spec.file) for c, spec in specs.items()}
    notes = {code: [note for note, _ in one.notes] for code, one in heard.items()}
    leaking = how_stems_leak({code: one.spectra for code, one in heard.items()})
    leaking = with_only_bleed(leaking, notes)
    for code, spec in specs.items():
        if leaks := leaks_into(code, leaking):
            heard[code] = hear_stem(spec, folder / spec.file, spec.file, leaks=leaks)
    stems = [
        StemNotes(
            code=code,
            role=specs[code].role,
            facts=one.facts,
            notes=tuple(MeasuredNote(id="", note=n, measurement=m) for n, m in one.notes),
        )
        for code, one in heard.items()
    ]
    told = without_bleed(stems, leaking)
    return {
        stem.code: [as_told(found_note(one.note, one.measurement)) for one in stem.notes]
        for stem in told
    }


def as_told(note: FoundNote) -> FoundNote:
    """A note whose pitches stand on the tenths of a cent that plans tell."""

    def told(hz: float | None) -> float | None:
        return None if hz is None else 2.0 ** (round(1200.0 * float(np.log2(hz)), 1) / 1200.0)

    return replace(note, sustain_hz=told(note.sustain_hz), onset_hz=told(note.onset_hz))


def worsen(truth: Truth, worse: Worse) -> None:
    """Let the stems of a session made for a test sound in a room, in noise, or in each other."""
    rng = np.random.default_rng([truth.seed, 5])
    folder = truth.session_file.parent / "audio"
    files = {stem.code: folder / stem.file for stem in truth.stems if stem.code in CODES}
    rates = {code: soundfile.info(file).samplerate for code, file in files.items()}
    played = {code: _mono(file) for code, file in files.items()}
    length = max(len(samples) for samples in played.values())
    played = {code: np.pad(s, (0, length - len(s))) for code, s in played.items()}
    if worse.room_s is not None:
        played = {
            code: in_room(samples, room_response(worse.room_s, REVERB_DB, rng))
            for code, samples in played.items()
        }
    for code, samples in played.items():
        power = float(np.mean(samples**2))
        heard = samples.copy()
        if worse.noise_db is not None:
            heard += rng.normal(size=length) * np.sqrt(power) * 10 ** (-worse.noise_db / 20)
        if worse.bleed_db is not None:
            for other in (played[one] for one in played if one != code):
                level_db = -worse.bleed_db + 10 * np.log10(power / float(np.mean(other**2)))
                heard += leaked(other, level_db, rng)
        soundfile.write(files[code], heard, rates[code], subtype="FLOAT")


def leaked(samples: Floats, bleed_db: float, rng: np.random.Generator) -> Floats:
    """Let a part sound from elsewhere in a room: later, softer, with reflections."""
    late = np.zeros(round(rng.uniform(0.003, 0.02) * SR))
    response = np.concatenate([late, room_response(0.4, -3.0, rng)])
    return in_room(samples, response) * 10.0 ** (bleed_db / 20.0)


def _mono(file: Path) -> Floats:
    samples: Floats = soundfile.read(file, always_2d=True)[0].mean(axis=1)
    return samples


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
    parser.add_argument("--bleed-db", type=float, help="each other stem, dB under each stem")
    parser.add_argument("--room-s", type=float, help="RT60 of a room")
    options = parser.parse_args(argv)
    worse = Worse(noise_db=options.noise_db, bleed_db=options.bleed_db, room_s=options.room_s)
    totals: dict[tuple[str, str], Tally] = {}
    for seed in range(options.seeds[0], options.seeds[1] + 1):
        with tempfile.TemporaryDirectory() as folder:
            truth = make_session(seed, Path(folder) / "session")
            if worse != Worse():
                worsen(truth, worse)
            for key, tally in graded(truth).items():
                totals[key] = totals[key] + tally if key in totals else tally
    for (code, grade), tally in sorted(totals.items()):
        if grade == ALL:
            f1, with_ends = (
                2.0 * right / (tally.true + tally.found)
                for right in (tally.matched, tally.matched_with_ends)
            )
            print(f"{code} {tally.true} notes, {tally.found} listed: F1 {f1:.3f} {with_ends:.3f}")
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
