"""Where the session's A4 stands, from notes whose truth is written down here."""

import numpy as np
import pytest

from planner.a4 import find_session_a4
from planner.model import MeasuredNote, Measurement, Note, Role, StemNotes
from planner.pitch import cents, midi_to_hz, shift_hz
from planner.targets import temperament_offsets
from planner.temperament import temperament_cents
from planner.words.session_model import Session, StemSpec

CHORDS = [45, 52, 57, 60, 64, 69, 48, 55, 64, 67, 72, 43, 50, 59, 62, 67, 74, 41, 53, 57, 60, 65]


def made(hz: float, i: int, sd: float, code: str) -> MeasuredNote:
    """A note of one second with the given first partial."""
    note = Note(
        stem=code, start_s=float(i), end_s=i + 1.0, start_smp=i * 48000,
        end_smp=(i + 1) * 48000, pitch_hz=hz, strength=1.0, pitched_share=1.0,
        level_db=-20.0, begins="attack",
    )  # fmt: skip
    measured = Measurement(sustain_hz=hz, heard_hz=hz, uncertainty_cents=sd, confidence="firm")
    return MeasuredNote(id=f"{code}-{i:04d}", note=note, measurement=measured)


def stem(
    a4_hz: float,
    *,
    code: str = "PNO",
    role: Role = "tuning-reference",
    scatter: float = 1.0,
    seed: int = 1,
    keys: list[int] | None = None,
    offsets: tuple[float, ...] = (0.0,) * 12,
    curve: float = 0.0,
    wrong: int = 0,
) -> StemNotes:
    """Notes around an A4; curve: cents at three octaves above A4, rising from A5."""
    rng = np.random.default_rng(seed)
    notes = []
    for i, midi in enumerate((keys or CHORDS) * 2):
        off = rng.normal(0.0, scatter) + offsets[midi % 12]
        off += curve * max((midi - 81) / 24, 0.0) ** 2 - curve * max((45 - midi) / 24, 0.0) ** 2
        off += rng.uniform(-40, 40) if i < wrong else 0.0
        notes.append(made(shift_hz(midi_to_hz(midi, a4_hz), off), i, 0.2, code))
    return StemNotes(code=code, role=role, facts=None, notes=tuple(notes))


