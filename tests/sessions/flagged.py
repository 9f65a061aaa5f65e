"""Which planted faults a plan shows, and which good notes: ``python -m tests.sessions.flagged``.

Random sessions with sound and exact truth (`tests.sessions.random_session`). A planted bad note
lies 25 cents and more from where its part sits (they are made 28 to 42 off); a good one at most 8,
which is how far two thirds of all notes are scattered. With ``--winds`` a reed and a trumpet play
beside the six stems. A note is flagged where it has a row or
question of its own; moved inside its tolerance, for the beating that goes with it, is counted by
itself. Of the whole, what is left of the sour seconds with a fifth of the notes touched, and what
once the questions which note was meant are answered, rightly.
"""

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import yaml

from planner.edges.writing import Form
from planner.model import FIXED_ROLES
from planner.pitch import midi_to_hz, note_name
from planner.rules import IN_TOLERANCE
from planner.run import plan_session
from planner.words.plan_model import Judged, Plan
from tests.sessions.random_session import TrueStem, Truth, make_session
from tests.sessions.written_score import true_midi

BAD_CENTS = 25.0
GOOD_CENTS = 8.0
_NEAR_S = 0.06
_FEW = 0.2
_WHICH_NOTE = "between two notes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One true note, and what became of it."""

    stem: str
    start_s: float
    off_cents: float  # from where its part sits
    found: Judged | None
    flagged: bool
    for_beating: bool  # moved inside its tolerance

    @property
    def told(self) -> str:
        said = "not found" if self.found is None else f"{self.found.rule_name}: {self.found.reason}"
        return f"{self.stem} {self.start_s:.2f} s, {self.off_cents:+.1f}: {said}"


def seen_in(truth: Truth, stem: TrueStem, plan: Plan) -> list[Seen]:
    """Lay the true notes of one stem beside what the plan says of them."""
    asked = {note_id for row in plan.rows if row.kind == "question" for note_id in row.covers}
    own = {row.id for row in plan.rows if row.kind == "note"} | asked
    judged = [j for j in plan.judged if j.measured.note.stem == stem.code]
    seen = []
    for note in stem.notes:
        midi = true_midi(note, truth.a4_hz)
        hz = note.sustain_hz or note.onset_hz
        off = 1200 * np.log2(hz / midi_to_hz(midi, truth.a4_hz)) - stem.offset_cents
        near = [j for j in judged if abs(j.measured.note.start_s - note.start_s) <= _NEAR_S]
        found = min(near, key=lambda j: abs(np.log2(j.measured.note.pitch_hz / hz)), default=None)
        a_row = found is not None and found.measured.id in own
        beats = a_row and found is not None and found.rule_name == IN_TOLERANCE
        seen.append(
            Seen(
                stem=stem.code, start_s=note.start_s, off_cents=float(off), found=found,
                flagged=a_row and not beats, for_beating=beats,
            )
        )  # fmt: skip
    return seen


def main() -> None:
    """Print what was missed and what was shown without need, then the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-4")
    parser.add_argument("--winds", action="store_true")
    options = parser.parse_args()
    first, _, last = options.seeds.partition("-")
    every: list[Seen] = []
    for seed in range(int(first), int(last or first) + 1):
        with tempfile.TemporaryDirectory() as folder:
            truth = make_session(seed, Path(folder) / "job", winds=options.winds)
            plan = plan_session(truth.session_file, form=Form(page_sound=False)).plan
            few, answered = _few_touched(truth)
        fixed = {s.code for s in truth.stems if s.role in FIXED_ROLES}
        moved = [r.id for r in plan.rows if r.stem in fixed and r.add_cents is not None]
        left, then = ((p.sour_after_s or 0.0) / (p.sour_before_s or 1.0) for p in (few, answered))
        print(
            f"seed {seed}: {plan.sour_before_s} sour s, {plan.sour_after_s} after all; with a "
            f"fifth touched {left:.0%} left, {then:.0%} once answered; rows that move the "
            f"reference: {len(moved)}"
        )
        for stem in truth.stems:
            if stem.role in FIXED_ROLES:
                continue
            seen = seen_in(truth, stem, plan)
            every += seen
            bad = [one for one in seen if abs(one.off_cents) >= BAD_CENTS]
            good = [one for one in seen if abs(one.off_cents) <= GOOD_CENTS]
            for one in [n for n in bad if not n.flagged] + [n for n in good if n.flagged]:
                print(f"  {'missed' if one in bad else 'without need'} {one.told}")
    for code in dict.fromkeys(n.stem for n in every):
        bad = [n for n in every if n.stem == code and abs(n.off_cents) >= BAD_CENTS]
        good = [n for n in every if n.stem == code and abs(n.off_cents) <= GOOD_CENTS]
        print(
            f"{code}: {sum(n.flagged for n in bad)} of {len(bad)} planted bad notes flagged; of "
            f"{len(good)} good ones {sum(n.flagged for n in good)} flagged, "
            f"{sum(n.for_beating for n in good)} moved for their beating alone"
        )


def _few_touched(truth: Truth) -> tuple[Plan, Plan]:
    """Plan with at most a fifth of the notes touched, and again with questions answered."""
    said = yaml.safe_load(truth.session_file.read_text(encoding="utf-8"))
    path = truth.session_file.with_name("few.yaml")
    path.write_text(yaml.safe_dump({**said, "touch_at_most": _FEW, "edit_minutes": 600}))
    kept = truth.session_file.parent / "measured_notes"
    (kept / "session").rename(kept / "few")
    few = plan_session(path, form=Form(page_sound=False)).plan
    answers = [
        {"id": note_id, "by": "who was there", "override": {"intended": note_name(midi)}}
        for note_id, midi in _meant(truth, few)
    ]
    said = yaml.safe_dump({"version": 1, "answers": answers})
    path.with_name("few.answers.yaml").write_text(said)
    return few, plan_session(path, form=Form(page_sound=False)).plan


def _meant(truth: Truth, plan: Plan) -> Iterator[tuple[str, int]]:
    """Of each note of which it is asked which was meant, its id and the one that was (MIDI)."""
    notes = {stem.code: stem.notes for stem in truth.stems}
    for j in plan.judged:
        if j.rule_name == _WHICH_NOTE:
            begins_s = j.measured.note.start_s
            played = min(notes[j.measured.note.stem], key=lambda n: abs(n.start_s - begins_s))
            yield j.measured.id, true_midi(played, truth.a4_hz)


if __name__ == "__main__":
    main()
