"""Notes that are another stem leaking in are dropped; notes that only resemble one are kept."""

import re
from dataclasses import replace

import numpy as np
import pytest
from tones.exact import faded, laid_out, steady, tone, with_floor

from planner.leaks.bleed import with_only_bleed, without_bleed
from planner.leaks.bleed_paths import how_stems_leak
from planner.leaks.spectra import coarse_spectra
from planner.model import ONLY_BLEED, Floats, MeasuredNote, Measurement, Note, Role, StemNotes

OWN = [(220.0, 3.0, -18.0), (262.0, 4.0, -17.0), (247.0, 5.0, -18.5), (330.0, 6.0, -17.5)]


def stem(
    code: str,
    notes: list[tuple[float, float, float]],
    *,
    role: Role = "fretted",
    long_s: float = 0.8,
) -> StemNotes:
    """A stem of notes given as (Hz, start in s, dBFS)."""
    measured = []
    for k, (hz, start_s, level_db) in enumerate(notes, start=1):
        note = Note(
            stem=code,
            start_s=start_s,
            end_s=start_s + long_s,
            start_smp=round(start_s * 48_000),
            end_smp=round((start_s + long_s) * 48_000),
            pitch_hz=hz,
            strength=0.95,
            pitched_share=1.0,
            level_db=level_db,
            begins="attack",
        )
        measured.append(MeasuredNote(id=f"{code}-{k:04d}", note=note, measurement=Measurement()))
    return StemNotes(code=code, role=role, facts=None, notes=tuple(measured))


def kept(stems: list[StemNotes], code: str) -> list[str]:
    (one,) = [s for s in without_bleed(stems) if s.code == code]
    return [m.id for m in one.notes]


