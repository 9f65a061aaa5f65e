"""What facts and notes about invented stems make the planner say."""

from dataclasses import replace

import numpy as np
import pytest

from planner.answer.questions import FAR_OFF
from planner.inspect.inspection import inspect_facts
from planner.inspect.inspection_notes import inspect_notes
from planner.model import (
    ONLY_BLEED,
    AudioFacts,
    Finding,
    MeasuredNote,
    Measurement,
    Note,
    Role,
    StemNotes,
)
from planner.pitch import midi_to_hz
from planner.words.session_model import Session, StemSpec, TempoMark


def spec(code: str, role: Role = "bowed", **more) -> StemSpec:
    return StemSpec(code=code, file=f"{code}.wav", role=role, **more)


def fact(code: str, **more) -> AudioFacts:
    usual = AudioFacts(
        file=f"{code}.wav", container="WAV", subtype="PCM_24", sr=48000, channels=1,
        frames=48000 * 100, sha256=code * 8, time_reference_smp=None, peak_dbfs=-3.0,
        dc_db=-90.0, flat_tops=0, stereo="mono", measured_side="mono",
    )  # fmt: skip
    return replace(usual, **more)


def session(**more) -> Session:
    return Session(song="Invented", stems=(spec("CEL"),), **more)


def facts_say(*pairs: tuple[StemSpec, AudioFacts], **more) -> tuple[Finding, ...]:
    return inspect_facts(session(**more), pairs)


def one(**more) -> Finding:
    (found,) = facts_say((spec("CEL"), fact("CEL", **more)))
    assert (found.stem, found.file) == ("CEL", "CEL.wav")
    assert found.did
    assert found.advice
    return found


# ---------------------------------------------------------------- facts


def test_nothing_to_say() -> None:
    """Plain stems of one length and rate give no finding."""
    assert facts_say((spec("CEL"), fact("CEL")), (spec("BAS"), fact("BAS"))) == ()
    assert facts_say() == ()


def test_a_silent_file_that_is_left_out_is_no_news() -> None:
    """`start` leaves silent files out as it finds them; that need not be said in every run."""
    silent = fact("CEL", peak_dbfs=float("-inf"))
    assert facts_say((spec("CEL", role="exclude"), silent)) == ()
    assert len(facts_say((spec("CEL"), silent))) == 1


@pytest.mark.parametrize(
    ("facts", "severity", "words"),
    [
        ({"peak_dbfs": -71.0}, "warning", "CEL has nothing above -70 dBFS."),
        ({"peak_dbfs": float("-inf")}, "warning", "CEL has nothing above -70 dBFS."),
        (
            {"peak_dbfs": 4.1, "subtype": "FLOAT"},
            "note",
            "CEL peaks at 4.1 dB over full scale, in floating point.",
        ),
        ({"flat_tops": 38}, "warning", "flat tops in 38 places"),
        ({"flat_tops": 1}, "warning", "flat tops in 1 place:"),
        ({"dc_db": -31.0}, "note", "a constant offset (DC) of -31 dBFS"),
        ({"stereo": "left-only", "measured_side": "left"}, "warning", "right side is silent"),
        ({"stereo": "right-only", "measured_side": "right"}, "warning", "left side is silent"),
        ({"stereo": "dual-mono", "measured_side": "left"}, "note", "both sides are identical"),
        (
            {"stereo": "opposite-polarity", "measured_side": "left"},
            "warning",
            "the sides are of opposite polarity",
        ),
    ],
)
def test_one_file(facts: dict[str, object], severity: str, words: str) -> None:
    """Each oddity of one file is told once, with its severity."""
    found = one(**facts)
    assert found.severity == severity
    assert words in found.what


@pytest.mark.parametrize(
    "facts", [{"peak_dbfs": -69.0}, {"peak_dbfs": 0.0}, {"dc_db": -46.0}, {"stereo": "stereo"}]
)
def test_one_file_is_fine(facts: dict[str, object]) -> None:
    """Just inside each limit nothing is said."""
    assert facts_say((spec("CEL"), fact("CEL", **facts))) == ()


