"""Octaves and twelfths told by levels, of peaks that are made here from notes that are known."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.pitch import midi_to_hz
from planner.polyphony.chord_peaks import Named, Peaks
from planner.polyphony.chord_timbre import BANDS, PARTIALS, Timbre, usual_levels
from planner.polyphony.chord_weighing import _exchanged, _uneven, explained, gains, weigh

Array = NDArray[np.float64]
RANGE_HZ = (60.0, 1400.0)
NUMBER = np.arange(1, PARTIALS + 1)
TIMBRE = Timbre(by_number_db=-18.0 * np.log10(NUMBER), by_band_db=np.zeros(BANDS), spread_db=5.0)
# A tine: its second and third partials 12 and 30 dB under the first, the rest not to be heard.
TINE = Timbre(
    by_number_db=np.concatenate([[0.0, -12.0, -30.0], np.full(PARTIALS - 3, -60.0)]),
    by_band_db=np.zeros(BANDS),
    spread_db=5.0,
)


def peaks_of(
    midi: tuple[int, ...],
    *,
    seed: int,
    silent: tuple[int, ...] = (),
    before_db: float = -80.0,
    louder_db: float = 0.0,
    timbre: Timbre = TIMBRE,
) -> Peaks:
    """Peaks of notes that begin together at -30 dB, powers added, each partial 3 dB up or down.

    silent: partials that no note gives off; louder_db: than the first, the others.
    """
    rng = np.random.default_rng(seed)
    power: dict[float, float] = {}
    for key in midi:
        f_hz = midi_to_hz(key) * NUMBER
        level = (
            -30.0
            + louder_db * (key != midi[0])
            + usual_levels(timbre, NUMBER, f_hz)
            + rng.normal(0.0, 3.0, len(NUMBER))
        )
        for number, f, db in zip(NUMBER, f_hz, level, strict=True):
            at = next((g for g in power if abs(g / f - 1) < 0.003), f)
            if f < 6500.0 and number not in silent:
                power[at] = power.get(at, 0.0) + 10 ** (db / 10)
    found = np.array(sorted(power))
    level_db = 10 * np.log10([power[f] for f in found])
    heard = level_db > -75.0
    return Peaks(
        f_hz=found[heard], level_db=level_db[heard], above_db=(level_db + 95.0)[heard],
        rise_db=(level_db - before_db)[heard], width_hz=1.5,
    )  # fmt: skip


def named(*midi: int) -> list[Named]:
    return [(midi_to_hz(key), 0.0, 1.0) for key in midi]


def told(
    peaks: Peaks,
    found: list[Named],
    ringing: list[tuple[float, float]] | None = None,
    timbre: Timbre = TIMBRE,
) -> set[int]:
    notes = weigh(peaks, found, ringing or [], RANGE_HZ, timbre)
    return {round(69 + 12 * np.log2(f0_hz / 440)) for f0_hz, _, _ in notes}


@pytest.mark.parametrize("seed", range(8))
def test_a_note_alone_stays_alone(seed: int) -> None:
    """Partials 3 dB up or down make neither octave nor twelfth."""
    assert told(peaks_of((45,), seed=seed), named(45)) == {45}


@pytest.mark.parametrize("seed", range(8))
def test_a_struck_octave_is_told_by_the_even_partials(seed: int) -> None:
    """Two notes an octave apart, of which the search found the lower: the upper is 8 dB louder."""
    assert told(peaks_of((45, 57), seed=seed, louder_db=8.0), named(45)) == {45, 57}


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("above", [12, 19])
def test_a_note_taken_for_its_overtone_is_set_right(seed: int, above: int) -> None:
    """Where the octave or twelfth was found in its place, the lower note alone explains more."""
    assert told(peaks_of((52,), seed=seed), named(52 + above)) == {52}


def test_a_note_may_give_way_to_its_octave_or_twelfth() -> None:
    """Of A2 and A4 with A3, E4 and F4 left out: each for A3, A4 for nothing a fourth below it.

    Of strums on strings that waves run along (seeds 7 to 14, looked at) F1 is .801 without these
    sets and .812 with them.
    """
    notes = named(45, 69, 57, 64, 65)
    inside = np.array([True, True, False, False, False])
    sets = np.concatenate(_exchanged(notes, inside, np.ones(5, dtype=bool)))
    kept = {tuple(notes[k][0] for k in np.flatnonzero(one)) for one in sets}
    hz = {key: midi_to_hz(key) for key in (45, 57, 64, 69)}
    assert kept == {(hz[69], hz[57]), (hz[45], hz[57]), (hz[69], hz[64])}


@pytest.mark.parametrize("seed", range(4))
def test_a_fifth_is_no_twelfth_of_a_note_below(seed: int) -> None:
    """Root and fifth share a fundamental an octave down, which nobody plays."""
    assert told(peaks_of((57, 64), seed=seed), named(57, 64)) == {57, 64}


def test_a_first_partial_that_is_weak_does_not_make_an_octave_of_a_note() -> None:
    """Without its first partial a low note keeps its odd ones, which the octave does not have."""
    assert told(peaks_of((52,), seed=1, silent=(1,)), named(64)) == {52}


def test_a_note_that_rang_before_is_left_to_the_search() -> None:
    """Struck again while it rings, levels say nothing of it."""
    peaks = peaks_of((45, 57), seed=3, before_db=-40.0)
    assert told(peaks, named(45, 57), [(midi_to_hz(57), 0.0)]) == {45, 57}


def test_silence_and_no_notes_give_back_what_was_found() -> None:
    """Nothing found, nothing weighed."""
    assert weigh(peaks_of((45,), seed=1), [], [], RANGE_HZ, TIMBRE) == []


@pytest.mark.parametrize("seed", range(8))
def test_a_string_struck_again_under_its_octave_is_heard(seed: int) -> None:
    """A ringing note that is louder than the octave below explains has been struck with it."""
    ringing = [(midi_to_hz(57), 0.0)]
    both = peaks_of((45, 57), seed=seed, louder_db=8.0)
    assert told(both, named(45), ringing) == {45, 57}
    assert told(peaks_of((45,), seed=seed), named(45), ringing) == {45}


def test_a_loud_first_partial_that_no_note_covers_is_a_note() -> None:
    """The search had only one of two notes; weighed, the other is there; a faint one is no note."""
    assert told(peaks_of((57, 63), seed=1), named(57)) == {57, 63}
    assert told(peaks_of((57, 63), seed=1, louder_db=-20.0), named(57)) == {57}


@pytest.mark.parametrize("seed", range(8))
def test_an_octave_that_was_struck_explains_more_than_one_that_was_not(seed: int) -> None:
    """Over the same low note: as loud as it, the octave gains; made up, it gains less than one."""
    octave = named(57)
    (struck,) = gains(peaks_of((45, 57), seed=seed), named(45), octave, [], TIMBRE)
    (made_up,) = gains(peaks_of((45,), seed=seed), named(45), octave, [], TIMBRE)
    assert made_up < struck
    assert made_up < 1.0


def test_nothing_more_gains_nothing() -> None:
    """No note in question, or none below it."""
    peaks = peaks_of((45,), seed=1)
    assert gains(peaks, named(45), [], [], TIMBRE) == []
    assert gains(peaks, [], named(57), [], TIMBRE) == [0.0]


@pytest.mark.parametrize("seed", range(8))
def test_two_notes_of_few_partials_are_no_low_one(seed: int) -> None:
    """Octave and twelfth of a note that nobody plays, and of which no first partial is heard."""
    two = peaks_of((54, 61), seed=seed, timbre=TINE)
    assert told(two, named(42), timbre=TINE) == {54, 61}
    assert told(peaks_of((42,), seed=seed, silent=(1,)), named(42)) == {42}


@pytest.mark.parametrize("seed", range(8))
def test_a_note_of_few_partials_is_asked_for_no_more(seed: int) -> None:
    """A tine beside another, of which the search found one: it shows three partials and is all."""
    assert told(peaks_of((57, 63), seed=seed, timbre=TINE), named(57), timbre=TINE) == {57, 63}


@pytest.mark.parametrize("seed", range(8))
def test_what_rings_without_a_first_partial_was_not_struck_again(seed: int) -> None:
    """Its even partials rise with the octave above it, which is what was struck."""
    ringing = [(midi_to_hz(49), 0.0)]
    assert 49 not in told(peaks_of((61,), seed=seed), named(61), ringing)


@pytest.mark.parametrize("seed", range(8))
def test_a_twelfth_that_explains_nothing_is_left_out(seed: int) -> None:
    """E4 over A2 and E3 that were struck alone goes, and the two stay; struck, it stays."""
    found = named(45, 52, 64)
    kept = explained(peaks_of((45, 52), seed=seed), found, [], TIMBRE)
    assert kept == found[:2]
    struck = peaks_of((45, 52, 64), seed=seed, louder_db=6.0)
    assert explained(struck, found, [], TIMBRE) == found


CROWDED = replace(TIMBRE, crowded=True)


def test_places_of_its_own_speak_for_a_note_unless_other_sounds_lie_there() -> None:
    """An octave 25 cents from a string's partials, struck with it, gains by them; sums do not."""
    both = peaks_of((45,), seed=1)
    sharp_hz = midi_to_hz(57.25) * NUMBER[:12]
    level_db = -30.0 + usual_levels(TIMBRE, NUMBER[:12], sharp_hz)
    order = np.argsort(np.concatenate([both.f_hz, sharp_hz]))
    own_db = np.concatenate([both.level_db, level_db])[order]
    peaks = Peaks(
        f_hz=np.concatenate([both.f_hz, sharp_hz])[order], level_db=own_db,
        above_db=own_db + 95.0, rise_db=own_db + 80.0, width_hz=1.5,
    )  # fmt: skip
    octave = [(midi_to_hz(57.25), 0.0, 1.0)]
    assert gains(peaks, named(45), octave, [], TIMBRE)[0] > 20.0
    assert gains(peaks, named(45), octave, [], CROWDED)[0] < 1.0


