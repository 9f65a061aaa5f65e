"""Strings of a stem fitted together, from partials that are made here from the law of a string.

The law is that of a stiff string (H. Fletcher, JASA 36, 1964, 203, from memory); which partials are
another note's, and how far the others stray, is drawn.
"""

from itertools import pairwise

import numpy as np
import pytest

from planner.polyphony.chord_partials import PartialFits, StiffString, partial_hz, typical_b
from planner.polyphony.pooled_strings import pooled_strings

RNG_SEED = 48100
STIFFER = 0.1  # of the usual piano string, about an open guitar string


def read(
    f1_hz: float,
    b: float,
    numbers: list[int],
    rng: np.random.Generator,
    *,
    stray_cents: float = 0.1,
    strange: dict[int, float] | None = None,
) -> PartialFits:
    """Partials as they are read, give or take `stray_cents`; strange: cents off, another note's."""
    number = np.array(numbers, dtype=float)
    off = rng.normal(0.0, stray_cents, len(number))
    for n, cents in (strange or {}).items():
        off[numbers.index(n)] += cents
    f_hz = partial_hz(f1_hz / float(np.sqrt(1.0 + b)), b, number) * 2 ** (off / 1200)
    zero = np.zeros(len(number))
    return PartialFits(
        number=number, f_hz=f_hz, sd_hz=f_hz * 0.1 * np.log(2) / 1200, amplitude=zero + 0.01,
        unsteady=zero, collided=0,
    )  # fmt: skip


def others(rng: np.random.Generator, count: int = 30) -> list[tuple[float, PartialFits]]:
    """Notes of a guitar of which half the partials are free."""
    notes = []
    for _ in range(count):
        f1_hz = float(rng.uniform(110.0, 330.0))
        numbers = sorted(rng.choice(np.arange(1, 13), 7, replace=False).tolist())
        b = STIFFER * typical_b(f1_hz) * float(np.exp(rng.normal(0.0, 0.05)))
        notes.append((f1_hz, read(f1_hz, b, numbers, rng)))
    return notes


def fitted(notes: list[tuple[float, PartialFits]], *, harmonic: bool = False) -> list[StiffString]:
    strings = pooled_strings([f for _, f in notes], [hz for hz, _ in notes], harmonic=harmonic)
    assert all(string is not None for string in strings)
    return [string for string in strings if string is not None]


def cents_off(string: StiffString, f1_hz: float) -> float:
    return float(1200 * np.log2(string.f1_hz / f1_hz))


@pytest.mark.parametrize("strange", [{13: 60.0}, {10: 28.0, 13: 50.0}, {11: -40.0}])
def test_partials_of_other_notes_do_not_bend_a_string(strange: dict[int, float]) -> None:
    """Two that agree on a stiffness as well: no note of the stem has it, so it is not believed."""
    rng = np.random.default_rng(RNG_SEED)
    b = STIFFER * typical_b(220.0)
    note = read(220.0, b, [1, 3, 5, *strange], rng, strange=strange)
    string = fitted([*others(rng), (220.0, note)])[-1]
    assert abs(cents_off(string, 220.0)) < 0.5
    assert string.b == pytest.approx(b, rel=0.2)
    assert string.used == 3


def test_one_partial_of_a_known_string_tells_its_pitch() -> None:
    """The seventh alone: with a usual piano string's stiffness f1 would come out 6 cents flat."""
    rng = np.random.default_rng(RNG_SEED + 1)
    b = STIFFER * typical_b(220.0)
    assert 1200 * np.log2(np.sqrt(1 + 49 * typical_b(220.0))) > 6.0
    string = fitted([*others(rng), (220.0, read(220.0, b, [7], rng))])[-1]
    assert abs(cents_off(string, 220.0)) < 1.0


