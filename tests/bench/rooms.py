"""How well are onsets known while the note before still rings? ``python -m tests.bench.rooms``.

The strings, voices and bowed lines of the random sessions, dry and in rooms of the strength that
makes a close recording sound distant (reverberation 12 dB under the direct sound): how far onsets
are off, how many are left blank, and how often one and two stated uncertainties cover the error.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from planner.demo.build import in_room, room_response, with_noise_floor
from planner.demo.tones import SR
from planner.words.roles import role_range_hz
from planner.words.session_model import StemSpec
from tests.sessions.random_session import PARTS, make_part
from tests.sessions.score import FoundNote, Tally, found_note, score_stem
from tests.tones.exact import measured_notes, stem_of

CODES = ("BAS", "GTR", "LV", "CEL")
REVERB_DB = -12.0
FLOOR_DBFS = -65.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One stem measured in one place."""

    tally: Tally
    notes: int
    onsets: int


def hear(seed: int, code: str, rt60_s: float | None, reverb_db: float = REVERB_DB) -> Heard:
    """Make one part of a random session, let it sound in a room, and measure it."""
    sound, true = make_part(seed, code)
    samples = sound.samples
    rng = np.random.default_rng([seed, 7])
    if rt60_s is not None:
        samples = in_room(samples, room_response(rt60_s, reverb_db, rng))
    samples = with_noise_floor(0.5 * samples / np.abs(samples).max(), FLOOR_DBFS, rng)
    role = PARTS[code]
    spec = StemSpec(code=code, file="x.wav", role=role)  # type: ignore[arg-type]
    stem = stem_of(samples, SR, spec.role, range_hz=role_range_hz(spec))
    found: list[FoundNote] = [found_note(*pair) for pair in measured_notes(stem)]
    tally, _ = score_stem(true, found)
    return Heard(tally, len(found), sum(one.onset_hz is not None for one in found))


def _line(pairs: tuple[tuple[float, float | None], ...]) -> str:
    if not pairs:
        return "none"
    error = np.abs([e for e, _ in pairs])
    z = np.array([abs(e) / u for e, u in pairs if u])
    p50, p95 = np.percentile(error, [50, 95])
    return (
        f"n {len(pairs):4d} error median {p50:5.2f} 95 % {p95:6.2f}"
        f" covered {100 * np.mean(z <= 1):3.0f} and {100 * np.mean(z <= 2):3.0f} %"
    )


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.rooms", description="Onsets while the note before rings."
    )
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 3), metavar=("FIRST", "LAST"))
    parser.add_argument("--rooms-s", type=float, nargs="*", default=(0.35, 0.6), metavar="RT60")
    parser.add_argument("--stems", nargs="*", default=CODES, metavar="CODE")
    options = parser.parse_args(argv)
    seeds = range(options.seeds[0], options.seeds[1] + 1)
    for rt60_s in (None, *options.rooms_s):
        print("dry" if rt60_s is None else f"room of {rt60_s:g} s", flush=True)
        for code in options.stems:
            heard = [hear(seed, code, rt60_s) for seed in seeds]
            tally = heard[0].tally
            for one in heard[1:]:
                tally += one.tally
            blank = sum(h.notes - h.onsets for h in heard)
            print(f"  {code:4s}onset        {_line(tally.onset)}  blank {blank}")
            print(f"      moving onset {_line(tally.moving_onset)}")
            print(f"      sustain      {_line(tally.sustain)}", flush=True)


if __name__ == "__main__":
    main()