def test_stereo_says_what_was_measured() -> None:
    """The side that was measured is named, and both sides are to move together."""
    found = one(stereo="left-only", measured_side="left", channels=2)
    assert found.did == "Measured the left side only."
    assert found.advice == "Any edit moves both sides together."


def test_changed_content() -> None:
    """A file that is not the one of earlier plans is a question; upper case is no change."""
    (found,) = facts_say((spec("CEL", sha256="0" * 64), fact("CEL")))
    assert found.severity == "question"
    assert "CEL is not the file that earlier plans were made for" in found.what
    assert facts_say((spec("CEL", sha256="AB" * 32), fact("CEL", sha256="ab" * 32))) == ()


def test_rates() -> None:
    """Another rate than the session's is told, with the 147 cents of a 44.1/48 kHz mix-up."""
    slow = fact("BAS", sr=44100, frames=44100 * 100)
    (found,) = facts_say((spec("CEL"), fact("CEL")), (spec("BAS"), slow), rate=48000)
    assert found.what == "BAS is 44.1 kHz, the session 48 kHz."
    # 1200 log2(48000/44100) = 146.7 (Ellis's definition of the cent).
    assert "unconverted, it sounded 147 cents high" in found.advice
    (found,) = facts_say((spec("CEL"), fact("CEL")), (spec("BAS"), slow), rate=44100)
    assert "it sounded 147 cents low" in found.advice
    assert found.stem == "CEL"
    (found,) = facts_say((spec("CEL"), fact("CEL")), (spec("BAS"), slow))
    assert found.stem == "BAS"  # without a rate in the session file: the most frequent, the higher


def test_lengths() -> None:
    """A stem shorter than the others is asked about, in bars where they fit."""
    short = fact("BV1", frames=48000 * 100 - round(48000 * 240 / 92))
    pairs = [(spec("CEL"), fact("CEL")), (spec("BAS"), fact("BAS")), (spec("BV1"), short)]
    (found,) = facts_say(*pairs, tempo_marks=(TempoMark(bar=1, bpm=92.0),))
    # A bar of 4/4 at 92 quarters a minute lasts 240/92 = 2.609 s.
    assert found.what == "BV1 is 2.609 s (1 bar) shorter than the longest stem."
    assert found.severity == "question"
    assert "write its start_sample" in found.advice  # as the session file calls it
    (found,) = facts_say(*pairs, tempo_marks=(TempoMark(bar=1, bpm=97.0),))
    assert found.what == "BV1 is 2.609 s shorter than the longest stem."
    assert facts_say(*pairs[:2], (spec("BV1", start_smp=125217), short)) == ()
    trimmed = fact("BV1", frames=48000 * 99 + 1)
    assert facts_say(*pairs[:2], (spec("BV1"), trimmed)) == ()


def test_all_lengths_differ() -> None:
    """Where most stems are shorter than the longest, that is told once."""
    pairs = [(spec(c), fact(c, frames=48000 * n)) for c, n in (("A", 50), ("B", 60), ("C", 70))]
    (found,) = facts_say(*pairs)
    assert found.what == "the stems differ in length by up to 20.0 s."


def test_a_file_off_in_length_by_a_pull() -> None:
    """0.1 % beside others of one length is asked about, either way; other odd lengths are not."""
    usual = [(spec("CEL"), fact("CEL")), (spec("BAS"), fact("BAS"))]
    for over, said in (
        (4800, "CLR is 0.100 s longer than all others, which are of one length: 0.1 %, as a file "
         "that runs slow, 1.7 cents flat."),
        (-4795, "CLR is 0.100 s shorter than all others, which are of one length: 0.1 %, as a file "
         "that runs fast, 1.7 cents sharp."),
    ):  # fmt: skip
        (found,) = facts_say(*usual, (spec("CLR"), fact("CLR", frames=4_800_000 + over)))
        assert (found.what, found.severity, found.stem) == (said, "question", "CLR")
        assert found.did.endswith("a move of the whole part has those 1.7 cents in it.")
    for over in (0, 4700, 4900, 9600):
        assert facts_say(*usual, (spec("CLR"), fact("CLR", frames=4_800_000 + over))) == ()
    long = fact("CLR", frames=4_804_800)
    assert facts_say(usual[0], (spec("CLR"), long)) == ()  # which of two is off, nobody knows
    apart = (spec("BAS"), fact("BAS", frames=4_800_480))
    assert facts_say(usual[0], apart, (spec("CLR"), long)) == ()
    assert facts_say(*usual, (spec("CLR", "exclude"), long)) == ()


