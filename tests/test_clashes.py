import time

import numpy as np
import pytest

from planner.clashes import (
    EXPOSED_WEIGHT,
    SoundingNote,
    beating_hz,
    clash_kind,
    find_clashes,
    overlapping_pairs,
    worst_clashes,
)
from planner.pitch import midi_to_hz, shift_hz
from tests.sessions.records import sour_seconds


def sounding(
    note_id: str, midi: int, cents: float, start_s: float = 0.0, end_s: float = 2.0, **fields: float
) -> SoundingNote:
    return SoundingNote(
        id=note_id, stem=note_id.split("-")[0], role="fretted", midi=midi, start_s=start_s,
        end_s=end_s, heard_hz=shift_hz(midi_to_hz(midi), cents), target_hz=midi_to_hz(midi),
        level_db=fields.pop("level_db", 0.0), **fields,
    )  # fmt: skip


# Computed with mpmath from the definition of equal temperament (ISO 16: A4 = 440 Hz) and
# |q f_upper - p f_lower| (Helmholtz, On the Sensations of Tone, part II).
@pytest.mark.outside
@pytest.mark.parametrize(
    ("low", "high", "p", "q", "rate"),
    [
        (57, 64, 3, 2, 0.7449), (57, 62, 4, 3, 0.9943), (57, 61, 5, 4, 8.7305),
        (57, 60, 6, 5, 11.8722), (57, 66, 5, 3, 9.9833), (53, 57, 5, 4, 6.9294),
        (57, 69, 2, 1, 0.0), (60, 67, 3, 2, 0.8858), (60, 64, 5, 4, 10.3824),
    ],
)  # fmt: skip
def test_tempered_intervals_beat_as_the_table_says(
    low: int, high: int, p: int, q: int, rate: float
) -> None:
    """Equal-tempered intervals beat at the rates of the published tables."""
    assert beating_hz(midi_to_hz(low), midi_to_hz(high), p, q) == pytest.approx(rate, abs=5e-5)


def test_unison_440_441_beats_once_a_second() -> None:
    """Two tones 1 Hz apart beat once a second."""
    assert beating_hz(440.0, 441.0, 1, 1) == 1.0


@pytest.mark.parametrize(
    ("excess", "overlap", "kind"),
    [
        (0.49, 1.0, None), (0.5, 1.0, "soft"), (0.5, 2.0, "sour"), (0.49, 4.0, "soft"),
        (6.0, 1.0, "sour"), (6.1, 1.0, "harsh"), (15.0, 1.0, "harsh"), (15.1, 1.0, "rough"),
        (0.99, 1.0, "soft"), (1.0, 1.0, "sour"),
    ],
)  # fmt: skip
def test_both_sides_of_every_kind(excess: float, overlap: float, kind: str | None) -> None:
    """Each kind of clash begins where it should and not before."""
    assert clash_kind(excess, overlap) == kind


def test_tempered_third_in_tune_is_no_clash() -> None:
    """The beating that the temperament itself gives is not held against anyone."""
    assert find_clashes([sounding("A-1", 57, 0), sounding("B-1", 61, 0)]) == ()


def test_third_sharper_than_tempered_is_a_clash() -> None:
    """A third wider than tempered beats more than it should, a narrower one less."""
    (clash,) = find_clashes([sounding("A-1", 57, 0), sounding("B-1", 61, 10)])
    assert (clash.p, clash.q) == (5, 4)
    assert clash.given_hz == pytest.approx(8.7305, abs=5e-5)
    assert clash.beating_hz - clash.given_hz == pytest.approx(
        4 * 277.1826 * (2 ** (10 / 1200) - 1), abs=1e-3
    )
    assert find_clashes([sounding("A-1", 57, 0), sounding("B-1", 61, -10)]) == ()


