"""Two roles that were exchanged: asked with what speaks for and against it, not otherwise."""

from dataclasses import replace

import pytest

from planner.answer.questions import ROLE_QUESTIONS
from planner.inspect.inspection_notes import inspect_notes
from planner.inspect.inspection_roles import exchanged_roles
from planner.model import Finding, Role, StemNotes
from planner.pitch import midi_to_hz
from tests.inspect.test_inspection import part, session
from tests.sessions.records import make_records


def heard(
    code: str,
    role: Role,
    low: int,
    *,
    vibrato: float = 0.0,
    struck: float = 1.0,
    count: int = 40,
    half_cents: float = 15.0,
) -> StemNotes:
    """A line of long notes from ``low`` on, so many of them in vibrato, so many struck."""
    stem = part(code, role, low=low, length_s=0.9, every_s=1.0, count=count)
    notes = [
        replace(
            n,
            note=replace(n.note, begins="attack" if k < struck * count else "soft"),
            measurement=replace(
                n.measurement,
                vibrato_half_cents=half_cents if k < vibrato * count else None,
                vibrato_regularity=0.9 if k < vibrato * count else None,
            ),
        )
        for k, n in enumerate(stem.notes)
    ]
    return replace(stem, notes=tuple(notes))


def asked(*stems: StemNotes) -> list[Finding]:
    return exchanged_roles(stems)


def test_bass_and_cello_exchanged() -> None:
    """The words say both what speaks for it: where they lie, and how they begin and swing."""
    cello_as_bass = heard("BAS", "bass-fretted", 48, vibrato=0.7, struck=0.3)
    bass_as_cello = heard("CEL", "bowed", 31, struck=0.9)
    (told,) = asked(cello_as_bass, bass_as_cello)
    assert told.severity == "question"
    assert told.what == (
        "BAS is marked bass-fretted and CEL bowed, and each sounds like the other: BAS lies around "
        "F#3, CEL around C#2; of BAS's 40 notes 30 % begin with a stroke, 70 % of its long notes "
        "in vibrato; of CEL's 40 notes 90 % begin with a stroke, 0 % of its long notes in vibrato. "
        "Were the two exchanged?"
    )
    assert told.did == "Judged as bass-fretted and bowed."
    assert asked(bass_as_cello, cello_as_bass) == [told]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (heard("LV", "bass-fretless", 60, vibrato=0.9, struck=0.8), heard("UPB", "lead-voice", 36)),
        (heard("GTR", "bass-fretted", 52), heard("BAS", "fretted", 33)),
        (heard("EGL", "fretted", 60, vibrato=0.8, struck=0.2), heard("FLT", "woodwind", 60)),
    ],
    ids=["voice and double bass", "guitar and bass", "guitar and flute in one register"],
)
def test_other_pairs_exchanged(one: StemNotes, other: StemNotes) -> None:
    """Registers alone, or manner alone, are enough where they speak plainly."""
    assert len(asked(one, other)) == 1
    assert asked(replace(one, role=other.role), replace(other, role=one.role)) == []


def test_what_does_not_say_so_is_told() -> None:
    """A low bowed part under a high bass, each with the manner of its own role."""
    bass, low = heard("BAS", "bass-fretted", 48), heard("CB", "bowed", 29, vibrato=0.8, struck=0.2)
    (told,) = asked(bass, low)
    assert (
        "Were the two exchanged? What does not say so: of BAS's 40 notes 100 % begin" in told.what
    )


@pytest.mark.parametrize(("low", "told"), [(41, True), (42, False)])
def test_edge_of_how_far_below(low: int, told: bool) -> None:
    """Seven semitones below the bass is asked about, six is not."""
    assert bool(asked(heard("BAS", "bass-fretted", 48), heard("CEL", "bowed", low))) is told


def test_a_clarinet_marked_as_a_bass_is_not_exchanged_with_a_voice() -> None:
    """Where the other would be no bass either, only the one is asked about, woodwind offered."""
    clarinet = heard("CLA", "bass-fretted", 58, vibrato=0.2, struck=0.6)
    voice, bass = (
        heard("LV", "lead-voice", 48, vibrato=0.5, struck=0.4),
        heard("BAS", "fretted", 28),
    )
    (told,) = inspect_notes(session(), (clarinet, voice))
    assert told.what == (
        "CLA is marked bass-fretted, and its notes lie around E4, above what a bass plays: really?"
    )
    assert "woodwind" in ROLE_QUESTIONS[told.asks]
    assert [f.stem for f in asked(clarinet, voice, bass)] == ["CLA"]  # beside a bass it is that one


@pytest.mark.parametrize(
    ("vibrato", "struck", "told"), [(0.4, 0.5, True), (0.375, 0.5, False), (0.4, 0.525, False)]
)
def test_edges_of_a_driven_sound(vibrato: float, struck: float, told: bool) -> None:
    """From 40 % in vibrato on and up to 50 % struck, a part marked as plucked sounds driven."""
    one = heard("EGL", "fretted", 60, vibrato=vibrato, struck=struck)
    assert bool(asked(one, heard("FLT", "woodwind", 60))) is told


