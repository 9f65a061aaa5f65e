"""Pitch that goes with level: in a voice, under a hand, and where the band is full."""

from typing import Any

import numpy as np
import pytest

from planner.decide.exposure import Standing
from planner.decide.pushed_pitch import level_slope, voice_findings
from planner.model import Role
from planner.plan.setup_advice import setup_findings
from planner.scope.strings import StringGuess
from planner.targets import Aimed, aim, target_for
from planner.words.session_model import StemSpec
from tests.deciding import A4, note, session, stem

RNG = np.random.default_rng(4)
LEVELS = RNG.permutation(np.linspace(-30.0, -18.0, 40))
SCATTER = RNG.normal(0.0, 1.5, 40)
HEIGHTS = RNG.permutation(np.tile([60, 62, 64, 65, 67], 8))


def sung(cents_per_db: float, *, levels: Any = LEVELS, heights: Any = HEIGHTS) -> list[Aimed]:
    """Forty notes whose error goes with level, with 1.5 cents of scatter."""
    notes = [
        note(
            f"LV-{k:04d}", int(m), cents_per_db * (db + 24.0) + off, start_s=float(k),
            level_db=float(db), length_s=0.8,
        )
        for k, (db, m, off) in enumerate(zip(levels, heights, SCATTER, strict=True))
    ]  # fmt: skip
    where = session(stem("LV", "lead-voice", notes))
    return [aim(n, target_for(n, "lead-voice", where, A4, 0.0)) for n in notes]


def said(
    aimed: list[Aimed], standing: dict[str, Standing] | None = None, role: Role = "lead-voice"
) -> list[str]:
    """What is told of a voice."""
    found = voice_findings({"LV": (role, aimed)}, standing or {})
    assert {f.severity for f in found} <= {"note"}
    return [f"{f.what} {f.did} {f.advice}" for f in found]


@pytest.mark.parametrize(
    ("cents_per_db", "told"), [(0.8, "sharper"), (-0.8, "flatter"), (0.5, ""), (0.0, "")]
)
def test_a_voice_that_goes_with_its_level(cents_per_db: float, told: str) -> None:
    """From 6 cents between soft and loud notes on (here over 9.4 dB), with both causes named."""
    lines = said(sung(cents_per_db))
    assert len(lines) == bool(told)
    if told:
        (line,) = lines
        assert line.startswith(f"LV: louder notes sit {told}, by ")
        assert "40 notes" in line
        assert "can do this, and" in line
        assert line.index("For the producer: ") > 0


def test_height_is_not_taken_for_level() -> None:
    """High notes that are loud and sharp for being high say nothing about level."""
    heights = np.repeat([60, 62, 64, 65, 67], 8)
    levels = -30.0 + 1.5 * (heights - 60) + RNG.normal(0.0, 1.0, 40)
    aimed = sung(0.0, levels=levels, heights=heights)
    error = 3.0 * (heights - 63) + SCATTER
    assert level_slope(list(levels), list(error), list(heights.astype(float))) is not None
    slope = level_slope(list(levels), list(error), list(heights.astype(float)))
    assert slope is not None
    assert not slope.sure
    assert said(aimed) == []


def test_too_few_or_too_even_notes_say_nothing() -> None:
    """Twelve notes are asked for, and levels 6 dB apart."""
    aimed = sung(1.5)
    assert said(aimed[:12]) != []
    assert said(aimed[:11]) == []
    assert said(sung(1.5, levels=LEVELS / 12.0 * 5.0)) == []


def test_chance_is_seldom_taken_for_a_habit() -> None:
    """Of 300 voices that scatter by 6 cents, whatever their level, at most two are told so."""
    rng = np.random.default_rng(9)
    sure = 0
    for _ in range(300):
        slope = level_slope(
            list(rng.normal(-24, 4, 40)), list(rng.normal(0, 6, 40)), list(rng.integers(60, 72, 40))
        )
        sure += bool(slope and slope.sure)
    assert sure <= 2


