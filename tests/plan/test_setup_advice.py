"""What is said of nut, frets, saddle, capo, hand and strings; nothing where nothing speaks for it.

The patterns: common practice, no source, but for the nut's, which a measured guitar shows.
"""

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import pytest
from deciding import A4, note, session, stem
from guitars import ACOUSTIC_CENTS, GUITAR, NAMES

from planner.model import Role
from planner.plan.setup_advice import setup_findings
from planner.scope.strings import StringGuess
from planner.targets import aim, target_for
from planner.words.session_model import StemSpec

Played = tuple[int, int, float]


def said(
    played: Iterable[Played],
    *,
    strings: tuple[int, ...] = GUITAR,
    capo: int = 0,
    told: bool = True,
    role: Role = "fretted",
    more: Callable[[int], dict[str, Any]] = lambda string: {},
) -> list[str]:
    """What is said of these notes (string, fret, cents off)."""
    played = list(played)
    notes = [
        note(f"X-{k + 1:04d}", string + fret, off, start_s=0.9 * k, **more(string))
        for k, (string, fret, off) in enumerate(played)
    ]
    where = session(stem("X", "fretted", notes))
    guesses = {
        n.id: StringGuess(string_midi=s, called=NAMES[s], fret=f, told="firm")
        if told
        else StringGuess()
        for n, (s, f, _) in zip(notes, played, strict=True)
    }
    spec = StemSpec(code="X", file="x.wav", role=role, strings=strings, capo=capo)
    aimed = [aim(n, target_for(n, "fretted", where, A4, 0.0)) for n in notes]
    found = setup_findings(aimed, guesses, spec)
    assert {f.severity for f in found} <= {"note"}
    assert all(f.stem == "X" and f.advice for f in found)
    return [f"{f.what} {f.advice}" for f in found]


def neck(
    error: Callable[[int, int], float], strings: Iterable[int] = (40, 45, 50, 55)
) -> list[Played]:
    """Frets 0 to 9 of some strings, each a cent to either side of what is given."""
    wander = np.random.default_rng(3).normal(0.0, 0.5, 400)
    return [
        (s, f, error(s, f) + float(wander[7 * s % 300 + f])) for s in strings for f in range(10)
    ]


def test_a_good_guitar_gets_no_advice() -> None:
    """In tune everywhere, or with one string out everywhere: nothing about the instrument."""
    assert said(neck(lambda s, f: 0.0)) == []
    assert said(neck(lambda s, f: -9.0 if s == 45 else 0.0)) == []


def test_the_measured_guitar_has_its_nut() -> None:
    """A measured acoustic guitar, sharp at frets 1 to 3 and in tune open: the nut, nothing else."""
    played = [(s, f, off) for s, row in ACOUSTIC_CENTS.items() for f, off in enumerate(row)]
    (text,) = said(played)
    assert text.startswith("Frets 1 to 3 come out 3.6 sharper than the rest on the low E, A, D, G")
    assert "the open strings do not share it" in text
    assert "The nut may stand a little high" in text


@pytest.mark.parametrize(("off", "found"), [(3.3, 1), (2.7, 0), (-3.3, 0)])
def test_edge_of_the_nut(off: float, found: int) -> None:
    """Three cents at frets 1 to 3 are told, less is not, and flat ones are no nut's."""
    texts = said(neck(lambda s, f: off if f in (1, 2, 3) else 0.0))
    assert sum("nut" in t for t in texts) == found


def test_sharp_open_strings_speak_against_the_nut() -> None:
    """Open strings as sharp as frets 1 to 3: no nut. Without open strings it says so."""
    assert not any("nut" in t for t in said(neck(lambda s, f: 6.0 if f <= 3 else 0.0)))
    stopped = [p for p in neck(lambda s, f: 6.0 if f <= 3 else 0.0) if p[1] > 0]
    assert "no open string was heard" in said(stopped)[0]


@pytest.mark.parametrize(("strings", "found"), [(3, 1), (2, 0)])
def test_a_fret_off_on_three_strings(strings: int, found: int) -> None:
    """One fret sharp on three strings is that fret; on two it may be the hand."""
    texts = said(neck(lambda s, f: 8.0 if f == 7 else 0.0, GUITAR[:strings]))
    assert sum("Fret 7 comes out" in t for t in texts) == found
    assert all("the frets beside it were heard too" in t for t in texts if "Fret 7" in t)


