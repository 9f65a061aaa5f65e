"""The cents of a chord's notes: each one's stiff string, and how sure it is."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from planner.model import Confidence, Floats
from planner.polyphony.chord_bands import are_bands, beside_first, read_bands
from planner.polyphony.chord_fits import UNSTEADY, Piece, fit_window, refine
from planner.polyphony.chord_octaves import WEAK_FIRST_HZ
from planner.polyphony.chord_partials import (
    CENTS_PER_NEPER,
    MODEL_CENTS,
    Note,
    PartialFits,
    StiffString,
    fit_string,
)
from planner.polyphony.chord_peaks import SAME_SOUND_CENTS
from planner.polyphony.chord_search import SHORTEST_S
from planner.polyphony.chord_times import loud_part, piece_of
from planner.polyphony.chord_voices import Beside, Stretch, Voice
from planner.polyphony.chord_walk import LONGEST_S, REACH_S, SKIP_S
from planner.polyphony.pooled_strings import pooled_strings

Array = NDArray[np.float64]

# A vibrato's side bands lie by its rate beside a partial. Chosen: the fastest of common practice.
SWING_HZ = 8.0
FAR_SDS = 3.0  # by chance less than one in three hundred
# First partials of recorded strings in chords lie so much further from those of the notes alone
# than their fits say; chosen on seeds 1 to 3 of tests.bench.layered, where it is 1 to 2.
FIRST_SDS = 1.5
AGREEING = 3  # chosen: partials that may contradict each other
LOOKED_AT = 50  # stretches; chosen: in four minutes of chords every fifth
FIRM_S = 0.2  # chosen: a shorter stretch of speech can pass for a note


def read_voices(
    samples: Floats,
    sr: int,
    voices: list[Voice],
    stretches: list[Stretch],
    *,
    harmonic: bool,
    mixed: bool,
    bars: bool,
) -> list[Voice]:
    """Measure every note in the stretch where it begins, and again later if that did not do.

    samples: (n,) at `sr`; harmonic: partials are exact multiples, and are read as bands; mixed: of
    voices that differ in timbre, of which the first partial says the pitch; bars: only first
    partials are in tune. Returns the voices with what was fitted to them.
    """
    bands: dict[int, Voice] = {}
    for k, stretch in enumerate(stretches):
        wanted = [
            v for v in stretch.voices if voices[v].fits is None or 0 < _used(voices[v]) < 3
        ]  # fmt: skip
        piece = _piece_of(samples, sr, stretch) if wanted else None
        if piece is None:
            continue
        guesses = [voices[v].note for v in stretch.voices]
        found = refine(piece, guesses, harmonic=harmonic, longest_s=LONGEST_S)
        broad = _as_bands(piece, guesses, found) if harmonic else found
        for v, (string, fits), band in zip(stretch.voices, found, broad, strict=True):
            if v not in wanted:
                continue
            if voices[v].fits is None or (string and string.used > _used(voices[v])):
                voices[v] = replace(voices[v], fits=fits, string=string, read_in=k)
            if v not in bands or (band[0] and band[0].used > _used(bands[v])):
                bands[v] = replace(voices[v], fits=band[1], string=band[0], read_in=k)
    if not harmonic:
        strings = _read_again(samples, sr, _pooled(voices, harmonic), stretches)
        strings = _pooled(strings, harmonic)
        if bars:
            pairs = zip(strings, voices, strict=True)
            strings = [s if _used(s) >= AGREEING else _by_first(v) for s, v in pairs]
        return less_sure_by_window(strings if bars else by_first_partials(strings))
    # Starts, ends and levels go by the lines, which are steadier where another note begins.
    middles = [bands.get(v, voice) for v, voice in enumerate(voices)]
    middles = _pooled(_beside_first(middles) if mixed else middles, harmonic)
    return [replace(v, string=m.string) for v, m in zip(voices, middles, strict=True)]


def _as_bands(
    piece: Piece, guesses: list[Note], found: list[tuple[StiffString | None, PartialFits]]
) -> list[tuple[StiffString | None, PartialFits]]:
    """Read driven notes by the middles of their partials, whoever and however many sound them."""
    f0s_hz = [
        string.f0_hz if string else f0 for (string, _), (f0, _) in zip(found, guesses, strict=True)
    ]
    bands = read_bands(piece, f0s_hz, [fits for _, fits in found])
    return [(fit_string(fits, 0.0, 0.0), fits) for fits in bands]


def _beside_first(voices: list[Voice]) -> list[Voice]:
    read = {v: fits for v, voice in enumerate(voices) if (fits := voice.fits) is not None}
    moved = dict(zip(read, beside_first(list(read.values())), strict=True))
    return [replace(voice, fits=moved.get(v)) for v, voice in enumerate(voices)]


def as_wide_as_bands(
    samples: Floats, sr: int, voices: list[Voice], stretches: list[Stretch]
) -> bool:
    """Say whether the partials of a stem's notes are bands, whoever plays them."""
    every = max(1, len(stretches) // LOOKED_AT)
    return are_bands(
        [
            (piece, [voices[v].note for v in stretch.voices])
            for stretch in stretches[::every]
            if (piece := _piece_of(samples, sr, stretch)) is not None
        ]
    )


def _piece_of(samples: Floats, sr: int, stretch: Stretch) -> Piece | None:
    first = int((stretch.start_s + SKIP_S) * sr)
    last = int((stretch.end_s - 0.005) * sr)
    if last - first < SHORTEST_S * sr:
        return None
    loud = loud_part(piece_of(samples, first, last), sr)
    return Piece(samples=loud, sr=sr, others_hz=stretch.others_hz)


def _read_again(
    samples: Floats, sr: int, voices: list[Voice], stretches: list[Stretch]
) -> list[Voice]:
    """Read partials once more, where the strings that all notes tell of put them.

    The first time they were looked for where a usual string has them.
    """
    result = list(voices)
    for k, stretch in enumerate(stretches):
        strings = {v: s for v in stretch.voices if (s := voices[v].string) is not None}
        here = [v for v in strings if voices[v].read_in == k]
        piece = _piece_of(samples, sr, stretch) if here else None
        if piece is None:
            continue
        places = [voices[v].best_note for v in stretch.voices]
        for window_s in sorted({strings[v].window_s for v in here}):
            found = fit_window(piece.first(round(window_s * sr)), places)
            for v, fits in zip(stretch.voices, found, strict=True):
                if v in here and strings[v].window_s == window_s and len(fits.number):
                    result[v] = replace(voices[v], fits=fits)
    return result


def _pooled(voices: list[Voice], harmonic: bool) -> list[Voice]:
    """Fit each note's string by what all notes of the stem have in common."""
    read = [(k, v.fits, v.string) for k, v in enumerate(voices) if v.fits and v.string]
    f0s_hz = [voices[k].f0_hz for k, _, _ in read]
    strings = pooled_strings([fits for _, fits, _ in read], f0s_hz, harmonic=harmonic)
    result = list(voices)
    for (k, _, before), string in zip(read, strings, strict=True):
        if string is not None:
            string = replace(
                string, wander_cents=before.wander_cents, window_s=before.window_s,
                went_cents=before.went_cents,
            )  # fmt: skip
        result[k] = replace(voices[k], string=string)
    return result


def _by_first(voice: Voice) -> Voice:
    """Read a note by its first partial, where that was read: others are in no law with it."""
    fits, string = voice.fits, voice.string
    if fits is None or string is None or 1.0 not in fits.number:
        return voice
    first = fits.number == 1.0
    only = replace(
        fits, number=fits.number[first], f_hz=fits.f_hz[first], sd_hz=fits.sd_hz[first],
        amplitude=fits.amplitude[first], unsteady=fits.unsteady[first],
    )  # fmt: skip
    read = fit_string(only, 0.0, 0.0)
    if read is not None:
        read = replace(read, wander_cents=string.wander_cents, window_s=string.window_s)
    return replace(voice, fits=only, string=read)


def _used(voice: Voice) -> int:
    return voice.string.used if voice.string else 0


def believable(voice: Voice) -> bool:
    """Drop what has no steady partial: consonants, shakers, glides."""
    fits = voice.fits
    if fits is None:
        return False
    if len(fits.number) == 0:
        return fits.collided >= 3
    return float(np.median(fits.unsteady)) < UNSTEADY


def _same_sound(high: Voice, low: Voice) -> bool:
    """Say whether a driven note may be only every n-th partial of a lower one that sounds with it.

    Partials of bow and breath are exact multiples, but in vibrato their readings differ by some
    cents, and have fainter side bands. A second player an octave above, as near to one, is left out
    unless the score has him: a note made up would cost a false correction, and his is hardly one.
    """
    number = round(high.f0_hz / low.f0_hz)
    if high.known or number < 2 or not low.start_s - REACH_S[1] <= high.start_s < low.last_s:
        return False
    if abs(1200.0 * np.log2(high.f0_hz / (number * low.f0_hz))) < SAME_SOUND_CENTS:
        return True
    beside_hz = abs(high.f0_hz - number * low.f0_hz)
    return beside_hz < SWING_HZ and _amplitude(high, 1) < _amplitude(low, number)


def _amplitude(voice: Voice, number: int) -> float:
    """Give the amplitude of one partial as it was read, 0 where it was not."""
    if voice.fits is None:
        return 0.0
    return float(voice.fits.amplitude[voice.fits.number == number].sum())


def without_partials(voices: list[Voice]) -> list[Voice]:
    """Drop driven notes that are only a partial of a lower one."""
    beside = Beside(voices)
    return [
        voice
        for voice in voices
        if not any(
            _same_sound(voice, voices[k])
            for k in beside.sounding(voice.start_s, voice.start_s + REACH_S[1])
        )
    ]


def less_sure_by_window(voices: list[Voice]) -> list[Voice]:
    """Add to each uncertainty how far a struck note goes on from the window that it was read in.

    A string sags as it dies away: with each doubling of the window up to `LONGEST_S` as far as the
    stem's notes usually differ from their first half. Where its first partial was read in a longer
    window, the string is where that went, give or take half of the way, for it may go on.
    """
    wanders = [v.string.wander_cents for v in voices if v.string]
    usual = float(np.median(wanders)) if wanders else 0.0
    result = []
    for voice in voices:
        if (string := voice.string) is not None and string.window_s > 0.0:
            left_cents = usual * max(float(np.log2(LONGEST_S / string.window_s)), 0.0)
            left_cents = max(left_cents, abs(string.went_cents) / 2.0)
            doubt = float(np.hypot(string.f1_cents_sd, left_cents))
            f0_hz = string.f0_hz * math.exp(string.went_cents / CENTS_PER_NEPER)
            voice = replace(voice, string=replace(string, f0_hz=f0_hz, f1_cents_sd=doubt))
        result.append(voice)
    return result


def by_first_partials(voices: list[Voice]) -> list[Voice]:
    """Take the first partial itself where it was read more surely than its string tells of it.

    A body moves the first partials of real strings by a cent or two from the law that the others
    keep. Where the first was not read a note is as unsure as the stem's first partials usually lie
    off; where it was and disagrees as unsure as that, for the others may be those of an octave not
    found.
    """
    firsts = [_first_off(voice) for voice in voices]
    offs = [abs(first[0]) for first in firsts if first is not None] or [0.0]
    two_in_three, most = np.percentile(offs, [68.3, 95.4])
    usual_cents = max(float(two_in_three), float(most) / 2.0)
    result = []
    for voice, first in zip(voices, firsts, strict=True):
        string, fits = voice.string, voice.fits
        if string is None or fits is None:
            result.append(voice)
            continue
        doubt = 0.0 if 1.0 in fits.number else usual_cents
        if first is not None:
            off, sd = first
            if abs(off) > FAR_SDS * math.hypot(sd, string.f1_cents_sd):
                doubt = off
            if sd < string.f1_cents_sd:
                f0_hz = string.f0_hz * math.exp(off / CENTS_PER_NEPER)
                string = replace(string, f0_hz=f0_hz, f1_cents_sd=sd)
        string = replace(string, f1_cents_sd=math.hypot(string.f1_cents_sd, doubt))
        result.append(replace(voice, string=string))
    return result


def _first_off(voice: Voice) -> tuple[float, float] | None:
    """Say how far a first partial lies from where its string puts it, and how sure that is, cents.

    None where it was not read beside another.
    """
    string, fits = voice.string, voice.fits
    if string is None or fits is None or string.used < 2 or 1.0 not in fits.number:
        return None
    first = int(np.argmax(fits.number == 1.0))
    sd = CENTS_PER_NEPER * fits.sd_hz[first] / fits.f_hz[first]
    off = CENTS_PER_NEPER * math.log(fits.f_hz[first] / string.f1_hz)
    return off, math.hypot(FIRST_SDS * sd, MODEL_CENTS)


def first_in_doubt(voice: Voice) -> bool:
    """Say whether a note's first partial was not read where it should sound.

    Only of the lowest notes a body may hardly give it off; of others what seems to be one may be
    the notes above it, of which it has all other partials.
    """
    f1_hz = voice.f0_hz * float(np.sqrt(1.0 + voice.b))
    read = voice.fits is not None and 1.0 in voice.fits.number
    return not voice.known and f1_hz > WEAK_FIRST_HZ and not read


def confidence_of(
    string: StiffString, length_s: float, *, in_doubt: bool, alone: bool = False
) -> Confidence:
    """Grade a reading by its partials, their agreement and the note's length (s).

    in_doubt: its first partial was not read, and two others agree on some stiffness by chance;
    alone: the stem's notes have one partial in tune, and none that could contradict it
    """
    firm = (
        not in_doubt
        and length_s >= FIRM_S
        and string.used >= AGREEING
        and string.scatter_cents < 2.5
        and string.f1_cents_sd < 1.5
    )
    if firm:
        return "firm"
    least = 1 if alone else AGREEING if in_doubt else 2
    if string.used >= least and string.f1_cents_sd < 3.0:
        return "fair"
    return "shaky"
