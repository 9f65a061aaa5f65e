"""Guessing what a stem is, and the first session file that is written from guesses."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.errors import SessionError
from planner.files.yaml_reading import parse_yaml
from planner.guess import (
    StemGuess,
    guess_from_name,
    guess_from_sound,
    started_session_text,
)
from planner.session import session_from_dict
from planner.session_model import Session


def read_back(text: str) -> Session:
    data, lines = parse_yaml(text, file="s.yaml")
    return session_from_dict(data, lines, file="s.yaml")[0]


def started(*names: str) -> str:
    return started_session_text("A Song", [guess_from_name(name) for name in names])


# Names as engineers write them: common practice, no source.
@pytest.mark.parametrize(
    ("name", "code", "role"),
    [
        ("LTL_PNO_comp.wav", "PNO", "tuning-reference"),
        ("piano.wav", "PNO", "tuning-reference"),
        ("upright piano.wav", "PNO", "tuning-reference"),
        ("acoustic piano.wav", "PNO", "tuning-reference"),
        ("electric piano.wav", "EP", "fixed-pitch"),
        ("Gitarre_Überspielt.wav", "GTR", "fretted-chords"),
        ("Guitarra solo 2.wav", "GTR2", "fretted"),
        ("Flo\u0308te.wav", "FLT", "woodwind"),
        ("ベース_01.wav", "BAS1", "bass-fretted"),
        ("ボーカル.wav", "LV", "lead-voice"),
        ("гитара.wav", "GTR", "fretted-chords"),
        ("Schlagzeug.wav", "DRM", "exclude"),
        ("Keys.wav", "KEY", "fixed-pitch"),
        ("organ.wav", "ORG", "fixed-pitch"),
        ("LTL_GLOCK.wav", "MAL", "fixed-pitch"),
        ("steel drums.wav", "PAN", "fixed-pitch"),
        ("bass_DI.wav", "BAS", "bass-fretted"),
        ("BassDI2.wav", "BAS", "bass-fretted"),
        ("DI.wav", "DI", "bass-fretted"),
        ("double bass.wav", "UPB", "bass-fretless"),
        ("upright bass.wav", "UPB", "bass-fretless"),
        ("fretless.wav", "FLB", "bass-fretless"),
        ("bass clarinet.wav", "BCL", "woodwind"),
        ("bass trombone.wav", "BTB", "brass"),
        ("bass drum.wav", "DRM", "exclude"),
        ("LTL_AG_L.wav", "AGL", "fretted-chords"),
        ("AGR.wav", "AGR", "fretted-chords"),
        ("acoustic 2.wav", "AG2", "fretted-chords"),
        ("gtr.wav", "GTR", "fretted-chords"),
        ("guitar double.wav", "GTR", "fretted-chords"),
        ("gtr_solo.wav", "GTR", "fretted"),
        ("LTL_EG_LEAD_DI.wav", "EG", "fretted"),
        ("egtr.wav", "EG", "fretted-chords"),
        ("lead vox FINAL comp2 (1).wav", "LV", "lead-voice"),
        ("LTL_LV_comp.wav", "LV", "lead-voice"),
        ("lead.wav", "LV", "lead-voice"),
        ("leadVox2.wav", "LV2", "lead-voice"),
        ("Voix_été.wav", "LV", "lead-voice"),
        ("BVs.wav", "BV", "voice-harmony"),
        ("BVox 2.wav", "BV2", "voice-harmony"),
        ("BV1.wav", "BV1", "voice-harmony"),
        ("LTL_BV2_third.wav", "BV2", "voice-harmony"),
        ("backing vocals.wav", "BV", "voice-harmony"),
        ("lead vox double.wav", "BV", "voice-double"),
        ("double.wav", "BV", "voice-double"),
        ("harm hi.wav", "BV", "voice-harmony"),
        ("cello.wav", "CEL", "bowed"),
        ("Vln.wav", "VLN", "bowed"),
        ("vln section.wav", "VCS", "bowed-group"),
        ("strings.wav", "STR", "bowed-group"),
        ("LTL_FLUGEL.wav", "FLG", "brass"),
        ("tpt.wav", "TPT", "brass"),
        ("french horn.wav", "HRN", "brass"),
        ("english horn.wav", "ENH", "woodwind"),
        ("sax.wav", "SAX", "woodwind"),
        ("flute.wav", "FLT", "woodwind"),
        ("drums.wav", "DRM", "exclude"),
        ("kit.wav", "DRM", "exclude"),
        ("Shaker.wav", "PRC", "exclude"),
        ("perc.wav", "PRC", "exclude"),
        ("tamb.wav", "PRC", "exclude"),
        ("click.wav", "OUT", "exclude"),
        ("piano room.wav", "RM", "exclude"),
        ("choir.wav", "CHR", "exclude"),
        ("rough mix.wav", "MIX", "exclude"),
        ("floor tom.wav", "TOM", "drum-tones"),
        ("kick tone.wav", "KT", "drum-tones"),
        ("synth strings.wav", "SYN", "sampled"),
        ("pad.wav", "SYN", "sampled"),
        ("sampled piano.wav", "SYN", "sampled"),
        ("Drums/01.wav", "DRM", "exclude"),
        ("Audio 1_03-02.wav", "P", None),
        ("Moonlit 4.wav", "MOO", None),
        ("all.wav", "P", None),
        ("海.wav", "P", None),
    ],
)
def test_names_are_understood(name, code, role):
    """A common file name gives the code and role that an engineer would give it."""
    guess = guess_from_name(name)
    assert (guess.file, guess.code, guess.role) == (name, code, role)


def test_a_guess_says_what_it_rests_on():
    """The reason names the word in the name, or the folder's name, or that nothing was found."""
    assert guess_from_name("LTL_LV.wav").because == "the name says lv"
    assert guess_from_name("Drums/01.wav").because == "the folder's name says drums"
    assert guess_from_name("x.wav").because == "nothing in the name says what it is"


