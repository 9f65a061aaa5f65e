"""Score the planner on random sessions with exact truth: ``python -m tests.sessions.score``.

Errors are compared as absolute frequencies of the first partial, so that a wrong session A4 and a
wrong intended note do not hide behind each other: ``target_hz * 2 ** (cents / 1200)`` against what
the sound was made from. With ``--direct`` the stages that find and measure notes are called on
their own, without a session and without decisions.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
import yaml
from mir_eval.transcription import match_notes

from planner.model import Measurement, Note, Stem
from planner.words.roles import is_chordal, role_range_hz, seldom_below_hz
from planner.words.session_model import StemSpec
from tests.sessions.random_session import TrueNote, TrueStem, Truth, make_session
from tests.sessions.written_score import true_midi, write_scores

ANALYSIS_SR = 16_000
LISTED = 6  # chosen: enough to see a pattern, few enough to read
LARGE_CENTS = 10.0  # an error worth listing
MOVING_CENTS = 3.0  # chosen: above, 15 ms of doubt about the start cost more than measuring does


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundNote:
    """One note as the planner reported it."""

    start_s: float
    end_s: float
    pitch_hz: float  # the best single figure: sustain, else onset, else coarse
    onset_hz: float | None
    sustain_hz: float | None
    end_hz: float | None
    onset_uncertainty_cents: float | None
    uncertainty_cents: float | None
    confidence: str
    onset_confidence: str
    intended_midi: int | None = None


# ------------------------------------------------------------------------------ two ways in


def found_directly(truth: Truth, stem: TrueStem) -> list[FoundNote]:
    """Call tracker, segmenter and analyzer (or the chord search) on one file."""
    from planner.analyzer import analyze
    from planner.chords import find_chord_notes
    from planner.segment.single_line import find_notes

    spec = StemSpec(code=stem.code, file=stem.file, role=stem.role)  # type: ignore[arg-type]
    path = truth.session_file.parent / "audio" / stem.file
    channels, sr = soundfile.read(path, dtype="float32", always_2d=True)
    samples = channels.mean(axis=1)
    read = Stem(
        code=spec.code,
        role=spec.role,
        samples=soxr.resample(samples, sr, ANALYSIS_SR, quality="VHQ").astype(np.float32),
        analysis_sr=ANALYSIS_SR,
        sr=sr,
        frames=len(samples),
        range_hz=role_range_hz(spec),
        seldom_below_hz=seldom_below_hz(spec),
    )
    if is_chordal(spec):
        pairs = list(find_chord_notes(read))
    else:
        notes, pitch_track = find_notes(read)
        pairs = list(zip(notes, analyze(read, pitch_track, notes), strict=True))
    return [found_note(*pair) for pair in pairs]


def found_note(note: Note, m: Measurement) -> FoundNote:
    """Say a measured note as the score wants it."""
    return FoundNote(
        start_s=note.start_s,
        end_s=note.end_s,
        pitch_hz=m.sustain_hz or m.onset_hz or note.pitch_hz,
        onset_hz=m.onset_hz,
        sustain_hz=m.sustain_hz,
        end_hz=m.end_hz,
        onset_uncertainty_cents=m.onset_uncertainty_cents,
        uncertainty_cents=m.uncertainty_cents,
        confidence=m.confidence,
        onset_confidence=m.onset_confidence,
    )


def planned(truth: Truth, out: Path) -> tuple[int, Path]:
    """Run the command line on a session; give its exit code and the plan's folder."""
    from planner.cli import main

    out.mkdir(exist_ok=True)
    code = main(["plan", str(truth.session_file), "--out", str(out)])
    folders = sorted(out.glob("plan_*"))
    if not folders:
        raise SystemExit(f"seed {truth.seed}: exit code {code} and no plan folder in {out}")
    return code, folders[-1]


