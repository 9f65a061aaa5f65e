"""String and fret from stiffness and pitch, held against measured guitars and against takes."""

from dataclasses import replace

import numpy as np
import pytest
from deciding import contour, note
from guitars import ACOUSTIC_B, ELECTRIC_B, GUITAR, random_take, take
from tones.exact import measured_notes, stem_of

from planner.demo.tones import SR
from planner.model import Floats, MeasuredNote, Target
from planner.pitch import cents, midi_to_hz
from planner.scope.strings import StringGuess, called_string, guess_strings, place_notes, tuning_of
from planner.targets import Aimed
from planner.words.session_model import StemSpec

GUITAR_SPEC = StemSpec(code="X", file="x.wav", role="fretted", strings=GUITAR)


def cells(table: dict[int, tuple[float, ...]]) -> tuple[Floats, Floats, Floats]:
    """String, fret and ln B of every place of a table."""
    rows = [(s, f, np.log(b)) for s, row in table.items() for f, b in enumerate(row)]
    string, fret, log_b = np.array(rows).T
    return string.astype(int), fret.astype(int), log_b


def placed(string: Floats, fret: Floats, log_b: Floats, **fields: int) -> list[StringGuess]:
    return place_notes(string + fret, log_b, np.full(len(log_b), 0.01), GUITAR, **fields)


def aimed(measured: MeasuredNote, midi: int) -> Aimed:
    return Aimed(
        measured=measured,
        target=Target(intended_midi=midi, target_hz=midi_to_hz(midi), target_from=""),
        onset_cents=0.0,
        sustain_cents=0.0,
        end_cents=0.0,
        heard_cents=0.0,
    )


def on_string(k: int, midi: int, b: float, **fields: object) -> Aimed:
    measured = note(
        f"X-{k:04d}", midi, 0.0, inharmonicity_b=b, inharmonicity_b_uncertainty=0.01 * b, **fields
    )
    return aimed(measured, midi)


def test_measured_guitars_follow_the_law() -> None:
    """B of measured notes lies within 3 percent (one standard deviation) of 2 to the fret / 6."""
    off: list[float] = []
    for table in (ACOUSTIC_B, ELECTRIC_B):
        for row in table.values():
            rest = np.log(row) - np.arange(13) * np.log(2.0) / 6.0
            off += list(rest - np.median(rest))
    assert np.std(off) < 0.03


def test_every_place_of_the_acoustic_guitar_is_found() -> None:
    """From the published B and the pitch of 78 places, the string and fret of each come out."""
    string, fret, log_b = cells(ACOUSTIC_B)
    got = placed(string, fret, log_b)
    assert [(g.string_midi, g.fret) for g in got] == list(zip(string, fret, strict=True))
    assert {g.told for g in got} == {"firm"}


def test_places_of_the_electric_guitar() -> None:
    """Its D and G strings have nearly one stiffness at one pitch: none is told wrongly for it."""
    string, fret, log_b = cells(ELECTRIC_B)
    got = placed(string, fret, log_b)
    told = [(g, s) for g, s in zip(got, string, strict=True) if g.string_midi is not None]
    assert [s for g, s in told if g.string_midi != s] == []
    assert len(told) >= 0.8 * len(got)
    alike = {s for g, s in zip(got, string, strict=True) if g.told == "not told apart"}
    assert alike <= {50, 55}


@pytest.mark.parametrize("shift", [-1.0, 1.0])
def test_any_gauge_will_do(shift: float) -> None:
    """Strings e times as stiff or as limp as the measured ones are told as well."""
    string, fret, log_b = cells(ACOUSTIC_B)
    got = placed(string, fret, log_b + shift)
    wrong = sum(g.string_midi not in (None, s) for g, s in zip(got, string, strict=True))
    assert wrong == 0
    assert sum(g.told == "firm" for g in got) >= 0.8 * len(got)


def test_random_takes() -> None:
    """Over random guitars and basses 95 of 100 firm guesses are right, 80 of 100 fair ones."""
    right = {"firm": [0, 0], "fair": [0, 0]}
    for seed in range(1001, 1061):
        tuning, string, fret, log_b = random_take(seed)
        got = place_notes(string + fret, log_b, np.full(len(log_b), 0.01), tuning)
        for guess, true in zip(got, string, strict=True):
            if guess.told in right:
                right[guess.told][0] += guess.string_midi == true
                right[guess.told][1] += 1
    assert right["firm"][0] >= 0.95 * right["firm"][1] > 500
    assert right["fair"][0] >= 0.8 * right["fair"][1] > 200


