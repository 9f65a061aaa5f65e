"""What a plan was made from, so that it can be made again: the content of `run.yaml`.

No absolute path, no clock, no host name: the same input gives the same record.
"""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from planner import __version__
from planner.editlist import (
    EDIT_LIST_FORMAT_VERSION,
    clean_text,
    common_rate,
    edit_list_to_dict,
    rounded,
)
from planner.words.plan_model import Plan
from planner.words.wording import SIGN_RULE

ID_DIGITS = 12  # 48 bits: two of a thousand plans alike once in 560 million times


def plan_id(plan: Plan) -> str:
    """Name a plan by what it says: the first digits of the SHA-256 of its edit list.

    The same plan has the same name wherever its folder lies and whatever number that has; what a
    person later writes into the list does not change it.
    """
    said = json.dumps(edit_list_to_dict(plan), sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(said.encode("utf-8")).hexdigest()[:ID_DIGITS]


def run_record(plan: Plan, settings: Mapping[str, bool | int | str]) -> dict[str, Any]:
    """Give the record of one run as plain data in a fixed order.

    plan: the plan that was made.
    settings: the options used beyond the session file.

    Raises ValueError if a number is NaN or infinite.
    """
    session, a4 = plan.session, plan.a4
    roles = {spec.code: spec.role for spec in session.stems}
    share = session.touch_at_most
    few = {} if share is None else {"touch_at_most": rounded(share, 3, "touch_at_most")}
    return {
        "planner_version": __version__,
        "edit_list_format_version": EDIT_LIST_FORMAT_VERSION,
        "sign_rule": SIGN_RULE,
        "song": clean_text(session.song),
        "plan_id": plan_id(plan),  # answers to the review page name it
        "session_a4_hz": rounded(a4.a4_hz, 3, "session_a4_hz"),
        "measured_a4_hz": rounded(a4.measured_hz, 3, "measured_a4_hz"),
        "typed_a4_hz": rounded(session.a4_hz, 3, "typed_a4_hz"),
        "a4_uncertainty_cents": rounded(a4.uncertainty_cents, 2, "a4_uncertainty_cents"),
        "a4_found_from": clean_text(a4.found_from),
        "a4_notes_used": a4.notes_used,
        "stretch_cents": [
            [midi, rounded(cents, 1, f"stretch_cents of {midi}")] for midi, cents in a4.stretch
        ],
        "temperament": clean_text(session.temperament_said),
        "temperament_table": [
            rounded(cents, 3, "temperament_table") for cents in session.temperament_table
        ],
        "octave_stretch": rounded(session.octave_stretch, 3, "octave_stretch"),
        "whole_song_offset_cents": rounded(
            session.whole_song_offset_cents, 1, "whole_song_offset_cents"
        ),
        "judging": session.judging,
        "edit_minutes": rounded(session.edit_minutes, 1, "edit_minutes"),
        "seconds_per_edit": rounded(session.seconds_per_edit, 1, "seconds_per_edit"),
        **few,
        "rate": common_rate(plan),
        "settings": dict(settings),
        "stems": [
            {
                "code": code,
                "role": roles.get(code),
                "file": _relative(facts.file),
                "sha256": facts.sha256,
                "length_smp": facts.frames,
                "length_s": rounded(facts.length_s, 4, f"length of {code}"),
                "rate": facts.sr,
            }
            for code, facts in plan.facts
        ],
        "other_files": [
            {
                "use": source.use,
                "stem": source.stem or None,
                "file": _relative(source.file),
                "sha256": source.sha256,
            }
            for source in plan.sources
        ],
        "missing_stems": list(plan.missing),
    }


def _relative(file: str) -> str:
    """Keep a path as the session file writes it; of an absolute one keep the name alone."""
    plain = clean_text(file).replace("\\", "/")
    absolute = plain.startswith("/") or plain[1:3] == ":/"
    return plain.rpartition("/")[2] if absolute else plain
