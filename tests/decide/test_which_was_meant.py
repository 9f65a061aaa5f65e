import pytest

from planner.clashes import SoundingNote
from planner.decide.which_was_meant import known_by_the_song, leaning_to_the_key
from planner.files.configs import read_judging
from planner.model import Role
from planner.pitch import midi_to_hz, shift_hz
from planner.words.session_model import KeyMark
from tests.deciding import line, note, plan, stem

C_MAJOR = KeyMark(bar=1, tonic="C", mode="major")
ASKED_FROM = 35.0
D4, EB4, E4, F4, G4 = 62, 63, 64, 65, 67


def sounds(
    stem: str, k: int, midi: int, start_s: float, end_s: float, off: float = 0.0,
    role: Role = "bowed",
) -> SoundingNote:  # fmt: skip
    hz = midi_to_hz(midi)
    return SoundingNote(
        id=f"{stem}-{k}", stem=stem, role=role, midi=midi, start_s=start_s, end_s=end_s,
        heard_hz=shift_hz(hz, off), target_hz=hz, level_db=0.0,
    )  # fmt: skip


def known(
    midi: int,
    off: float,
    *others: SoundingNote,
    key: KeyMark | None = C_MAJOR,
    length_s: float = 2.0,
) -> str | None:
    """What makes a note known that begins at 10 s."""
    asked = sounds("CEL", 0, midi, 10.0, 10.0 + length_s, off)
    return known_by_the_song(
        [asked, *others], {"CEL-0"}, ASKED_FROM, lambda at_s: key
    ).get("CEL-0")  # fmt: skip


def often(midi: int, times: int) -> list[SoundingNote]:
    """A note played again and again before anything else."""
    return [sounds("GTR", k, midi, 0.2 * k, 0.2 * k + 0.1) for k in range(times)]


@pytest.mark.parametrize(
    ("end_s", "is_known"), [(11.0, True), (10.99, False)], ids=["half of it", "less"]
)
def test_another_part_that_sounds_the_note_for_half_of_it_says_which(
    end_s: float, is_known: bool
) -> None:
    """A D 40 flat over the piano's D, in another octave, is no C sharp."""
    said = known(D4, -40.0, sounds("PNO", 1, D4 - 24, 9.0, end_s))
    assert said == ("PNO sounds it too" if is_known else None)


@pytest.mark.parametrize("end_s", [10.14, 10.16])
def test_the_note_beside_must_not_sound_meanwhile(end_s: float) -> None:
    """A C sharp of 0.15 s and more in a third part leaves it open."""
    piano = sounds("PNO", 1, D4, 9.0, 13.0)
    said = known(D4, -40.0, piano, sounds("BAS", 1, 49, 10.0, end_s))
    assert (said is None) == (end_s > 10.15)


def test_a_neighbour_in_the_key_leaves_it_open() -> None:
    """E 40 sharp may be a low F in C major, and in D major it is not; D 40 sharp is no E flat."""
    piano = [sounds("PNO", 1, E4, 9.0, 13.0), *often(E4, 100)]
    assert known(E4, 40.0, *piano) is None
    assert known(E4, 40.0, *piano, key=KeyMark(bar=1, tonic="D", mode="major")) is not None
    assert known(D4, 40.0, sounds("PNO", 1, D4, 9.0, 13.0)) is not None


def test_a_raised_note_of_a_minor_key_leaves_it_open() -> None:
    """G 40 sharp over a G may be a low G sharp in A minor."""
    piano = sounds("PNO", 1, G4, 9.0, 13.0)
    assert known(G4, 40.0, piano) is not None
    assert known(G4, 40.0, piano, key=KeyMark(bar=1, tonic="A", mode="minor")) is None