def found_in_plan(plan: Path) -> dict[str, list[FoundNote]]:
    """Read notes.csv back: notes by stem code."""
    with open(plan / "notes.csv", encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    found: dict[str, list[FoundNote]] = {}
    for row in rows:
        target_hz = float(row["target_hz"]) if row["target_hz"] else None
        onset_hz = _hz(target_hz, row["onset_cents"])
        sustain_hz = _hz(target_hz, row["sustain_cents"])
        found.setdefault(row["stem"], []).append(
            FoundNote(
                start_s=float(row["start_s"]),
                end_s=float(row["end_s"]),
                pitch_hz=sustain_hz or onset_hz or target_hz or 1.0,
                onset_hz=onset_hz,
                sustain_hz=sustain_hz,
                end_hz=_hz(target_hz, row["end_cents"]),
                onset_uncertainty_cents=_number(row["onset_uncertainty_cents"]),
                uncertainty_cents=_number(row["uncertainty_cents"]),
                confidence=row["confidence"],
                onset_confidence=row["onset_confidence"],
                intended_midi=int(row["intended_midi"]) if row["intended_midi"] else None,
            )
        )
    return found


def _number(text: str) -> float | None:
    return float(text) if text else None


def _hz(target_hz: float | None, cents: str) -> float | None:
    return None if target_hz is None or not cents else target_hz * 2 ** (float(cents) / 1200)


# ------------------------------------------------------------------------------ scores


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What is counted for one stem; errors in cents, uncertainties beside them."""

    true: int
    found: int
    matched: int
    matched_with_ends: int
    wrong_pitch: int  # right start, more than half a semitone off
    sustain: tuple[tuple[float, float | None], ...]  # (error, stated uncertainty)
    cycles: tuple[tuple[float, float | None], ...]  # sustain against the mean of whole cycles
    onset: tuple[tuple[float, float | None], ...]  # where the note's start hardly matters
    moving_onset: tuple[tuple[float, float | None], ...]  # scoops and slides: it matters
    end: tuple[tuple[float, float | None], ...]

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            true=self.true + other.true,
            found=self.found + other.found,
            matched=self.matched + other.matched,
            matched_with_ends=self.matched_with_ends + other.matched_with_ends,
            wrong_pitch=self.wrong_pitch + other.wrong_pitch,
            sustain=self.sustain + other.sustain,
            cycles=self.cycles + other.cycles,
            onset=self.onset + other.onset,
            moving_onset=self.moving_onset + other.moving_onset,
            end=self.end + other.end,
        )

    def line(self) -> str:
        f1 = 2 * self.matched / max(self.true + self.found, 1)
        with_ends = 2 * self.matched_with_ends / max(self.true + self.found, 1)
        return (
            f"true {self.true:4d} found {self.found:4d}  F1 {f1:.3f} with ends {with_ends:.3f}  "
            f"sustain {_spread(self.sustain)} (cycles {_spread(self.cycles)})  "
            f"onset {_spread(self.onset)}  moving onset {_spread(self.moving_onset)}  "
            f"end {_spread(self.end)}  "
            f"wrong pitch {self.wrong_pitch}"
        )


def _spread(pairs: tuple[tuple[float, float | None], ...]) -> str:
    """Median and 95th percentile of the error, and how often one and two uncertainties cover it."""
    if not pairs:
        return "not measured"
    error = np.abs([e for e, _ in pairs])
    stated = [(abs(e), u) for e, u in pairs if u is not None]
    text = f"med {np.median(error):5.2f} p95 {np.percentile(error, 95):6.2f}"
    if stated:
        once = np.mean([e <= u for e, u in stated])
        twice = np.mean([e <= 2 * u for e, u in stated])
        text += f" cover {100 * once:3.0f}/{100 * twice:3.0f} %"
    return text + f" n {len(pairs)}"


def score_stem(true: tuple[TrueNote, ...], found: list[FoundNote]) -> tuple[Tally, list[str]]:
    """Compare one stem with the truth; also list what went wrong, in words."""
    if not true or not found:
        empty = Tally(
            true=len(true), found=len(found), matched=0, matched_with_ends=0, wrong_pitch=0,
            sustain=(), cycles=(), onset=(), moving_onset=(), end=(),
        )  # fmt: skip
        return empty, [f"spurious {_told(n)}" for n in found]
    ref = np.array([[n.start_s, n.end_s] for n in true])
    ref_hz = np.array([n.sustain_hz or n.onset_hz for n in true])
    est = np.array([[n.start_s, max(n.end_s, n.start_s + 1e-3)] for n in found])
    est_hz = np.array([n.pitch_hz for n in found])
    pairs = match_notes(ref, ref_hz, est, est_hz, offset_ratio=None)
    with_ends = match_notes(ref, ref_hz, est, est_hz)
    any_pitch = match_notes(ref, ref_hz, est, est_hz, pitch_tolerance=1e6, offset_ratio=None)
    right = {i for i, _ in pairs}
    used = {j for _, j in pairs}
    wrong = [(i, j) for i, j in any_pitch if i not in right and j not in used]
    sustain, cycles, onset, moving, ends, words = [], [], [], [], [], []
    for i, j in pairs:
        t, f = true[i], found[j]
        if t.sustain_hz and f.sustain_hz:
            sustain.append((_cents(f.sustain_hz, t.sustain_hz), f.uncertainty_cents))
            if abs(sustain[-1][0]) > LARGE_CENTS:
                words.append(_off("sustain", sustain[-1], t, f))
        if t.cycles_hz and f.sustain_hz:
            cycles.append((_cents(f.sustain_hz, t.cycles_hz), None))
        if f.onset_hz:
            error = _cents(f.onset_hz, t.onset_hz), f.onset_uncertainty_cents
            (moving if t.onset_moves_cents > MOVING_CENTS else onset).append(error)
            if abs(error[0]) > LARGE_CENTS + t.onset_moves_cents:
                words.append(_off("onset", error, t, f))
        # Where the pitch is already on its way to the next note, the end is no one figure.
        if t.end_hz and f.end_hz and t.end_moves_cents <= MOVING_CENTS:
            ends.append((_cents(f.end_hz, t.end_hz), None))
            if abs(ends[-1][0]) > LARGE_CENTS:
                words.append(_off("end", ends[-1], t, f))
    explained = used | {j for _, j in wrong}
    words += [
        f"wrong pitch {_told(found[j])} for {true[i].name} {ref_hz[i]:.1f} Hz" for i, j in wrong
    ]
    words += [f"spurious {_told(n)}" for j, n in enumerate(found) if j not in explained]
    missed = [n for i, n in enumerate(true) if i not in right | {k for k, _ in wrong}]
    words += [
        f"missed {n.name} at {n.start_s:.3f} s, {n.end_s - n.start_s:.2f} s long" for n in missed
    ]
    tally = Tally(
        true=len(true),
        found=len(found),
        matched=len(pairs),
        matched_with_ends=len(with_ends),
        wrong_pitch=len(wrong),
        sustain=tuple(sustain),
        cycles=tuple(cycles),
        onset=tuple(onset),
        moving_onset=tuple(moving),
        end=tuple(ends),
    )
    return tally, words


def _intended(truth: Truth, stem: TrueStem, found: list[FoundNote]) -> str:
    """Say how many of the notes found within 50 ms were taken for the note that was meant."""
    right = wrong = 0
    for f in found:
        near = [n for n in stem.notes if abs(n.start_s - f.start_s) <= 0.05]
        near = [n for n in near if abs(_cents(f.pitch_hz, n.sustain_hz or n.onset_hz)) <= 50]
        if near:
            meant = f.intended_midi == true_midi(near[0], truth.a4_hz)
            right, wrong = right + meant, wrong + (not meant)
    return f"intended note right {right}, wrong {wrong}"


def _cents(f_hz: float, true_hz: float) -> float:
    return float(1200 * np.log2(f_hz / true_hz))


def _told(n: FoundNote) -> str:
    length_s = n.end_s - n.start_s
    sure = n.confidence or "not measured"
    return f"{n.pitch_hz:.1f} Hz at {n.start_s:.3f} s, {length_s:.2f} s long, {sure}"


def _off(what: str, error: tuple[float, float | None], t: TrueNote, f: FoundNote) -> str:
    stated = "no figure" if error[1] is None else f"{error[1]:.1f}"
    return (
        f"{what} {error[0]:+.1f} c (stated {stated}, {f.confidence}) on {t.name} at "
        f"{t.start_s:.3f} s, {t.end_s - t.start_s:.2f} s long"
    )


# ------------------------------------------------------------------------------ the plan itself


def score_plan(truth: Truth, plan: Path) -> list[str]:
    """Say how the plan as a whole compares: A4, the shifted part, rows that should not be there."""
    run = yaml.safe_load((plan / "run.yaml").read_text(encoding="utf-8"))
    a4_hz = float(run["session_a4_hz"])
    words = [f"A4 {a4_hz:.3f} Hz, true {truth.a4_hz:g}: off by {a4_hz - truth.a4_hz:+.3f} Hz"]
    listed = yaml.safe_load((plan / "edit_list.yaml").read_text(encoding="utf-8"))
    rows = listed["rows"]
    for stem in truth.stems:
        whole = [r for r in rows if r["stem"] == stem.code and r["action"] == "whole-part"]
        made = f"median of sustains {_median([n.sustain_hz for n in stem.notes], truth, stem):+.1f}"
        made += f", of onsets {_median([n.onset_hz for n in stem.notes], truth, stem):+.1f}"
        if stem.offset_cents:
            said = ", ".join(f"add {r.get('add_cents')}" for r in whole) or "NONE"
            words.append(
                f"{stem.code} was made {stem.offset_cents:+g} c ({made}): whole-part rows: {said}"
            )
        elif whole and stem.notes:
            said = ", ".join(f"add {r.get('add_cents')}" for r in whole)
            words.append(f"{stem.code} was made at +0 ({made}) yet has whole-part rows: {said}")
    counts: dict[str, int] = {}
    for r in rows:
        name = f"{r['stem']} {r['kind']}/{r['action']}"
        counts[name] = counts.get(name, 0) + 1
    words.append("rows: " + ", ".join(f"{k} {v}" for k, v in sorted(counts.items())))
    moving = [r for r in rows if r["stem"] == "PNO" and r.get("add_cents") is not None]
    words.append(f"rows that move the reference: {len(moving)}")
    return words


def _median(made_hz: list[float | None], truth: Truth, stem: TrueStem) -> float:
    """Median distance in cents from the equal scale on the true A4."""
    over_a4 = [_cents(hz, truth.a4_hz) for hz in made_hz if hz]
    off = [c - 100 * round((c - stem.offset_cents) / 100) for c in over_a4]
    return float(np.median(off)) if off else float("nan")


def _seeds(text: str) -> list[int]:
    seeds: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        seeds += range(int(first), int(last or first) + 1)
    return seeds


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.sessions.score", description=__doc__)
    parser.add_argument("--seeds", default="1-4", help="such as 1-4 or 2,5,9")
    parser.add_argument("--keep", type=Path, help="folder for sessions and plans")
    parser.add_argument("--direct", action="store_true", help="without the command line")
    parser.add_argument("--scores", action="store_true", help="with written scores of all stems")
    parser.add_argument("--stems", default="", help="codes to score, such as BAS,LV")
    parser.add_argument("--list-all", action="store_true", help=f"not only {LISTED} faults a stem")
    options = parser.parse_args(argv)
    wanted = set(options.stems.split(",")) - {""}
    with tempfile.TemporaryDirectory() as temporary:
        base = options.keep or Path(temporary)
        totals: dict[str, Tally] = {}
        for seed in _seeds(options.seeds):
            _score_seed(seed, base, options, wanted, totals)
    print("\nall seeds")
    for code, tally in totals.items():
        print(f"  {code:4s}{tally.line()}")
    return 0


def _score_seed(
    seed: int, base: Path, options: argparse.Namespace, wanted: set[str], totals: dict[str, Tally]
) -> None:
    begun = time.perf_counter()
    truth = make_session(seed, base / f"session_{seed}")
    print(f"\nseed {seed}: {truth.about}  (made in {time.perf_counter() - begun:.0f} s)")
    if options.scores:
        write_scores(truth)
    plan, from_plan = None, {}
    if not options.direct:
        begun = time.perf_counter()
        code, plan = planned(truth, base / f"session_{seed}_plans")
        print(f"  planned in {time.perf_counter() - begun:.0f} s, exit code {code}")
        from_plan = found_in_plan(plan)
    for stem in truth.stems:
        if (wanted and stem.code not in wanted) or (options.direct and stem.role == "exclude"):
            continue
        begun = time.perf_counter()
        found = found_directly(truth, stem) if options.direct else from_plan.get(stem.code, [])
        tally, words = score_stem(stem.notes, found)
        totals[stem.code] = totals[stem.code] + tally if stem.code in totals else tally
        took = f"  {time.perf_counter() - begun:.1f} s" if options.direct else ""
        print(f"  {stem.code:4s}{tally.line()}{took}")
        if plan is not None and stem.notes:
            words = [_intended(truth, stem, found), *words]
        shown = words if options.list_all else words[:LISTED]
        for line in shown:
            print(f"         {line}")
        if len(words) > len(shown):
            print(f"         and {len(words) - len(shown)} more")
    if plan is not None:
        for line in score_plan(truth, plan):
            print(f"  {line}")
    sys.stdout.flush()


if __name__ == "__main__":
    raise SystemExit(main())
