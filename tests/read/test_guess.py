"""Guessing what a stem is, from its name or its sound."""

import pytest

from planner.read.guess import guess_from_name, guess_from_sound, with_uprights


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
        ("CEL_comp.wav", "CEL", "bowed"),
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
        ("choir.wav", "CHR", "voice-harmony"),
        ("crowd.wav", "CRD", "exclude"),
        ("Violine 2.wav", "VLN2", "bowed"),
        ("Bratsche.wav", "VLA", "bowed"),
        ("Querflöte.wav", "FLT", "woodwind"),
        ("Klarinette_01.wav", "CLR1", "woodwind"),
        ("hautbois.wav", "OBO", "woodwind"),
        ("Posaune.wav", "TBN", "brass"),
        ("contrebasse.wav", "UPB", "bass-fretless"),
        ("Orgel.wav", "ORG", "fixed-pitch"),
        ("E-Piano.wav", "EP", "fixed-pitch"),
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
    assert [guess_from_name(name).file for name in (composed, decomposed)] == [composed, decomposed]


@pytest.mark.parametrize(
    ("sound", "role"),
    [
        ((None, None), None),
        ((None, 0.9), None),
        ((60.0, None), None),
        ((None, 0.19), "exclude"),
        ((300.0, 0.19), "exclude"),
        ((300.0, 0.2), "lead-voice"),
        ((109.9, 0.9), "bass-fretted"),
        ((110.0, 0.9), "lead-voice"),
        ((60.0, 0.9), "bass-fretted"),
    ],
)
def test_sound_sorts_stems_without_a_name(sound, role):
    """Each threshold decides at its edge, and nothing known gives no guess."""
    assert guess_from_sound(*sound) == role


@pytest.mark.parametrize(
    ("names", "role"),
    [
        (("Upright.wav", "Piano comp.wav"), "bass-fretless"),
        (("Upright.wav", "Violin.wav"), "bass-fretless"),
        (("Upright.wav", "Bass DI.wav"), "tuning-reference"),
        (("Upright piano.wav", "Violin.wav"), "tuning-reference"),
        (("upright bass.wav", "Piano.wav"), "bass-fretless"),
    ],
)
def test_an_upright_is_the_bass_where_no_other_name_is(names: tuple[str, ...], role: str) -> None:
    """The word alone is a bass or a piano; beside a piano it would be a second reference."""
    guesses = with_uprights([guess_from_name(name) for name in names])
    assert guesses[0].role == role