@pytest.mark.parametrize(("off", "found"), [(6.7, 0), (6.9, 1)])
def test_a_given_beating_must_get_half_as_fast_again(off: float, found: int) -> None:
    """A tempered third that beats 8.7 a second must beat 13.1 to be heard as worse.

    4 * 277.18 Hz * (2^(c / 1200) - 1) = 8.7305 / 2 gives c = 6.80 cents.
    """
    assert len(find_clashes([sounding("A-1", 57, 0), sounding("B-1", 61, off)])) == found


def test_notes_of_one_stem_do_not_clash_with_each_other() -> None:
    """Only notes of different stems are set against each other."""
    assert find_clashes([sounding("A-1", 57, 0), sounding("A-2", 57, 20)]) == ()


def test_overlap_must_last() -> None:
    """Notes together for less than 0.15 s do not clash, however far apart."""
    long = sounding("A-1", 69, 0)
    assert find_clashes([long, sounding("B-1", 69, 40, 0.0, 0.14)]) == ()
    assert len(find_clashes([long, sounding("B-1", 69, 40, 0.0, 0.15)])) == 1


@pytest.mark.parametrize("off", [6, 10, -20])
@pytest.mark.parametrize("half_cents", [5.9, 6.2, 9.9, 10.2, 19.8, 20.4])
def test_a_vibrato_that_passes_the_place_without_beats_lets_none_stand(
    off: float, half_cents: float
) -> None:
    """A clash is soft at most where the beating turns round within each swing, and only there.

    Two notes beat at the difference of their frequencies; along a swing its sign is followed.
    """
    still = sounding("A-1", 69, 0, end_s=3.0)
    swings = sounding("B-1", 69, off, end_s=3.0, vibrato_half_cents=half_cents)
    along = off + half_cents * np.sin(np.linspace(0.0, 2.0 * np.pi, 2001))
    difference_hz = 440.0 * 2.0 ** (along / 1200.0) - 440.0
    turns = difference_hz.min() < 0.0 < difference_hz.max()
    (clash,) = find_clashes([still, swings])
    assert (clash.kind == "soft") is bool(turns)


@pytest.mark.parametrize(
    ("above", "p", "quieter_db"),
    [(31, 6, 6.0), (24, 4, 6.0), (3, 6, 0.0), (8, None, 6.0), (17, None, 8.5), (36, None, 6.0)],
)
def test_partials_above_the_sixth_are_not_heard_to_beat(
    above: int, p: int | None, quieter_db: float
) -> None:
    """Minor thirds beat and a twelfth over an octave; a minor sixth, 8 to 3 and 8 to 1 do not.

    The upper note is 20 cents flat for three seconds, and so much softer that the partials that
    they share are as loud as may be.
    """
    low = sounding("A-1", 45, 0.0, end_s=3.0)
    high = sounding("B-1", 45 + above, -20.0, end_s=3.0, level_db=-quieter_db)
    assert [c.p for c in find_clashes([low, high])] == ([] if p is None else [p])


@pytest.mark.parametrize(("softer_db", "sour"), [(15.0, True), (18.0, False)])
def test_a_clash_that_is_too_faint_is_no_sour_time(softer_db: float, sour: bool) -> None:
    """10 cents apart for a second; of two equal notes on one pitch the weight is 1 at most."""
    loud = sounding("A-1", 69, 0)
    faint = sounding("B-1", 69, 10, level_db=loud.level_db - softer_db)
    notes = [loud, faint]
    clashes = find_clashes(notes)
    # Its weight falls with the softer note's amplitude: 10^(-15/20) = 0.178, 10^(-18/20) = 0.126.
    assert clashes[0].weight == pytest.approx(10.0 ** (-softer_db / 20.0), abs=1e-3)
    assert bool(sour_seconds(notes, clashes, frozenset())) is sour


def test_unsure_readings_make_no_clash() -> None:
    """A beating within twice its uncertainty is none."""
    still = sounding("A-1", 69, 0)
    assert len(find_clashes([still, sounding("B-1", 69, 10, uncertainty_cents=4.9)])) == 1
    assert find_clashes([still, sounding("B-1", 69, 10, uncertainty_cents=5.1)]) == ()