def session(**fields: object) -> Session:
    """A session that listens to PNO unless told otherwise."""
    settings: dict[str, object] = {"song": "Low Tide Ledger", "reference_from": "PNO", "stems": ()}
    return Session(**(settings | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize("a4_hz", [430.0, 432.0, 437.3, 440.0, 442.0, 443.8, 446.0])
def test_a4_is_found_within_its_own_uncertainty(a4_hz: float) -> None:
    """Scattered by a cent a note, A4 comes back within half a cent, and the plus-minus says so."""
    found = find_session_a4(session(), (stem(a4_hz),))
    assert abs(cents(found.a4_hz, a4_hz)) < 0.5
    assert found.measured_hz == found.a4_hz
    assert found.uncertainty_cents is not None
    assert 0.05 < found.uncertainty_cents < 0.6
    assert found.found_from == "stem PNO"
    assert found.notes_used >= 40
    assert found.findings == ()


def test_uncertainty_covers_two_thirds() -> None:
    """Over many draws about 2 in 3 errors stay within the stated uncertainty."""
    inside = []
    for seed in range(60):
        found = find_session_a4(session(), (stem(441.0, seed=seed),))
        assert found.uncertainty_cents is not None
        inside.append(abs(cents(found.a4_hz, 441.0)) <= found.uncertainty_cents)
    assert 0.55 <= np.mean(inside) <= 0.92


def test_sharpening_every_note_sharpens_a4_by_as_much() -> None:
    """A4 follows the reference cent for cent."""
    first = find_session_a4(session(), (stem(440.0),))
    moved = find_session_a4(session(), (stem(shift_hz(440.0, 7.0)),))
    assert cents(moved.a4_hz, first.a4_hz) == pytest.approx(7.0, abs=1e-6)


def test_wrong_notes_do_not_move_a4() -> None:
    """A sixth of the notes gone astray leave A4 within a cent."""
    found = find_session_a4(session(), (stem(438.0, wrong=8),))
    assert abs(cents(found.a4_hz, 438.0)) < 1.0
    assert found.notes_used < 44


@pytest.mark.parametrize("a4_hz", [415.0, 466.0, 392.0])
def test_a_typed_a4_chooses_the_semitone(a4_hz: float) -> None:
    """Old pitches a semitone or a tone away are found where a person pointed to them."""
    found = find_session_a4(session(a4_hz=a4_hz), (stem(shift_hz(a4_hz, 2.0)),))
    assert found.measured_hz is not None
    assert abs(cents(found.measured_hz, a4_hz) - 2.0) < 0.6
    assert found.a4_hz == a4_hz
    assert found.found_from == "typed"
    assert found.findings == ()


def test_without_a_typed_a4_the_one_nearest_440_is_meant() -> None:
    """Notes of A4 = 466 Hz are those of 440 Hz less 0.6 cents, one key higher."""
    found = find_session_a4(session(), (stem(466.0),))
    assert abs(cents(found.a4_hz, 440.0) - (cents(466.0, 440.0) - 100.0)) < 0.6


def test_half_way_between_semitones_is_asked() -> None:
    """452.5 Hz (48.5 cents above 440 Hz) is used, and the other reading is told."""
    found = find_session_a4(session(), (stem(452.5, scatter=0.01),))
    assert abs(cents(found.a4_hz, 452.5)) < 0.6
    (finding,) = found.findings
    assert finding.severity == "question"
    assert "half-way between two semitones" in finding.what
    assert "427.1 Hz" in finding.what
    assert "a4_hz" in finding.advice


def test_a_typed_a4_that_differs_is_shouted() -> None:
    """More than 3 cents between typed and measured is a question; 2 cents is not."""
    far = find_session_a4(session(a4_hz=440.0), (stem(442.0, scatter=0.1),))
    assert far.a4_hz == 440.0
    (finding,) = far.findings
    assert finding.severity == "question"
    assert "A4 was typed as 440.0 Hz, but stem PNO stands at 442.0 Hz" in finding.what
    assert "sharp" in finding.what
    near = find_session_a4(session(a4_hz=440.0), (stem(440.5, scatter=0.1),))
    assert near.findings == ()


@pytest.mark.parametrize(("apart", "asked"), [(2.9, False), (3.1, True), (-3.1, True)])
def test_edge_of_a_typed_a4(apart: float, asked: bool) -> None:
    """From 3 cents on, to either side."""
    found = find_session_a4(
        session(a4_hz=440.0), (stem(440.0 * 2 ** (apart / 1200), scatter=0.01),)
    )
    assert [f.severity for f in found.findings] == ["question"] * asked


def test_a_typed_a4_alone_needs_no_reference() -> None:
    """A number without a stem is taken as it is, and nothing is asked."""
    found = find_session_a4(session(reference_from=None, a4_hz=441.0), ())
    assert (found.a4_hz, found.found_from, found.findings) == (441.0, "typed", ())
    assert found.measured_hz is None
    assert found.uncertainty_cents is None


def test_with_nothing_at_all_440_is_assumed_and_said() -> None:
    """ISO 16:1975 is the standard tuning frequency; an assumption is told as a question."""
    found = find_session_a4(session(), ())
    assert (found.a4_hz, found.found_from, found.notes_used) == (440.0, "assumed", 0)
    assert "PNO was named as the pitch reference, but it was not measured" in found.findings[0].what
    assert "A4 = 440.0 Hz was assumed" in found.findings[1].did


def test_majority_takes_the_stems_that_agree_and_asks() -> None:
    """Two stems at 442 Hz outvote one at 436 Hz; the reader is asked to confirm."""
    stems = (
        stem(442.0, code="BAS", role="bass-fretted", keys=[40, 43, 45, 47, 50, 52]),
        stem(442.2, code="EGL", role="fretted", seed=2),
        stem(436.0, code="CEL", role="bowed", seed=3),
    )
    found = find_session_a4(session(reference_from="majority"), stems)
    assert abs(cents(found.a4_hz, 442.1)) < 1.2
    assert found.found_from == "majority of BAS, EGL"
    (finding,) = found.findings
    assert finding.severity == "question"
    assert "2 of 3 pitched stems stand near A4 = 442." in finding.what
    assert "CEL 24 flat" in finding.what


def test_majority_beside_a_typed_a4_brings_no_stretch() -> None:
    """A low part 6 flat of a typed A4 is flat, whatever the majority; no curve takes it along."""
    stems = (
        stem(shift_hz(440.0, -6.0), code="BAS", role="bass-fretted", keys=[28, 31, 33, 36]),
        stem(440.0, code="EGL", role="fretted", seed=2),
        stem(440.0, code="CEL", role="bowed", seed=3),
    )
    found = find_session_a4(session(reference_from="majority", a4_hz=440.0), stems)
    assert (found.a4_hz, found.stretch) == (440.0, ())


@pytest.mark.parametrize(("role", "stretched"), [("fretted", False), ("tuning-reference", True)])
def test_only_keys_are_stretched(role: Role, stretched: bool) -> None:
    """A guitar whose low strings are sharp has sharp strings, and A4 is not moved for them."""
    low = stem(shift_hz(440.0, 6.0), code="PNO", role=role, keys=[40, 43, 45, 47])
    high = stem(440.0, code="PNO", role=role, seed=2, keys=[52, 55, 57, 59, 60, 62])
    both = StemNotes(code="PNO", role=role, facts=None, notes=(*low.notes, *high.notes))
    found = find_session_a4(session(), (both,))
    assert bool(found.stretch) is stretched
    if not stretched:
        assert 0.0 <= cents(found.a4_hz, 440.0) < 3.0


def test_notes_that_agree_on_nothing_are_no_reference() -> None:
    """Pitches scattered over the whole semitone give no A4 of their own."""
    found = find_session_a4(session(), (stem(440.0, scatter=60.0),))
    assert found.found_from == "assumed"
    assert "do not agree on one A4" in found.findings[0].what


@pytest.mark.parametrize("name", ["quarter-comma-meantone", "pythagorean"])
def test_temperament_is_taken_out_first(name: str) -> None:
    """A keyboard in another temperament gives the same A4 once its table is known."""
    offsets = temperament_cents(name)
    notes = stem(415.8, offsets=offsets, scatter=0.5)
    named = find_session_a4(session(temperament=name, a4_hz=415.0), (notes,))
    table = find_session_a4(
        session(temperament="table", temperament_table=offsets, a4_hz=415.0), (notes,)
    )
    assert named.measured_hz is not None
    assert abs(cents(named.measured_hz, 415.8)) < 0.5
    assert table.measured_hz == named.measured_hz


def test_stretch_is_published_and_does_not_move_a4() -> None:
    """A piano stretched by 20 cents at A7 is still A4 = 441 Hz, and its curve is told at each A."""
    keys = [*CHORDS, 24, 28, 33, 36, 84, 88, 93, 96, 100, 105, 105, 33, 28]
    found = find_session_a4(session(), (stem(441.0, keys=keys, curve=20.0, scatter=0.5),))
    assert abs(cents(found.a4_hz, 441.0)) < 0.6
    curve = dict(found.stretch)
    assert curve[69] == 0.0
    assert {33, 45, 57, 69, 81, 93, 105} <= set(curve)
    assert curve[105] == pytest.approx(20.0, abs=2.5)
    assert curve[93] == pytest.approx(5.0, abs=2.0)
    assert abs(curve[81]) < 1.5
    assert curve[33] == pytest.approx(-5.0, abs=2.5)
    assert list(found.stretch) == sorted(found.stretch)


def test_thin_evidence_gives_no_stretch() -> None:
    """An unstretched reference in the middle register publishes a curve near 0."""
    found = find_session_a4(session(), (stem(440.0),))
    assert max(abs(c) for _, c in found.stretch) < 1.0


def test_two_fixed_instruments_apart_are_told_with_their_cents() -> None:
    """An organ 9 cents under the piano is a question; 3 cents is not worth a word."""
    organ = stem(shift_hz(440.0, -9.0), code="ORG", role="fixed-pitch", scatter=0.2, seed=5)
    found = find_session_a4(session(), (organ, stem(440.0, scatter=0.2)))
    (finding,) = found.findings
    assert finding.severity == "question"
    assert "ORG stands" in finding.what
    assert "cents flat of PNO" in finding.what
    assert abs(float(finding.what.split()[2]) - 9.0) < 0.4
    near = stem(shift_hz(440.0, -3.0), code="ORG", role="fixed-pitch", scatter=0.2, seed=5)
    assert find_session_a4(session(), (near, stem(440.0, scatter=0.2))).findings == ()


def test_a_declared_offset_of_the_whole_song_is_where_a4_is_looked_for() -> None:
    """A song declared 60 cents sharp is found there, not 40 cents flat; a wrong claim is asked."""
    a4_hz = shift_hz(440.0, 61.0)
    found = find_session_a4(session(whole_song_offset_cents=60.0), (stem(a4_hz),))
    assert abs(cents(found.a4_hz, a4_hz)) < 0.6
    assert found.findings == ()
    wrong = find_session_a4(session(whole_song_offset_cents=20.0), (stem(440.0),))
    assert "whole song is +20.0 cents" in wrong.findings[0].what


def test_order_of_stems_and_notes_changes_nothing() -> None:
    """Shuffled stems and notes give the same A4."""
    piano, organ = stem(441.0), stem(441.2, code="ORG", role="fixed-pitch", seed=9)
    turned = StemNotes(
        code="PNO", role="tuning-reference", facts=None, notes=tuple(reversed(piano.notes))
    )
    one = find_session_a4(session(), (piano, organ))
    two = find_session_a4(session(), (organ, turned))
    assert one.a4_hz == pytest.approx(two.a4_hz, abs=1e-9)


@pytest.mark.parametrize(("off", "severity"), [(4.0, None), (5.0, "warning"), (9.0, "question")])
def test_edges_of_two_references_apart(off: float, severity: str | None) -> None:
    """4 cents are accepted, 5 to 8 are noted, more is a question (common practice, no source)."""
    organ = stem(shift_hz(440.0, off), code="ORG", role="fixed-pitch", scatter=0.0)
    found = find_session_a4(session(), (stem(440.0, scatter=0.0), organ))
    assert [finding.severity for finding in found.findings] == ([severity] if severity else [])


@pytest.mark.parametrize(
    ("files", "first"),
    [
        ({"A": "vibes.wav", "B": "organ.wav", "C": "upright_piano.wav"}, "C"),
        ({"A": "accordion.wav", "B": "rhodes_ep.wav", "C": "church_organ.wav"}, "C"),
        ({"A": "rhodes_ep.wav", "B": "marimba.wav", "C": "what.wav"}, "B"),
    ],
)
def test_precedence_of_fixed_instruments(files: dict[str, str], first: str) -> None:
    """Without a named one, acoustic piano before organ, mallets, reeds and electric."""
    specs = tuple(StemSpec(code=c, file=f, role="fixed-pitch") for c, f in files.items())
    stems = tuple(
        stem(shift_hz(440.0, 10.0 * k), code=c, role="fixed-pitch", scatter=0.0)
        for k, c in enumerate(files)
    )
    found = find_session_a4(session(stems=specs, reference_from=None), stems)
    apart = [f for f in found.findings if "neither can be moved" in f.what]
    assert len(apart) == 2
    assert all(f" of {first}; " in f.what for f in apart)


@pytest.mark.parametrize("semitone_hz", [415.3, 466.2])
@pytest.mark.parametrize("named", ["vallotti", "quarter-comma-meantone"])
def test_an_unequal_temperament_says_which_semitone_a4_is(named: str, semitone_hz: float) -> None:
    """At an old pitch every note is a semitone from 440: there alone the temperament fits.

    An equal one is alike everywhere, and what is typed wins.
    """
    unequal = session(temperament=named)
    offsets = temperament_offsets(unequal)
    every_key = list(range(48, 84))
    tuned = stem(semitone_hz, offsets=offsets, keys=every_key)
    found = find_session_a4(unequal, (tuned,))
    assert abs(cents(found.a4_hz, semitone_hz)) < 1.0
    (asked,) = [f for f in found.findings if "The temperament" in f.what]
    assert (asked.severity, asked.did) == (
        "question", f"A4 = {found.a4_hz:.1f} Hz was used: every note is called by it."
    )  # fmt: skip
    typed = find_session_a4(session(temperament=named, a4_hz=440.0), (tuned,))
    assert typed.a4_hz == 440.0
    assert abs(cents(find_session_a4(session(), (stem(semitone_hz),)).a4_hz, 440.0)) < 2.0
    at_home = find_session_a4(unequal, (stem(440.0, offsets=offsets, keys=every_key),))
    assert abs(cents(at_home.a4_hz, 440.0)) < 1.0
    assert at_home.findings == ()


def test_white_keys_of_a_meantone_do_not_say_which_semitone_a4_is() -> None:
    """They are tuned alike a whole tone away, so that a semitone down and up fit as well."""
    meantone = session(temperament="quarter-comma-meantone")
    white = stem(415.3, offsets=temperament_offsets(meantone))
    found = find_session_a4(meantone, (white,))
    assert not [f for f in found.findings if "every note is called by it" in (f.did or "")]


def test_a_temperament_that_the_piano_does_not_keep_is_asked_about() -> None:
    """Quarter-comma meantone over an equal piano: the scatter says so; equal itself is never asked.

    Meantone's Eb stands about 20 cents from equal where A is 0 (rebuilt from its definition).
    """
    from deciding import line, session, stem

    piano = stem("PNO", "tuning-reference", line("PNO", list(range(48, 72)) * 2, [0.0] * 48))
    asked = {
        name: [
            f.what
            for f in find_session_a4(
                session(piano, reference_from="PNO", a4_hz=None, temperament=name), (piano,)
            ).findings
            if "does not fit" in f.what
        ]
        for name in ("equal", "quarter-comma-meantone", "vallotti")
    }
    assert asked["equal"] == []
    assert "does not fit stem PNO: its notes scatter by" in asked["quarter-comma-meantone"][0]
