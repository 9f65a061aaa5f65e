"""Words on notes: from a session's lines, from a score's lyric events; on rows and headlines."""

from dataclasses import replace
from pathlib import Path

import mido
import pretty_midi
import pytest

from planner.files.midi import read_lyrics, read_score
from planner.model import StemNotes
from planner.page import review_page
from planner.read.lyrics import is_title_word, title_words, words_by_line, words_of_score
from planner.score.score_match import StemScore
from planner.score.score_use import use_score
from planner.timeline import tempo_map_from_marks
from planner.words.session_model import LyricLine, Session, TempoMark
from tests.deciding import line, made_of, plan, session, stem

MAP = tempo_map_from_marks([TempoMark(bar=1, bpm=120.0)], bar_one_at_s=0.0)  # 2 s a bar
TUNE = [62, 64, 66, 67, 69, 71, 69, 67, 66, 64, 62, 66]


def lead(errors: dict[int, float] | None = None) -> StemNotes:
    """Twelve notes of 0.4 s, every half second."""
    off = [(errors or {}).get(k, 0.0) for k in range(len(TUNE))]
    return stem("LV", "lead-voice", line("LV", TUNE, off, length_s=0.4))


def lines(*given: tuple[int, str]) -> Session:
    """A session with lines of words from bars on."""
    return Session(
        song="Low Tide Ledger", stems=(),
        lyrics=tuple(LyricLine(bar=bar, words=words) for bar, words in given),
    )  # fmt: skip


def test_a_line_with_as_many_syllables_as_notes_is_shared_out() -> None:
    """Four notes, four syllables: a hyphen parts a word, and its notes carry the whole word."""
    found = words_by_line(
        lead().notes, 0.0, lines((1, "the har-bour keeps"), (2, "its own ac-counts now")), MAP
    )
    assert [found[f"LV-{k:04d}"] for k in (1, 2, 3, 4)] == ["the", "harbour", "harbour", "keeps"]
    # Five syllables on eight notes: nobody knows which, and every note has the line.
    assert {found[f"LV-{k:04d}"] for k in range(5, 13)} == {"its own accounts now"}


def test_notes_before_the_first_line_have_no_word() -> None:
    """A line begins at its beat, a singer up to 0.12 s earlier; the shift is the stem's."""
    session = lines((2, "one two"))
    assert "LV-0004" not in words_by_line(lead().notes, 0.0, session, MAP)
    assert "LV-0004" in words_by_line(lead().notes, 0.4, session, MAP)
    assert words_by_line(lead().notes, 0.0, session, None) == {}


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["the ", "har", "bour ", "keeps "], ["the", "harbour", "harbour", "keeps"]),
        (["the", "har-", "bour", "keeps"], ["the", "harbour", "harbour", "keeps"]),
        (["the", "\r har", "bour ", "keeps\n"], ["the", "harbour", "harbour", "keeps"]),
        (["one", "two", "three", "four"], ["one", "two", "three", "four"]),
    ],
)
def test_syllables_become_words(texts: list[str], words: list[str]) -> None:
    """Both ways of writing syllables, blanks and hyphens."""
    notes = [(0.5 * k, 0.5 * k + 0.4, 60) for k in range(4)]
    events = [(0.5 * k, text) for k, text in enumerate(texts)]
    assert words_of_score(notes, events) == tuple(words)


def test_a_note_without_a_syllable_goes_on_with_the_last_unless_it_rests() -> None:
    """Melisma: the second note follows at once, the third after a rest."""
    notes = [(0.0, 0.5, 60), (0.5, 1.0, 62), (2.0, 2.5, 64)]
    assert words_of_score(notes, [(0.0, "low")]) == ("low", "low", "")


def write_score(path: Path, *, apart: bool) -> None:
    """A sung track with words, in it or in a track of their own, and another voice with others."""
    midi = pretty_midi.PrettyMIDI(initial_tempo=100.0)
    for name, up in (("Lead", 0), ("Alto", -5)):
        voice = pretty_midi.Instrument(53, name=name)
        voice.notes = [
            pretty_midi.Note(80, m + up, 0.6 * k, 0.6 * k + 0.4) for k, m in enumerate(TUNE)
        ]
        midi.instruments.append(voice)
    midi.write(str(path))
    whole = mido.MidiFile(path)
    lyric = [mido.MetaMessage("lyrics", text="low-"), mido.MetaMessage("lyrics", text="land")]
    to = mido.MidiTrack([mido.MetaMessage("track_name", name="Words")])
    to.append(lyric[0].copy(time=220 * 2))
    to.append(lyric[1].copy(time=220))
    if apart:
        whole.tracks.append(to)
    else:
        for track, text in ((whole.tracks[1], "low"), (whole.tracks[2], "oo")):
            first_on = next(i for i, e in enumerate(track) if e.type == "note_on")
            track.insert(first_on, mido.MetaMessage("lyrics", text=text, time=0))
    whole.save(path)


