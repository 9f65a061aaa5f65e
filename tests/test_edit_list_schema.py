"""The schema of the edit list, held against lists by a validator that is not ours."""

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from edit_list_schema import edit_list_schema
from invented_plan import RULE, plan, row

import planner
import planner.edges.writing
from planner.editlist import edit_list_to_dict
from planner.files.edit_list import CSV_NAME, YAML_NAME, edit_list_csv_bytes, yaml_bytes

pytestmark = pytest.mark.outside
ROOT = Path(__file__).parent.parent
VALIDATOR = jsonschema.Draft202012Validator(edit_list_schema())


def test_the_kept_file_is_what_the_columns_give() -> None:
    """The file in the package says the same as the table of columns; else write it anew."""
    kept = Path(planner.__file__).parent / "edit_list.schema.json"
    assert json.loads(kept.read_text(encoding="utf-8")) == edit_list_schema()


def test_it_is_a_schema() -> None:
    """It keeps to JSON Schema draft 2020-12."""
    jsonschema.Draft202012Validator.check_schema(edit_list_schema())


def test_lists_fit() -> None:
    """A plan with every kind of row fits, and so does the demo's list as YAML holds it."""
    VALIDATOR.validate(edit_list_to_dict(plan()))
    kept = (ROOT / "outputs/demo/edit_list.yaml").read_text(encoding="utf-8")
    VALIDATOR.validate(yaml.safe_load(kept))


@pytest.mark.parametrize(
    ("field", "wrong"),
    [
        ("id", ""), ("kind", "rules"), ("action", None), ("start_smp", 0.5), ("add_cents", "16"),
        ("covers", [""]), ("points", [[0.0]]), ("points", [[0.0, 1.0, 2.0]]),
        ("layers", [[4.3, "R-001"]]), ("locked", None), ("reason", ""), ("colour", "red"),
    ],
)  # fmt: skip
def test_what_is_no_edit_list_does_not_fit(field: str, wrong: Any) -> None:
    """A field of another type, an empty text, a name that is not known: refused, each alone."""
    data = copy.deepcopy(edit_list_to_dict(plan()))
    data["rows"][0][field] = wrong
    assert not VALIDATOR.is_valid(data)


def test_every_list_that_tests_write_is_held_against_it(tmp_path: Path) -> None:
    """A list that reads back equal and does not fit the schema is refused where it is written."""
    data = edit_list_to_dict(plan(rows=(RULE, row())))
    for reason in ("said", ""):
        data["rows"][0]["reason"] = reason
        (tmp_path / YAML_NAME).write_bytes(yaml_bytes(data))
        (tmp_path / CSV_NAME).write_bytes(edit_list_csv_bytes(data))
        if reason:
            planner.edges.writing.check_edit_lists(tmp_path, data)
        else:
            with pytest.raises(jsonschema.ValidationError, match="rows'\\]\\[0\\]\\['reason"):
                planner.edges.writing.check_edit_lists(tmp_path, data)


@pytest.mark.parametrize("version", ["2.0", "1", 1.0])
def test_another_major_version_does_not_fit(version: Any) -> None:
    """The first number of the version is part of the form."""
    assert not VALIDATOR.is_valid(edit_list_to_dict(plan()) | {"format_version": version})
