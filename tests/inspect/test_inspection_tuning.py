"""How stems are tuned together: told once, of the song, of one stem, or of the reference."""

from dataclasses import replace

import pytest

from planner.a4 import find_session_a4
from planner.inspect.inspection_notes import inspect_notes
from planner.inspect.inspection_tuning import told_once
from planner.model import ABOUT_ALL, Finding, SessionA4, StemNotes
from planner.pitch import cents
from planner.words.wording import flat_or_sharp
from tests.inspect.test_inspection import part, session


def known(stem: StemNotes) -> StemNotes:
    """The same notes, each known to a cent, as the search for A4 asks for."""
    return replace(
        stem,
        notes=tuple(
            replace(n, measurement=replace(n.measurement, uncertainty_cents=1.0))
            for n in stem.notes
        ),
    )


def said(*stems: StemNotes, **more: object) -> list[str]:
    """All that is said of how the stems stand, by the search for A4 as well."""
    config = session(**more)
    found = find_session_a4(config, tuple(known(s) for s in stems))
    noticed = inspect_notes(config, stems, a4=found)
    return [f.what for f in (*noticed, *told_once(found, noticed).findings)]


def band(off: float, a4: float = 440.0) -> tuple[StemNotes, ...]:
    return (
        part("PNO", "tuning-reference", off=off, a4=a4, spread=0.5),
        part("CEL", off=off, a4=a4),
        part("LV", "lead-voice", off=off, a4=a4),
        part("BAS", "bass-fretted", off=off, a4=a4, low=33),
    )


def test_where_the_song_stands_is_where_its_reference_does() -> None:
    """A piano 2.5 sharp is no news, whatever its band makes of it; one 18 sharp is told as such."""
    band = (part("LV", "lead-voice", off=4.5), part("CEL", off=7.4))
    assert said(part("PNO", "tuning-reference", off=2.5), *band, reference_from="PNO") == []
    band = (part("LV", "lead-voice", off=14.5), part("CEL", off=17.4))
    told = said(part("PNO", "tuning-reference", off=18.0), *band, reference_from="PNO")
    assert "every stem is about 18 sharp" in told[0]


@pytest.mark.parametrize(
    ("hz", "asked"), [(437.7, True), (438.1, False), (442.3, False), (442.9, False), (443.3, True)]
)
def test_a_piano_that_was_tuned_so_asks_nothing(hz: float, asked: bool) -> None:
    """A band that plays to its piano at 442.3 Hz is at home; without the name it is asked."""
    stems = (
        part("PNO", "tuning-reference", a4=hz, spread=0.5),
        part("CEL", a4=hz),
        part("LV", "lead-voice", a4=hz),
    )
    assert bool(said(*stems, reference_from="PNO")) == asked
    assert "tape speed, or tuned so?" in said(*stems, reference_from="CEL")[0]
    (typed,) = said(*stems, reference_from="PNO", a4_hz=440.0)[:1]
    assert "of A4 = 440 Hz: tape speed" in typed


def test_without_a_reference_all_stems_stand_where_the_common_a4_does() -> None:
    """One question, with the cents of the A4 that is used: one voice a stem, whoever plays more."""
    guitars = [part(code, "fretted", off=10.0, count=80) for code in ("EGL", "EGR")]
    stems = (part("CEL", off=13.0), *guitars)
    a4 = find_session_a4(session(), tuple(known(s) for s in stems))
    (told,) = said(*stems)
    assert told == (
        f"every stem is about {flat_or_sharp(cents(a4.a4_hz, 440.0))}, and nothing fixed was named "
        "to judge them by: tape speed, or tuned so?"
    )
    # Their middle by notes would be 10.2.
    assert cents(a4.a4_hz, 440.0) == pytest.approx(11.0, abs=0.5)
    (open_question,) = said(*guitars, part("CEL", off=30.0))
    assert open_question.startswith("Nothing fixed was named")


