"""The first session file that is written from guesses."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import SessionError
from planner.files.yaml_reading import parse_yaml
from planner.read.first_session import song_of, started_session_text
from planner.read.guess import StemGuess, guess_from_name
from planner.session import session_from_dict
from planner.words.session_model import Session


def read_back(text: str) -> Session:
    data, lines = parse_yaml(text, file="s.yaml")
    return session_from_dict(data, lines, file="s.yaml")[0]


def started(*names: str) -> str:
    return started_session_text("A Song", [guess_from_name(name) for name in names])


def test_every_guess_is_marked():
    """Song, reference, roles, links and partners are all marked as guesses."""
    lines = started("bass_di.wav", "bass_amp.wav", "lead vox.wav", "BV.wav").splitlines()
    for word in ("song:", "pitch_reference:", "role:", "linked:", "sung_with:"):
        marked = [line for line in lines if line.strip().startswith(word)]
        assert marked
        assert all("# guess" in line for line in marked)


def test_the_first_file_is_read_back_as_guessed():
    """What is written is what the session then says."""
    session = read_back(
        started("piano.wav", "bass_di.wav", "bass_amp.wav", "lead vox.wav", "BV.wav", "Audio 3.wav")
    )
    assert session.song == "A Song"
    assert session.reference_from == "PNO"
    assert [(s.code, s.file, s.role, s.linked, s.sung_with) for s in session.stems] == [
        ("PNO", "piano.wav", "tuning-reference", (), None),
        ("BAS", "bass_di.wav", "bass-fretted", ("bass_amp.wav",), None),
        ("LV", "lead vox.wav", "lead-voice", (), None),
        ("BV", "BV.wav", "voice-harmony", (), "LV"),
        ("P", "Audio 3.wav", "exclude", (), None),
    ]


@pytest.mark.parametrize(
    ("names", "reference"),
    [
        (("organ.wav", "piano.wav", "bass.wav"), "PNO"),
        (("bass.wav", "organ.wav"), "ORG"),
        (("vibes.wav", "bass.wav"), "MAL"),
        (("bass.wav", "lead vox.wav"), "majority"),
    ],
)
def test_the_reference_is_guessed_from_what_cannot_bend(names, reference):
    """Piano first, then whatever else has a fixed pitch, else the majority."""
    assert read_back(started(*names)).reference_from == reference


def test_codes_are_made_unique():
    """The second of a name gets a number, and never one that another file has by name."""
    session = read_back(started("a/BV.wav", "b/BV.wav", "BV2.wav", "c/BV2.wav"))
    assert [s.code for s in session.stems] == ["BV", "BV3", "BV2", "BV4"]


@pytest.mark.parametrize("word", ["double", "Doubled", "dbl", "DUB"])
def test_a_lead_has_the_bare_code_and_its_double_a_number(word: str):
    """Whichever file comes first by its name."""
    session = read_back(started(f"sax_{word}.wav", "sax_lead.wav", "Tpt dbl.wav", "Tpt.wav"))
    assert [s.code for s in session.stems] == ["SAX2", "SAX", "TPT2", "TPT"]


def test_two_amplifiers_of_one_part_are_not_swallowed():
    """Only as many amplifier files are linked as there are direct ones; none is lost."""
    session = read_back(started("gtr DI.wav", "gtr amp.wav", "gtr cab.wav", "sax mic.wav"))
    named = [name for s in session.stems for name in (s.file, *s.linked)]
    assert sorted(named) == ["gtr DI.wav", "gtr amp.wav", "gtr cab.wav", "sax mic.wav"]


def test_sung_with_is_left_open_between_two_leads():
    """With two lead voices nobody is guessed to be sung with."""
    assert "sung_with" not in started("lead vox A.wav", "lead vox B.wav", "BV.wav")


def test_an_audio_folder_elsewhere_is_written_down():
    """Where the stems lie somewhere else the file says so."""
    text = started_session_text("A", [guess_from_name("bass.wav")], audio_folder='../stems: "x"')
    assert read_back(text).audio_folder == '../stems: "x"'


def test_names_that_are_no_text_are_counted_not_written():
    """A name with undecodable bytes is left out and said to be."""
    text = started("bass.wav", "bad\udcff.wav")
    assert "# 1 file left out: its name is no readable text; rename first." in text
    assert len(read_back(text).stems) == 1
    with pytest.raises(ValueError, match="at least one stem whose name is readable text"):
        started("bad\udcff.wav")


def test_an_unreadable_folder_name_still_gives_a_song():
    """A folder name without anything that prints becomes Untitled."""
    text = started_session_text("\n\t", [guess_from_name("bass.wav")])
    assert read_back(text).song == "Untitled"


NAMES = st.text(
    st.characters(exclude_characters="/\0", exclude_categories=("Cs",)), min_size=1
).filter(str.strip)


@settings(max_examples=150)
@given(folder=st.text(), names=st.lists(NAMES, min_size=1, unique=True))
def test_any_file_name_survives(folder, names):
    """Whatever files are called, the first session file is legal and names each one exactly."""
    guesses = [guess_from_name(name) for name in names]
    session = read_back(started_session_text(folder, guesses))
    assert {n for s in session.stems for n in (s.file, *s.linked)} == set(names)


USUAL = ["BV", "LV", "lead", "vox", "DI", "amp", "cab", "bass", "piano", "gtr", "double"]
USUAL += ["L", "R", "2", "3", "all", "ask", "KICK", "tone"]


@settings(max_examples=100)
@given(
    st.lists(
        st.lists(
            st.sampled_from(
                USUAL
            ),
            min_size=1, max_size=4,
        ).map(" ".join),
        min_size=1, max_size=25, unique=True,
    )
)  # fmt: skip
def test_any_mixture_of_usual_words_survives(names):
    """Names made of the usual words, in any mixture, give a legal session file."""
    session = read_back(started(*names))
    assert sorted(n for s in session.stems for n in (s.file, *s.linked)) == sorted(names)


def test_a_choir_is_planned_as_stacked_voices():
    """A file named choir is heard as several voices; a guess that the session file reads."""
    choir, solo = read_back(started("Choir.wav", "lead vox.wav")).stems
    assert (choir.role, choir.several_notes) == ("voice-harmony", True)
    assert not solo.several_notes


def test_a_file_given_twice_stands_once():
    """The same file handed in twice does not make an illegal session."""
    assert len(read_back(started("bass.wav", "bass.wav")).stems) == 1


def test_an_illegal_text_would_be_noticed():
    """The reading back in these tests does refuse a wrong role."""
    guess = StemGuess(file="a.wav", code="A", role="bass", because="x")  # type: ignore[arg-type]
    with pytest.raises(SessionError, match="'bass' is no role"):
        read_back(started_session_text("A", [guess]))


@pytest.mark.parametrize(
    ("folders", "song"),
    [
        (("Jobs", "Low Tide Ledger"), "Low Tide Ledger"),
        (("Low Tide Ledger", "audio"), "Low Tide Ledger"),
        (("Low Tide Ledger", "consolidated", "WAVs"), "Low Tide Ledger"),
        (("stems",), "stems"),
    ],
)
def test_the_song_is_called_after_a_folder_that_names_it(folders, song):
    """A folder called audio or stems says nothing about the song: the one above it may."""
    assert song_of(folders) == song


def test_two_spellings_of_one_letter_stay_as_they_are() -> None:
    """A composed and a decomposed accent are two files, each written as it is."""
    names = ["b\u00e2ss.wav", "ba\u0302ss.wav"]
    assert [spec.file for spec in read_back(started(*names)).stems] == names