@pytest.mark.parametrize(("softer_db", "price"), [(8.0, 0.25), (24.0, 2.25)])
def test_notes_of_one_stroke_are_about_as_loud(softer_db: float, price: float) -> None:
    """Each of two lies half of what parts them from their middle: squares over two of 8 dB."""
    tries = np.array([[True, True], [True, False], [False, False]])
    power = np.where(tries, 10.0 ** (np.array([0.0, -softer_db]) / 10.0), 0.0)
    assert _uneven(tries, power) == pytest.approx([price, 0.0, 0.0])


@pytest.mark.parametrize("seed", range(4))
def test_what_others_hide_is_no_note_of_one_partial(seed: int) -> None:
    """A side band 10 dB under the loudest, in a stem whose notes have many partials."""
    plain = peaks_of((41,), seed=seed)
    at = int(np.searchsorted(plain.f_hz, 1.1 * midi_to_hz(41)))
    peaks = Peaks(
        f_hz=np.insert(plain.f_hz, at, 1.1 * midi_to_hz(41)),
        level_db=np.insert(plain.level_db, at, plain.level_db.max() - 14.0),
        above_db=np.insert(plain.level_db, at, plain.level_db.max() - 14.0) + 60.0,
        rise_db=np.full(len(plain.f_hz) + 1, 40.0),
        width_hz=1.5,
    )
    assert told(peaks, named(41)) == {41}
