"""Results that a check wrote earlier, read back as far as a later check is compared with them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, Field, FiniteFloat, ValidationError

from route3d.errors import InputError, UnreadableFileError
from route3d.model.finding import Finding
from route3d.model.revision import Revision, RunMark
from route3d.reports.formats import notes_on_version

_MOST_BYTES = 2_000_000_000
_Place = Annotated[FiniteFloat, Field(ge=-1e9, le=1e9)]  # no building is further away
_Point = tuple[_Place, _Place, _Place]


class _Run(BaseModel):
    id: str
    cable: str
    verdict: str
    length_m: FiniteFloat
    corners_m: list[_Point] = []


class _Finding(BaseModel):
    id: str
    check: str
    severity: Annotated[str, Field(pattern="^(violation|caution|note)$")]
    run: str | None
    other: str | None
    rule: str
    at_m: tuple[FiniteFloat, FiniteFloat] | None
    point_m: _Point | None
    measured: FiniteFloat | None
    required: FiniteFloat | None
    unit: str
    message: str
    remedy: str
    unchecked: bool = False
    source: str = ""


class _Input(BaseModel):
    file: str
    sha256: str


class _Results(BaseModel):
    project: str
    rules: str
    made: str
    inputs: list[_Input]
    unread: list[dict[str, Any]]
    runs: list[_Run]
    findings: list[_Finding]


def read_results(path: Path) -> Revision:
    """Read a results file of any version that shares the major number of ours; what we do not know of it is a note.

    Raises
    ------
    InputError
        It is no results file, is one of another major version, or is damaged.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(path, "is larger than any results file; check what it is")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableFileError(path, f"cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise UnreadableFileError(
            path, f"is not JSON ({error}); give a file that `route3d check --json` wrote"
        ) from error
    notes = notes_on_version(path, content, "results")
    try:
        read = _Results.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(path, f"{first['msg']}; the file is damaged, check the project again", where) from error
    return Revision(
        project=read.project,
        rules=read.rules,
        made=read.made,
        runs=tuple(
            RunMark(r.id, r.cable, r.verdict, r.length_m, np.array(r.corners_m, dtype=float).reshape(-1, 3))
            for r in read.runs
        ),
        findings=tuple(
            Finding(**{name: value for name, value in f.model_dump().items() if name != "id"}, finding_id=f.id)
            for f in read.findings
        ),
        inputs=tuple((source.file, source.sha256) for source in read.inputs),
        unread=len(read.unread),
        notes=notes,
    )
