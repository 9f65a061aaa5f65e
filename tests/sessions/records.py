"""Random sessions of measured notes, without sound: ``python -m tests.sessions.records``.

An invented band over an invented chord sequence: a piano that is right, and a bass, a guitar,
strings, horns and voices with faults of their own (whole parts off, single pitches off, gross
notes) on a scatter that differs from session to session. Prints how many sour seconds a plan
leaves, after a fifth of the notes and after all.
"""

import argparse
import math
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.clashes import EXPOSED_WEIGHT, SORE_KINDS, Clash, SoundingNote, find_clashes
from planner.files.configs import read_judging, read_tolerances
from planner.model import MeasuredNote, Measurement, Note, Role, SessionA4, StemNotes
from planner.pitch import cents, midi_to_hz, shift_hz
from planner.plan.ground import Ground
from planner.plan.planning import make_plan
from planner.words.plan_model import Plan
from planner.words.session_model import Session, StemSpec

SR = 48000
BAR_S = 2.0
MOST_TOUCHED = 0.2  # of all notes
SECONDS_PER_EDIT = 30.0  # the default of a session
HELD_S = 0.5  # notes this long are sour by themselves beyond their tolerance
# Triads of a major key, as pitch classes: one of these a bar.
CHORDS = ((0, 4, 7), (5, 9, 0), (7, 11, 2), (9, 0, 4), (2, 5, 9), (4, 7, 11))


@dataclass(frozen=True, slots=True)
class Player:
    """One part of the invented band."""

    code: str
    role: Role
    low: int  # MIDI range
    high: int
    lengths_s: tuple[float, ...]
    scatter_cents: float


# Code, role, range, lengths of notes in s, scatter in cents of a loose player.
PLAYERS = (
    Player("BAS", "bass-fretted", 28, 43, (0.5, 1.0), 4.0),
    Player("EGL", "fretted", 52, 72, (0.25, 0.5, 1.0), 6.0),
    Player("CEL", "bowed", 40, 60, (1.0, 2.0), 7.0),
    Player("FLG", "brass", 55, 74, (0.5, 1.0, 2.0), 7.0),
    Player("LV", "lead-voice", 55, 72, (0.5, 1.0, 2.0), 10.0),
    Player("BV1", "voice-harmony", 55, 72, (1.0, 2.0), 8.0),
    Player("BV2", "voice-harmony", 52, 69, (1.0, 2.0), 8.0),
    Player("VD", "voice-double", 55, 72, (0.5, 1.0), 8.0),
)


def make_records(
    seed: int, bars: int = 24, loose: tuple[float, float] = (0.1, 1.0)
) -> tuple[StemNotes, ...]:
    """Make the measured notes of one session, the reference first.

    Parameters
    ----------
    loose : (float, float)
        How much of their scatter the players show: drawn between the two, for the whole band.
    """
    rng = np.random.default_rng([seed, 20251125])
    chords = [CHORDS[int(k)] for k in rng.integers(0, len(CHORDS), bars)]
    wanted = sorted(rng.choice(len(PLAYERS), int(rng.integers(3, len(PLAYERS) + 1)), replace=False))
    stems = [_reference(chords, rng)]
    share = float(rng.uniform(*loose))
    stems += [_part(PLAYERS[int(k)], chords, share, rng) for k in wanted]
    return tuple(stems)


def plan_of(stems: tuple[StemNotes, ...], **fields: object) -> Plan:
    """Plan some stems at A4 = 440 with the plain preset."""
    specs = tuple(StemSpec(code=s.code, file=f"{s.code}.wav", role=s.role) for s in stems)
    ground = Ground(
        session=Session(**{"song": "Invented", "stems": specs, **fields}),  # type: ignore[arg-type]
        a4=SessionA4(a4_hz=440.0, found_from="typed"),
        tolerances=read_tolerances(),
        judging=read_judging("plain-band"),
    )
    return make_plan(ground, stems)


