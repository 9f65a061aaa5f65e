"""Keeps what the planner decides where nobody has answered, so that a run with answers need not.

One file a session, `own_figures.json` beside what was heard in its stems; it may be deleted at any
time. It carries the key of all that the figures follow from; under any other key, or where it
cannot be read, it does not count.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

from planner.errors import OutputError
from planner.files.measured_notes import KeptNotes, put_whole
from planner.files.plan_folder import refuse_audio_folder
from planner.plan_model import Action, OwnFigure

NAME = "own_figures.json"


def read_figures(kept: KeptNotes, key: str) -> dict[str, OwnFigure] | None:
    """Read the planner's own figures by note id; nothing where none are kept under this key.

    Raises
    ------
    OutputError
        If the file is there and cannot be read.
    """
    place = kept.folder / NAME
    try:
        said = json.loads(place.read_text(encoding="utf-8"))
        if said["key"] != key:
            return None
        return {note_id: _figure(*one) for note_id, one in said["figures"].items()}
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as fault:
        raise OutputError(
            "what the planner decided before any answer cannot be read.",
            file=str(place),
            hint="It is decided again.",
        ) from fault


def keep_figures(
    kept: KeptNotes, key: str, figures: Mapping[str, OwnFigure], audio: Sequence[Path]
) -> None:
    """Keep the planner's own figures, in the place of those kept before.

    Raises
    ------
    OutputError
        If the folder lies among the audio or cannot be written to.
    """
    refuse_audio_folder(kept.folder, audio)
    lines = {
        k: [one.action, None if one.add_cents is None else float(one.add_cents), one.reason]
        for k, one in figures.items()
    }
    text = json.dumps({"key": key, "figures": lines}, indent=0)
    try:
        kept.folder.mkdir(parents=True, exist_ok=True)
        put_whole(kept.folder / NAME, text.encode())
    except OSError as error:
        raise OutputError(
            f"what was decided before any answer could not be kept: {error.strerror or error}.",
            file=str(kept.folder),
            hint="The plan is whole; the next one will decide it again.",
        ) from error


def _figure(action: Any, add_cents: Any, reason: Any) -> OwnFigure:
    a_number = add_cents is None or (isinstance(add_cents, float) and math.isfinite(add_cents))
    if action not in get_args(Action) or not a_number or not isinstance(reason, str):
        raise ValueError("no figure")
    return OwnFigure(action=action, add_cents=add_cents, reason=reason)
