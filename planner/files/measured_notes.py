"""Keeps what was heard in a stem, so that a second run need not listen again.

One file a stem, `measured_notes/<session file>/<code>.npz` beside the plans: arrays in NumPy's own
format, one of them facts, notes and findings as JSON; and one, `own_figures.json`, with what the
planner decides where nobody has answered, which a run with answers shows beside them. All may be
deleted at any time. Each file carries the key of what it follows from; under any other key, or
where it cannot be read, it does not count.

Conventions
-----------
- JSON knows no infinity and no NaN: they are written as "inf", "-inf" and "nan".
- A file is written beside its place and then put there, so it is whole or not there at all.
"""

import dataclasses
import hashlib
import io
import json
import math
import platform
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

import planner
from planner.edges.heard_stem import HeardStem
from planner.errors import OutputError
from planner.files.plan_folder import put_whole, refuse_audio_folder
from planner.leaks.leaks_out import Leak
from planner.leaks.spectra import Spectra
from planner.model import AudioFacts, Finding, Measurement, Note
from planner.score.score_match import StemScore
from planner.words.plan_model import Action, OwnFigure
from planner.words.session_model import StemSpec

FOLDER = "measured_notes"
FIGURES_NAME = "own_figures.json"
# What the figures are worked out with, beside the planner itself.
_LIBRARIES = ("numpy", "soxr", "soundfile", "librosa")
_UNREADABLE = (OSError, EOFError, KeyError, TypeError, ValueError, zipfile.BadZipFile, zlib.error)

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptNotes:
    """Where one session keeps what was heard in its stems, and the program that hears them."""

    folder: Path
    program: str  # `program_sum`
    elsewhere: tuple[Path, ...] = ()  # where other runs of the session may have kept theirs
    audio: tuple[Path, ...] = ()  # folders that are never written to

    def place(self, name: str) -> Path:
        return self.folder / f"{name}.npz"

    def places(self, name: str) -> tuple[Path, ...]:
        return tuple(folder / f"{name}.npz" for folder in (self.folder, *self.elsewhere))


def kept_notes(out: Path, session_file: Path, *, usual: Path, audio: Sequence[Path]) -> KeptNotes:
    """Say where a session keeps its measured notes: by the name of its file, beside its plans.

    usual: where its plans are when nobody says; what was kept there counts as well.
    audio: folders that are never written to.
    """
    folder, other = (one / FOLDER / session_file.stem for one in (out, usual))
    return KeptNotes(
        folder=folder, program=program_sum(), audio=tuple(audio),
        elsewhere=(other,) if other != folder else (),
    )  # fmt: skip


def program_sum() -> str:
    """Give one sum of everything that figures are worked out with but the input.

    That is the text of every module of the planner, the versions of the libraries under it, and
    the kind of machine. A change of a word on the review page changes it too: that costs one
    measurement, while a list of the modules that matter could be wrong.
    """
    summed = hashlib.sha256()
    folder = Path(planner.__file__).parent
    for path in sorted(folder.rglob("*.py")):
        summed.update(path.relative_to(folder).as_posix().encode())
        summed.update(hashlib.sha256(path.read_bytes()).digest())
    around = [planner.__version__, platform.python_version(), platform.system()]
    around += [platform.machine(), *(f"{name} {metadata.version(name)}" for name in _LIBRARIES)]
    summed.update("\n".join(around).encode())
    return summed.hexdigest()


