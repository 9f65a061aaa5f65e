"""Writes the demo: an invented session, with its audio, into a folder of its own."""

from pathlib import Path

import numpy as np
import soundfile

from planner.demo.song import BAR_ONE_AT_S, BPM, DemoStem, low_tide_ledger
from planner.demo.tones import SR, band_noise, quick_size
from planner.errors import OutputError
from planner.model import Floats

# A dry room, wanted before mixing; light enough that no note's end is hidden. Common practice, no
# source.
_RT60_S = 0.35
_REVERB_DB = -22.0
_BLEED_DB = -48.0  # chosen: screens and closed doors between those who play together
_FLOOR_DBFS = -72.0
_PEAK_DBFS = -6.0
_STEREO = "PNO"  # one stem has two channels, as pianos do

_SESSION = """\
# An invented session: no such song, group or players. Made by `planner demo`.
version: 1
song: Low Tide Ledger
artist: Mothwick Ferry
song_code: LTL
audio_folder: audio
rate: {rate}

tempo_map:
  - {{bar: 1, bpm: {bpm:g}, meter: 4/4}}
bar_one_at: {bar_one_at_s:g}          # seconds from the start of every file to bar 1 beat 1
key:
  - {{bar: 1, tonic: D, mode: major}}

pitch_reference: {{from: PNO}}   # everyone is judged against the piano, wherever it stands
temperament: equal
judging: plain-band
edit_minutes: 20

stems:
{stems}
sections:
  - {{name: verse, from_bar: 1, to_bar: 8, exposure: bare}}
  - {{name: chorus, from_bar: 9, to_bar: 16, exposure: normal}}
"""


def build_demo(folder: Path) -> Path:
    """Write the demo session and give the path of its session file.

    The folder gets ``session.yaml`` and ``audio/LTL_*.wav``: 48 kHz, 24 bit, mono but for the
    piano, about 45 s.

    Raises OutputError if the folder is there already and not empty, is a file, or cannot be
    written.
    """
    try:
        _take_folder(folder)
        audio = folder / "audio"
        audio.mkdir()
        stems = low_tide_ledger()
        for stem, samples in zip(stems, _recorded(stems), strict=True):
            soundfile.write(audio / stem.file, samples, SR, subtype="PCM_24", format="WAV")
        session_file = folder / "session.yaml"
        session_file.write_text(_session_text(stems), encoding="utf-8", newline="\n")
    except (OSError, soundfile.LibsndfileError) as fault:
        what = f"the demo could not be written ({fault})."
        hint = "Name another folder, with about 60 MB free."
        raise OutputError(what, file=str(folder), hint=hint) from fault
    return session_file


def _take_folder(folder: Path) -> None:
    hint = "The demo is written into a new or empty folder only, so that nothing is lost."
    if folder.exists() and not folder.is_dir():
        raise OutputError("this is a file, not a folder.", file=str(folder), hint=hint)
    if folder.is_dir() and any(folder.iterdir()):
        raise OutputError("the folder is not empty.", file=str(folder), hint=hint)
    folder.mkdir(parents=True, exist_ok=True)


def _recorded(stems: tuple[DemoStem, ...]) -> list[Floats]:
    """Put each stem in its room at its level: (n,) or, for one, (n, 2)."""
    levelled = {s.code: _at_peak(s.sound.samples) for s in stems}
    levelled |= with_bleed({s.code: levelled[s.code] for s in stems if s.together}, _BLEED_DB)
    recorded = []
    for number, stem in enumerate(stems):
        rng = np.random.default_rng([1790, number])
        sides = []
        for _ in range(2 if stem.code == _STEREO else 1):
            wet = in_room(levelled[stem.code], room_response(_RT60_S, _REVERB_DB, rng))
            sides.append(with_noise_floor(wet, _FLOOR_DBFS, rng))
        recorded.append(np.stack(sides, axis=1) if len(sides) > 1 else sides[0])
    return recorded


def _at_peak(samples: Floats) -> Floats:
    level: float = 10.0 ** (_PEAK_DBFS / 20.0) / float(np.abs(samples).max())
    return level * samples


def _session_text(stems: tuple[DemoStem, ...]) -> str:
    lines = []
    for stem in stems:
        fields = [f"code: {stem.code}", f"file: {stem.file}", f"role: {stem.role}"]
        if stem.more:
            fields.append(stem.more)
        lines.append(f"  - {{{', '.join(fields)}}}\n")
    return _SESSION.format(rate=SR, bpm=BPM, bar_one_at_s=BAR_ONE_AT_S, stems="".join(lines))


# ---------------------------------------------------------------- room, neighbours, noise

_REFLECTIONS = 7  # chosen: a few from the nearest walls


def room_response(rt60_s: float, reverb_db: float, rng: np.random.Generator) -> Floats:
    """Give the impulse response of a small room, direct sound first and 1.

    rt60_s : seconds in which the tail falls by 60 dB (the usual definition, ISO 3382-1).
    reverb_db : energy of reflections and tail against the direct sound.
    """
    n = round(1.1 * rt60_s * SR)
    t = np.arange(n) / SR
    tail = band_noise(n, (150.0, 6000.0), rng) * 10.0 ** (-3.0 * t / rt60_s)
    tail[: round(0.018 * SR)] = 0.0  # the tail grows out of the early reflections
    early = np.zeros(n)
    for delay_s in np.sort(rng.uniform(0.003, 0.035, _REFLECTIONS)):
        early[round(delay_s * SR)] += rng.choice([-1.0, 1.0]) * np.exp(-delay_s / 0.02)
    wet: Floats = tail / np.sqrt((tail**2).sum()) + 0.7 * early / np.sqrt((early**2).sum())
    wet *= 10.0 ** (reverb_db / 20.0) / np.sqrt((wet**2).sum())
    wet[0] = 1.0
    return wet


def in_room(samples: Floats, response: Floats) -> Floats:
    """Let samples sound in a room; the length stays, what would ring on is cut."""
    size = quick_size(4 * len(response))
    step = size - len(response) + 1
    spectrum = np.fft.rfft(response, size)
    wet: Floats = np.zeros(len(samples) + size)
    for first in range(0, len(samples), step):  # piece by piece, each piece's end laid on the next
        piece = np.fft.rfft(samples[first : first + step], size)
        wet[first : first + size] += np.fft.irfft(piece * spectrum, size)
    return wet[: len(samples)]


def with_noise_floor(samples: Floats, floor_dbfs: float, rng: np.random.Generator) -> Floats:
    """Add white noise of a given RMS level."""
    floor: Floats = rng.standard_normal(len(samples)) * 10.0 ** (floor_dbfs / 20.0)
    return samples + floor


def with_bleed(stems: dict[str, Floats], bleed_db: float) -> dict[str, Floats]:
    """Let every stem be heard in every other one, that many dB down, as through open doors."""
    gain = 10.0 ** (bleed_db / 20.0)
    everything = sum(stems.values(), np.zeros(len(next(iter(stems.values())))))
    return {code: own + gain * (everything - own) for code, own in stems.items()}