def test_no_law_no_guess() -> None:
    """Where B has nothing to do with pitch, no string is told but by pitch alone."""
    rng = np.random.default_rng(4)
    midi = rng.integers(43, 70, 60)
    log_b = np.log(1e-4) + rng.integers(0, 8, 60) * np.log(2.0) / 6.0
    got = place_notes(midi, log_b, np.full(60, 0.01), GUITAR)
    assert all((g.string_midi is not None) == (m < 45) for g, m in zip(got, midi, strict=True))


def test_the_lowest_notes_have_one_string_only() -> None:
    """Under the second string's open note it is the lowest; from there on it takes B to tell."""
    unknown = np.full(2, np.nan)
    below, on = place_notes(np.array([44, 45]), unknown, unknown, GUITAR)
    assert (below.string_midi, below.fret, below.told, below.called) == (40, 4, "firm", "low E")
    assert (on.string_midi, on.told) == (None, "")
    (assumed,) = place_notes(np.array([44]), unknown[:1], unknown[:1], GUITAR, assumed=True)
    assert assumed.told == "fair"


@pytest.mark.parametrize(("midi", "reached"), [(39, False), (40, True), (88, True), (89, False)])
def test_the_ends_of_the_fretboard(midi: int, reached: bool) -> None:
    """Below the lowest string and past the 24th fret of the highest nothing is said."""
    string, fret, log_b = cells(ACOUSTIC_B)
    b = log_b[0] if midi < 45 else log_b[-1] + 2.0 * np.log(2.0)
    got = place_notes(
        np.array([*(string + fret), midi]), np.array([*log_b, b]), np.full(79, 0.01), GUITAR
    )
    assert (got[-1].string_midi is not None) == reached


def test_a_capo_takes_the_frets_below_it() -> None:
    """With a capo at 2 nothing lies under fret 2, and frets still count from the nut."""
    string, fret, log_b = cells(ACOUSTIC_B)
    keep = fret >= 2
    got = placed(string[keep], fret[keep], log_b[keep], capo=2)
    assert [(g.string_midi, g.fret) for g in got] == list(
        zip(string[keep], fret[keep], strict=True)
    )
    unknown = np.full(2, np.nan)
    six, seven = place_notes(np.array([46, 47]), unknown, unknown, GUITAR, capo=2)
    assert (six.string_midi, seven.string_midi) == (40, None)


def test_edge_of_the_notes_needed() -> None:
    """Eight notes with a B are tried, seven are not."""
    string, fret, log_b = cells({40: ACOUSTIC_B[40], 45: ACOUSTIC_B[45]})
    pick = np.array([0, 1, 2, 3, 13, 14, 15, 16])
    eight = placed(string[pick], fret[pick], log_b[pick])
    assert [g.string_midi for g in eight] == [40] * 4 + [45] * 4
    seven = placed(string[pick[:7]], fret[pick[:7]], log_b[pick[:7]])
    assert [g.told for g in seven[4:]] == ["not told apart"] * 3


def test_one_string_alone_is_never_firm() -> None:
    """A line on one string shows nothing of the others: at most fair, however many notes."""
    string, fret, log_b = cells({50: ACOUSTIC_B[50]})
    got = placed(np.tile(string, 5), np.tile(fret, 5), np.tile(log_b, 5))
    assert "firm" not in {g.told for g in got}


def test_strings_that_fit_alike_are_not_told_firmly() -> None:
    """Of two strings with one stiffness at one pitch neither is firm where both reach."""
    b = {45: ACOUSTIC_B[45], 50: tuple(ACOUSTIC_B[45][0] * 2 ** ((f + 5) / 6) for f in range(13))}
    string, fret, log_b = cells(b)
    got = placed(string, fret, log_b)
    both = [g for g, m in zip(got, string + fret, strict=True) if 50 <= m < 55]
    assert both
    assert "firm" not in {g.told for g in both}


def test_the_same_line_gives_the_same_guess() -> None:
    """Order of the notes changes nothing."""
    string, fret, log_b = cells(ELECTRIC_B)
    order = np.random.default_rng(1).permutation(len(string))
    got, mixed = placed(string, fret, log_b), placed(string[order], fret[order], log_b[order])
    assert [got[k] for k in order] == mixed