def test_time_stamps() -> None:
    """A time stamp apart from the others is offered and not applied, across rates."""
    home = [(spec(c), fact(c, time_reference_smp=172_800_000)) for c in ("PNO", "BAS")]
    fine = (spec("EGL"), fact("EGL", sr=96000, frames=9600000, time_reference_smp=345_600_000))
    late = (spec("CEL"), fact("CEL", time_reference_smp=172_800_000 + 240_000))
    found = [each for each in facts_say(late, *home, fine) if "stamp" in each.what]
    (found,) = found
    assert found.what == "the time stamp places CEL at 01:00:05.000, others at 01:00:00.000."
    assert found.did.startswith("Not applied")
    assert "it starts 5.000 s later" in found.advice
    assert "write its start_sample" in found.advice
    assert facts_say(*home, (spec("CEL", start_smp=0), late[1])) == ()
    assert facts_say(late) == ()


def test_same_audio() -> None:
    """The same audio under two codes is asked about; two files of one stem are not."""
    pair = [(spec("BV1"), fact("BV1", sha256="f")), (spec("BV2"), fact("BV2", sha256="f"))]
    (found,) = facts_say(*pair)
    assert found.what == "BV1 and BV2 are identical: copied by mistake?"
    assert facts_say(pair[0], pair[0]) == ()


# ---------------------------------------------------------------- notes


def part(
    code: str,
    role: Role = "bowed",
    *,
    off: float = 0.0,
    spread: float = 4.0,
    count: int = 40,
    low: int = 60,
    a4: float = 440.0,
    every_s: float = 0.5,
    length_s: float = 0.4,
    facts: AudioFacts | None = None,
    scatter_s: float = 0.012,
) -> StemNotes:
    """Notes on a major scale, off by some cents with an even spread to both sides."""
    errors = np.linspace(-spread, spread, count)
    # No two players begin together to the millisecond.
    late_s = np.random.default_rng(list(code.encode())).normal(0.0, scatter_s, count)
    notes = []
    for i in range(count):
        midi = low + (0, 2, 4, 5, 7, 9, 11, 12)[i % 8]
        hz = midi_to_hz(midi + (off + float(errors[i])) / 100, a4)
        start = 10 + float(late_s[i]) + every_s * i
        note = Note(
            stem=code, start_s=start, end_s=start + length_s, start_smp=round(start * 48000),
            end_smp=round((start + length_s) * 48000), pitch_hz=hz, strength=1.0,
            pitched_share=1.0, level_db=-20.0, begins="attack",
        )  # fmt: skip
        measured = Measurement(heard_hz=hz, sustain_hz=hz, confidence="firm")
        notes.append(MeasuredNote(id=f"{code}-{i:04d}", note=note, measurement=measured))
    return StemNotes(code=code, role=role, facts=facts, notes=tuple(notes))


def notes_say(*stems: StemNotes, **more) -> list[str]:
    found = inspect_notes(session(**more), stems)
    assert all(each.did and each.advice for each in found)
    return [each.what for each in found]


def test_ordinary_parts() -> None:
    """A band in tune within the usual spread gives no finding."""
    assert (
        notes_say(part("CEL"), part("BAS", "bass-fretted", low=33), part("LV", "lead-voice")) == []
    )
    assert notes_say() == []


@pytest.mark.parametrize(("off", "words"), [(22, "23 sharp"), (-24, "23 flat"), (3.5, "4.5 sharp")])
def test_whole_song_off(off: float, words: str) -> None:
    """Every stem off by about the same is told once, by its middle, as home."""
    (found,) = inspect_notes(session(), (part("CEL", off=off), part("LV", off=off + 2)))
    assert found.what == f"every stem is about {words}: tape speed, or tuned so?"
    assert found.did == "Counted as home: nothing is proposed for it."


