"""What results rest on besides the input: the program and the libraries that compute, compared between machines."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from functools import cache
from importlib.metadata import version
from pathlib import Path

import llvmlite.binding  # type: ignore[import-untyped]

from route3d.version import VERSION

_COMPUTE = ("kernel", "model", "rules", "examine", "checks", "cluster")
_LIBRARIES = ("numpy", "scipy", "numba", "shapely", "networkx")


@cache
def code_digest() -> str:
    """Return a digest of the source and the rule books that results come from."""
    root = Path(__file__).parent.parent
    digest = hashlib.sha256()
    parts = [root.glob("*.py"), *((root / folder).rglob(f"*.{kind}") for folder in _COMPUTE for kind in ("py", "toml"))]
    for path in sorted(path for part in parts for path in part):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def versions() -> dict[str, str]:
    """Return what must be the same on all machines, by name."""
    return {
        "Python": ".".join(platform.python_version_tuple()[:2]),
        "route3d": f"{VERSION} ({code_digest()})",
        **{name: version(name) for name in _LIBRARIES},
    }


def processor() -> str:
    """Return the kind of processor, which decides the last bit of some numbers."""
    return str(llvmlite.binding.get_host_cpu_name())


def difference(own: Mapping[str, str], other: Mapping[str, str]) -> str:
    """Return in words what differs between two answers of ``versions``; nothing where they are the same."""
    return ", ".join(
        f"{name} {other.get(name, 'missing')} there and {value} here"
        for name, value in own.items()
        if other.get(name) != value
    )
