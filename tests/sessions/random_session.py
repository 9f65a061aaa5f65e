"""Random six-part sessions with exact truth, to measure the planner as an outsider would.

Song, tempo, key, reference, timbres, stiffness, attacks, decays, rooms, noise and errors all follow
from the seed, so that no constant can be tuned to one sound. Nothing is measured here: the truth is
the pitch line that each sound was made from.
"""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
import yaml

from planner.demo.build import in_room, room_response, with_noise_floor
from planner.demo.driven import CELLO_BODY, VOICE_VOWELS, DrivenNote, DrivenSound, phrase, shaker
from planner.demo.tones import SR, PianoSound, Sound, StringSound, mix, plucked, struck
from planner.pitch import cents, midi_to_hz, note_name, shift_hz
from tests.tones.truth import mean_of_whole_cycles_hz, truth_of

_LATE_SMP = round(0.015 * SR)
_SCALES = {"major": (0, 2, 4, 5, 7, 9, 11), "minor": (0, 2, 3, 5, 7, 8, 10)}
_PROGRESSIONS = ((0, 3, 4, 0), (0, 5, 3, 4), (0, 4, 5, 3), (5, 3, 0, 4), (0, 1, 4, 0))
# Rhythms of a bar in beats; minus is a rest.
_WALKING = ((1, 1, 1, 1), (1.5, 0.5, 1, 1), (0.5, 0.5, 1, 2), (1, -1, 0.5, 0.5, 1), (2, 1, -1))
_SINGING = ((1, 1, 2), (0.5, 0.5, 1, 1.5, -0.5), (3, -1), (1.5, 0.5, 1, -1), (2, 2), (-1, 1, 1, 1))
_BOWING = ((2, 2), (4,), (3, 1), (1, 1, 2), (2, 1, -1))
_PICKING = ((0.5,) * 8, (1, 0.5, 0.5, 1, 1), (1.5, 0.5, 2), (0.5, 0.5, 0.5, 0.5, 1, -1), (1, 1, 2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """How the player of one part errs, in cents; or, of the piano, how far its octaves are wide."""

    scatter_cents: float = 8.0  # from note to note, one standard deviation
    gross_share: float = 0.04  # of the notes: 28 to 42 cents off
    offset_cents: float = 0.0  # of all notes
    later_cents: float = 0.0  # of the notes from the middle on, beside that
    pitch_cents: float = 0.0  # of the pitch that comes most often, beside that
    stretch: float | None = None  # of the piano's octaves; None: 0.5 to 1.5 of the usual
    moves_cents: Mapping[int, float] = field(default_factory=dict)  # of single notes, beside that


PART_OFFSET_CENTS = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueNote:
    """One note as it was made."""

    start_s: float
    end_s: float
    onset_hz: float
    onset_moves_cents: float  # how far the onset would lie off if the note were begun 15 ms late
    sustain_hz: float | None
    end_hz: float | None
    cycles_hz: float | None = None  # sustain as the mean over whole vibrato cycles
    end_moves_cents: float = 0.0  # how far the end would lie off if the note were ended 15 ms early

    @property
    def name(self) -> str:
        """The nearest note at A4 = 440 Hz, only to label reports."""
        return note_name(round(69 + 12 * np.log2(self.onset_hz / 440.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueStem:
    """One stem as it was made."""

    code: str
    file: str
    role: str
    notes: tuple[TrueNote, ...]
    offset_cents: float = 0.0  # of the whole part, against the reference
    about: str = ""  # what was drawn for it


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Everything that was put into a session."""

    seed: int
    a4_hz: float
    session_file: Path
    stems: tuple[TrueStem, ...]
    about: str


@dataclass(frozen=True, slots=True)
class Made:
    """One part as it is played."""

    sound: Sound
    about: str  # what was drawn for it
    played_cents: tuple[float, ...] = ()  # what was added to each note, as it was written


@dataclass(frozen=True, slots=True)
class _Event:
    start_s: float
    length_s: float
    midi: int


@dataclass(frozen=True, slots=True)
class _Song:
    tonic: int  # pitch class
    mode: str
    bpm: float
    progression: tuple[int, ...]
    bars: int = 12

    @property
    def beat_s(self) -> float:
        return 60.0 / self.bpm

    @property
    def length_s(self) -> float:
        return (self.bars * 4 + 2) * self.beat_s

    def degree(self, bar: int) -> int:
        return self.progression[bar % len(self.progression)]

    def pitch_class(self, step: int) -> int:
        return (self.tonic + _SCALES[self.mode][step % 7]) % 12

    def chord(self, bar: int) -> tuple[int, ...]:
        """Pitch classes of root, third and fifth."""
        return tuple(self.pitch_class(self.degree(bar) + k) for k in (0, 2, 4))


def make_session(seed: int, folder: Path, *, winds: bool = False) -> Truth:
    """Write six random stems and their session file into a folder, and tell the truth about them.

    The folder gets ``session.yaml`` and ``audio/*.wav`` (48 kHz, 24 bit). The same seed gives the
    same bytes; with ``winds`` a reed and a trumpet play beside the same six.
    """
    song, a4_hz, shifted = drawn(seed)
    audio = folder / "audio"
    audio.mkdir(parents=True, exist_ok=True)
    # Every other session takes the shaker for a wind part: noise must give no notes.
    shaker_role = "woodwind" if seed % 2 else "exclude"
    roles = dict(PARTS, SHK=shaker_role) | (WINDS if winds else {})
    stems = []
    for code, role in roles.items():
        made, part_rng = part_as_played(seed, code)
        rt60_s, reverb_db = part_rng.uniform(0.3, 0.6), part_rng.uniform(-24.0, -14.0)
        floor_db = part_rng.uniform(-70.0, -55.0)
        samples = in_room(made.sound.samples, room_response(rt60_s, reverb_db, part_rng))
        samples *= 10.0 ** (part_rng.uniform(-10.0, -3.0) / 20.0) / np.abs(samples).max()
        samples = with_noise_floor(samples, floor_db, part_rng)
        file = f"{code.lower()}_{seed}.wav"
        soundfile.write(audio / file, samples, SR, subtype="PCM_24")
        stems.append(
            TrueStem(
                code=code, file=file, role=role, notes=true_notes(made.sound),
                offset_cents=PART_OFFSET_CENTS if code == shifted else 0.0,
                about=f"{made.about}; room {rt60_s:.2f} s {reverb_db:.0f} dB, "
                f"floor {floor_db:.0f} dBFS",
            )
        )  # fmt: skip
    session_file = folder / "session.yaml"
    names = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
    session = {
        "version": 1,
        "song": f"Session {seed}",
        "audio_folder": "audio",
        "tempo_map": [{"bar": 1, "bpm": song.bpm, "meter": "4/4"}],
        "bar_one_at": 0.0,
        "key": [{"bar": 1, "tonic": names[song.tonic], "mode": song.mode}],
        "pitch_reference": {"from": "PNO"},
        "stems": [{"code": s.code, "file": s.file, "role": s.role} for s in stems],
    }
    session_file.write_text(yaml.safe_dump(session, sort_keys=False), encoding="utf-8")
    about = (
        f"{names[song.tonic]} {song.mode}, {song.bpm:g} bpm, A4 {a4_hz:g} Hz, "
        f"{song.length_s:.0f} s, {shifted} is {PART_OFFSET_CENTS:+g} c, shaker as {shaker_role}"
    )
    return Truth(seed=seed, a4_hz=a4_hz, session_file=session_file, stems=tuple(stems), about=about)


def make_part(seed: int, code: str) -> tuple[Sound, tuple[TrueNote, ...]]:
    """Give one part of a session as it is played, without room or noise, and its notes."""
    made, _ = part_as_played(seed, code)
    return made.sound, true_notes(made.sound)


def drawn(seed: int) -> tuple[_Song, float, str]:
    """What a seed draws for all parts: the song, its A4 in Hz, and the part that is off."""
    rng = np.random.default_rng(seed)
    song = _Song(
        tonic=int(rng.integers(12)),
        mode=str(rng.choice(["major", "minor"])),
        bpm=float(np.round(rng.uniform(72, 126), 1)),
        progression=_PROGRESSIONS[int(rng.integers(len(_PROGRESSIONS)))],
    )
    a4_hz = float(np.round(rng.uniform(434.0, 446.0), 2))
    return song, a4_hz, str(rng.choice(["BAS", "GTR", "LV", "CEL"]))


def part_as_played(
    seed: int, code: str, *, faults: Faults | None = None, bars: int = 12
) -> tuple[Made, np.random.Generator]:
    """One part as it is played, and its random numbers from there on.

    Without ``faults`` it errs as the seed says.
    """
    song, a4_hz, _ = drawn(seed)
    if faults is None:
        faults = seeds_own_faults(seed, code)
    rng = np.random.default_rng([seed, *code.encode()])
    return _MAKERS[code](dataclasses.replace(song, bars=bars), a4_hz, faults, rng), rng


def seeds_own_faults(seed: int, code: str) -> Faults:
    """Say how a part of a session errs: alike but for the one that is off as a whole."""
    _, _, shifted = drawn(seed)
    return Faults(offset_cents=PART_OFFSET_CENTS if code == shifted else 0.0)


def true_notes(sound: Sound) -> tuple[TrueNote, ...]:
    notes = []
    for played in sound.notes:
        truth = truth_of(played)
        late = dataclasses.replace(
            played, f1_hz=played.f1_hz[_LATE_SMP:], centre_hz=played.centre_hz[_LATE_SMP:]
        )
        early = dataclasses.replace(
            played, f1_hz=played.f1_hz[:-_LATE_SMP], centre_hz=played.centre_hz[:-_LATE_SMP]
        )
        early_end_hz = truth_of(early).end_hz
        end_moves = 0.0
        if truth.end_hz and early_end_hz:
            end_moves = abs(cents(early_end_hz, truth.end_hz))
        notes.append(
            TrueNote(
                start_s=played.start_s,
                end_s=played.start_s + played.length_s,
                onset_hz=truth.onset_hz,
                onset_moves_cents=abs(cents(truth_of(late).onset_hz, truth.onset_hz)),
                sustain_hz=truth.sustain_hz,
                cycles_hz=mean_of_whole_cycles_hz(played),
                end_hz=truth.end_hz,
                end_moves_cents=end_moves,
            )
        )
    return tuple(notes)


# ------------------------------------------------------------------------------- the music


def _near(pitch_class: int, about_midi: float) -> int:
    return int(pitch_class + 12 * np.round((about_midi - pitch_class) / 12.0))


def _melody(
    song: _Song, rhythms: tuple[tuple[float, ...], ...], low: int, high: int,
    rng: np.random.Generator, *, leaps: float = 0.25,
) -> list[_Event]:  # fmt: skip
    """Walk on the scale, landing on chord tones at the start of bars."""
    events: list[_Event] = []
    middle = 0.5 * (low + high)
    scale = [m for m in range(low, high + 1) if (m - song.tonic) % 12 in _SCALES[song.mode]]
    here = int(np.argmin([abs(m - middle) for m in scale]))

    for bar in range(song.bars):
        rhythm = rhythms[int(rng.integers(len(rhythms)))]
        beat = 4.0 * bar
        for k, length in enumerate(rhythm):
            if length > 0:
                if k == 0:
                    tones = [i for i, m in enumerate(scale) if m % 12 in song.chord(bar)]
                    here = min(tones, key=lambda i: abs(i - here) + rng.uniform(0, 1.5))
                else:
                    step = int(rng.choice([-1, 1, -2, 2, 0]))
                    if rng.random() < leaps:
                        step *= 2
                    here = int(np.clip(here + step, 0, len(scale) - 1))
                events.append(_Event(beat * song.beat_s, length * song.beat_s, scale[here]))
            beat += abs(length)
    return events


def _errors(events: list[_Event], faults: Faults, rng: np.random.Generator) -> tuple[float, ...]:
    """Errors of one part in cents: a few cents everywhere, now and then a gross one."""
    errors = rng.normal(0.0, faults.scatter_cents, len(events))
    gross = rng.random(len(events)) < faults.gross_share
    errors[gross] = rng.choice([-1.0, 1.0], gross.sum()) * rng.uniform(28.0, 42.0, gross.sum())
    midi = [e.midi for e in events]
    errors[np.array(midi) == max(midi, key=midi.count)] += faults.pitch_cents
    errors[np.array([e.start_s for e in events]) >= events[-1].start_s / 2] += faults.later_cents
    errors += [faults.moves_cents.get(k, 0.0) for k in range(len(events))]
    return tuple(float(e) + faults.offset_cents for e in errors)


def _late(rng: np.random.Generator) -> float:
    return float(rng.normal(0.0, 0.008))


# ------------------------------------------------------------------------------- the parts


def _piano(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    piano = PianoSound(
        b_factor=float(rng.uniform(0.6, 1.6)),
        hardness=float(rng.uniform(0.7, 1.6)),
        strings_apart_cents=float(rng.uniform(0.0, 0.5)),
        decay_factor=float(rng.uniform(0.6, 1.3)),
    )
    stretch = float(rng.uniform(0.5, 1.5))
    if faults.stretch is not None:
        stretch = faults.stretch
    keys = {m: float(rng.normal(0.0, 0.5)) for m in range(21, 109)}
    sounds = []
    for bar in range(song.bars):
        root, third, fifth = song.chord(bar)
        voicing = [_near(root, 43), *(_near(p, 60) for p in (root, third, fifth))]
        halves = 1 if rng.random() < 0.5 else 2
        for half in range(halves):
            length_s = 4.0 * song.beat_s / halves
            start_s = max(0.0, (4 * bar + 2 * half) * song.beat_s + _late(rng))
            loud = rng.uniform(0.6, 1.0)
            for midi in sorted(set(voicing)):
                # A third-power curve through A4: the usual shape, some cents at either end.
                off_cents = stretch * 6.0 * ((midi - 69) / 36.0) ** 3 + keys[midi]
                f1_hz = shift_hz(midi_to_hz(midi, a4_hz), off_cents)
                sounds.append(
                    (
                        start_s + float(rng.uniform(0.0, 0.012)),
                        struck(f1_hz, midi, 0.96 * length_s, piano, rng, level=loud),
                    )
                )
    return Made(mix(sounds, song.length_s), f"{piano}")


def _strings(
    song: _Song, a4_hz: float, faults: Faults, events: list[_Event], base: StringSound,
    gate: tuple[float, float], sharp: tuple[float, float], rng: np.random.Generator,
) -> Made:  # fmt: skip
    sounds = []
    errors = _errors(events, faults, rng)
    for event, error in zip(events, errors, strict=True):
        loud = float(rng.uniform(0.45, 1.0))
        f1_hz = shift_hz(midi_to_hz(event.midi, a4_hz), error)
        string = dataclasses.replace(
            base,
            b=base.b * 2.0 ** (float(rng.integers(0, 8)) / 6.0),
            decay_s=base.decay_s * float(rng.uniform(0.75, 1.3)),
            sharp_at_onset_cents=float(rng.uniform(*sharp)) * loud**2,
        )
        length_s = event.length_s * float(rng.uniform(*gate))
        start_s = max(0.0, event.start_s + _late(rng))
        sounds.append((start_s, plucked(f1_hz, length_s, string, rng, level=loud)))
    return Made(mix(sounds, song.length_s), f"{base}", errors)


def _bass(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    events = _melody(song, _WALKING, 29, 46, rng)
    base = StringSound(
        b=float(rng.uniform(0.5e-4, 2e-4)),
        pick_at=float(rng.uniform(0.1, 0.3)),
        brightness=float(rng.uniform(0.6, 1.1)),
        decay_s=float(rng.uniform(1.0, 2.2)),
        settle_s=float(rng.uniform(0.12, 0.3)),
        attack_s=float(rng.uniform(0.003, 0.012)),
        attack_noise_db=float(rng.uniform(-36, -22)),
        damp_s=float(rng.uniform(0.006, 0.02)),
    )
    gate = (0.35, 0.6) if rng.random() < 0.3 else (0.8, 0.97)
    return _strings(song, a4_hz, faults, events, base, gate, (8.0, 25.0), rng)


def _guitar(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    events = _melody(song, _PICKING, 50, 74, rng)
    base = StringSound(
        b=float(rng.uniform(2e-5, 1.5e-4)),
        pick_at=float(rng.uniform(0.08, 0.3)),
        brightness=float(rng.uniform(0.7, 1.3)),
        decay_s=float(rng.uniform(0.6, 1.8)),
        settle_s=float(rng.uniform(0.08, 0.2)),
        attack_s=float(rng.uniform(0.001, 0.006)),
        attack_noise_db=float(rng.uniform(-34, -20)),
        damp_s=float(rng.uniform(0.006, 0.02)),
    )
    return _strings(song, a4_hz, faults, events, base, (0.75, 0.98), (5.0, 20.0), rng)


def _driven(
    song: _Song, a4_hz: float, faults: Faults, events: list[_Event], base: DrivenSound,
    draw: dict[str, tuple[float, float]], legato: float, rng: np.random.Generator,
) -> Made:  # fmt: skip
    """Group events that touch into phrases; between notes either a slide or a new bow or word."""
    errors = _errors(events, faults, rng)
    groups: list[list[tuple[_Event, float]]] = []
    for event, error in zip(events, errors, strict=True):
        before = groups[-1][-1][0] if groups else None
        touches = before is not None and event.start_s - before.start_s - before.length_s < 0.01
        if touches and len(groups[-1]) < 6:
            groups[-1].append((event, error))
        else:
            groups.append([(event, error)])
    vibrato_hz = float(rng.uniform(*draw["vibrato_hz"]))
    half = float(rng.uniform(*draw["half"]))
    sounds = []
    for group in groups:
        notes = []
        for k, (event, error) in enumerate(group):
            same = k > 0 and group[k - 1][0].midi == event.midi
            last = k == len(group) - 1
            long = event.length_s > 0.5
            notes.append(
                DrivenNote(
                    f1_hz=shift_hz(midi_to_hz(event.midi, a4_hz), error),
                    length_s=event.length_s * (0.92 if last else 1.0),
                    scoop_cents=float(rng.uniform(*draw["scoop"])) * (rng.random() < 0.4),
                    scoop_s=float(rng.uniform(0.02, 0.06)),
                    vibrato_half_cents=half * float(rng.uniform(0.6, 1.2)) if long else 0.0,
                    vibrato_hz=vibrato_hz * float(rng.uniform(0.94, 1.06)),
                    vibrato_after_s=float(rng.uniform(0.1, 0.35)),
                    end_cents=float(rng.uniform(-25, 0)) if last and event.length_s > 1 else 0.0,
                    level=float(rng.uniform(0.6, 1.0)),
                    new_bow=k > 0 and (same or rng.random() > legato),
                )
            )
        start_s = max(0.0, group[0][0].start_s + _late(rng))
        sounds.append((start_s, phrase(notes, base, rng)))
    about = f"vibrato {vibrato_hz:.1f} Hz {half:.0f} c, {base}"
    return Made(mix(sounds, song.length_s), about, errors)


def _voice(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    low = int(rng.choice([48, 52, 57, 60]))
    base = DrivenSound(
        slope_db_per_octave=float(rng.uniform(-12, -7)),
        formants=VOICE_VOWELS[str(rng.choice(list(VOICE_VOWELS)))],
        attack_s=float(rng.uniform(0.03, 0.08)),
        release_s=float(rng.uniform(0.05, 0.12)),
        slide_s=float(rng.uniform(0.04, 0.12)),
        jitter_cents=float(rng.uniform(2.0, 5.0)),
        noise_db=float(rng.uniform(-46, -32)),
        consonant_db=float(rng.uniform(-34, -22)),
    )
    draw = {"vibrato_hz": (5.0, 6.8), "half": (15.0, 60.0), "scoop": (-120.0, 10.0)}
    events = _melody(song, _SINGING, low, low + 16, rng)
    return _driven(song, a4_hz, faults, events, base, draw, 0.55, rng)


def _cello(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    base = DrivenSound(
        slope_db_per_octave=float(rng.uniform(-8, -5)),
        formants=CELLO_BODY,
        top_hz=8000.0,
        attack_s=float(rng.uniform(0.06, 0.12)),
        release_s=float(rng.uniform(0.06, 0.2)),
        slide_s=float(rng.uniform(0.03, 0.08)),
        jitter_cents=float(rng.uniform(1.0, 3.0)),
        noise_db=float(rng.uniform(-44, -32)),
    )
    draw = {"vibrato_hz": (4.8, 6.5), "half": (8.0, 25.0), "scoop": (-25.0, 15.0)}
    events = _melody(song, _BOWING, 43, 62, rng)
    return _driven(song, a4_hz, faults, events, base, draw, 0.5, rng)


def _reed(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    events = _melody(song, _SINGING, 55, 79, rng)
    return _blown(song, a4_hz, faults, events, (-11.0, -7.0), (0.0, 15.0), rng)


def _trumpet(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    events = _melody(song, _BOWING, 55, 76, rng)
    return _blown(song, a4_hz, faults, events, (-7.0, -4.0), (0.0, 8.0), rng)


def _blown(
    song: _Song, a4_hz: float, faults: Faults, events: list[_Event],
    slope: tuple[float, float], half: tuple[float, float], rng: np.random.Generator,
) -> Made:  # fmt: skip
    base = DrivenSound(
        slope_db_per_octave=float(rng.uniform(*slope)),
        top_hz=9000.0,
        attack_s=float(rng.uniform(0.02, 0.05)),
        release_s=float(rng.uniform(0.03, 0.08)),
        slide_s=float(rng.uniform(0.01, 0.03)),
        jitter_cents=float(rng.uniform(1.0, 3.0)),
        noise_db=float(rng.uniform(-46, -34)),
    )
    draw = {"vibrato_hz": (4.8, 6.0), "half": half, "scoop": (-25.0, 10.0)}
    return _driven(song, a4_hz, faults, events, base, draw, 0.6, rng)


def _shaker(song: _Song, a4_hz: float, faults: Faults, rng: np.random.Generator) -> Made:
    del a4_hz, faults  # it has no pitch
    eighths = np.arange(song.bars * 8) * 0.5 * song.beat_s
    sounds = [
        (float(t), shaker(0.45 * song.beat_s, rng, level=float(rng.uniform(0.5, 1.0))))
        for t in eighths
    ]
    return Made(mix(sounds, song.length_s), "noise")


PARTS = {
    "PNO": "tuning-reference", "BAS": "bass-fretted", "GTR": "fretted", "LV": "lead-voice",
    "CEL": "bowed", "SHK": "exclude",
}  # fmt: skip
WINDS = {"CLA": "woodwind", "TPT": "brass"}
_MAKERS = {
    "PNO": _piano, "BAS": _bass, "GTR": _guitar, "LV": _voice, "CEL": _cello, "SHK": _shaker,
    "CLA": _reed, "TPT": _trumpet,
}  # fmt: skip
