"""Straps and hangers in DXF that say which run they are for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from ezdxf.document import Drawing as DxfDocument

from importers.dxf_routes import APPLICATION
from route3d.model.element import HOLDER_ROLES, Element

_KEY = "run"


def runs_named(doc: DxfDocument) -> dict[str, str]:
    """Return the run that things in model space name, by handle: ``run=ID`` in extended data of ``ROUTE3D``."""
    named: dict[str, str] = {}
    for entity in doc.modelspace():
        run_id = _named(getattr(entity, "xdata", None))
        if run_id and entity.dxf.handle:
            named[entity.dxf.handle] = run_id
    return named


def with_runs(elements: Sequence[Element], named: dict[str, str]) -> tuple[Element, ...]:
    """Return the elements, straps and hangers among them with the run that they are for."""
    if not named:
        return tuple(elements)
    return tuple(
        replace(element, for_run=named[handle])
        if element.role in HOLDER_ROLES and (handle := element.handle.partition("[")[0]) in named
        else element
        for element in elements
    )


def _named(xdata: Any) -> str:
    for application, tags in () if xdata is None else xdata.data.items():
        if str(application).upper() == APPLICATION:
            return _value(tag.value for tag in tags[1:] if tag.code == 1000)
    return ""


def _value(strings: Iterable[object]) -> str:
    for string in strings:
        key, equals, value = (part.strip() for part in str(string).partition("="))
        if equals and key.lower() == _KEY:
            return value
    return ""
