"""Temperaments, rebuilt from definitions, against the Scala scale archive and identities."""

import importlib.util
import math
from fractions import Fraction
from pathlib import Path

import pytest

from planner.temperament import (
    CHAIN,
    PITCH_CLASSES,
    PYTHAGOREAN_COMMA_CENTS,
    SCHISMA_CENTS,
    SYNTONIC_COMMA_CENTS,
    TEMPERAMENTS,
    table_cents,
    temperament_cents,
)

PURE_FIFTH = 1200 * math.log2(3 / 2)
# Our name, the Scala archive's file, and how far its printed figures may lie off (cents): the
# files carry five decimals, three, or ratios; young1.scl prints ratios that are themselves rounded.
SCALA = [
    ("pythagorean", "pyth_12", 1e-9),
    ("quarter-comma-meantone", "meanquar", 1e-5),
    ("fifth-comma-meantone", "meanfifth", 1e-5),
    ("sixth-comma-meantone", "meansixth", 1e-5),
    ("silbermann", "silbermann2", 1e-5),
    ("werckmeister-3", "werck3", 1e-5),
    ("kirnberger-3", "kirnberger", 1e-5),
    ("kirnberger-3-gsharp-eb", "kirnberger3", 1e-5),
    ("vallotti", "vallotti", 6e-4),
    ("young-1", "young1", 0.25),
    ("young-2", "young", 1e-5),
    ("kellner", "kellner", 6e-4),
]


def _scala(name: str) -> list[float]:
    """Cents above C of the twelve notes of an archive file (C is not listed)."""
    found = importlib.util.find_spec("music21")
    assert found is not None
    assert found.origin is not None
    path = Path(found.origin).parent / "scale" / "scala" / "scl" / f"{name}.scl"
    lines = [line for line in path.read_text("latin-1").splitlines() if line[:1] != "!"]
    pitches = [line.split()[0] for line in lines[2:] if line.strip()]
    above = [float(text) if "." in text else 1200 * math.log2(Fraction(text)) for text in pitches]
    assert len(above) == 12
    assert above[-1] == pytest.approx(1200)
    return [0.0, *above[:-1]]


def _fifths(name: str) -> dict[str, float]:
    """Size of each of the twelve fifths in cents, by its lower note."""
    off = dict(zip(PITCH_CLASSES, temperament_cents(name), strict=True))
    return {
        low: 700.0 + off[high] - off[low]
        for low, high in zip(CHAIN, (*CHAIN[1:], CHAIN[0]), strict=True)
    }


@pytest.mark.outside
@pytest.mark.parametrize(("name", "file", "within_cents"), SCALA)
def test_agrees_with_the_scala_archive(name: str, file: str, within_cents: float) -> None:
    """Each table equals the archive's file once that is re-based from C = 0 to A = 0."""
    off = [above - 100 * step for step, above in enumerate(_scala(file))]
    expected = [cents - off[9] for cents in off]
    assert temperament_cents(name) == pytest.approx(expected, abs=within_cents)


@pytest.mark.outside
def test_file_young2_is_not_young_2() -> None:
    """The archive's young2.scl is another scale than Young's second temperament, young.scl."""
    off = [above - 100 * step for step, above in enumerate(_scala("young2"))]
    expected = [cents - off[9] for cents in off]
    assert max(abs(a - b) for a, b in zip(temperament_cents("young-2"), expected, strict=True)) > 1


@pytest.mark.outside
def test_just_is_ptolemys_diatonic_in_c() -> None:
    """The white notes of the just scale are Ptolemy's intense diatonic, ptolemy.scl, on C."""
    just = temperament_cents("just-5-limit")
    above_c = [just[i] - just[0] + 100 * i for i in (0, 2, 4, 5, 7, 9, 11)]
    ratios = ["1", "9/8", "5/4", "4/3", "3/2", "5/3", "15/8"]
    assert above_c == pytest.approx([1200 * math.log2(Fraction(r)) for r in ratios], abs=1e-8)
    assert just[10] - just[0] + 1000 == pytest.approx(1200 * math.log2(9 / 5), abs=1e-8)


def test_commas() -> None:
    """Commas are their ratios: 81/80, 531441/524288, and 32805/32768 between them."""
    assert pytest.approx(1200 * math.log2(81 / 80)) == SYNTONIC_COMMA_CENTS
    assert pytest.approx(1200 * math.log2(531441 / 524288), abs=1e-9) == PYTHAGOREAN_COMMA_CENTS
    assert pytest.approx(1200 * math.log2(32805 / 32768), abs=1e-9) == SCHISMA_CENTS