def test_whole_song_off_is_known() -> None:
    """An offset or an A4 that the session file gives is no news."""
    stems = (part("CEL", off=23), part("LV", off=23))
    assert notes_say(*stems, whole_song_offset_cents=23.0) == []
    stems = (part("CEL", a4=442.0), part("LV", a4=442.0))
    assert notes_say(*stems, a4_hz=442.0) == []
    # 1200 log2(442/440) = 7.85
    assert "every stem is about 7.9 sharp" in notes_say(*stems)[0]


def test_typed_a4_is_home() -> None:
    """With a typed A4 the offset is told, and that notes are judged against that A4."""
    stems = (part("CEL", off=23), part("LV", off=23))
    (found,) = inspect_notes(session(a4_hz=440.0), stems)
    assert found.did == "Judged against the A4 in the session file, 440 Hz."


def test_stems_that_disagree_are_not_a_whole_song() -> None:
    """One stem off alone says nothing of the song."""
    assert notes_say(part("CEL", off=23), part("LV"), part("BV1")) == []


@pytest.mark.parametrize("off", [146.7, -146.7])
def test_rate_slip(off: float) -> None:
    """A song 146.7 cents off (1200 log2(48000/44100)) is taken for a mix-up of rates."""
    said = notes_say(part("CEL", off=off), part("LV", "lead-voice", off=off))
    assert "every stem is off by 47 cents from the nearest notes: if 147 cents in all, " in said[0]
    assert "44.1 and 48 kHz were taken for each other" in said[0]


def test_pull_down() -> None:
    """A song 1.73 cents off (1200 log2(1.001)), alike in all stems, hints at picture speed."""
    stems = (part("CEL", off=-1.73), part("LV", "lead-voice", off=-1.73))
    assert notes_say(*stems) == [
        "every stem is 1.7 flat, alike within 0.3 cents: it looks like a 0.1 % change of speed "
        "for picture."
    ]
    assert notes_say(part("CEL", off=-1.73), part("LV", off=-1.0)) == []


def test_between_notes() -> None:
    """A part nearly halfway between notes is asked about, even where it straddles the middle."""
    (said,) = notes_say(part("CEL", off=49), part("LV"))
    assert said.startswith("CEL lies 49 cents from the nearest notes: nearly halfway")
    stems = (part("CEL", off=49), part("LV"))
    assert inspect_notes(session(), stems, scored=frozenset({"CEL"})) == ()
    assert notes_say(part("CEL", off=38), part("LV")) == []
    (said,) = notes_say(part("CEL", off=46.7), part("LV"))
    assert said.endswith("44.1 and 48 kHz were taken for each other.")
    for off in (49.0, 46.7):
        (found,) = inspect_notes(session(), (part("CEL", off=off), part("LV")))
        assert (found.asks, found.did) == (FAR_OFF, "Nothing is planned for it before a yes.")


def test_already_corrected() -> None:
    """A voice within a cent on nearly every note looks corrected; a fretted part may be so."""
    (said,) = notes_say(part("LV", "lead-voice", spread=0.9), part("CEL"))
    assert said == (
        "LV: 100 % of its notes land within 1 cent of the grid: it looks already corrected."
    )
    assert notes_say(part("EGL", "fretted", spread=0.9)) == []
    assert notes_say(part("LV", "lead-voice", spread=2.0)) == []
    assert notes_say(part("LV", "lead-voice", spread=0.9, count=11)) == []


def test_bass_that_is_none() -> None:
    """A stem marked bass whose median note is C4 or above is asked about."""
    (said,) = notes_say(part("BAS", "bass-fretted", low=54))
    assert said == (
        "BAS is marked bass-fretted, and its notes lie around C4, above what a bass plays: really?"
    )
    assert notes_say(part("BAS", "bass-fretted", low=45)) == []
    assert notes_say(part("CEL", low=72)) == []


def test_music_in_a_small_part() -> None:
    """Music in under a tenth of a file is mentioned."""
    long = fact("CEL", frames=48000 * 240)
    (said,) = notes_say(part("CEL", facts=long))
    assert said == "CEL has music only from 10.0 s to 29.9 s of 240.0 s: expected?"
    assert notes_say(part("CEL", facts=fact("CEL"))) == []