@pytest.mark.parametrize(
    ("off", "words", "stands"),
    [
        (60, "about 40 flat of A4 = 442 Hz (or 60 sharp, if the notes a semitone lower were "
             "meant)", "431.9 or 457.6."),
        (-60, "about 40 sharp of A4 = 442 Hz (or 60 flat, if the notes a semitone higher were "
              "meant)", "452.3 or 426.9."),
        (20, "about 20 sharp of A4 = 442 Hz", "447.1."),
    ],
)  # fmt: skip
def test_typed_a4_and_a_tape_at_another_speed(off: float, words: str, stands: str) -> None:
    """One question, against the typed A4, with both ways round the semitone.

    442 Hz moved by 60, -40, -60, 40 and 20 cents is 457.6, 431.9, 426.9, 452.3 and 447.1 Hz
    (442 times 2 to the cents over 1200).
    """
    (told,) = said(*band(off, 442.0), a4_hz=442.0, reference_from="PNO")
    assert told == f"every stem is {words}: tape speed, or tuned so?"
    found = inspect_notes(session(a4_hz=442.0), band(off, 442.0))
    assert [f.advice for f in found] == [
        f"If it is to stay so, type where it stands: a4_hz: {stands}"
    ]


@pytest.mark.parametrize("off", [146.7, -146.7])
def test_rates_mixed_up_at_432(off: float) -> None:
    """With 432 Hz typed, 147 cents are told as what they are, once."""
    (told,) = said(*band(off, 432.0), a4_hz=432.0, reference_from="PNO")
    assert told == (
        "every stem is off by 47 cents from the nearest notes at A4 = 432 Hz: if 147 cents in all, "
        "44.1 and 48 kHz were taken for each other."
    )


@pytest.mark.parametrize(
    ("a4", "off", "told"), [(432.0, 146.7, True), (432.0, -146.7, True), (432.0, 149.0, False)]
)
def test_edge_of_a_hint_at_432(a4: float, off: float, told: bool) -> None:
    """Nobody typed 432 Hz: 15 or 22 sharp of 440 may be that; two cents beside it is not."""
    (what,) = said(*band(off, a4), reference_from="PNO")
    assert ("A band at 432 Hz would lie so if 44.1 and 48 kHz were mixed up." in what) is told


def test_halfway_is_asked_once() -> None:
    """A whole song 47 cents off is one question, not one a stem and one of A4."""
    assert len(said(*band(46.7), reference_from="PNO")) == 1
    assert len(said(*band(46.7), a4_hz=440.0, reference_from="PNO")) == 1


@pytest.mark.parametrize(("off", "told"), [(20.0, True), (-12.0, True), (4.0, False), (0.0, False)])
def test_a_reference_that_is_off_alone(off: float, told: bool) -> None:
    """The piano apart from three that agree is asked about, and no tape is named."""
    piano = part("PNO", "tuning-reference", off=off, spread=0.5)
    what = said(piano, *band(0)[1:], reference_from="PNO")
    assert bool(what) is told
    if told:
        side = "sharp" if off > 0 else "flat"
        assert what == [
            f"PNO, the pitch reference, is {abs(off):g} {side} of the 3 other stems "
            "(CEL, LV, BAS), which agree with each other: is it the one that is off?"
        ]


def test_two_others_do_not_outvote_a_reference() -> None:
    """Two that agree may have been tuned to each other."""
    piano = part("PNO", "tuning-reference", off=20, spread=0.5)
    assert said(piano, *band(0)[1:3], reference_from="PNO") == []


def test_instruments_that_cannot_move_are_no_tape() -> None:
    """A piano and an organ, both 20 sharp, under voices without a common pitch: that is A4."""
    piano = part("PNO", "tuning-reference", off=20, spread=0.5)
    organ = part("ORG", "fixed-pitch", off=20, spread=0.4, low=40)
    voice = part("LV", "lead-voice", spread=60)
    assert said(piano, organ, voice, reference_from="PNO") == []


def test_what_is_said_of_a4_stays_without_a_whole_song() -> None:
    """A typed A4 that the piano contradicts is told where the others do not stand with it."""
    piano = part("PNO", "tuning-reference", off=20, spread=0.5)
    (told,) = said(piano, part("CEL"), a4_hz=440.0, reference_from="PNO")
    assert "A4 was typed as 440.0 Hz, but stem PNO stands at 445.1 Hz" in told
    both = SessionA4(
        a4_hz=440.0,
        found_from="typed",
        findings=(
            Finding(severity="question", what="a", about=ABOUT_ALL),
            Finding(severity="note", what="b"),
        ),
    )
    assert told_once(both, ()) == both
    assert [f.what for f in told_once(both, both.findings).findings] == ["b"]
