"""Who is named in a clash, and how it is said."""

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.clashes import SoundingNote, clash_points, find_clashes
from planner.decide.clash_words import (
    beyond_uncertainty_cents,
    called,
    named_in,
    named_stems,
    own_and_other,
    points_of_named,
    said_clash,
)
from planner.model import Role
from tests.test_clashes import sounding


def played(note_id: str, cents: float, role: Role = "fretted", **fields: float) -> SoundingNote:
    return replace(sounding(note_id, 69, cents, **fields), role=role)


def test_the_farther_from_its_target_is_named() -> None:
    """Of two notes the one surely farther out is named, whichever way it is out."""
    near, far = played("A-1", 3), played("B-1", -9)
    assert named_in(near, far).id == named_in(far, near).id == "B-1"


def test_a_farther_but_unsure_reading_is_not_named() -> None:
    """What counts is how far a note is out beyond its uncertainty."""
    sure, unsure = played("A-1", 8), played("B-1", 12, uncertainty_cents=6.0)
    assert beyond_uncertainty_cents(sure) == 8.0
    assert beyond_uncertainty_cents(unsure) == 6.0
    assert named_in(sure, unsure).id == "A-1"


@pytest.mark.parametrize("role", ["tuning-reference", "fixed-pitch"])
def test_a_reference_is_never_named(role: Role) -> None:
    """However far out, what nobody can move is not named against what can be."""
    reference, other = played("A-1", 30, role), played("B-1", 1)
    assert named_in(reference, other).id == named_in(other, reference).id == "B-1"


def test_equally_far_out_the_role_that_gives_way_is_named() -> None:
    """A double gives way to the lead, the lead to a bass; a tenth of a cent is no difference."""
    lead, double = played("A-1", 8.04, "lead-voice"), played("B-1", -8.0, "voice-double")
    bass = played("C-1", 8.0, "bass-fretted")
    assert named_in(lead, double).id == "B-1"
    assert named_in(lead, bass).id == "A-1"
    assert named_in(played("A-1", 8.2, "lead-voice"), double).id == "A-1"


@given(
    offs=st.lists(st.floats(-30, 30), min_size=3, max_size=3),
    starts=st.lists(st.floats(0, 1.5), min_size=3, max_size=3),
)
def test_timing_and_order_name_nobody(offs: list[float], starts: list[float]) -> None:
    """With several parts out at once, each pair names the same note whenever each begins."""
    notes = [played(f"{s}-1", off) for s, off in zip("ABC", offs, strict=True)]
    shifted = [replace(n, start_s=t, end_s=t + 2) for n, t in zip(notes, starts, strict=True)]
    for (a, b), (c, d) in zip(permutations(notes, 2), permutations(shifted, 2), strict=True):
        assert named_in(a, b).id == named_in(c, d).id == named_in(b, a).id


def test_a_clash_counts_against_the_one_named_alone() -> None:
    """A note that is right gets no points for beating with one that is not."""
    right, wrong = played("A-1", 0), played("B-1", 12)
    (clash,) = find_clashes([right, wrong])
    by_id = {n.id: n for n in (right, wrong)}
    assert points_of_named([clash], by_id) == {"B-1": clash_points(clash)}


def test_stems_are_counted_by_how_long_they_are_named() -> None:
    """The stem that is out is counted with both its clashes, the two others with none."""
    notes = [played("A-1", 0), played("B-1", 12), played("C-1", 0)]
    found = find_clashes(notes)
    assert named_stems(found, {n.id: n for n in notes}) == (("B", 2, 4.0),)


# Worked example: 10 cents at A2's 4th partial. 4 * 110 Hz * (2^(10/1200) - 1) = 2.55 a second,
# by |q f_upper - p f_lower| (Helmholtz, On the Sensations of Tone, part II); 1.4 s hold 3.6 beats.
def test_the_partial_of_the_other_is_told() -> None:
    """From the upper note: the other's 4th partial, how often, how long, how many beats."""
    bass = sounding("BAS-1", 45, 10, 0.0, 1.4)
    piano = sounding("PNO-1", 69, 0, 0.0, 2.0)
    (clash,) = find_clashes([bass, piano])
    assert clash.beating_hz == pytest.approx(440 * (2 ** (10 / 1200) - 1), abs=1e-6)
    assert own_and_other(clash, "PNO-1") == (1, 4)
    assert said_clash(clash, piano, bass) == (
        "beats 2.5 times a second with BAS's A2 at A4 for 1.4 s (4 beats)"
    )
    assert said_clash(clash, bass, piano) == (
        "beats 2.5 times a second with PNO's A4 at A4 for 1.4 s (4 beats)"
    )


def test_unison_needs_no_partial_and_levels_are_told() -> None:
    """A unison names no partial; an unequal level is told, 2 dB are not."""
    one = sounding("A-1", 69, 0)
    for level_db, said in ((-2.0, ""), (-6.0, ", the other 6 dB softer")):
        other = sounding("B-1", 69, 10, level_db=level_db)
        (clash,) = find_clashes([one, other])
        words = said_clash(clash, one, other)
        assert words == f"beats 2.5 times a second with B's A4 for 2.0 s (5 beats){said}"


def test_what_the_temperament_gives_is_told_beside() -> None:
    """A third that beats by its temperament is told with what it should beat (A3 to C#4: 8.7)."""
    low, high = sounding("A-1", 57, 0), sounding("B-1", 61, 8)
    (clash,) = find_clashes([low, high])
    assert said_clash(clash, high, low) == (
        "beats 14 times a second (8.7 if in tune) with A's A3, overtone on overtone at C#6, "
        "for 2.0 s (28 beats)"
    )


def test_beyond_fifteen_a_second_it_is_rough() -> None:
    """What is heard as roughness is not called beating."""
    one, other = sounding("A-1", 81, 0), sounding("B-1", 81, 40)
    (clash,) = find_clashes([one, other])
    assert clash.beating_hz > 15
    assert said_clash(clash, one, other) == "is rough against B's A5 (21 a second) for 2.0 s"


def test_a_note_is_called_by_stem_and_name() -> None:
    """A note of another part is named by its stem and what it plays."""
    assert called(sounding("PNO-1", 45, 0)) == "PNO's A2"
