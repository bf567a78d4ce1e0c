"""The JSON formats that route3d writes: versions, published schemas, and how files of other versions are read.

A format is named ``route3d-NAME/MAJOR``. A minor version only adds keys, or words to lists that the schema leaves
open, so that every reader of one major version reads all files of it. A major version may change anything.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from route3d.errors import InputError
from route3d.version import VERSION

# format -> major, minor, the command that writes it
FORMATS: Mapping[str, tuple[int, int, str]] = {
    "results": (1, 0, "route3d check --json"),
    "straps": (1, 0, "route3d straps --json"),
    "takeoff": (1, 0, "route3d takeoff --json"),
    "comparison": (1, 0, "route3d compare --json"),
    "proposals": (1, 0, "route3d mend --json, route3d propose --json"),
}

_SHOWN = 8  # more unknown keys than this are counted


def stamp(name: str) -> dict[str, str]:
    """Return the keys that every file of a format begins with: format, version, and who wrote it."""
    major, minor, _ = FORMATS[name]
    return {
        "schema": f"route3d-{name}/{major}",
        "schema_version": f"{major}.{minor}",
        "written_by": f"route3d {VERSION}",
    }


def schema_text(name: str) -> str:
    """Return the published JSON Schema (draft 2020-12) of a format, as text."""
    return resources.files("route3d.reports").joinpath("schemas", f"{name}.schema.json").read_text(encoding="utf-8")


def notes_on_version(path: Path, content: object, name: str) -> tuple[str, ...]:
    """Return what is to be said of a file in this format that another version wrote; nothing, if nothing is new to us.

    Raises
    ------
    InputError
        It is of another format, or of another major version.
    """
    major, minor, command = FORMATS[name]
    schema = content.get("schema") if isinstance(content, dict) else None
    known = re.fullmatch(rf"route3d-{name}/(\d{{1,9}})", schema) if isinstance(schema, str) else None
    if not isinstance(content, dict) or known is None:
        raise InputError(
            path,
            f"has the schema {schema!r:.80}, a file of `{command}` has 'route3d-{name}/{major}'; give one",
            "schema",
        )
    version = content.get("schema_version", f"{known[1]}.0")
    said = re.fullmatch(r"(\d{1,9})\.(\d{1,9})", version) if isinstance(version, str) else None
    if said is None or said[1] != known[1]:
        raise InputError(path, f"states {version!r:.80} beside the schema {schema!r}; write it again", "schema_version")
    by = content.get("written_by")
    writer = f"by {_plain(by):.60}" if isinstance(by, str) else "by another program"
    if int(known[1]) != major:
        newer = int(known[1]) > major
        do = "install that version, or write it again with this one" if newer else "write it again with this version"
        raise InputError(
            path, f"was written {writer} in version {version} of its format, this one reads {major}.x; {do}", "schema"
        )
    unknown = sorted(set(_unknown(content, json.loads(schema_text(name)))))
    if int(said[2]) <= minor and not unknown:
        return ()
    more = f" and {len(unknown) - _SHOWN} more" if len(unknown) > _SHOWN else ""
    keys = f": {', '.join(unknown[:_SHOWN])}{more}" if unknown else ""
    return (
        f"{path.name} was written {writer} in version {version} of its format, this one knows {major}.{minor}; "
        f"what is new in it is left out of account{keys}",
    )


def _unknown(content: Mapping[str, Any], schema: Mapping[str, Any]) -> Iterator[str]:
    """Yield the path of each key that the schema does not describe."""

    def walk(value: object, at: Mapping[str, Any], path: str) -> Iterator[str]:
        if "$ref" in at:
            at = schema["$defs"][at["$ref"].rsplit("/", 1)[1]]
        if isinstance(value, list) and "items" in at:
            for item in value:
                yield from walk(item, at["items"], path)
        elif isinstance(value, dict) and "properties" in at:
            for key, inner in value.items():
                name = f"{path}.{key}" if path else str(key)
                if key in at["properties"]:
                    yield from walk(inner, at["properties"][key], name)
                else:
                    yield f"{_plain(name):.60}"

    return walk(content, schema, "")


def _plain(text: str) -> str:
    return text if text.isprintable() else repr(text)  # nothing of a file may steer a terminal