def test_instruments_are_not_told_so() -> None:
    """A flute goes with its level by nature; the sentence is about headphones."""
    assert said(sung(1.5), role="woodwind") == []


@pytest.mark.parametrize(
    ("apart", "higher", "told"), [(-8.0, 0, True), (-4.0, 0, False), (-8.0, 5, True)]
)
def test_a_voice_that_leans_where_the_band_is_full(apart: float, higher: int, told: bool) -> None:
    """Full against bare passages, 5 cents apart and surely; a higher line is named as a cause."""
    notes = [
        note(
            f"LV-{k:04d}", int(HEIGHTS[k % 40]) + (higher if k >= 20 else 0),
            (apart if k >= 20 else 0.0) + float(SCATTER[k]), start_s=float(k), length_s=0.8,
        )
        for k in range(40)
    ]  # fmt: skip
    where = session(stem("LV", "lead-voice", notes))
    aimed = [aim(n, target_for(n, "lead-voice", where, A4, 0.0)) for n in notes]
    standing = {
        n.id: Standing(exposure="dense" if k >= 20 else "bare", over_rest_db=None)
        for k, n in enumerate(notes)
    }
    lines = said(aimed, standing)
    assert len(lines) == told
    if told:
        assert "where many parts sound the voice sits" in lines[0]
        against = "semitones higher there" if higher else "the line lies as high in both"
        assert against in lines[0]


# ---------------------------------------------------------------- a firm hand


def fretted(low: float, high: float, *, frets: tuple[int, ...] = (1, 2, 3, 5, 7)) -> list[str]:
    """What is said of a guitar whose frets 1 to 3, and the others, go with level in cents a dB."""
    rng = np.random.default_rng(6)
    notes, guesses = [], {}
    for string, name in ((40, "low E"), (45, "A"), (50, "D")):
        for fret in frets:
            for db in rng.permutation(np.linspace(-6.0, 6.0, 6)):
                slope = low if fret <= 3 else high
                one = note(
                    f"X-{len(notes) + 1:04d}", string + fret, slope * db + rng.normal(0, 0.7),
                    start_s=float(len(notes)), level_db=-20.0 + db,
                )  # fmt: skip
                notes.append(one)
                guesses[one.id] = StringGuess(
                    string_midi=string, called=name, fret=fret, told="firm"
                )
    where = session(stem("X", "fretted", notes))
    aimed = [aim(n, target_for(n, "fretted", where, A4, 0.0)) for n in notes]
    spec = StemSpec(code="X", file="x.wav", role="fretted", strings=(40, 45, 50, 55, 59, 64))
    return [f"{f.what} {f.advice}" for f in setup_findings(aimed, guesses, spec)]


def test_low_frets_that_go_with_the_level_are_the_hand() -> None:
    """Frets 1 to 3 rise with level, the others do not: a firm grip, with what speaks for it."""
    (line,) = fretted(0.9, 0.0)
    assert line.startswith("Frets 1 to 3 come out sharper the louder they are played, by ")
    assert "open strings and higher frets do not go with level as much" in line
    assert "A firm grip near the nut does this" in line


def test_the_stroke_is_not_the_hand() -> None:
    """All frets rise with level alike: the stroke stretches the string, wherever it is stopped."""
    (line,) = fretted(0.9, 0.9)
    assert "that is the stroke rather than the grip." in line
    assert "lighter stroke" in line


def test_without_other_frets_nothing_speaks_against_it_and_that_is_said() -> None:
    """A part that stays on low frets cannot tell the two apart."""
    (line,) = fretted(0.9, 0.0, frets=(1, 2, 3))
    assert "were not heard loud and soft enough to compare" in line


@pytest.mark.parametrize(("low", "told"), [(0.6, 1), (0.4, 0), (-0.9, 0)])
def test_edge_of_the_hand(low: float, told: int) -> None:
    """6 cents from soft to loud (here over 12 dB), upward alone."""
    assert len(fretted(low, 0.0)) == told
