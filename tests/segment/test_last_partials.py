"""A string whose odd partials die first rings out as one note; an octave played is another."""

import numpy as np
import pytest
from tones.exact import found_notes, laid_out, steady, stem_of, tone

from planner.model import Floats
from planner.pitch import hz_to_midi
from planner.segment.last_partials import with_last_partials
from planner.tracker import HOP_S

SR = 16_000
LOW_HZ = 73.4


def ringing(odd_decay_s: float, length_s: float = 4.0) -> Floats:
    """A string struck at 73 Hz whose odd partials decay in a time of their own."""
    rng = np.random.default_rng(3)
    series = [1.0 / n for n in range(1, 21)]
    odd = [a if n % 2 else 0.0 for n, a in enumerate(series, 1)]
    even = [0.0 if n % 2 else a for n, a in enumerate(series, 1)]
    line = steady(LOW_HZ, length_s, SR)
    return tone(line, SR, rng, amplitudes=odd, decay_s=odd_decay_s) + tone(
        line, SR, rng, amplitudes=even, decay_s=3.0
    )


def test_a_string_that_rings_out_in_its_octave_is_one_note() -> None:
    """As the D string of a recorded steel guitar did: from 2.5 s on only even partials sound."""
    stem = stem_of(laid_out([(0.3, ringing(0.25))], 4.5, SR), SR, "fretted")
    (note,), track = found_notes(stem)
    later = track.f0_hz[round(2.5 / HOP_S) : round(3.5 / HOP_S)]
    assert np.nanmedian(later) == pytest.approx(2 * LOW_HZ, rel=0.01)  # or nothing is shown here
    assert note.pitch_hz == pytest.approx(LOW_HZ, rel=0.005)
    assert note.end_s > 3.5


def test_an_octave_struck_over_the_ring_is_a_note() -> None:
    """The same string, and its octave struck while it rings: two notes."""
    octave = tone(steady(2 * LOW_HZ, 1.5, SR), SR, np.random.default_rng(4), decay_s=0.6)
    samples = laid_out([(0.3, ringing(0.25)), (2.5, octave)], 4.5, SR)
    notes, _ = found_notes(stem_of(samples, SR, "fretted"))
    assert [round(hz_to_midi(n.pitch_hz)) for n in notes] == [38, 50]


def rung(high: float = 2.0, louder_db: float = 0.0, gap: int = 0) -> tuple[Floats, Floats]:
    """A track at 73 Hz, then at a multiple of it, and a level that falls by 10 dB a second."""
    f0_hz = np.full(400, LOW_HZ)
    f0_hz[200:] *= high
    f0_hz[200 : 200 + gap] = np.nan
    level_db = -10.0 - 10.0 * HOP_S * np.arange(400)
    level_db[200 + gap :] += louder_db
    return f0_hz, level_db


NEVER = np.empty(0, dtype=np.intp)


@pytest.mark.parametrize("high", [2.0, 3.01, 4.0])
@pytest.mark.parametrize("gap", [0, 8])
def test_what_only_goes_on_is_given_back(high: float, gap: int) -> None:
    """Octave, twelfth or double octave, at once or after 40 ms without a pitch."""
    f0_hz, level_db = rung(high, gap=gap)
    mended = with_last_partials(f0_hz, NEVER, level_db)
    assert np.nanmax(mended) == pytest.approx(LOW_HZ, rel=0.005)
    assert np.isnan(mended).sum() == gap


@pytest.mark.parametrize(
    ("high", "louder_db", "gap"), [(1.5, 0.0, 0), (2.05, 0.0, 0), (2.0, 3.0, 0), (2.0, 0.0, 20)]
)
def test_what_leads_elsewhere_or_is_louder_stays(high: float, louder_db: float, gap: int) -> None:
    """A fifth, an octave 43 cents wide, one 3 dB louder, one after a tenth of a second."""
    f0_hz, level_db = rung(high, louder_db, gap)
    np.testing.assert_array_equal(with_last_partials(f0_hz, NEVER, level_db), f0_hz)


def test_from_a_stroke_on_it_is_a_note() -> None:
    """What is struck at the border stays; what is struck later stays from there on."""
    f0_hz, level_db = rung()
    np.testing.assert_array_equal(with_last_partials(f0_hz, np.array([198]), level_db), f0_hz)
    mended = with_last_partials(f0_hz, np.array([300]), level_db)
    assert mended[299] == pytest.approx(LOW_HZ)
    assert mended[300] == pytest.approx(2 * LOW_HZ)


def test_a_moment_of_pitch_is_no_note_to_ring() -> None:
    """What sounded for 0.1 s only does not ring on for a second."""
    f0_hz, level_db = rung()
    f0_hz[:180] = np.nan
    np.testing.assert_array_equal(with_last_partials(f0_hz, NEVER, level_db), f0_hz)


def released(falls_db: float, frames: int = 30) -> tuple[Floats, Floats]:
    """A bowed note of a second whose last frames are read an octave up while the level falls."""
    f0_hz = np.concatenate([np.full(200, LOW_HZ), np.full(frames, 2 * LOW_HZ)])
    level_db = np.concatenate([np.full(200, -20.0), -21.0 - np.linspace(0.0, falls_db, frames)])
    return f0_hz, level_db


@pytest.mark.parametrize(
    ("falls_db", "frames", "own"), [(15.0, 30, True), (5.0, 30, False), (15.0, 60, False)]
)
def test_a_bow_let_go_ends_in_its_octave(falls_db: float, frames: int, own: bool) -> None:
    """As of a recorded double bass; a softer octave that goes on, or fades for 0.3 s, is a note."""
    f0_hz, level_db = released(falls_db, frames)
    mended = with_last_partials(f0_hz, NEVER, level_db, driven=True)
    assert (mended[200:] == LOW_HZ).all() == own


def test_a_slur_to_the_octave_that_stops_is_a_note() -> None:
    """Softer by 4 dB, held for 0.1 s and then stopped: as a recorded clarinet; a release fades."""
    f0_hz, level_db = released(15.0)
    level_db[200:] = np.concatenate([np.full(24, -24.0), np.linspace(-26.0, -36.0, 6)])
    np.testing.assert_array_equal(with_last_partials(f0_hz, NEVER, level_db, driven=True), f0_hz)