def test_played_notes_are_told() -> None:
    """Sixty sounding notes: B within 10 percent (nine in ten within 3), every firm string right."""
    samples, truth = take(ACOUSTIC_B, 5)
    found = measured_notes(stem_of(samples, SR, "fretted", range_hz=(70.0, 1400.0)))
    notes = []
    for k, (n, m) in enumerate(found):
        midi = round(69 + cents(n.pitch_hz, 440.0) / 100.0)
        notes.append(aimed(MeasuredNote(id=f"X-{k:04d}", note=n, measurement=m), midi))
    guesses = guess_strings(notes, "fretted", GUITAR_SPEC)
    right, off = [], []
    for a in notes:
        _, string, fret, _ = min(truth, key=lambda x: abs(x[0] - a.measured.note.start_s))
        guess, m = guesses[a.measured.id], a.measured.measurement
        if m.inharmonicity_b_uncertainty is not None and m.inharmonicity_b is not None:
            off.append(abs(m.inharmonicity_b / ACOUSTIC_B[string][fret] - 1.0))
        if guess.told == "firm":
            right.append((guess.string_midi, guess.fret) == (string, fret))
    assert len(notes) == 60
    assert max(off) < 0.10
    assert np.quantile(off, 0.9) < 0.03
    assert all(right)
    assert len(right) >= 54


def test_standard_tuning_is_assumed_only_where_it_can_be() -> None:
    """One note in fifty below the lowest string is a slip; more are another tuning."""
    spec = replace(GUITAR_SPEC, strings=())
    table = [(s, f, b) for s, row in ACOUSTIC_B.items() for f, b in enumerate(row)]
    line = [on_string(k, s + f, b) for k, (s, f, b) in enumerate(table * 2)][:99]
    slip = guess_strings([*line, on_string(99, 38, 1e-4)], "fretted", spec)
    assert sum(g.string_midi is not None for g in slip.values()) == 99
    low = [on_string(99 + k, 38, 1e-4) for k in range(3)]
    assert {g.told for g in guess_strings([*line, *low], "fretted", spec).values()} == {""}
    typed = guess_strings([*line, *low], "fretted", GUITAR_SPEC)
    assert typed["X-0000"].told == "firm"


def test_only_an_own_b_counts() -> None:
    """A note that borrows its B, or is bent by more than 60 cents, is not placed by it."""
    table = [(s, f, b) for s, row in ACOUSTIC_B.items() for f, b in enumerate(row)]
    line = [on_string(k, s + f, b) for k, (s, f, b) in enumerate(table)]
    borrowed = aimed(note("X-0100", 50, 0.0, inharmonicity_b=ACOUSTIC_B[45][5]), 50)
    less = on_string(101, 50, ACOUSTIC_B[45][5], **contour(0.0, 1.0, 50, lambda t: 70.0 * t))
    more = on_string(102, 50, ACOUSTIC_B[45][5], **contour(0.0, 1.0, 50, lambda t: 80.0 * t))
    got = guess_strings([*line, borrowed, less, more], "fretted", GUITAR_SPEC)
    assert got["X-0100"] == StringGuess()
    assert (got["X-0101"].string_midi, got["X-0101"].fret) == (45, 5)
    assert got["X-0102"] == StringGuess()


def test_other_roles_have_no_strings() -> None:
    """Chords, bows and voices get no guess, and an empty stem is no trouble."""
    assert guess_strings([on_string(0, 44, 1e-4)], "fretted-chords", GUITAR_SPEC) == {}
    assert guess_strings([on_string(0, 44, 1e-4)], "bowed", GUITAR_SPEC) == {}
    assert guess_strings([], "fretted", GUITAR_SPEC) == {}
    assert tuning_of("bass-fretted", replace(GUITAR_SPEC, strings=())) == (28, 33, 38, 43)


def test_strings_are_called_as_players_call_them() -> None:
    """By letter; low and high where two share it; with the octave where three do."""
    assert [called_string(m, GUITAR) for m in GUITAR] == ["low E", "A", "D", "G", "B", "high E"]
    open_d = (38, 45, 50, 54, 57, 62)
    assert [called_string(m, open_d) for m in (38, 54, 57)] == ["D2", "F#", "high A"]


@pytest.mark.parametrize("steps", [(0, 1), (0, 2, 4, 5, 7, 9, 11), (0, 2, 4, 7, 9)])
def test_one_stiffness_for_all_pitches_is_no_guitar(steps: tuple[int, ...]) -> None:
    """A source with the same B on every pitch of a scale is not taken for a string a pitch."""
    scale = [m for m in range(45, 70) if (m - 45) % (2 if len(steps) == 2 else 12) in steps]
    midi = np.array(scale * 4)
    log_b = np.random.default_rng(2).normal(np.log(1e-4), 0.01, len(midi))
    got = place_notes(midi, log_b, np.full(len(midi), 0.01), GUITAR)
    assert {g.told for g in got} == {"not told apart"}