@pytest.mark.parametrize(("off", "found"), [(5.5, 1), (4.5, 0)])
def test_edge_of_a_fret(off: float, found: int) -> None:
    """Five cents make a fret worth a look."""
    texts = said(neck(lambda s, f: off if f == 7 else 0.0))
    assert sum("Fret 7 comes out" in t for t in texts) == found


@pytest.mark.parametrize(
    ("octave", "way"), [(12.0, "back"), (-12.0, "forward"), (5.6, "back"), (3.0, "")]
)
def test_a_string_that_leaves_its_pitch_up_the_neck(octave: float, way: str) -> None:
    """Five cents over twelve frets are told with the way the saddle would go."""
    texts = said(neck(lambda s, f: octave * f / 12.0 if s == 50 else 0.0))
    assert [t for t in texts if "The D string grows" in t and f"further {way}" in t] == (
        texts if way else []
    )
    assert len(texts) == (1 if way else 0)


def test_stopped_notes_above_open_ones() -> None:
    """All stopped notes 6 sharp and the open ones not: tall frets or a firm grip, with a doubt."""
    texts = said(neck(lambda s, f: 6.0 if f else 0.0) * 2)
    assert any("sharper than the open ones" in t and "would show the same" in t for t in texts)
    assert not any(
        "sharper than the open" in t for t in said(neck(lambda s, f: 2.0 if f else 0.0) * 2)
    )


@pytest.mark.parametrize(
    ("capo", "off", "found"), [(2, 6.0, 1), (0, 6.0, 0), (2, 2.0, 0), (2, -6.0, 0)]
)
def test_everything_sharp_with_a_capo(capo: int, off: float, found: int) -> None:
    """All strings sharp with a capo on is told, beside the other cause; without a capo nothing."""
    played = [(s, f, off) for s, f, _ in neck(lambda s, f: 0.0) if f >= 2]
    texts = said(played, capo=capo)
    assert sum("With the capo at fret 2" in t for t in texts) == found
    assert all("a tuner set to another reference" in t for t in texts)
    assert texts == said(played, capo=capo, strings=())  # as of standard tuning


@pytest.mark.parametrize(("apart", "found"), [(8.1, 1), (8.0, 0)])
def test_partials_that_disagree_on_one_string(apart: float, found: int) -> None:
    """Beyond 8 cents the string may be old; that the others agree is said beside it."""
    texts = said(
        neck(lambda s, f: 0.0), more=lambda s: {"partials_cents": apart if s == 45 else 1.0}
    )
    assert sum("Partials of the A string disagree by 8.1 cents" in t for t in texts) == found
    assert all("on the low E, D and G strings they agree within 1" in t for t in texts)


@pytest.mark.parametrize(
    ("start", "settle_s", "found"), [(8.0, 0.3, 1), (7.9, 0.3, 0), (8.0, 0.29, 0)]
)
def test_notes_that_take_long_to_settle(start: float, settle_s: float, found: int) -> None:
    """Starts 8 sharp that take three tenths of a second: new, light or struck hard."""
    played = [(s, f, 0.0) for s, f, _ in neck(lambda s, f: 0.0)]
    texts = said(played, more=lambda s: {"onset": start, "settle_s": settle_s} if s == 40 else {})
    assert sum("Notes of the low E string start 8 above" in t for t in texts) == found


def test_notes_below_standard_tuning_ask_for_the_strings() -> None:
    """Where nobody typed the strings and notes lie below the usual ones, that is said."""
    played = [(40, f - 2, 0.0) for f in range(8)]
    (text,) = said(played, strings=(), told=False)
    assert text.startswith("2 notes of X lie below the lowest string of standard tuning")
    assert "strings: [D2" in text
    assert said(played, told=False) == []


def test_a_fretless_neck_has_no_frets_to_look_at() -> None:
    """Where the finger sets the pitch, nothing is said of nut, frets and saddle."""
    played = neck(lambda s, f: 8.0 if f == 7 else 0.0)
    assert len(said(played)) == 1
    assert said(played, role="bass-fretless") == []


def test_other_parts_get_no_advice() -> None:
    """Without guesses nothing is said."""
    spec = StemSpec(code="X", file="x.wav", role="bowed")
    assert setup_findings([], {}, spec) == ()
