"""Puts this folder on the import path, so that tests in every folder share the invented plan.

Whatever edit list a test has written is held against the JSON Schema of the package, and against
the laws that every list keeps to.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

# One thread of linear algebra per test process, as on every run of the planner; set before numpy
# loads. Two test processes with two threads each on two cores take several times as long.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


@pytest.fixture(scope="session", autouse=True)
def every_edit_list_keeps_its_form() -> Iterator[None]:
    """Hold each list that a plan folder gets against schema (a validator not ours) and laws."""
    import jsonschema
    from edit_list_laws import broken_laws
    from edit_list_schema import edit_list_schema

    import planner.edges.writing

    validator = jsonschema.Draft202012Validator(edit_list_schema())
    reads_back = planner.edges.writing.check_edit_lists

    def keeps(folder: Path, data: dict[str, Any]) -> None:
        reads_back(folder, data)  # so what was written is equal to `data`
        validator.validate(data)
        assert broken_laws(data) == []

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner.edges.writing, "check_edit_lists", keeps)
        yield