def test_order_of_notes_says_nothing() -> None:
    """The same notes in another order give the same clashes."""
    notes = [sounding(f"{s}-{k}", 60 + k, 7 * k, 0.3 * k) for s in "ABC" for k in range(5)]
    assert find_clashes(notes) == find_clashes(notes[::-1]) != ()


def test_quiet_partner_weighs_less() -> None:
    """A clash with a note 20 dB down weighs a tenth of one at equal level."""
    loud = find_clashes([sounding("A-1", 69, 0), sounding("B-1", 69, 10)])[0]
    quiet = find_clashes([sounding("A-1", 69, 0), sounding("B-1", 69, 10, level_db=-20.0)])[0]
    assert loud.weight == pytest.approx(1.0)
    assert quiet.weight == pytest.approx(0.1)


def test_worst_clash_of_a_note() -> None:
    """Of two clashes a note keeps the louder one."""
    notes = [
        sounding("A-1", 69, 0), sounding("B-1", 69, 10),
        sounding("C-1", 69, 10, level_db=-20.0),
    ]  # fmt: skip
    assert worst_clashes(find_clashes(notes))["A-1"].upper_id == "B-1"


def test_pairs_agree_with_trying_them_all() -> None:
    """The quick search finds the pairs that trying all of them finds."""
    rng = np.random.default_rng(5)
    start = np.sort(rng.uniform(0, 30, 120))
    end = start + rng.uniform(0.05, 4, 120)
    part = rng.integers(0, 4, 120)
    slow = {
        (i, j)
        for i in range(120)
        for j in range(i + 1, 120)
        if part[i] != part[j] and min(end[i], end[j]) - start[j] >= 0.15
    }
    first, second, _ = overlapping_pairs(start, end, part, 0.15)
    assert set(zip(first.tolist(), second.tolist(), strict=True)) == slow


def test_sour_seconds_count_a_moment_once() -> None:
    """Clashes and held notes at the same time are one stretch of sour time."""
    notes = [sounding("A-1", 69, 0), sounding("B-1", 69, 10), sounding("C-1", 50, 0, 1.5, 3.0)]
    clashes = find_clashes(notes[:2])
    assert sour_seconds(notes, clashes, frozenset()) == pytest.approx(2.0)
    assert sour_seconds(notes, clashes, frozenset({"C-1"})) == pytest.approx(3.0)
    assert sour_seconds(notes, (), frozenset()) == 0.0


def test_ten_stems_of_two_thousand_notes_are_quick() -> None:
    """A long session takes seconds, not minutes: no pair is tried that does not overlap."""
    rng = np.random.default_rng(1)
    notes = [
        sounding(f"S{s}-{k}", int(rng.integers(45, 70)), float(rng.normal(0, 8)), 0.15 * k,
                 0.15 * k + 0.3)
        for s in range(10) for k in range(2000)
    ]  # fmt: skip
    began = time.perf_counter()
    find_clashes(notes)
    assert time.perf_counter() - began < 20


@pytest.mark.parametrize(("upper_db", "beats"), [(np.inf, True), (-6.0, True), (-40.0, False)])
def test_a_bar_has_no_second_partial_to_beat_with(upper_db: float, beats: bool) -> None:
    """A4 of a vibraphone under an A5 that is 6 cents sharp: 3 beats a second, if it has a second.

    At a hundredth of the first nobody hears them; unmeasured, a sawtooth's is assumed.
    """
    bar = sounding("MAL-0001", 69, 0.0, upper_db=upper_db)
    flute = sounding("FLT-0001", 81, 6.0)
    (clash,) = find_clashes([bar, flute])
    assert (clash.weight >= EXPOSED_WEIGHT) is beats


def test_a_bar_beats_at_its_first_partial() -> None:
    """Under a rich note an octave lower, and beside one of its own pitch."""
    bar = sounding("MAL-0001", 81, 6.0, upper_db=-60.0)
    for other in (sounding("BAS-0001", 69, 0.0), sounding("FLT-0001", 81, 0.0)):
        (clash,) = find_clashes([bar, other])
        assert clash.weight >= EXPOSED_WEIGHT