@pytest.mark.parametrize("name", TEMPERAMENTS)
def test_a_is_zero_and_the_circle_closes(name: str) -> None:
    """A is exactly 0, twelve fifths are seven octaves, and every offset is within 42 cents."""
    off = temperament_cents(name)
    assert off[9] == 0.0
    assert sum(_fifths(name).values()) == pytest.approx(8400.0, abs=1e-7)
    assert max(map(abs, off)) < 42


def test_equal_is_zero() -> None:
    """Equal temperament is 0 everywhere, without float dust or a minus sign."""
    assert repr(temperament_cents("equal")) == repr((0.0,) * 12)


@pytest.mark.parametrize(
    "name",
    ["werckmeister-3", "kirnberger-3", "kirnberger-3-gsharp-eb", "vallotti", "young-1", "young-2",
     "kellner"],
)  # fmt: skip
def test_well_temperaments_have_no_wide_fifth(name: str) -> None:
    """A well temperament has no fifth wider than pure."""
    assert max(_fifths(name).values()) <= PURE_FIFTH + 1e-7


@pytest.mark.parametrize(
    ("name", "wolf_cents"),
    [("quarter-comma-meantone", 737.637), ("fifth-comma-meantone", 725.809),
     ("sixth-comma-meantone", 717.923), ("silbermann", 721.505), ("pythagorean", 678.495)],
)  # fmt: skip
def test_one_wolf(name: str, wolf_cents: float) -> None:
    """Eleven fifths are alike and the wolf is G#-Eb, 7 octaves less eleven tempered fifths."""
    fifths = _fifths(name)
    wolf = fifths.pop("G#")
    assert wolf == pytest.approx(wolf_cents, abs=5e-4)
    assert max(fifths.values()) - min(fifths.values()) < 1e-7


def test_the_two_sixth_commas_differ() -> None:
    """The sixth-comma fifths are 698.371 (syntonic) and 698.045 cents (Pythagorean)."""
    assert _fifths("sixth-comma-meantone")["C"] == pytest.approx(698.371, abs=5e-4)
    assert _fifths("silbermann")["C"] == pytest.approx(698.045, abs=5e-4)


def test_the_two_kirnbergers_differ_by_a_schisma() -> None:
    """The two versions of Kirnberger III differ by one schisma, on C# and G# only."""
    pairs = zip(
        temperament_cents("kirnberger-3"), temperament_cents("kirnberger-3-gsharp-eb"), strict=True
    )
    moved = {n: b - a for n, (a, b) in zip(PITCH_CLASSES, pairs, strict=True) if abs(b - a) > 1e-6}
    assert moved == pytest.approx({"C#": SCHISMA_CENTS, "G#": SCHISMA_CENTS}, abs=1e-8)


def test_books_print_from_c() -> None:
    """Werckmeister III, printed with C = 0, puts C 11.73 cents high once A4 is given."""
    assert temperament_cents("werckmeister-3")[0] == pytest.approx(11.73, abs=5e-3)


def test_table_is_rebased() -> None:
    """A user's table keeps its intervals and gets A = 0."""
    table = (3.0, -1.0, 0.0, 2.0, 0.5, 1.0, 0.0, 4.0, 0.0, -2.0, 5.0, 6.0)
    rebased = table_cents(table)
    assert rebased[9] == 0.0
    assert [b - a for a, b in zip(table, rebased, strict=True)] == [2.0] * 12


def test_table_of_eleven() -> None:
    """A table that has not twelve numbers says how many it has."""
    with pytest.raises(ValueError, match="needs 12 cents, C first, up to B; this one has 11"):
        table_cents([0.0] * 11)


@pytest.mark.parametrize("value", [193.2, math.nan, -math.inf])
def test_table_counted_from_c(value: float) -> None:
    """A table of cents above C, or of no numbers, is refused with the guess that it is one."""
    with pytest.raises(
        ValueError, match=r"^D is .* not within a semitone; give offsets from equal"
    ):
        table_cents([0.0, 0.0, value, *[0.0] * 9])


def test_unknown_name() -> None:
    """A misspelt temperament is answered with the nearest name and the whole list."""
    with pytest.raises(ValueError, match=r"'Valotti' is no temperament.*did you mean 'vallotti'"):
        temperament_cents("Valotti")
    with pytest.raises(ValueError, match="'zzz' is no temperament known here; Known: equal"):
        temperament_cents("zzz")