def key_of(
    kept: KeptNotes,
    spec: StemSpec,
    path: Path,
    file: str,
    score: StemScore | None,
    sha256: str,
    leaks: Sequence[Leak] = (),
) -> str:
    """Give the key under which a stem is kept: the sum of all that its notes depend on.

    spec: as it is listened to (`heard_stem.as_listened_to`).
    path, file: the file, of which the name counts beside the content (messages name it), and its
        name as the session file writes it.
    score: what leads the search in chords.
    sha256: of the file's content.
    leaks: what is turned down before notes are looked for.
    """
    parts = [
        kept.program, sha256, file, path.name, dataclasses.asdict(spec),
        None if score is None else dataclasses.asdict(score),
        [
            (hashlib.sha256(leak.source.parts.tobytes()).hexdigest(), leak.power_gain)
            for leak in leaks
        ],
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def read_measured(place: Path, key: str) -> HeardStem | None:
    """Read what was heard under this key; nothing where there is none.

    Raises OutputError if the file is there and cannot be read.
    """
    try:
        with np.load(io.BytesIO(place.read_bytes()), allow_pickle=False) as file:
            said = json.loads(zlib.decompress(file["heard"].tobytes()))
            return None if said["key"] != key else _heard(said, file)
    except FileNotFoundError:
        return None
    except _UNREADABLE as fault:
        what = "what was measured before cannot be read."
        hint = "It is measured again."
        raise OutputError(what, file=str(place), hint=hint) from fault


def keep_measured(kept: KeptNotes, name: str, key: str, heard: HeardStem) -> None:
    """Keep what was heard in a file, in the place of what was kept under this name before.

    Whoever calls has seen that the file did not change while it was listened to.

    Raises OutputError if the folder lies among the audio or cannot be written to.
    """
    what, hint = "measured", "Nothing else is lost; the next run will measure again."
    _keep(kept, kept.place(name), _zipped(key, heard), what, hint)


def read_figures(kept: KeptNotes, key: str) -> dict[str, OwnFigure] | None:
    """Read the planner's own figures by note id; nothing where none are kept under this key.

    Raises OutputError if the file is there and cannot be read.
    """
    place = kept.folder / FIGURES_NAME
    try:
        said = json.loads(place.read_text(encoding="utf-8"))
        if said["key"] != key:
            return None
        return {note_id: _figure(*one) for note_id, one in said["figures"].items()}
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as fault:
        what = "what the planner decided before any answer cannot be read."
        hint = "It is decided again."
        raise OutputError(what, file=str(place), hint=hint) from fault


def keep_figures(kept: KeptNotes, key: str, figures: Mapping[str, OwnFigure]) -> None:
    """Keep the planner's own figures, in the place of those kept before.

    Raises OutputError if the folder lies among the audio or cannot be written to.
    """
    lines = {
        k: [one.action, None if one.add_cents is None else float(one.add_cents), one.reason]
        for k, one in figures.items()
    }
    text = json.dumps({"key": key, "figures": lines}, indent=0)
    what = "decided before any answer"
    hint = "The plan is whole; the next one will decide it again."
    _keep(kept, kept.folder / FIGURES_NAME, text.encode(), what, hint)


def _keep(kept: KeptNotes, place: Path, content: bytes, what: str, hint: str) -> None:
    refuse_audio_folder(kept.folder, kept.audio)
    try:
        kept.folder.mkdir(parents=True, exist_ok=True)
        put_whole(place, content)
    except OSError as error:
        told = f"what was {what} could not be kept: {error.strerror or error}."
        raise OutputError(told, file=str(kept.folder), hint=hint) from error


# ------------------------------------------------------------------ to and from a file


def _zipped(key: str, heard: HeardStem) -> bytes:
    measured = [measurement for _, measurement in heard.notes]
    said = {
        "key": key,
        "code": heard.code,
        "facts": _plain(heard.facts),
        "findings": [_plain(finding) for finding in heard.findings],
        "notes": [[_plain(note), _plain(measurement)] for note, measurement in heard.notes],
        # How long each note's contour is; null where it has none.
        "contour_sizes": [None if m.contour_s is None else len(m.contour_s) for m in measured],
        "bin_hz": heard.spectra.bin_hz,
        "first_bin": heard.spectra.first_bin,
    }
    text = json.dumps(said, ensure_ascii=False, allow_nan=False)
    whole = io.BytesIO()
    np.savez(
        whole,
        heard=np.frombuffer(zlib.compress(text.encode()), dtype=np.uint8),
        contour_s=_joined([m.contour_s for m in measured]),
        contour_hz=_joined([m.contour_hz for m in measured]),
        spectra=heard.spectra.parts,
    )
    return whole.getvalue()


def _heard(said: dict[str, Any], arrays: Mapping[str, NDArray[Any]]) -> HeardStem:
    whole = {name: arrays[name] for name in ("contour_s", "contour_hz")}
    notes = []
    at = 0
    for (note, measurement), size in zip(said["notes"], said["contour_sizes"], strict=True):
        contours = {}
        if size is not None:
            contours = {k: _own(each[at : at + size]) for k, each in whole.items()}
            at += size
        notes.append((_record(Note, note), _record(Measurement, {**measurement, **contours})))
    return HeardStem(
        code=said["code"],
        facts=_record(AudioFacts, said["facts"]),
        notes=tuple(notes),
        findings=tuple(_record(Finding, finding) for finding in said["findings"]),
        spectra=Spectra(
            bin_hz=said["bin_hz"], first_bin=said["first_bin"], parts=_own(arrays["spectra"])
        ),
    )


def _plain(record: Any) -> dict[str, Any]:
    """A record's fields without its arrays, as JSON holds them."""
    fields = {f.name: getattr(record, f.name) for f in dataclasses.fields(record)}
    return {
        name: str(value) if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in fields.items()
        if not isinstance(value, np.ndarray)
    }


def _record(kind: type[Record], fields: dict[str, Any]) -> Record:
    numbers = {f.name for f in dataclasses.fields(kind) if "float" in str(f.type)}  # type: ignore[arg-type]
    return kind(
        **{k: float(v) if k in numbers and isinstance(v, str) else v for k, v in fields.items()}
    )


def _joined(contours: Sequence[NDArray[Any] | None]) -> NDArray[np.float64]:
    there = [np.asarray(one, dtype=np.float64) for one in contours if one is not None]
    return np.concatenate(there) if there else np.zeros(0)


def _own(part: NDArray[Any]) -> NDArray[Any]:
    own = part.copy()
    own.setflags(write=False)
    return own


def _figure(action: Any, add_cents: Any, reason: Any) -> OwnFigure:
    a_number = add_cents is None or (isinstance(add_cents, float) and math.isfinite(add_cents))
    if action not in get_args(Action) or not a_number or not isinstance(reason, str):
        raise ValueError("no figure")
    return OwnFigure(action=action, add_cents=add_cents, reason=reason)
