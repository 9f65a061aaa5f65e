"""Where most parts of a band stand, one voice each; the truth is written down here."""

import numpy as np
import pytest

from planner.model import Role, StemNotes
from planner.pitch import cents, shift_hz
from planner.target.a4_fit import reading_of
from planner.target.majority import AGREE_CENTS, Majority, majority_of
from tests.test_a4 import made, stem

EQUAL = np.zeros(12)
LOW = [40, 43, 45, 47, 50, 52]


def part(code: str, off: float, *, times: int = 1, role: Role = "fretted", scatter: float = 2.0):
    """A part so many cents off 440 Hz, whose phrase is played so many times."""
    a4_hz = shift_hz(440.0, off)
    seed = sum(code.encode())
    return stem(a4_hz, code=code, role=role, seed=seed, scatter=scatter, keys=LOW * 2 * times)


def asked(*parts: StemNotes) -> Majority:
    """The majority of these parts, looked for around 440 Hz."""
    readings = {p.code: reading_of(p.notes, EQUAL, 0.0, stretches=False) for p in parts}
    found = majority_of(parts, readings, 0.0)
    assert found is not None
    return found


def test_a_part_of_many_notes_has_one_voice() -> None:
    """A guitar under a capo, 6 sharp in ten times the notes, moves nobody who is in tune."""
    found = asked(part("BAS", 0.0), part("EG", 0.3), part("AG", 6.0, times=10))
    assert found.agreeing == ("BAS", "EG")
    assert abs(found.reading.offset_cents) < 1.5
    assert dict(found.asked)["AG"] == pytest.approx(6.0, abs=1.5)


def test_both_sides_of_a_part_are_no_camp() -> None:
    """Parts at 0, at 6 and at 12: the middle one is near nobody, so two at 0 are the majority."""
    found = asked(part("BAS", 0.0), part("EG", 0.0), part("AG", 6.0, times=5), part("VN", 12.0))
    assert found.agreeing == ("BAS", "EG")


def test_a_double_is_not_asked() -> None:
    """A double follows its lead, so the two are one opinion; who doubles is told."""
    band = (part("BAS", 0.0), part("AG", 12.0, scatter=3.0))
    lead = part("LV", 0.0, role="lead-voice", scatter=4.0)
    double = part("BV", 12.0, role="voice-double")
    found = asked(*band, lead, double)
    assert abs(found.reading.offset_cents) < 2.0
    assert found.doubles == ("BV",)
    assert "BV" not in dict(found.asked)


def test_a_lone_double_is_asked_all_the_same() -> None:
    """Where there is nobody else, a double says where it stands."""
    found = asked(part("BV", 5.0, role="voice-double"))
    assert found.reading.offset_cents == pytest.approx(5.0, abs=1.0)
    assert found.doubles == ()


def test_one_string_out_pulls_nothing() -> None:
    """Half of a bass's notes are 9 flat: its other half stands with the others, and so does A4."""
    notes = tuple(
        made(shift_hz(n.measurement.sustain_hz or 0.0, -9.0 * (k % 2)), k, 0.2, "BAS")
        for k, n in enumerate(part("BAS", 0.0, times=3).notes)
    )
    bass = StemNotes(code="BAS", role="bass-fretted", facts=None, notes=notes)
    winds = (part("TPT", 0.0, role="brass", scatter=5.0), part("SAX", 0.0, role="woodwind"))
    found = asked(bass, *winds, part("AG", 7.0, times=8))
    assert abs(found.reading.offset_cents) < 1.5


def test_a_part_stands_where_most_of_its_notes_do() -> None:
    """A third of a guitar is 9 sharp: it stands with the others, as the summary says."""
    notes = tuple(
        made(shift_hz(n.measurement.sustain_hz or 0.0, 9.0 * (k % 3 == 0)), k, 0.2, "AG")
        for k, n in enumerate(part("AG", 0.0, times=4, scatter=1.0).notes)
    )
    guitar = StemNotes(code="AG", role="fretted-chords", facts=None, notes=notes)
    few = StemNotes(code="TPT", role="brass", facts=None, notes=notes[:2])
    found = asked(guitar, part("BAS", 0.0), few)
    assert dict(found.asked)["AG"] == pytest.approx(0.5, abs=0.8)
    assert "AG" in found.agreeing
    assert found.not_read == ("TPT",)


def test_parts_by_register_give_no_stretch() -> None:
    """A low part under the others is flat, and no stretch of an octave explains it away."""
    found = asked(*(part(*at, scatter=1.0) for at in (("BAS", -6.0), ("EG", 0.0), ("VN", 0.0))))
    assert not found.reading.bends.any()
    assert dict(found.asked)["BAS"] == pytest.approx(-6.0, abs=1.5)


@pytest.mark.parametrize(("apart", "one"), [(AGREE_CENTS - 1.0, True), (2 * AGREE_CENTS, False)])
def test_how_far_apart_is_one_heap(apart: float, one: bool) -> None:
    """Two parts 3 cents apart have a middle; of two 8 apart one is believed, and doubt is told."""
    found = asked(part("BAS", 0.0, scatter=0.5), part("EG", apart, scatter=0.5))
    assert (len(found.agreeing) == 2) is one
    assert (found.reading.uncertainty_cents > apart / 4) is True
    assert (abs(found.reading.offset_cents - apart / 2) < 1.0) is one


def test_order_of_stems_does_not_matter() -> None:
    """The same parts in another order stand at the same A4."""
    parts = [part("BAS", 0.0), part("EG", 2.0), part("AG", 6.0), part("VN", -3.0)]
    places = {
        asked(*order).reading.offset_cents for order in (parts, parts[::-1], parts[2:] + parts[:2])
    }
    assert max(places) - min(places) < 1e-9


def test_the_doubt_tells_the_truth() -> None:
    """Bands with one part in three far out: most lie within the doubt, nearly all within two."""
    off, doubt = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        stands = rng.normal(0.0, 1.5, 5)
        stands[0] = rng.uniform(6.0, 15.0)
        parts = [
            stem(
                shift_hz(440.0, float(at)),
                code=f"P{k}", role="fretted", seed=100 * seed + k,
                scatter=float(rng.uniform(1.0, 5.0)), keys=LOW * int(rng.integers(2, 12)),
            )
            for k, at in enumerate(stands)
        ]  # fmt: skip
        found = asked(*parts).reading
        off.append(abs(cents(shift_hz(440.0, found.offset_cents), 440.0) - stands[1:].mean()))
        doubt.append(found.uncertainty_cents)
    assert np.mean(np.array(off) <= np.array(doubt)) >= 0.62
    assert np.mean(np.array(off) <= 2 * np.array(doubt)) >= 0.93
    assert np.percentile(off, 95) < 3.0
