"""Are planted faults of tuning found, as large as they are: ``python -m tests.sessions.planted``.

One part of a random session (`tests.sessions.random_session`), in a room, beside its piano: all its
notes off by 5 to 10 cents (``whole``), those from the middle on (``span``), one pitch (``pitch``),
or one string by 9 cents (``string``, on a measured guitar, `tests.guitars`). On top of it each note
is off by itself, as players are, by 3 to 6 cents (one standard deviation), one in fifty grossly,
and strings start sharp. Of three parts one has the piano leaking in, one has no piano and a typed
A4. Prints each row beside what was planted and beside the mean of what was played, the best that
anybody could know; of strings the mean is that of sustains, a cent or so over where they rest.
"""

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import yaml

from planner.demo.build import in_room, room_response, with_bleed, with_noise_floor
from planner.demo.tones import SR
from planner.edges.writing import Form
from planner.model import Floats
from planner.pitch import midi_to_hz
from planner.run import plan_session
from planner.words.plan_model import Plan, Row
from tests.guitars import ACOUSTIC_B, GUITAR, take
from tests.sessions.random_session import PARTS, Faults, drawn, part_as_played

CODES = ("BAS", "GTR", "LV", "CEL")
# What is planted -> scope of the rule that finds it, and the field of `Faults` that makes it.
KINDS = {
    "whole": ("part", "offset_cents"),
    "span": ("span", "later_cents"),
    "pitch": ("pitch", "pitch_cents"),
    "string": ("string", ""),
}
ALLOWED_CENTS = 1.0
BARS = 24
GROSS_SHARE = 0.02
STRING_CENTS = 9.0
_LEAST_CENTS = {"whole": 5.0, "LV": 7.5}  # a lead is moved as a whole from 6.5 on
_NEAR_CENTS = 20.0  # gross notes are 28 to 42 off


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounding:
    """One part with one fault, as it is recorded."""

    code: str
    spec: dict[str, object]
    samples: Floats
    a4_hz: float
    planted_cents: float
    off_cents: tuple[float, ...]  # of the notes it was planted in, as they were played


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One planted fault, and what a plan says of it."""

    about: str
    planted_cents: float
    mean_cents: float  # of the notes it was planted in, gross ones aside
    rows: tuple[Row, ...]  # of its scope
    others: tuple[Row, ...]  # rules of other scopes
    plan: Plan

    @property
    def off_cents(self) -> float | None:
        """How far the one row is from what was planted; None where there is not one."""
        add = self.rows[0].add_cents if len(self.rows) == 1 else None
        return None if add is None else -add - self.planted_cents

    @property
    def told(self) -> str:
        rows = ", ".join(f"{r.add_cents} +- {r.uncertainty_cents:.1f}" for r in self.rows)
        off = "" if self.off_cents is None else f", off by {self.off_cents:+.1f}"
        others = "".join(f"; {r.scope} {r.add_cents}" for r in self.others)
        return (
            f"{self.about}: planted {self.planted_cents:+.1f}, mean {self.mean_cents:+.1f}, "
            f"add {rows or 'NOTHING'}{off}{others}"
        )


def planted(seed: int, kind: str, folder: Path) -> Found:
    """Make one part with one fault, and plan it."""
    rng = np.random.default_rng([seed, *kind.encode()])
    scatter = float(rng.uniform(3.0, 6.0))
    part = (_string if kind == "string" else _part)(seed, kind, scatter, rng)
    beside = "typed A4" if kind == "string" else ("piano", "bleed", "typed A4")[seed % 3]
    stems = {part.code: part.samples}
    if beside != "typed A4":
        piano, _ = part_as_played(seed, "PNO", faults=Faults(stretch=0.0), bars=BARS)
        stems["PNO"] = piano.sound.samples
    stems = {code: 0.4 * x / np.abs(x).max() for code, x in stems.items()}
    if beside == "bleed":
        stems = with_bleed(stems, -30.0)
    reference = {"from": "PNO"} if "PNO" in stems else {"a4_hz": part.a4_hz}
    specs = {part.code: part.spec, "PNO": {"role": "tuning-reference"}}
    plan = _plan(folder, stems, specs, reference, rng)
    off = np.array(part.off_cents)
    near = off[np.abs(off - np.median(off)) < _NEAR_CENTS]
    rules = [row for row in plan.rows if row.kind == "rule" and row.stem == part.code]
    scope = KINDS[kind][0]
    return Found(
        about=f"{seed} {kind} {part.code}, {beside}, {len(near)} notes, scatter {scatter:.1f}",
        planted_cents=part.planted_cents,
        mean_cents=float(near.mean()),
        rows=tuple(row for row in rules if row.scope == scope),
        others=tuple(row for row in rules if row.scope != scope),
        plan=plan,
    )


def _part(seed: int, kind: str, scatter: float, rng: np.random.Generator) -> Sounding:
    code = CODES[seed % len(CODES)]
    least = _LEAST_CENTS["LV" if code == "LV" else "whole"] if kind == "whole" else 7.5
    size = float(rng.choice([-1.0, 1.0]) * rng.uniform(least, 10.0))
    faults = Faults(scatter_cents=scatter, gross_share=GROSS_SHARE, **{KINDS[kind][1]: size})
    made, _ = part_as_played(seed, code, faults=faults, bars=BARS)
    # The same without the fault says which notes have it.
    plain, _ = part_as_played(
        seed, code, faults=Faults(scatter_cents=scatter, gross_share=GROSS_SHARE), bars=BARS
    )
    both = zip(made.played_cents, plain.played_cents, strict=True)
    room = room_response(0.4, float(rng.uniform(-24.0, -14.0)), rng)
    return Sounding(
        code=code,
        spec={"role": PARTS[code]},
        samples=in_room(made.sound.samples, room),
        a4_hz=drawn(seed)[1],
        planted_cents=size,
        off_cents=tuple(one for one, other in both if one != other),
    )


def _string(seed: int, kind: str, scatter: float, rng: np.random.Generator) -> Sounding:
    del kind
    string = int(rng.choice(GUITAR))
    size = float(rng.choice([-1.0, 1.0]) * STRING_CENTS)
    samples, notes = take(
        ACOUSTIC_B, seed, notes=4 * BARS, off_cents={string: size}, scatter_cents=scatter
    )
    return Sounding(
        code="GTR",
        spec={"role": "fretted", "strings": ["E2", "A2", "D3", "G3", "B3", "E4"]},
        samples=samples,
        a4_hz=440.0,
        planted_cents=size,
        off_cents=tuple(
            float(1200 * np.log2(hz / midi_to_hz(string + fret)))
            for _, its, fret, hz in notes
            if its == string
        ),
    )


def _plan(
    folder: Path,
    stems: dict[str, Floats],
    specs: dict[str, dict[str, object]],
    reference: dict[str, object],
    rng: np.random.Generator,
) -> Plan:
    audio = folder / "audio"
    audio.mkdir(parents=True)
    for code, samples in stems.items():
        noisy = with_noise_floor(samples, -65.0, rng)
        soundfile.write(audio / f"{code}.wav", noisy, SR, subtype="PCM_24")
    session = {
        "version": 1,
        "song": "Planted",
        "audio_folder": "audio",
        "pitch_reference": reference,
        "stems": [{"code": code, "file": f"{code}.wav", **specs[code]} for code in stems],
    }
    path = folder / "session.yaml"
    path.write_text(yaml.safe_dump(session, sort_keys=False), encoding="utf-8")
    return plan_session(path, form=Form(page_sound=False)).plan


def main() -> None:
    """Print one line a fault, then how many rows are right."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 4), metavar=("FIRST", "LAST"))
    parser.add_argument("--kinds", nargs="+", default=["whole"], choices=sorted(KINDS))
    options = parser.parse_args()
    for kind in options.kinds:
        every = []
        for seed in range(options.seeds[0], options.seeds[1] + 1):
            with tempfile.TemporaryDirectory() as folder:
                every.append(planted(seed, kind, Path(folder) / "job"))
            print(every[-1].told, flush=True)
        one = [f.off_cents for f in every if f.off_cents is not None]
        known = sum(abs(f.mean_cents - f.planted_cents) <= ALLOWED_CENTS for f in every)
        print(
            f"{kind}: {len(every)} planted, {len(one)} with one row, "
            f"{sum(abs(off) <= ALLOWED_CENTS for off in one)} within {ALLOWED_CENTS:g} cent "
            f"(the mean of what was played: {known})"
        )


if __name__ == "__main__":
    main()