@pytest.mark.parametrize(
    ("vibrato", "struck", "told"), [(0.1, 0.8, True), (0.125, 0.8, False), (0.1, 0.775, False)]
)
def test_edges_of_a_struck_sound(vibrato: float, struck: float, told: bool) -> None:
    """Up to 10 % in vibrato and from 80 % struck on, a part marked as blown sounds plucked."""
    other = heard("FLT", "woodwind", 60, vibrato=vibrato, struck=struck)
    driven = heard("EGL", "fretted", 60, vibrato=0.8, struck=0.2)
    assert bool(asked(driven, other)) is told


def at(code: str, role: Role, midis: list[int]) -> StemNotes:
    """A struck line of these notes."""
    stem = heard(code, role, 60, count=len(midis))
    notes = [
        replace(n, note=replace(n.note, pitch_hz=midi_to_hz(midi)))
        for n, midi in zip(stem.notes, midis, strict=True)
    ]
    return replace(stem, notes=tuple(notes))


def test_a_bass_and_a_guitar_alike_in_register() -> None:
    """A riff on low strings over a bass that plays high: what lies under D2 tells them apart."""
    guitar_as_bass = at("BAS", "bass-fretted", [40, 43, 45, 47] * 10)
    bass_as_guitar = at("EGL", "fretted", [31, 36, 41, 43, 45] * 8)
    (told,) = asked(guitar_as_bass, bass_as_guitar)
    assert told.what == (
        "BAS is marked bass-fretted and EGL fretted, and each sounds like the other: 40 % of EGL's "
        "notes lie under D2, where guitars hardly go, and of BAS's 0 %. Were the two exchanged? "
        "What does not say so: BAS lies around G#2, EGL around F2."
    )
    right = replace(guitar_as_bass, role="fretted"), replace(bass_as_guitar, role="bass-fretted")
    assert asked(*right) == []


@pytest.mark.parametrize(
    ("under", "of_bass", "told"), [(10, 0, True), (9, 0, False), (10, 1, False)]
)
def test_edges_of_what_only_a_bass_plays(under: int, of_bass: int, told: bool) -> None:
    """A quarter of the notes under D2 on the guitar, no more than one in fifty on the bass."""
    guitar = at("EGL", "fretted", [37] * under + [45] * (40 - under))
    bass = at("BAS", "bass-fretted", [37] * of_bass + [38] * (40 - of_bass))
    assert bool(asked(guitar, bass)) is told


@pytest.mark.parametrize(
    ("wide", "narrow", "told"), [(30.0, 17.5, True), (29.9, 17.5, False), (30.0, 17.6, False)]
)
def test_a_voice_and_a_cello_by_how_far_they_swing(wide: float, narrow: float, told: bool) -> None:
    """Singers swing over 0.6 to 2 semitones, string players over 0.2 to 0.35.

    Source: R. Timmers and P. Desain, Vibrato: questions and answers from musicians and science
    (ICMPC 6, 2000).
    """
    voice = heard("CEL", "bowed", 57, vibrato=0.6, struck=0.3, half_cents=wide)
    cello = heard("LV", "lead-voice", 57, vibrato=0.6, struck=0.3, half_cents=narrow)
    found = asked(voice, cello)
    assert bool(found) is told
    if found:
        assert (
            "each sounds like the other: CEL's vibrato reaches 30 cents to either side, as voices "
            "do, and LV's 18, as bows do. Were the two exchanged?" in found[0].what
        )
    assert asked(replace(voice, role="lead-voice"), replace(cello, role="bowed")) == []


@pytest.mark.parametrize(("count", "told"), [(8, True), (7, False)])
def test_edge_of_few_notes(count: int, told: bool) -> None:
    """Eight notes say where a stem lies, seven do not."""
    stems = (heard("GTR", "bass-fretted", 52, count=count), heard("BAS", "fretted", 33))
    assert bool(asked(*stems)) is told


def test_a_plain_voice_beside_a_plucked_part_is_no_pair() -> None:
    """A straight, tongued flute alone proves nothing: the guitar is a guitar."""
    assert asked(heard("EGL", "fretted", 60), heard("FLT", "woodwind", 60)) == []


def test_the_high_bass_is_not_asked_about_twice() -> None:
    """A pair that is told stands for the question about a bass that lies high."""
    stems = (heard("GTR", "bass-fretted", 60), heard("BAS", "fretted", 33))
    said = [f.what for f in inspect_notes(session(), stems) if "marked" in f.what]
    assert len(said) == 1
    assert "Were the two exchanged?" in said[0]


def test_no_alarm_where_nothing_is_exchanged() -> None:
    """In 300 random bands of three to eight players nobody is asked about."""
    assert [k for k in range(30201, 30501) if exchanged_roles(make_records(k, bars=8))] == []