# The rule of succession (Laplace, Essai philosophique sur les probabilites, 1814; from memory): of
# what came k times, the next is expected as k + 1. One in twenty is 19 to 1: 18 + 1 to 0 + 1, and
# 37 + 1 to 1 + 1.
@pytest.mark.parametrize(
    ("times", "rare", "said"),
    [
        (17, 0, None), (18, 0, "the song has it 18 times and Eb4 never"),
        (36, 1, None), (37, 1, "the song has it 37 times and Eb4 once"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("key", [C_MAJOR, None])
def test_a_note_that_the_song_hardly_has_was_not_meant(
    times: int, rare: int, said: str | None, key: KeyMark | None
) -> None:
    """D 40 sharp, where the song has one D after the other and hardly an E flat."""
    others = [*often(D4, times), *(sounds("BAS", k, EB4, 20.0, 20.1) for k in range(rare))]
    assert known(D4, 40.0, *others, key=key) == said


@pytest.mark.parametrize("start_s", [8.0, 12.0], ids=["before", "after"])
@pytest.mark.parametrize(
    ("stem", "midi", "is_known"),
    [("CEL", E4, False), ("CEL", D4, True), ("CEL", F4, True), ("CEL", 60, True), ("LV", E4, True)],
)
def test_a_line_that_may_step_through_the_strange_note_tells_nothing(
    stem: str, midi: int, is_known: bool, start_s: float
) -> None:
    """D 40 sharp beside an E of its own line may be the E flat between them (common practice)."""
    others = sounds("PNO", 1, D4, 9.0, 13.0), sounds(stem, 1, midi, start_s, start_s + 1.0)
    assert (known(D4, 40.0, *others, length_s=0.59) is not None) == is_known
    assert known(D4, 40.0, *others, length_s=0.6) is not None  # nobody steps through a held note


def test_without_a_key_one_part_that_sounds_it_is_not_enough() -> None:
    """Which notes are strange is then known by the song alone."""
    assert known(D4, -40.0, sounds("PNO", 1, D4, 9.0, 13.0), key=None) is None


def test_what_lies_between_two_notes_itself_says_nothing() -> None:
    """Of two parts 40 flat together neither is the other's proof."""
    both = [sounds("CEL", 0, D4, 10.0, 12.0, -40.0), sounds("LV", 1, D4, 10.0, 12.0, -40.0)]
    between = {one.id for one in both}
    assert known_by_the_song(both, between, ASKED_FROM, lambda at_s: C_MAJOR) == {}
    drums = sounds("DRM", 1, D4, 9.0, 13.0, role="drum-tones")
    assert known(D4, -40.0, drums) is None


@pytest.mark.parametrize(
    ("preset", "rule_name"), [("plain-band", "note off"), ("blue-hour", "between two notes")]
)
def test_a_known_note_is_mended_and_says_why(preset: str, rule_name: str) -> None:
    """A cello's D 40 flat under a held D of the piano; where blue notes are kept it is asked."""
    cello = [*line("CEL", [60, 64, 67, 64], [0.0] * 4), note("CEL-9999", 62, -40.0, start_s=20.0)]
    piano = [note("PNO-0001", 50, 0.0, start_s=19.9, length_s=1.2)]
    made = plan(
        stem("CEL", "bowed", cello), stem("PNO", "tuning-reference", piano),
        judging=read_judging(preset), keys=(C_MAJOR,),
    )  # fmt: skip
    (found,) = [j for j in made.judged if j.measured.id == "CEL-9999"]
    assert found.rule_name == rule_name
    if rule_name == "note off":
        assert "D4 was meant, as PNO sounds it too" in found.reason


def asked_from(
    midi: int, off: float, *others: SoundingNote, key: KeyMark | None = C_MAJOR
) -> tuple[int, str, float] | None:
    """The note of the key that a note at 10 s leans to, and from how many cents on."""
    one = sounds("CEL", 0, midi, 10.0, 11.0, off)
    found = leaning_to_the_key([one, *others], (), ASKED_FROM, lambda at_s: key).get("CEL-0")
    return None if found is None else (found.midi, found.key, found.from_cents)


def test_a_note_outside_the_key_is_asked_about_sooner() -> None:
    """Eb 30 sharp in C major, where the song has 18 E and no Eb: 19 to 1, 9 cents sooner than 35.

    17.5^2 ln 19 / 100 = 9.02; with as many Eb as E nothing speaks for either.
    """
    assert asked_from(EB4, 30.0, *often(E4, 18)) == (E4, "C major", pytest.approx(25.98, abs=0.01))
    assert asked_from(EB4, -30.0, *often(D4, 18)) == (D4, "C major", pytest.approx(25.98, abs=0.01))
    assert asked_from(EB4, 30.0, *often(E4, 3), *often(EB4, 3)) is None
    assert asked_from(E4, 30.0, *often(F4, 18)) is None  # in the key itself
    assert asked_from(EB4, 30.0, *often(E4, 18), key=None) is None
    two_flats = KeyMark(bar=1, tonic="Bb", mode="major")
    assert asked_from(66, 30.0, *often(G4, 18), key=two_flats) is not None
    assert asked_from(EB4, 30.0, *often(E4, 18), key=two_flats) is None


def test_what_another_part_sounds_as_well_is_no_strange_note() -> None:
    """An Eb under which the piano holds one is a chromatic note of the song."""
    assert asked_from(EB4, 30.0, *often(E4, 18), sounds("PNO", 1, 51, 10.0, 10.5)) is None
    assert asked_from(EB4, 30.0, *often(E4, 18), sounds("PNO", 1, 51, 10.0, 10.4)) is not None


@pytest.mark.parametrize(
    ("lead", "double", "asked"),
    [("lead-voice", "voice-double", True), ("voice-double", "lead-voice", True),
     ("voice-double", "voice-double", True), ("lead-voice", "voice-harmony", False)],
)  # fmt: skip
def test_a_double_is_no_witness_for_its_lead(lead: Role, double: Role, asked: bool) -> None:
    """Both slip together: an Eb that only a double sings too is as strange as before."""
    one = sounds("LV", 0, EB4, 10.0, 11.0, 30.0, lead)
    also = sounds("BV", 1, EB4, 10.0, 11.0, 28.0, double)
    notes = [one, also, *often(E4, 18)]
    assert ("LV-0" in leaning_to_the_key(notes, set(), ASKED_FROM, lambda at_s: C_MAJOR)) is asked


@pytest.mark.parametrize(("scatter", "from_cents"), [(10.0, 26.0), (20.0, 9.1)])
def test_a_part_that_scatters_widely_may_have_meant_the_key_sooner(
    scatter: float, from_cents: float
) -> None:
    """35 less sd^2 ln(odds) / 100: odds of 19; 17.5 cents, or 1.4826 times the middle distance."""
    own = [sounds("LV", k, E4, 0.2 * k, 0.2 * k + 0.1, scatter * (-1) ** k) for k in range(1, 19)]
    one = sounds("LV", 0, EB4, 10.0, 11.0, 30.0)
    found = leaning_to_the_key([one, *own], set(), ASKED_FROM, lambda at_s: C_MAJOR)["LV-0"]
    assert found.from_cents == pytest.approx(from_cents, abs=0.1)


@pytest.mark.parametrize(
    ("off", "action"), [(24.0, "ask"), (23.9, "raise-lower"), (10.0, "leave"), (-24.0, "ask")]
)
def test_no_note_is_moved_away_from_the_key_unasked(off: float, action: str) -> None:
    """Between Eb and E, or D, in C major: only what is surely an Eb is moved to it.

    Two doubts of 1 cent before 26.
    """
    notes = [D4, E4] * 18 + [EB4]
    tune = line("LV", notes, [0.0] * 36 + [off])
    (made,) = [
        j for j in plan(stem("LV", "lead-voice", tune), keys=(C_MAJOR,)).judged
        if j.measured.id == "LV-0037"
    ]  # fmt: skip
    assert made.action == action
    if action == "ask":
        way, other = ("sharp", "E4") if off > 0 else ("flat", "D4")
        either = "Eb4 or E4" if off > 0 else "D4 or Eb4"
        assert made.reason == (
            f"24 {way} for Eb4, which is not in C major, and leans to {other}, which is: "
            f"which was meant, {either}?"
        )