def test_click() -> None:
    """Short even ticks on one pitch are taken for a click and kept out of the song's tuning."""
    tick = part("CLK", "fretted", every_s=60 / 92, length_s=0.03, off=23, scatter_s=0.0)
    one_pitch = [replace(each, note=replace(each.note, pitch_hz=1000.0)) for each in tick.notes]
    tick = replace(tick, notes=tuple(one_pitch))
    said = notes_say(tick, part("CEL", off=23))
    assert said == ["CLK ticks regularly, 92.0 times a minute: a click?"]
    long = [replace(e, note=replace(e.note, end_s=e.note.start_s + 0.3)) for e in one_pitch]
    assert notes_say(replace(tick, notes=tuple(long))) == []
    uneven = [
        replace(e, note=replace(e.note, start_s=e.note.start_s + 0.01 * (i % 3)))
        for i, e in enumerate(one_pitch)
    ]
    assert notes_say(replace(tick, notes=tuple(uneven))) == []


def test_poorly_measured_notes_say_nothing() -> None:
    """Shaky notes are no evidence for anything about tuning."""
    stem = part("LV", "lead-voice", off=23, spread=0.5)
    shaky = [
        replace(each, measurement=Measurement(heard_hz=440.0, confidence="shaky"))
        for each in stem.notes
    ]
    assert notes_say(replace(stem, notes=tuple(shaky)), part("CEL", off=23)) == []


def test_wide_spread_has_no_centre() -> None:
    """A part whose notes lie all over has no common offset to tell."""
    assert notes_say(part("CEL", off=45, spread=50), part("LV", off=45, spread=50)) == []


@pytest.mark.parametrize(
    ("role", "asks"),
    [
        ("fretted", "role of several at once"),
        ("brass", "several notes at once"),
        ("lead-voice", "several notes at once"),
    ],
)
def test_where_chords_need_no_other_role_none_is_offered(role: Role, asks: str) -> None:
    """Stacked voices or a section stay in their role: ``several_notes`` stands in their entry."""
    (found,) = inspect_notes(session(), (replace(part("X", role), found_in=0.5),))
    assert found.asks == asks
    assert ("several_notes: true" in found.advice) == (role != "fretted")


def test_excluded_stems_are_left_out() -> None:
    """A stem with the role exclude is not gone over."""
    assert notes_say(part("GTR", "exclude", off=49), part("CEL")) == []


@pytest.mark.parametrize(
    ("spread", "role", "told"),
    [
        (12.0, "tuning-reference", True),
        (4.0, "tuning-reference", False),
        (8.0, "lead-voice", False),
    ],
)
def test_keys_that_wander_are_asked_about(spread: float, role: Role, told: bool) -> None:
    """A voice or a bow marked as a piano would be taken for the truth."""
    rng = np.random.default_rng(3)
    whole = part("PNO", role, spread=0.0)
    notes = [
        replace(n, measurement=replace(n.measurement, heard_hz=n.note.pitch_hz * 2 ** (off / 1200)))
        for n, off in zip(whole.notes, rng.normal(0, spread, 40), strict=True)
    ]
    said = notes_say(replace(whole, notes=tuple(notes)))
    assert len(said) == told
    if told:
        assert said[0].startswith(
            "PNO is marked tuning-reference, and the same key sounds now here, now there, by "
        )


@pytest.mark.parametrize(
    ("strength", "role", "told"),
    [(0.89, "lead-voice", True), (0.9, "lead-voice", False), (0.8, "bowed-group", False)],
)
def test_a_line_that_is_none_is_asked_about(strength: float, role: Role, told: bool) -> None:
    """Chords read as one line repeat badly with the pitch that is read."""
    whole = part("LV", role)
    notes = [replace(n, note=replace(n.note, strength=strength)) for n in whole.notes]
    said = notes_say(replace(whole, notes=tuple(notes)))
    assert said == (
        [
            "LV is marked lead-voice, and only 89 % of its notes' sound repeats with their pitch, "
            "where single lines reach 96 %: do several notes sound at once?"
        ]
        if told
        else []
    )
    assert notes_say(replace(whole, notes=tuple(notes[:3]))) == []


