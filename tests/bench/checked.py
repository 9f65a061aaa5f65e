"""Edits of recorded notes, right and wrong ones: ``python -m tests.bench.checked FOLDER``.

``FOLDER`` as for `tests.bench.named`. Four lines of recorded notes (`tests.bench.sequenced`), a
fifth of them 18 to 32 cents off and the others scattered by 4, are planned at A4 = 440. As their
bounces the same lines are set again, with the planned moves: of the rows of single notes three in
five as planned, the others not at all, the other way, twice or by half; and two notes a line that
nobody asked for moved by 11. Prints what `planner check` says of each kind, where one note was
found for one that was set.
"""

import argparse
import tempfile
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import soundfile
import yaml

from planner.edges.checking import Checked, check_session
from planner.edges.writing import Form
from planner.run import plan_session
from planner.words.plan_model import Judged, Plan
from tests.bench.named import ROLES
from tests.bench.sequenced import SR, Recording, SetNote, line_of, recordings

SHARES = {"right": 1.0, "skipped": 0.0, "reversed": -1.0, "twice": 2.0, "half": 0.5}
_OF_KIND = (0.6, 0.1, 0.1, 0.1, 0.1)
_UNASKED_CENTS, _UNASKED_FROM_S = 11.0, 0.5
_NEAR_S = 0.12
Edits = dict[str, str]  # note -> how it was edited: as in `SHARES`, "unasked" or "still"


def played(line: list[SetNote], rng: np.random.Generator) -> dict[int, float]:
    """Cents that each note of a line is off."""
    off = rng.normal(0.0, 4.0, len(line))
    bad = rng.random(len(line)) < 0.2
    off[bad] += rng.choice([-1.0, 1.0], bad.sum()) * rng.uniform(18.0, 32.0, bad.sum())
    return dict(enumerate(off.tolist()))


def edited(
    plan: Plan, code: str, line: list[SetNote], off: dict[int, float], rng: np.random.Generator
) -> tuple[dict[int, float], Edits]:
    """Cents off once edited, and how each note was."""
    starts_s = np.array([note.start_s for note in line])
    of: defaultdict[int, list[Judged]] = defaultdict(list)
    for j in plan.judged:
        if j.measured.note.stem == code:
            away_s = np.abs(starts_s - j.measured.note.start_s)
            if away_s.min() < _NEAR_S:
                of[int(away_s.argmin())].append(j)
    now, made = dict(off), Edits()
    free: list[tuple[int, str]] = []
    for place, found in of.items():
        j = found[0]
        if len(found) > 1 or j.action not in ("raise-lower", "leave"):
            continue
        share = 1.0
        if j.action == "raise-lower":
            made[j.measured.id] = str(rng.choice(list(SHARES), p=_OF_KIND))
            share = SHARES[made[j.measured.id]]
        elif line[place].end_s - line[place].start_s >= _UNASKED_FROM_S:
            free.append((place, j.measured.id))
        made.setdefault(j.measured.id, "still")
        now[place] += j.layer_cents + share * j.own_cents
    for k in rng.choice(len(free), min(2, len(free)), replace=False):
        now[free[k][0]] += float(rng.choice([-1.0, 1.0])) * _UNASKED_CENTS
        made[free[k][1]] = "unasked"
    return now, made


def checked(of: dict[str, list[Recording]], seed: int, folder: Path) -> tuple[Checked, Edits]:
    """Plan four lines, edit and check them."""
    rng = np.random.default_rng([seed, 4])
    names = [str(name) for name in rng.choice(sorted(of), 4, replace=False)]
    (folder / "audio").mkdir()
    (folder / "fixed").mkdir()
    lines, stems = {}, []
    for k, name in enumerate(names):
        code = f"P{k + 1}"
        _, line = line_of(of[name], ROLES[name], seed, fast=False)
        off = played(line, rng)
        samples, _ = line_of(of[name], ROLES[name], seed, fast=False, off_cents=off)
        soundfile.write(folder / "audio" / f"{code}.wav", samples, SR, subtype="PCM_24")
        lines[code] = (name, line, off)
        stems.append({"code": code, "file": f"{code}.wav", "role": ROLES[name]})
    session = {
        "version": 1, "song": f"Sampled {seed}", "audio_folder": "audio",
        "pitch_reference": {"a4_hz": 440.0}, "stems": stems,
    }  # fmt: skip
    path = folder / "session.yaml"
    path.write_text(yaml.safe_dump(session), encoding="utf-8")
    plan = plan_session(path, form=Form(page_sound=False)).plan
    every = Edits()
    for code, (name, line, off) in lines.items():
        now, made = edited(plan, code, line, off, rng)
        every |= made
        samples, _ = line_of(of[name], ROLES[name], seed, fast=False, off_cents=now)
        soundfile.write(folder / "fixed" / f"{code}_fix.wav", samples, SR, subtype="PCM_24")
    return check_session(path, folder / "fixed"), every


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.checked", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 2), metavar=("FIRST", "LAST"))
    options = parser.parse_args()
    single = [name for name, role in ROLES.items() if role != "tuning-reference"]
    of = {name: notes for name in single if len(notes := recordings(options.folder / name)) >= 4}
    if len(of) < 4:
        parser.error(f"{options.folder} holds no four folders named {', '.join(single)}")
    told: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for seed in range(options.seeds[0], options.seeds[1] + 1):
        with tempfile.TemporaryDirectory() as folder:
            result, edits = checked(of, seed, Path(folder))
        verdicts = {row.id: str(row.verdict) for row in result.check.rows}
        moved = {one.id for one in result.check.moved}
        for note_id, kind in edits.items():
            said = "moved" if note_id in moved else "not moved"
            told[kind][verdicts.get(note_id, said)] += 1
        told["rules"].update(said for k, said in verdicts.items() if k.startswith("R-"))
    for kind, counts in told.items():
        print(f"{kind}: {', '.join(f'{n} {said}' for said, n in counts.most_common())}")


if __name__ == "__main__":
    main()
