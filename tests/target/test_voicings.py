"""Held chords of a fixed instrument: sour ones are found with their beats, clean ones are not."""

import numpy as np
import pytest
from deciding import A4, note, session, stem

from planner.model import MeasuredNote
from planner.pitch import midi_to_hz
from planner.target.voicings import MOST_CHORDS, sour_chords, sour_pair
from planner.targets import Aimed, aim, target_for

PNO = stem("PNO", "tuning-reference", [])
SESSION = session(PNO)


def placed(*notes: MeasuredNote) -> tuple[Aimed, ...]:
    return tuple(aim(n, target_for(n, "tuning-reference", SESSION, A4)) for n in notes)


def chord(
    keys: dict[int, float], *, start_s: float = 0.0, length_s: float = 3.0, **fields: float
) -> tuple[Aimed, ...]:
    """Notes together, each so many cents off."""
    return placed(
        *(
            note(f"PNO-{round(start_s * 100):04d}{midi}", midi, off, start_s=start_s,
                 length_s=length_s, uncertainty=0.2, **fields)
            for midi, off in keys.items()
        )
    )  # fmt: skip


# The beats of equal temperament at A4 = 440, computed from its definition (ISO 16) and
# |q f_upper - p f_lower| (Helmholtz, On the Sensations of Tone, part II).
@pytest.mark.outside
@pytest.mark.parametrize(
    ("low", "high", "rate"),
    [(57, 64, 0.7449), (57, 62, 0.9943), (57, 61, 8.7305), (57, 60, 11.8722), (57, 66, 9.9833),
     (53, 57, 6.9294), (60, 67, 0.8858), (60, 64, 10.3824)],
)  # fmt: skip
def test_beats_given_by_the_targets_are_those_of_the_tables(
    low: int, high: int, rate: float
) -> None:
    """With keys 10 cents apart a pair is told, beside the beats that its temperament gives."""
    flat = sour_pair(*chord({low: 0.0, high: 10.0}))
    sharp = sour_pair(*chord({low: 10.0, high: 0.0}))
    told = [pair for pair in (flat, sharp) if pair is not None and not pair.low]
    assert told
    for pair in told:
        assert pair.given_hz == pytest.approx(rate, abs=5e-5)


def test_an_octave_out_of_tune_is_told_with_its_beats() -> None:
    """A3 against an A4 8 cents sharp: 440 (2^(8/1200) - 1) = 2.04 beats a second."""
    (found,) = sour_chords(chord({57: 0.0, 69: 8.0}))
    assert found.midi == (57, 69)
    assert found.worst.beating_hz == pytest.approx(440.0 * (2 ** (8 / 1200) - 1), abs=1e-6)
    assert found.places == ((0.0, 3.0),)
    assert len(found.covers) == 2


def test_an_octave_tuned_to_its_strings_is_clean() -> None:
    """Stiff strings: an octave whose partials meet is clean, though its first partials are wide."""
    b = 5e-4
    low_hz = midi_to_hz(57)
    # partial 2 of the low string, f1 sqrt((1 + 4 B) / (1 + B)) twice (H. Fletcher, 1964)
    wide = 1200 * np.log2(2 * low_hz * np.sqrt((1 + 4 * b) / (1 + b)) / midi_to_hz(69))
    assert wide > 1.0
    found = sour_pair(*chord({57: 0.0, 69: float(wide)}, inharmonicity_b=b))
    assert found is None


@pytest.mark.parametrize("keys", [(60, 64, 67), (57, 60, 64), (53, 57, 60, 65), (48, 55, 64)])
def test_ordinary_chords_in_tune_are_left_alone(keys: tuple[int, ...]) -> None:
    """Tempered thirds beat by nature: a well-tuned chord above C3 is no one's fault."""
    assert sour_chords(chord(dict.fromkeys(keys, 0.0))) == ()


def test_a_tuners_scatter_is_left_alone() -> None:
    """Keys a cent astray, a hundred chords: nothing is told."""
    rng = np.random.default_rng(5)
    told = [
        found
        for k in range(100)
        for found in sour_chords(
            chord({m: rng.normal(0.0, 0.7) for m in (52, 59, 64, 68)}, start_s=4.0 * k)
        )
    ]
    assert told == []


def test_edges_of_held_and_apart() -> None:
    """1.0 s is held, 0.99 s is not; 4.0 cents apart is told, 3.9 is accepted."""
    assert sour_pair(*chord({57: 0.0, 69: 8.0}, length_s=1.0)) is not None
    assert sour_pair(*chord({57: 0.0, 69: 8.0}, length_s=0.99)) is None
    assert sour_pair(*chord({57: 0.0, 69: 4.0})) is not None
    assert sour_pair(*chord({57: 0.0, 69: 3.9})) is None


def test_a_low_third_growls_and_is_opened() -> None:
    """F2 A2 held 2 s beats 3.5 times a second though in tune; 1.99 s, or F3 A3, is let be."""
    (found,) = sour_chords(chord({41: 0.0, 45: 0.0}, length_s=2.0))
    assert found.worst.low
    assert found.worst.beating_hz == pytest.approx(6.9294 / 2, abs=1e-4)  # an octave lower
    assert found.ways[0] == "open the low third F2 A2"
    assert sour_chords(chord({41: 0.0, 45: 0.0}, length_s=1.99)) == ()
    assert sour_chords(chord({53: 0.0, 57: 0.0}, length_s=3.0)) == ()


def test_ways_follow_the_chord() -> None:
    """A third below middle C is lifted, its doubling left out; shorter and less pedal always."""
    (found,) = sour_chords(chord({52: 0.0, 56: 14.0, 68: 14.0}))
    assert "leave out one of G#3 and G#4" in found.ways
    (third,) = sour_chords(chord({53: 0.0, 57: 14.0}))
    assert third.ways == ("lift A3 above middle C", "hold it shorter", "use less pedal")


def test_the_same_chord_counts_once_with_its_places() -> None:
    """Three times the same keys is one line with three places; the list has an end."""
    often = (
        *chord({57: 0.0, 69: 8.0}),
        *chord({57: 0.0, 69: 8.0}, start_s=10.0),
        *chord({57: 0.0, 69: 8.0}, start_s=20.0),
    )
    (found,) = sour_chords(often)
    assert [start for start, _ in found.places] == [0.0, 10.0, 20.0]
    many = [a for k in range(15) for a in chord({50 + k: 0.0, 62 + k: 9.0}, start_s=5.0 * k)]
    assert len(sour_chords(many)) == MOST_CHORDS


def test_uncertain_beats_are_not_told() -> None:
    """Beats that the notes' own uncertainty could make are not told."""
    unsure = placed(
        note("PNO-1", 57, 0.0, length_s=3.0, uncertainty=4.0),
        note("PNO-2", 69, 8.0, length_s=3.0, uncertainty=4.0),
    )
    assert sour_chords(unsure) == ()