def test_one_partial_of_an_unknown_string_is_said_to_be_unsure() -> None:
    """Without other notes nothing says how stiff a string is: its tenth partial leaves f1 open."""
    rng = np.random.default_rng(RNG_SEED + 2)
    (string,) = fitted([(220.0, read(220.0, STIFFER * typical_b(220.0), [10], rng))])
    assert string.f1_cents_sd > 3.0


def test_two_sorts_of_strings_keep_their_own_stiffness() -> None:
    """Wound and plain strings of one pitch, four times as stiff: each note finds its own.

    Partials a tenth of a cent off leave the softer ones' B open by some 7 %.
    """
    rng = np.random.default_rng(RNG_SEED + 3)
    bs = [3e-5 * 4 ** (k % 2) for k in range(24)]
    notes = [(200.0, read(200.0, b, [1, 2, 3, 5, 6, 7, 9], rng)) for b in bs]
    strings = fitted(notes)
    assert [string.b for string in strings] == pytest.approx(bs, rel=0.25)


@pytest.mark.parametrize("stray_cents", [0.3, 2.0])
def test_stated_uncertainties_cover_as_partials_stray(stray_cents: float) -> None:
    """Two in three within one, nineteen in twenty within two, of notes with four to eight partials.

    Nothing but their own disagreement says how far the partials stray. The bounds are those that
    are asked of all stated uncertainties.
    """
    rng = np.random.default_rng(RNG_SEED + 4)
    notes = []
    for _ in range(400):
        f1_hz = float(rng.uniform(110.0, 330.0))
        numbers = sorted(
            rng.choice(np.arange(1, 13), int(rng.integers(4, 9)), replace=False).tolist()
        )
        b = STIFFER * typical_b(f1_hz) * float(np.exp(rng.normal(0.0, 0.1)))
        notes.append((f1_hz, read(f1_hz, b, numbers, rng, stray_cents=stray_cents)))
    pulls = np.array(
        [
            abs(cents_off(s, hz)) / s.f1_cents_sd
            for s, (hz, _) in zip(fitted(notes), notes, strict=True)
        ]
    )
    assert 0.62 <= np.mean(pulls < 1.0) <= 0.75
    assert np.mean(pulls < 2.0) >= 0.93


def test_driven_tones_have_no_stiffness() -> None:
    """Exact multiples, one of them another note's."""
    rng = np.random.default_rng(RNG_SEED + 5)
    notes = [
        (196.0 + k, read(196.0 + k, 0.0, [1, 2, 4, 5, 7], rng, strange={5: 15.0})) for k in range(9)
    ]
    for (hz, _), string in zip(notes, fitted(notes, harmonic=True), strict=True):
        assert string.b == 0.0
        assert abs(cents_off(string, hz)) < 0.3


def test_the_order_of_notes_changes_nothing() -> None:
    """Neither does a note without free partials, which gets no string."""
    rng = np.random.default_rng(RNG_SEED + 6)
    notes = others(rng, 12)
    none = (150.0, read(150.0, 0.0, [], rng))
    there = fitted(notes)
    back = pooled_strings(
        [f for _, f in (none, *notes[::-1])], [hz for hz, _ in (none, *notes[::-1])], harmonic=False
    )
    assert back[0] is None
    for one, other in zip(there, back[:0:-1], strict=True):
        assert other is not None
        assert one.f1_hz == pytest.approx(other.f1_hz, rel=1e-9)


def test_stiffness_follows_the_register() -> None:
    """A keyboard's rises from the middle up (Rigaud, David and Daudet, as in `typical_b`)."""
    rng = np.random.default_rng(RNG_SEED + 7)
    keys = [220.0 * 2 ** (k / 12) for k in range(0, 36, 2)]
    notes = [(hz, read(hz, 1.3 * typical_b(hz), [1, 2, 3, 4, 6], rng)) for hz in keys]
    strings = fitted(notes)
    assert [s.b for s in strings] == pytest.approx([1.3 * typical_b(hz) for hz in keys], rel=0.1)
    assert all(low.b < high.b for low, high in pairwise(strings))
