from dataclasses import replace

import pytest

from planner.decide.exposure import exposures
from tests.test_clashes import sounding


def others(n: int, midi: int = 40) -> list:  # type: ignore[type-arg]
    return [sounding(f"S{k}-1", midi, 0) for k in range(n)]


@pytest.mark.parametrize(("n", "said"), [(0, "bare"), (1, "bare"), (2, "normal"), (5, "normal"),
                                         (6, "dense")])  # fmt: skip
def test_number_of_other_parts(n: int, said: str) -> None:
    """Alone or over one part a note is bare, over six it stands in a dense passage."""
    assert exposures([sounding("A-1", 60, 0), *others(n)])["A-1"].exposure == said


@pytest.mark.parametrize(
    ("level", "said"), [(-12.0, "normal"), (-12.2, "buried"), (5.9, "normal"), (6.0, "featured")]
)
def test_level_in_its_own_range(level: float, said: str) -> None:
    """More than 12 dB under the rest in its range a note is buried, 6 dB over it featured."""
    notes = [sounding("A-1", 60, 0, level_db=level), sounding("B-1", 64, 0), *others(2, midi=30)]
    got = exposures(notes)["A-1"]
    assert got.exposure == said
    assert got.over_rest_db == pytest.approx(level)


def test_other_ranges_do_not_hide() -> None:
    """Notes more than an octave away leave the level of a note without a rival."""
    for midi, rivals in ((47, False), (48, True), (72, True), (73, False)):
        got = exposures([sounding("A-1", 60, 0), *others(2, midi)])["A-1"]
        assert (got.over_rest_db is not None) is rivals


def test_label_and_level() -> None:
    """A section's label wins over the number of parts, being buried wins over the label."""
    notes = [sounding("A-1", 60, 0), *others(2)]
    assert exposures(notes, {"A-1": "dense"})["A-1"].exposure == "dense"
    quiet = [sounding("A-1", 60, 0, level_db=-20.0), *others(2, midi=60)]
    assert exposures(quiet, {"A-1": "bare"})["A-1"].exposure == "buried"
    assert exposures([]) == {}


@pytest.mark.parametrize(("tones", "over_db"), [(1, -12.0), (4, -12.0)])
def test_a_chord_is_as_loud_as_a_part_and_not_as_its_notes_together(
    tones: int, over_db: float
) -> None:
    """Four notes of a pad hide a line as much as one does: both are balanced as a part."""
    pad = [
        replace(sounding(f"PAD-{k}-{at}", 60 + 3 * k, 0.0, 2.0 * at, 2.0 * at + 2.0), stem="PAD")
        for k in range(tones) for at in range(3)
    ]  # fmt: skip
    got = exposures([sounding("A-1", 62, 0, level_db=-12.0), *pad])["A-1"]
    assert got.over_rest_db == pytest.approx(over_db)