def test_two_spellings_of_one_letter_are_one_word():
    """A composed and a decomposed accent give the same guess; each file name stays as it is."""
    composed, decomposed = "b\u00e2ss.wav", "ba\u0302ss.wav"
    assert guess_from_name(composed).role == guess_from_name(decomposed).role == "bass-fretted"
    files = [spec.file for spec in read_back(started(composed, decomposed)).stems]
    assert files == [composed, decomposed]


@pytest.mark.parametrize(
    ("sound", "role"),
    [
        ((None, None, None), None),
        ((None, 0.9, None), None),
        ((60.0, None, None), None),
        ((None, 0.19, None), "exclude"),
        ((300.0, 0.19, 0.0), "exclude"),
        ((300.0, 0.2, 0.0), "lead-voice"),
        ((109.9, 0.9, 0.0), "bass-fretted"),
        ((110.0, 0.9, None), "lead-voice"),
        ((60.0, 0.9, 0.49), "bass-fretted"),
        ((60.0, 0.9, 0.5), "fretted-chords"),
        ((None, None, 0.8), "fretted-chords"),
    ],
)
def test_sound_sorts_stems_without_a_name(sound, role):
    """Each threshold decides at its edge, and nothing known gives no guess."""
    assert guess_from_sound(*sound) == role


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
    assert "# 1 file(s) left out: the name is no readable text; rename first." in text
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


def test_a_file_given_twice_stands_once():
    """The same file handed in twice does not make an illegal session."""
    assert len(read_back(started("bass.wav", "bass.wav")).stems) == 1


def test_an_illegal_text_would_be_noticed():
    """The reading back in these tests does refuse a wrong role."""
    guess = StemGuess(file="a.wav", code="A", role="bass", because="x")  # type: ignore[arg-type]
    with pytest.raises(SessionError, match="'bass' is no role"):
        read_back(started_session_text("A", [guess]))
