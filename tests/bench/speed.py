"""How many times faster than the sound is a stem heard? ``python -m tests.bench.speed``.

Stems with two notes a second, plucked and sung, 48 kHz, read from a file and taken through reading,
tracking, segmenting and measuring, each in a fresh process of one thread, so that imports and first
calls are in the first figure (of modules that are compiled, as those of an installed package are),
and once more in the same; beside librosa's yin and pyin on the same samples, pitch frames only.
Times depend on the machine and on what else it does; nothing here passes or fails.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from planner.model import Floats, Role
from tests.tones.exact import bent, faded, laid_out, moments, tone, with_floor

SR = 48_000
NOTE_S, APART_S = 0.46, 0.5
PITCHES_HZ = 1.003 * np.array([147.0, 165, 196, 220, 247, 262, 294, 330, 349, 392])
ROLES: tuple[Role, ...] = ("fretted", "lead-voice")
READERS = ("ours", "yin", "pyin")
PYIN_AT_MOST_S = 60.0  # pyin takes as long as the sound; one minute tells


def stem(role: Role, length_s: float) -> Floats:
    """A line of ten notes over and over: plucks that relax, or a voice in vibrato."""
    rng = np.random.default_rng(0)
    t = moments(NOTE_S, SR)
    notes = []
    for f_hz in PITCHES_HZ:
        if role == "fretted":
            cents = 8.0 * np.exp(-t / 0.08)
            decay_s, b, rise_s = 0.8, 2e-4, 0.003
        else:
            cents = 25.0 * np.clip((t - 0.1) / 0.1, 0, 1) * np.sin(2 * np.pi * 5.5 * t)
            decay_s, b, rise_s = None, 0.0, 0.03
        series = [1.0 / n for n in range(1, 31)]
        line = tone(bent(f_hz, cents), SR, rng, b=b, decay_s=decay_s, amplitudes=series)
        notes.append(faded(line, SR, rise_s=rise_s))
    once = laid_out([(APART_S * k, n) for k, n in enumerate(notes)], APART_S * len(notes), SR)
    times = int(np.ceil(length_s / (APART_S * len(notes))))
    return np.tile(with_floor(once, -65, rng), times)[: round(length_s * SR)]


def read(reader: str, role: Role, path: Path) -> tuple[float, float]:
    """Seconds of processor time of this process once one reader has been over a file, and of more.

    The second is what ours takes once more, as for each further stem of a session. What each needs
    is imported here, so that it counts for that reader alone.
    """
    if reader == "ours":
        from planner.edges.hearing import hear_stem
        from planner.words.session_model import StemSpec

        spec = StemSpec(code="A", file=path.name, role=role)
        hear_stem(spec, path, path.name)
        first_s = time.process_time()
        hear_stem(spec, path, path.name)
        return first_s, time.process_time() - first_s
    import librosa

    samples, sr = librosa.load(path, sr=16_000)
    how = {"fmin": 60.0, "fmax": 1300.0, "sr": sr, "hop_length": 80}
    {"yin": librosa.yin, "pyin": librosa.pyin}[reader](samples, **how)
    return time.process_time(), np.nan


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--seconds", type=float, default=240.0, help="length of each stem")
    parser.add_argument(
        "--one", nargs=3, metavar=("READER", "ROLE", "FILE"), help=argparse.SUPPRESS
    )
    args = parser.parse_args(argv)
    if args.one:
        print(*read(args.one[0], args.one[1], Path(args.one[2])))
        return
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    alone.pop("PYTHONDONTWRITEBYTECODE", None)
    subprocess.run([sys.executable, "-c", "import planner.edges.hearing"], env=alone, check=True)
    print("stem          reader  times real time: imports and first calls included; a further stem")
    with tempfile.TemporaryDirectory() as folder:
        for role in ROLES:
            for reader in READERS:
                length_s = min(args.seconds, PYIN_AT_MOST_S) if reader == "pyin" else args.seconds
                path = Path(folder) / f"{role}_{length_s:.0f}.wav"
                if not path.exists():
                    soundfile.write(path, stem(role, length_s), SR, subtype="PCM_24")
                command = [sys.executable, "-m", "tests.bench.speed", "--one", reader, role, path]
                done = subprocess.run(
                    command, env=alone, capture_output=True, text=True, check=True
                )
                first, more = (length_s / float(took_s) for took_s in done.stdout.split())
                further = "" if np.isnan(more) else f"  {more:5.1f}"
                print(f"{role:12s}  {reader:6s}  {first:5.1f}{further}", flush=True)


if __name__ == "__main__":
    main()
