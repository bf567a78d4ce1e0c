"""The published schemas, made strict: what the program writes may hold nothing that they do not describe."""

import json
from typing import Any

import jsonschema

from route3d.reports.formats import schema_text


def strict(name: str) -> jsonschema.Draft202012Validator:
    """Return a validator that also refuses unknown keys, and words that an open list does not name."""
    schema = json.loads(schema_text(name))
    _tighten(schema)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def _tighten(node: Any) -> None:
    if isinstance(node, list):
        for item in node:
            _tighten(item)
    if isinstance(node, dict):
        if "properties" in node:
            node["additionalProperties"] = False
        if "Others may be added" in str(node.get("description")) and "examples" in node:
            node["enum"] = [*node["examples"], None] if "null" in node["type"] else node["examples"]
        for value in list(node.values()):
            _tighten(value)


def described(name: str, content: object) -> None:
    """Assert that ``content`` is as its published schema says, and holds nothing else."""
    wrong = [f"{'/'.join(map(str, e.absolute_path))}: {e.message:.200}" for e in strict(name).iter_errors(content)]
    assert not wrong, wrong[:5]