@pytest.mark.parametrize(
    ("found_in", "role", "told"),
    [(0.69, "brass", True), (0.7, "brass", False), (None, "brass", False), (0.2, "sampled", False)],
)
def test_a_line_of_which_little_is_found_is_asked_about(
    found_in: float | None, role: Role, told: bool
) -> None:
    """Chords may be read as a few firm notes with much sound between them."""
    said = notes_say(replace(part("HRN", role), found_in=found_in))
    assert said == (
        [
            "HRN is marked brass, and notes were found in only 69 % of the time in which it is "
            "loud, where single lines reach 86 %: do several notes sound at once?"
        ]
        if told
        else []
    )


@pytest.mark.parametrize(
    ("share", "role", "told"),
    [
        (0.29, "fretted-chords", True),
        (0.30, "fretted-chords", False),
        (0.0, "fixed-pitch", False),
        (0.0, "fretted", False),
    ],
)
def test_chords_that_are_a_line_are_asked_about(share: float, role: Role, told: bool) -> None:
    """Where two notes sound in less than three tenths of the time, it may be a line."""
    whole = part("AGT", role, count=41)
    # A note every second, each held into the next but the last: 41 s, and in 40 of them two sound.
    held_s = share * 41 / 40
    notes = [
        replace(n, note=replace(n.note, start_s=1.0 * k, end_s=1.0 * k + 1.0 + held_s * (k < 40)))
        for k, n in enumerate(whole.notes)
    ]
    found = inspect_notes(session(), (replace(whole, notes=tuple(notes)),))
    said = [f for f in found if f.asks == "role of one at a time"]
    assert bool(said) == told
    if told:
        assert said[0].what == (
            "AGT is marked fretted-chords, and two notes sound at once in only 29 % of its time: "
            "is it a line?"
        )
        assert "no single note" in said[0].did
    few = replace(whole, notes=tuple(notes[:3]))
    assert not [f for f in inspect_notes(session(), (few,)) if f.asks == "role of one at a time"]


@pytest.mark.parametrize(
    ("off", "told"), [(146.7 - 13, True), (-146.7 - 13, True), (146.7 - 9.1, True), (125.0, False)]
)
def test_one_stem_at_another_rate(off: float, told: bool) -> None:
    """Against a band 13 flat of 440 Hz one stem is 147 cents off, give or take its own tuning."""
    band = (part("CEL", off=-13), part("LV", off=-13), part("BAS", "bass-fretted", off=-13, low=33))
    short = fact("EGL", frames=round(48000 * 100 * 44100 / 48000))
    odd = part("EGL", "fretted", off=off, facts=short)
    said = [w for w in notes_say(*band[:2], replace(band[2], facts=fact("BAS")), odd)
            if w.startswith("EGL")]  # fmt: skip
    assert bool(said) == told
    if told:
        assert "cents off the others: if 147 cents in all, 44.1 and 48 kHz were taken" in said[0]
        assert "its length differs from the longest stem's in the same proportion" in said[0]
        alone = [w for w in notes_say(*band, replace(odd, facts=None)) if w.startswith("EGL")]
        assert "its length" not in alone[0]


def test_a_part_without_notes_is_told() -> None:
    """What sounds and holds no notes is told; silence, bleed and what is left out are not."""
    bleed = Finding(severity="warning", what="only bleed here", about=ONLY_BLEED)
    shaker = part("SHK", "woodwind", count=0, facts=fact("SHK"))
    (told,) = inspect_notes(session(), (shaker,))
    assert told.what == "SHK is marked woodwind, and no notes were found in it."
    assert "give it the role exclude" in told.advice
    for quiet in (
        part("SHK", "woodwind", count=0, facts=fact("SHK", peak_dbfs=-90.0)),
        replace(shaker, findings=(bleed,)),
        replace(shaker, role="exclude"),
        part("SHK", "woodwind", facts=fact("SHK")),
    ):
        assert not [f for f in inspect_notes(session(), (quiet,)) if "no notes" in f.what]
