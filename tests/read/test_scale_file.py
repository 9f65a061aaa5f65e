"""Scale files against the scales that music21 carries, and against published tables."""

import importlib.util
from pathlib import Path

import pytest

from planner.errors import SessionError
from planner.read.scale_file import scale_offsets
from planner.temperament import PITCH_CLASSES, temperament_cents

JUST = """! own.scl
!
Thirds and fifths of C, remarks and all
 12
!
 16/15
 9/8
 6/5 a minor third
 5/4
 4/3
 45/32
 3/2
 8/5
 5/3
 9/5
 15/8
 2/1
"""


def archive(name: str) -> str:
    found = importlib.util.find_spec("music21")
    assert found is not None
    assert found.origin is not None
    folder = Path(found.origin).parent / "scale" / "scala" / "scl"
    return (folder / f"{name}.scl").read_text("latin-1")


@pytest.mark.outside
@pytest.mark.parametrize(
    ("file", "name", "within_cents"),
    [("werck3", "werckmeister-3", 1e-5), ("vallotti", "vallotti", 6e-4),
     ("meanquar", "quarter-comma-meantone", 1e-5), ("kirnberger", "kirnberger-3", 1e-5),
     ("pyth_12", "pythagorean", 2e-9)],
)  # fmt: skip
def test_published_scales(file: str, name: str, within_cents: float) -> None:
    """Files of the Scala archive give the temperaments that are built from definitions here."""
    got = scale_offsets(archive(file), file=f"{file}.scl")
    assert got == pytest.approx(temperament_cents(name), abs=within_cents)


@pytest.mark.outside
def test_vallotti_as_printed() -> None:
    """Vallotti from C: 94.1, 196.1, 298.0, 392.2 ... 1090.2 cents (Barbour 1951, from memory)."""
    got = scale_offsets(archive("vallotti"), file="vallotti.scl")
    above_c = [cents - got[0] + 100 * step for step, cents in enumerate(got)]
    assert above_c == pytest.approx(
        [0, 94.1, 196.1, 298.0, 392.2, 502.0, 592.2, 698.0, 796.1, 894.1, 1000.0, 1090.2], abs=0.06
    )


def test_ratios_and_remarks() -> None:
    """Ratios, comments and remarks are read; the just scale is the one built in."""
    assert scale_offsets(JUST, file="own.scl") == pytest.approx(temperament_cents("just-5-limit"))


@pytest.mark.parametrize(("root", "third"), [("C", "E"), ("D", "F#"), ("A", "C#"), ("Eb", "G")])
def test_the_root_turns_the_scale(root: str, third: str) -> None:
    """On any root the third above it is pure, 386.314 cents, and A stays at 0."""
    got = dict(zip(PITCH_CLASSES, scale_offsets(JUST, file="own.scl", root=root), strict=True))
    assert 400.0 + got[third] - got[root] == pytest.approx(386.314, abs=5e-4)
    assert got["A"] == 0.0


def test_an_octave_in_cents_and_one_number() -> None:
    """The period may be written 1200.0, 2/1 or 2."""
    for period in ("1200.0", "2", "1200.05"):
        assert scale_offsets(JUST.replace(" 2/1", period), file="x.scl")[9] == 0.0


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (" 12\n", " 7\n", "own.scl:4: this scale has 7 notes; a temperament here has 12"),
        (" 12\n", " twelve\n", "own.scl:4: 'twelve' is no number of notes. It stands on"),
        (" 2/1\n", "", "own.scl:4: 12 notes are announced, and 11 are there. The last one is"),
        (" 2/1\n", " 3/1\n", "own.scl:17: the last note is 1901.955 cents, not the octave"),
        (" 2/1\n", " 1200.11\n", "own.scl:17: the last note is 1200.110 cents"),
        (" 5/4\n", " 5:4\n", "own.scl:9: '5:4' is no note. Write cents with a point"),
        (" 5/4\n", " 5/0\n", "own.scl:9: '5/0' is no note."),
        (" 5/4\n", " 386,3\n", "own.scl:9: '386,3' is no note."),
        (" 5/4\n", " .\n", "own.scl:9: '.' is no note."),
        (" 5/4\n", " 3/2\n", "own.scl:9: note 5 is 702.0 cents above the first, more than a"),
    ],
)
def test_slips_are_told_with_file_and_line(old: str, new: str, said: str) -> None:
    """A slip is told in words with the file and the line it stands in."""
    with pytest.raises(SessionError) as caught:
        scale_offsets(JUST.replace(old, new, 1), file="own.scl")
    assert said in str(caught.value)


@pytest.mark.outside
def test_scales_that_are_no_temperament_here() -> None:
    """Of the archive, 19 equal steps and a scale without octaves are refused in words."""
    with pytest.raises(SessionError, match="this scale has 19 notes"):
        scale_offsets(archive("meanquar_19"), file="meanquar_19.scl")
    with pytest.raises(SessionError, match="notes; a temperament here has 12 to the octave"):
        scale_offsets(archive("bohlen-p"), file="bohlen-p.scl")


def test_not_a_scale_file() -> None:
    """A file that ends too soon is named as no scale file."""
    with pytest.raises(SessionError, match=r"^x\.scl: this is no scale file: it ends before"):
        scale_offsets("! only a comment\n\n", file="x.scl")
