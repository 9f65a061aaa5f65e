"""Edited notes that are only moved, and others: ``python -m tests.bench.edited --seeds 11 14``.

Parts of random sessions are made again with a twelfth of their notes moved as their plan might,
level and formants kept ("moved"), or in addition one of them softer or louder by 4 to 8 dB
("level"), silent ("muted"), or turned round in time ("replaced"). Prints how many of each are told
by `planner.compare.edited_notes`, how many moved notes are told wrongly, and how far their levels
read apart.
"""

import argparse
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from planner.compare.edited_notes import edited_said
from planner.compare.note_pairs import Reading, paired
from planner.demo.build import with_noise_floor
from planner.demo.tones import SR
from planner.edges.checking import readings_of
from planner.edges.hearing import hear_stem
from planner.words.session_model import StemSpec
from tests.invented_plan import row
from tests.sessions import random_session

PARTS = ("BAS", "GTR", "LV", "CEL")
KINDS = ("moved", "level", "muted", "replaced")


def part(
    seed: int, code: str, moves: dict[int, float]
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Give one part with some of its notes moved by so many cents, and the spans of its notes."""
    faults = replace(random_session.seeds_own_faults(seed, code), moves_cents=moves)
    sound = random_session.part_as_played(seed, code, faults=faults)[0].sound
    notes = random_session.true_notes(sound)
    x = with_noise_floor(0.4 * sound.samples / np.abs(sound.samples).max(), -62.0,
                         np.random.default_rng(seed))  # fmt: skip
    return x, [(n.start_s, n.end_s) for n in notes]


def heard(x: np.ndarray, code: str, folder: Path) -> tuple[Reading, ...]:
    path = folder / "part.wav"
    soundfile.write(path, x, SR, subtype="PCM_24")
    role = random_session.PARTS[code]
    return readings_of(hear_stem(StemSpec(code=code, file=path.name, role=role), path, path.name))


def spoil(
    x: np.ndarray, span: tuple[float, float], kind: str, rng: np.random.Generator
) -> np.ndarray:
    y, here = x.copy(), slice(round(span[0] * SR), round(span[1] * SR))
    if kind == "level":
        y[here] *= 10 ** (float(rng.choice([-1, 1]) * rng.uniform(4.0, 8.0)) / 20)
    elif kind == "muted":
        y[here] = 0.0
    elif kind == "replaced":
        y[here] = y[here][::-1]
    return y


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(11, 14), metavar=("FIRST", "LAST"))
    first, last = parser.parse_args().seeds
    told, made, apart = Counter[str](), Counter[str](), []
    wrongly = edits = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, last + 1):
            for code in PARTS:
                rng = np.random.default_rng([seed, *code.encode()])
                x, spans = part(seed, code, {})
                chosen = [int(k) for k in rng.choice(len(spans), len(spans) // 12, replace=False)]
                moves = {k: float(rng.choice([-1, 1]) * rng.uniform(8, 45)) for k in chosen}
                moved, _ = part(seed, code, moves)
                then = heard(x, code, Path(folder))
                of = {k: min(then, key=lambda r: abs(r.start_s - spans[k][0])) for k in moves}
                rows = [row(id=one.id, stem=code, covers=(one.id,)) for one in of.values()]
                for kind in KINDS:
                    k = chosen[0]
                    now = heard(spoil(moved, spans[k], kind, rng), code, Path(folder))
                    pairs = {p.then.id: p for p in paired(then, now).pairs}
                    said = "; ".join(edited_said(rows, then, pairs))
                    made[kind] += 1
                    told[kind] += of[k].id in said
                    if said and kind == "moved":
                        print(f"seed {seed} {code}: {said}")
                    others = [one.id for j, one in of.items() if j != k]
                    wrongly += sum(name in said for name in others)
                    edits += len(others)
                    if kind == "moved":
                        apart += [
                            p.now.level_db - p.then.level_db
                            for one in of.values()
                            if (p := pairs.get(one.id)) is not None
                            and p.now.level_db is not None and p.then.level_db is not None
                        ]  # fmt: skip
    for kind in KINDS:
        print(f"{kind:9s} told {told[kind]} of {made[kind]}")
    print(f"moved notes beside them told as well: {wrongly} of {edits}")
    worst = np.percentile(np.abs(apart), [50, 95, 100]).round(2)
    print(f"levels of {len(apart)} moved notes apart, dB: median {worst[0]}, 95 % {worst[1]}, "
          f"most {worst[2]}")  # fmt: skip


if __name__ == "__main__":
    main()
