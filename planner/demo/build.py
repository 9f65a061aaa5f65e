"""Writes the demo: an invented session, with its audio, into a folder of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from planner.demo.room import in_room, room_response, with_bleed, with_noise_floor
from planner.demo.song import BAR_ONE_AT_S, BPM, DemoStem, low_tide_ledger
from planner.demo.tones import SR
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