@pytest.mark.parametrize("times", [1.0, 2.0, 3.0, 0.5])
def test_a_faint_copy_of_a_louder_note_is_bleed(times: float) -> None:
    """The same note, or a partial of it, 25 dB softer at the same time is the other stem's."""
    guitar = stem("GTR", [*OWN, (196.0 * times, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert kept([guitar, voice], "GTR") == ["GTR-0001", "GTR-0002", "GTR-0003", "GTR-0004"]
    assert kept([guitar, voice], "LV") == ["LV-0001"]


def test_what_was_dropped_is_told() -> None:
    """The stem says how many of its notes were dropped, in a note, not in a warning."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    cleaned, other = without_bleed([guitar, voice])
    (finding,) = cleaned.findings
    assert finding.severity == "note"
    assert finding.stem == "GTR"
    assert finding.what == "1 of 5 notes found here are other stems leaking in."
    assert other.findings == ()


@pytest.mark.parametrize(
    ("hz", "start_s", "level_db"),
    [
        (196.0, 1.0, -20.0),  # as loud as its neighbours: a doubled line
        (233.1, 1.0, -43.0),  # another pitch
        (196.0, 8.0, -43.0),  # another time
        (201.5, 1.0, -43.0),  # 48 cents off: not the same sound
    ],
)
def test_what_only_resembles_a_louder_note_is_kept(
    hz: float, start_s: float, level_db: float
) -> None:
    """Another pitch, another time, or a level of its own: then it is a note of this stem."""
    guitar = stem("GTR", [*OWN, (hz, start_s, level_db)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert len(kept([guitar, voice], "GTR")) == 5


def test_a_quiet_part_in_unison_is_kept() -> None:
    """A part that is soft as a whole, in unison with a loud one, is a part and no bleed."""
    soft = stem("HV", [(hz, at, level - 15.0) for hz, at, level in OWN], role="voice-harmony")
    loud = stem("LV", OWN, role="lead-voice")
    assert len(kept([soft, loud], "HV")) == 4


def test_a_whole_stem_of_bleed_is_emptied() -> None:
    """A stem that holds another one 30 dB down and nothing else holds no notes."""
    leak = stem("OH", [(hz, at, level - 30.0) for hz, at, level in OWN], role="woodwind")
    assert kept([leak, stem("LV", OWN, role="lead-voice")], "OH") == []


def test_soft_notes_of_a_chord_are_kept() -> None:
    """A chord's soft finger, 15 dB under, stays though a voice sings the same note."""
    piano = stem("PNO", [*OWN, (196.0, 1.0, -33.0)], role="tuning-reference")
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert len(kept([piano, voice], "PNO")) == 5


def test_a_brief_overlap_is_not_enough() -> None:
    """A louder note that covers less than half of the soft one does not explain it."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    late = stem("LV", [(196.0, 1.6, -17.0)], role="lead-voice")
    assert len(kept([guitar, late], "GTR")) == 5


def test_several_short_notes_cover_together() -> None:
    """A leak that the tracker ran together is explained by the short notes that leaked."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0), (196.0, 1.42, -17.0)], role="lead-voice", long_s=0.3)
    assert len(kept([guitar, voice], "GTR")) == 4


def test_order_does_not_matter_and_empty_stems_are_no_trouble() -> None:
    """Stems come back in the order given, each cleaned alike, empty ones as they were."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    empty = stem("SHK", [], role="woodwind")
    there = without_bleed([guitar, voice, empty])
    back = without_bleed([empty, voice, guitar])
    assert [s.code for s in there] == ["GTR", "LV", "SHK"]
    assert [[m.id for m in s.notes] for s in there] == [[m.id for m in s.notes] for s in back[::-1]]


# ---------------------------------------------------------------- with the sound of the stems

SR = 16_000
TUNE = (220.0, 247.0, 262.0, 294.0, 330.0, 294.0, 262.0, 247.0) * 8
UNSURE = Measurement(
    onset_hz=220.0, sustain_hz=220.0, heard_hz=220.0, onset_uncertainty_cents=0.5,
    uncertainty_cents=0.2, confidence="firm",
)  # fmt: skip


def performed(
    code: str, seed: int, *, first_s: float = 0.0, partials: int = 15, times: int = 1
) -> tuple[StemNotes, Floats]:
    """A player of `TUNE` from some time on: the notes, as if all were found, and the sound.

    times: what sounds lies so many times as high as the notes that were found.
    """
    rng = np.random.default_rng(seed)
    heard = [(0.2 + 0.5 * k, hz) for k, hz in enumerate(TUNE) if 0.5 * k >= first_s]
    amplitudes = [1.0 / n for n in range(1, partials + 1)]
    pieces = [
        (
            at,
            faded(
                tone(steady(times * hz, 0.45, SR), SR, rng, decay_s=0.8, amplitudes=amplitudes), SR
            ),
        )
        for at, hz in heard
    ]
    samples = laid_out(pieces, 0.5 * len(TUNE) + 1.0, SR)
    notes = stem(code, [(hz, at, -18.0) for at, hz in heard], long_s=0.45)
    sure = tuple(replace(n, measurement=UNSURE) for n in notes.notes)
    return replace(notes, notes=sure), with_floor(samples, -80.0, rng)


def leak(samples: Floats, gain_db: float) -> Floats:
    gap = round(0.008 * SR)
    return 10.0 ** (gain_db / 20.0) * np.concatenate([np.zeros(gap), samples])[: len(samples)]


def cleaned(*parts: tuple[StemNotes, Floats], **more: object) -> dict[str, StemNotes]:
    spectra = {notes.code: coarse_spectra(sound, SR) for notes, sound in parts}
    first = {stem.code: [one.note for one in stem.notes] for stem, _ in parts}
    leaking = with_only_bleed(how_stems_leak(spectra, **more), first)  # type: ignore[arg-type]
    return {stem.code: stem for stem in without_bleed([stem for stem, _ in parts], leaking)}


def test_a_stem_of_bleed_leaks_into_no_other() -> None:
    """Where nothing is played nothing leaks from, whatever path seems to lead there."""
    voice, sung = performed("LV", 1)
    spectra = {"LV": coarse_spectra(sung, SR), "HP": coarse_spectra(leak(sung, -12.0), SR)}
    leaking = how_stems_leak(spectra)
    (path,) = leaking.paths
    back = replace(path, source="HP", into="LV", power_gain=tuple(1e-6 for _ in path.power_gain))
    notes = [one.note for one in voice.notes]
    told = with_only_bleed(replace(leaking, paths=(path, back)), {"LV": notes, "HP": notes})
    assert told.only_bleed == {"HP"}
    assert told.paths == (path,)


@pytest.mark.parametrize("gain_db", [-12.0, -20.0, -48.0])
def test_a_stem_that_holds_only_bleed_makes_no_notes(gain_db: float) -> None:
    """All its notes go, and a warning says what it follows and at how many dB."""
    voice, sung = performed("LV", 1)
    take = replace(voice, code="HP")
    done = cleaned((voice, sung), (take, leak(sung, gain_db)))
    assert done["HP"].notes == ()
    assert len(done["LV"].notes) == len(TUNE)
    (finding,) = done["HP"].findings
    assert finding.severity == "warning"
    assert finding.about == ONLY_BLEED
    assert re.fullmatch(r"only bleed here \(-\d+ dB, follows LV\): no notes made\.", finding.what)
    assert int(finding.what.split("(")[1].split()[0]) == pytest.approx(gain_db, abs=2)
    assert finding.did == "64 notes read from it: not listed."


def test_two_stems_of_bleed_do_not_explain_each_other() -> None:
    """Where two takes hold the same leak, both follow the one who played."""
    voice, sung = performed("LV", 1)
    one, two = replace(voice, code="HA"), replace(voice, code="HB")
    done = cleaned((voice, sung), (one, leak(sung, -20.0)), (two, leak(sung, -32.0)))
    assert len(done["LV"].notes) == len(TUNE)
    for code in ("HA", "HB"):
        assert done[code].notes == ()
        assert "follows LV" in done[code].findings[0].what


@pytest.mark.parametrize("softer_db", [0.0, -15.0, -30.0])
def test_a_double_keeps_all_its_notes(softer_db: float) -> None:
    """The same tune at the same time by another player is no bleed, however soft it is."""
    voice, sung = performed("LV", 1)
    double, second = performed("HV", 2)
    done = cleaned((voice, sung), (double, 10.0 ** (softer_db / 20.0) * second))
    assert len(done["HV"].notes) == len(TUNE) == len(done["LV"].notes)
    assert done["HV"].findings == ()
    assert all(n.bleed_db is None and n.heard_in == () for n in done["HV"].notes)


def test_only_the_notes_that_leak_are_dropped() -> None:
    """A part that comes in halfway keeps its own notes and loses what was read before them."""
    voice, sung = performed("LV", 1)
    guitar, played = performed("GTR", 2, first_s=16.0)
    found = replace(
        guitar, notes=(*(n for n in voice.notes if n.note.start_s < 16.0), *guitar.notes)
    )
    done = cleaned((voice, sung), (found, played + leak(sung, -20.0)))
    assert [n.id for n in done["GTR"].notes] == [n.id for n in guitar.notes]
    assert done["GTR"].findings[0].what == "32 of 64 notes found here are other stems leaking in."


def test_notes_say_what_lies_under_them_and_where_they_are_heard() -> None:
    """Both ends of a path are told: how far under a note it lies, and where a fix leaves a ghost.

    Both are equally loud on the same tune, so the gain is the distance. The guitar comes in
    halfway: under a part that never rests on the same notes no path could be told.
    """
    voice, sung = performed("LV", 1)
    guitar, played = performed("GTR", 2, first_s=16.0)
    done = cleaned((voice, sung), (guitar, played + leak(sung, -20.0)))
    under = [n.bleed_db for n in done["GTR"].notes]
    assert np.median([b for b in under if b is not None]) == pytest.approx(-20.0, abs=2.5)
    assert {n.bleed_from for n in done["GTR"].notes} == {"LV"}
    for n in done["LV"].notes:
        ((where, db),) = n.heard_in
        assert where == "GTR"
        assert db == pytest.approx(-20.0, abs=3.0)
    assert all(n.heard_in == () for n in done["GTR"].notes)


@pytest.mark.parametrize("partials", [1, 4])
def test_bleed_widens_what_is_stated_by_what_a_tone_can_turn(partials: int) -> None:
    """20 dB under 220 Hz: 0.1 / (2 pi T) Hz, which is 0.4 cents on a sustain of 0.315 s.

    Partial n of a tone that is leaked into alike says the first to an n-th of that, and each meets
    a tone of its own: together to 1 / sqrt(1 + 4 + 9 + 16).
    """
    voice, sung = performed("LV", 1, partials=partials)
    guitar, played = performed("GTR", 2, first_s=16.0, partials=partials)
    done = cleaned((voice, sung), (guitar, played + leak(sung, -20.0)))
    first = done["GTR"].notes[0]
    assert first.bleed_db is not None
    knows = np.sqrt(np.sum(np.arange(1, partials + 1) ** 2))
    turned = 10 ** (first.bleed_db / 20) / knows / (2 * np.pi * 0.7 * 0.45)
    expected = 1200 / np.log(2) * turned / 220.0
    stated = first.measurement.uncertainty_cents
    assert stated is not None
    assert np.sqrt(stated**2 - 0.2**2) == pytest.approx(expected, rel=0.15)
    assert (first.measurement.onset_uncertainty_cents or 0.0) > 0.5
    assert done["LV"].notes[0].measurement.uncertainty_cents == 0.2


def test_a_reading_near_the_bleed_is_shaky() -> None:
    """From 12 dB under a note upward the reading may be the other's: no firm figure then."""
    voice, sung = performed("LV", 1)
    guitar, played = performed("GTR", 2, first_s=16.0)
    far = cleaned((voice, sung), (guitar, played + leak(sung, -22.0)))["GTR"]
    near = cleaned((voice, sung), (guitar, 0.3 * played + leak(sung, -16.0)))["GTR"]
    assert {n.measurement.confidence for n in far.notes} == {"firm"}
    assert "firm" not in {n.measurement.confidence for n in near.notes if (n.bleed_db or -99) > -12}
    assert any((n.bleed_db or -99) > -12 for n in near.notes)


@pytest.mark.parametrize("times", [2, 3])
def test_an_octave_that_only_the_bleed_tells_is_shaky(times: int) -> None:
    """Where all that makes a note so low is another stem's, it is not firm; otherwise it is."""
    voice, sung = performed("LV", 1)
    for sounds, grades in ((times, {"shaky"}), (1, {"firm"})):
        cello, played = performed("CEL", 2, first_s=16.0, times=sounds)
        done = cleaned((voice, sung), (cello, played + leak(sung, -22.0)))["CEL"]
        assert len(done.notes) == len(cello.notes)
        assert {n.measurement.confidence for n in done.notes} == grades


def test_files_that_start_elsewhere_are_judged_by_their_notes() -> None:
    """Between files with other starts no path is looked for, and nothing is dropped for one."""
    voice, sung = performed("LV", 1)
    take = replace(voice, code="HP")
    other, more = performed("GTR", 3)
    done = cleaned((voice, sung), (take, leak(sung, -20.0)), (other, more), shifts={"HP": 2.6})
    assert len(done["HP"].notes) == len(TUNE)
