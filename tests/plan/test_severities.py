"""What a fault counts for where it stands in its phrase and its key."""

from planner.words.session_model import KeyMark
from tests.deciding import line, plan, stem


def place_of(midi: int, **fields: object) -> float:
    """The place term of a sharp note that ends a phrase; others in tune go before and after."""
    notes = line("LV", [62, 64, 65, midi], [0.0, 0.0, 0.0, 30.0])
    after = line("LV", [0] * 6 + [64, 65], [0.0] * 8)[6:]
    made = plan(stem("LV", "bowed", [*notes, *after]), **fields)
    (row,) = [one for one in made.offenders if one.row_id == "LV-0004"]
    return dict(row.terms).get("place", 0.0)


def test_a_phrase_that_ends_on_its_tonic_counts_as_a_cadence() -> None:
    """C in C major 10, E 6; without a key every end counts alike."""
    key = (KeyMark(bar=1, tonic="C", mode="major"),)
    assert (place_of(60, keys=key), place_of(64, keys=key)) == (10.0, 6.0)
    assert place_of(60) == 6.0