def _reference(chords: list[tuple[int, ...]], rng: np.random.Generator) -> StemNotes:
    notes = [
        (bar * BAR_S, BAR_S - 0.05, 48 + pitch_class, float(rng.normal(0, 0.5)))
        for bar, chord in enumerate(chords)
        for pitch_class in sorted(chord)
    ]
    return _stem("PNO", "tuning-reference", notes, rng)


def _part(
    player: Player, chords: list[tuple[int, ...]], loose: float, rng: np.random.Generator
) -> StemNotes:
    offset = float(rng.normal(0, 6)) if rng.random() < 0.4 else 0.0
    habit = {int(k): float(rng.normal(0, 9)) for k in rng.integers(player.low, player.high, 3)}
    length_s = float(rng.choice(player.lengths_s))
    notes = []
    for bar, chord in enumerate(chords):
        for k in range(round(BAR_S / length_s)):
            if rng.random() < 0.15:
                continue
            near = [m for m in range(player.low, player.high + 1) if m % 12 in chord]
            midi = int(rng.choice(near))
            off = offset + habit.get(midi, 0.0) + float(rng.normal(0, loose * player.scatter_cents))
            off += float(rng.normal(0, 20)) if rng.random() < 0.05 else 0.0
            start_s = bar * BAR_S + k * length_s + float(rng.normal(0, 0.01))
            notes.append((max(start_s, 0.0), length_s - 0.04, midi, off))
    return _stem(player.code, player.role, notes, rng)


def _stem(
    code: str, role: Role, notes: list[tuple[float, float, int, float]], rng: np.random.Generator
) -> StemNotes:
    made = []
    for k, (start_s, length_s, midi, off) in enumerate(sorted(notes)):
        hz = shift_hz(midi_to_hz(midi), off)
        unsure = float(rng.uniform(0.3, 1.5))
        short = length_s < 0.2
        made.append(
            MeasuredNote(
                id=f"{code}-{k + 1:04d}",
                note=Note(
                    stem=code, start_s=start_s, end_s=start_s + length_s,
                    start_smp=round(start_s * SR), end_smp=round((start_s + length_s) * SR),
                    pitch_hz=hz, strength=0.9, pitched_share=1.0,
                    level_db=float(rng.normal(-20, 3)), begins="attack",
                ),
                measurement=Measurement(
                    onset_hz=hz, sustain_hz=None if short else hz, end_hz=None if short else hz,
                    heard_hz=hz, uncertainty_cents=None if short else unsure,
                    onset_uncertainty_cents=unsure + 1.0, confidence="firm",
                ),
            )
        )  # fmt: skip
    return StemNotes(code=code, role=role, facts=None, notes=tuple(made))


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What one session's plan leaves."""

    seed: int
    notes: int
    before_s: float
    edits: int
    after_s: float
    edits_of_few: int  # of the plan that touches at most a fifth of the notes
    touched: int  # by that plan
    after_few_s: float
    after_few_edits_s: float  # with at most so many edits, a rule counting as one


def score(seed: int, loose: tuple[float, float]) -> Score:
    """Plan one session and count, in the order of the list."""
    stems = make_records(seed, loose=loose)
    notes = sum(len(s.notes) for s in stems)
    # The stop line lies at so many edits: what stands above it is chosen for that number.
    made = plan_of(stems, edit_minutes=round(MOST_TOUCHED * notes) * SECONDS_PER_EDIT / 60.0)
    few = plan_of(stems, edit_minutes=1e6, touch_at_most=MOST_TOUCHED)
    done = frozenset(row_id for line in few.offenders for row_id in line.row_ids)
    touched = {n for row in few.rows if row.id in done for n in row.covers}
    assert len(touched) <= MOST_TOUCHED * notes
    first = [row_id for line in made.offenders for row_id in line.row_ids]
    first = first[: round(MOST_TOUCHED * notes)]
    return Score(
        seed=seed,
        notes=notes,
        before_s=made.sour_before_s or 0.0,
        edits=sum(o.edits for o in made.offenders),
        after_s=made.sour_after_s or 0.0,
        edits_of_few=len(done),
        touched=len(touched),
        after_few_s=sour_with(few, done),
        after_few_edits_s=sour_with(made, frozenset(first)),
    )


