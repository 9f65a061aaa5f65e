"""Is it told apart what is played and what leaks in? ``python -m tests.bench.bleed``.

Parts of random sessions, each in a room of its own, beside stems that hold nothing but the others
leaking in; then all of them leaking into each other. For every stem: notes found, notes kept by the
notes alone and, heard once more, with what stems share in phase, how many true notes are among
them, and how sure the paths are. Errors of kept notes stand beside what is stated.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import soxr

from planner.chords import find_chord_notes
from planner.demo.tones import SR
from planner.leaks import bleed_paths
from planner.leaks.bleed import leaks_into, with_only_bleed, without_bleed
from planner.leaks.bleed_paths import find_paths, how_stems_leak
from planner.leaks.leaks_out import Leak, without_leaks
from planner.leaks.spectra import Spectra, coarse_spectra
from planner.model import Floats, MeasuredNote, StemNotes
from planner.words.roles import is_chordal, role_range_hz
from planner.words.session_model import StemSpec
from tests.bench.calibration import coverage, leaked
from tests.sessions.random_session import PARTS, TrueNote, make_part
from tests.tones.exact import ANALYSIS_SR, measured_notes, stem_of

CODES = ("PNO", "BAS", "GTR", "LV", "CEL")
ONLY_BLEED = {"OH": CODES, "OB": ("PNO", "LV"), "HP": ("LV",)}  # stem: what leaks into it
ROLES = dict(PARTS, OH="woodwind", OB="fretted", HP="lead-voice")
FLOOR = 1e-4


@dataclass(frozen=True, slots=True)
class Heard:
    stem: StemNotes
    spectra: Spectra


def played(seed: int) -> tuple[dict[str, Floats], dict[str, tuple[TrueNote, ...]]]:
    """The parts of a session, equally loud and long, and their notes."""
    sounds, true = {}, {}
    for code in CODES:
        sound, true[code] = make_part(seed, code)
        sounds[code] = 0.4 * sound.samples / np.abs(sound.samples).max()
    length = max(len(s) for s in sounds.values())
    return {code: np.pad(s, (0, length - len(s))) for code, s in sounds.items()}, true


def hear(code: str, samples: Floats, leaks: Sequence[Leak] = ()) -> Heard:
    spec = StemSpec(code=code, file="x.wav", role=ROLES[code])  # type: ignore[arg-type]
    stem = stem_of(samples, SR, spec.role, range_hz=role_range_hz(spec))
    spectra = coarse_spectra(stem.samples, ANALYSIS_SR)
    if leaks:
        stem = replace(stem, samples=without_leaks(stem.samples, ANALYSIS_SR, spectra, leaks))
    pairs = find_chord_notes(stem) if is_chordal(spec) else measured_notes(stem)
    notes = tuple(MeasuredNote(id="", note=n, measurement=m) for n, m in pairs)
    return Heard(StemNotes(code=code, role=spec.role, facts=None, notes=notes), spectra)


def matches(stem: StemNotes, true: tuple[TrueNote, ...]) -> list[tuple[MeasuredNote, TrueNote]]:
    """Notes that begin within 60 ms and half a semitone of a true one."""
    return [
        (one, t)
        for one in stem.notes
        for t in true
        if abs(one.note.start_s - t.start_s) < 0.06
        and abs(1200 * np.log2(one.note.pitch_hz / (t.sustain_hz or t.onset_hz))) < 60
    ]


def sureness(sounds: dict[str, Floats]) -> list[float]:
    """By how many standard deviations of chance each path is there, found or not."""
    spectra = {
        code: coarse_spectra(soxr.resample(s, SR, ANALYSIS_SR).astype(np.float32), ANALYSIS_SR)
        for code, s in sounds.items()
    }
    return [
        bleed_paths.path_between(spectra[a], spectra[b])[1]
        for a in spectra
        for b in spectra
        if a != b
    ]


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.bleed", description="Notes and bleed told apart."
    )
    parser.add_argument("--seeds", type=int, nargs=2, default=(21, 23), metavar=("FIRST", "LAST"))
    parser.add_argument("--bleed-db", type=float, default=-20.0)
    parser.add_argument("--paths-only", action="store_true", help="only how sure paths are")
    options = parser.parse_args(argv)
    apart: list[float] = []
    leaking: list[float] = []
    pairs: dict[str, list[tuple[float, float | None]]] = {"without": [], "with": []}
    for seed in range(options.seeds[0], options.seeds[1] + 1):
        rng = np.random.default_rng(seed)
        dry, true = played(seed)
        floor = {c: FLOOR * rng.normal(size=len(s)) for c, s in dry.items()}
        alone = {code: s + floor[code] for code, s in dry.items()}
        mixed = {
            code: s + sum(leaked(o, options.bleed_db, rng) for c, o in dry.items() if c != code)
            for code, s in alone.items()
        }
        apart += sureness(alone)
        leaking += sureness(mixed)
        if options.paths_only:
            continue
        for code, sources in ONLY_BLEED.items():
            alone[code] = sum(leaked(dry[c], options.bleed_db, rng) for c in sources)
            alone[code] = alone[code] + FLOOR * rng.normal(size=len(alone[code]))
        for name, sounds in (("alone", alone), ("mixed", mixed)):
            heard = {code: hear(code, s) for code, s in sounds.items()}
            stems = [one.stem for one in heard.values()]
            spectra = {code: one.spectra for code, one in heard.items()}
            by_notes = {s.code: s for s in without_bleed(stems)}
            first = {s.code: [one.note for one in s.notes] for s in stems}
            paths = with_only_bleed(how_stems_leak(spectra), first)
            for code, sound in sounds.items():
                if leaks := leaks_into(code, paths):
                    heard[code] = hear(code, sound, leaks)
            anew = [one.stem for one in heard.values()]
            by_phase = {s.code: s for s in without_bleed(anew, paths)}
            for stem in stems:
                code, notes = stem.code, true.get(stem.code, ())
                counts = [
                    f"{len(s.notes)} ({len(matches(s, notes))} true)"
                    for s in (stem, by_notes[code], by_phase[code])
                ]
                said = "; ".join(f.what for f in by_phase[code].findings)
                print(
                    f"{seed} {name} {code:4s}true {len(notes)}, found {counts[0]}, "
                    f"by notes {counts[1]}, by phase {counts[2]}  {said}",
                    flush=True,
                )
                if name == "mixed" and code != "PNO":
                    for kind, one in (("without", by_notes[code]), ("with", by_phase[code])):
                        pairs[kind] += [
                            (1200 * np.log2(n.measurement.sustain_hz / t.sustain_hz),
                             n.measurement.uncertainty_cents)
                            for n, t in matches(one, notes)
                            if n.measurement.sustain_hz and t.sustain_hz
                        ]  # fmt: skip
            if name == "mixed":
                for path in find_paths(spectra):
                    print(f"     {path.source} in {path.into} at {path.gain_db:.0f} dB")
    for name, sure in (("apart", apart), ("leaking", leaking)):
        least, tenth, most = np.percentile(sure, [0, 10, 100])
        print(f"paths {name}: n {len(sure)}, least {least:.1f} tenth {tenth:.1f} most {most:.1f}")
    for kind, got in pairs.items():
        if got:
            once, twice = coverage(tuple(got))
            print(f"sustains {kind} the term for bleed: covered {once:.0%} and {twice:.0%}")


if __name__ == "__main__":
    main()