@pytest.mark.outside
def test_lyrics_are_where_another_reader_finds_them(tmp_path: Path) -> None:
    """pretty_midi reads the same lyric events at the same seconds."""
    path = tmp_path / "s.mid"
    write_score(path, apart=True)
    theirs = [(one.time, one.text) for one in pretty_midi.PrettyMIDI(str(path)).lyrics]
    assert theirs
    ours = read_lyrics(path, "Lead")
    assert [text for _, text in ours] == [text for _, text in theirs] == ["low-", "land"]
    assert [at for at, _ in ours] == pytest.approx([at for at, _ in theirs], abs=1e-6)


def test_a_tracks_own_lyrics_are_its_words(tmp_path: Path) -> None:
    """The alto's words are not the lead's."""
    path = tmp_path / "s.mid"
    write_score(path, apart=False)
    assert read_lyrics(path, "lead") == [(0.0, "low")]
    assert read_lyrics(path, "Alto") == [(0.0, "oo")]


def test_a_scores_words_reach_the_notes_that_match(tmp_path: Path) -> None:
    """The score is slower than the singing: words go with the notes that agree."""
    path = tmp_path / "s.mid"
    write_score(path, apart=True)
    notes = tuple(read_score(path, "Lead"))
    words = words_of_score(notes, read_lyrics(path, "Lead"))
    score = StemScore(name="s.mid", notes=notes, words=words)
    found = use_score(lead(), score, 440.0, None).words
    assert found == {"LV-0003": "lowland", "LV-0004": "lowland"}
    assert use_score(lead(), replace(score, words=()), 440.0, None).words == {}


def test_rows_headlines_and_page_name_the_word() -> None:
    """The producer reads which word it is, the editor finds it in the row."""
    given = tuple(LyricLine(bar=k, words="down the long tide") for k in (1, 2, 3))
    made = plan(lead({3: -30.0, 6: 45.0}), tempo_map=MAP, lyrics=given, song="Low Tide Ledger")
    row = next(r for r in made.rows if r.id == "LV-0004")
    assert row.word == "tide"
    assert made.offenders[0].headline == "the word 'tide': G4 30 flat, for 0.4 s"
    # Neither a downbeat nor a phrase end: a title word alone weighs 3 points.
    assert dict(made.offenders[0].terms)["place"] == 3.0
    asked = next(r for r in made.rows if r.kind == "question")
    assert asked.word == "long"
    page = review_page(made, MAP)
    assert "he word &#39;tide&#39;: G4 30 flat" in page
    assert "A4, long" in page or "Bb4, long" in page


def test_words_of_a_score_go_before_lines() -> None:
    """What the score says of a note is surer than its line."""
    voice = lead({3: -30.0})
    made = made_of(
        session(voice, lyrics=(LyricLine(bar=1, words="la la"),)),
        (voice,),
        tempo_map=MAP,
        words={"LV-0004": "harbour"},
    )
    words = {j.measured.id: j.word for j in made.judged}
    assert (words["LV-0004"], words["LV-0003"]) == ("harbour", "la la")
    assert made.offenders[0].headline.startswith("the word 'harbour': ")


def test_a_line_is_told_as_a_line() -> None:
    """Where only the line is known, the headline does not claim a word."""
    made = plan(lead({3: -30.0}), tempo_map=MAP, lyrics=(LyricLine(bar=1, words="la la"),))
    assert made.offenders[0].headline.startswith("a word of 'la la': ")


def test_instruments_have_no_words() -> None:
    """Lyrics label voices alone."""
    cello = stem("CEL", "bowed", line("CEL", TUNE, [0.0] * 12, length_s=0.4))
    made = plan(cello, tempo_map=MAP, lyrics=(LyricLine(bar=1, words="la la"),))
    assert {j.word for j in made.judged} == {""}


@pytest.mark.parametrize(
    ("word", "told"),
    [("Tide,", True), ("tide", True), ("low", False), ("tides", False), ("", False)],
)
def test_title_words(word: str, told: bool) -> None:
    """Words of four letters and more; punctuation and capitals make no difference."""
    assert is_title_word(word, "Low Tide Ledger") == told
    assert title_words("Low Tide Ledger") == {"tide", "ledger"}