def sour_with(made: Plan, done: frozenset[str]) -> float:
    """Sour seconds with some rows of a plan made, found without the room that orders them."""
    notes = sounding_of(made, done)
    limits = {j.measured.id: j.tolerance_cents for j in made.judged}
    beyond = {
        n.id
        for n in notes
        if (limit := limits[n.id]) is not None
        and n.end_s - n.start_s >= HELD_S
        and round(abs(cents(n.heard_hz, n.target_hz)), 1) > limit
    }
    return sour_seconds(notes, find_clashes(notes), frozenset(beyond))


def sour_seconds(
    notes: Iterable[SoundingNote], clashes: Iterable[Clash], out_of_tolerance: frozenset[str]
) -> float:
    """Add up the time with an exposed clash or a held note beyond its tolerance, in s.

    Moments with several at once count once. A soft clash does not count.
    """
    spans = [
        (c.start_s, c.end_s) for c in clashes if c.kind in SORE_KINDS and c.weight >= EXPOSED_WEIGHT
    ]
    spans += [(n.start_s, n.end_s) for n in notes if n.id in out_of_tolerance]
    total, until = 0.0, -math.inf
    for start_s, end_s in sorted(spans):
        total += max(0.0, end_s - max(start_s, until))
        until = max(until, end_s)
    return total


def sounding_of(made: Plan, done: frozenset[str]) -> list[SoundingNote]:
    """The notes of a plan as they sound once some of its rows are made."""
    loud = {
        s.code: float(np.percentile([j.measured.note.level_db for j in own], 90))
        for s in made.stems
        if (own := [j for j in made.judged if j.measured.note.stem == s.code])
    }
    roles = {s.code: s.role for s in made.stems}
    notes = []
    for j in made.judged:
        note, m = j.measured.note, j.measured.measurement
        if j.heard_cents is None:
            continue
        error = j.heard_cents + sum(c for rule_id, c in j.layers if rule_id in done)
        if j.measured.id in done:
            layers = sum(c for _, c in j.layers)
            # Both are told in tenths of a cent: their difference is the move.
            error += (j.remaining_cents or 0.0) - round(j.heard_cents + layers, 1)
        notes.append(
            SoundingNote(
                id=j.measured.id, stem=note.stem, role=roles[note.stem],
                midi=j.target.intended_midi, start_s=note.start_s, end_s=note.end_s,
                heard_hz=shift_hz(j.target.target_hz, error), target_hz=j.target.target_hz,
                level_db=note.level_db - loud[note.stem],
                uncertainty_cents=m.uncertainty_cents or m.onset_uncertainty_cents or 0.0,
            )
        )  # fmt: skip
    return notes


def main() -> None:
    """Print one line a seed, then the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-24")
    parser.add_argument("--loose", default="0.1-1.0", help="how much players scatter, from-to")
    args = parser.parse_args()
    first, _, last = args.seeds.partition("-")
    low, _, high = args.loose.partition("-")
    began = time.perf_counter()
    scores = [
        score(seed, (float(low), float(high or low)))
        for seed in range(int(first), int(last or first) + 1)
    ]
    for s in scores:
        print(
            f"seed {s.seed:5d}: {s.notes:4d} notes, {s.before_s:5.1f} sour s; a fifth touched: "
            f"{s.edits_of_few:3d} edits, {s.after_few_s:5.1f} s; all: {s.edits:3d} edits, "
            f"{s.after_s:5.1f} s"
        )
    few = np.median([s.after_few_s / s.before_s for s in scores if s.before_s > 0])
    edits = np.median([s.after_few_edits_s / s.before_s for s in scores if s.before_s > 0])
    every = np.median([s.after_s / s.before_s for s in scores if s.before_s > 0])
    worse = sum(s.after_s > s.before_s or s.after_few_s > s.before_s for s in scores)
    print(
        f"left of the sour seconds (median): {few:.0%} with a fifth touched, "
        f"{edits:.0%} with edits for a fifth of the notes, {every:.0%} with all"
    )
    print(f"{worse} of {len(scores)} sessions come out worse; {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
