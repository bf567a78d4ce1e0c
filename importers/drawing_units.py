"""What a DXF file says about its unit of length, and what the project says instead."""

from __future__ import annotations

from ezdxf.document import Drawing as DxfDocument

from route3d.errors import UnknownUnitError
from route3d.units import METRES_PER_INSUNITS, METRES_PER_UNIT


def metres_per_unit(doc: DxfDocument, stated: str | None, file: object) -> tuple[float, str]:
    """Return metres per drawing unit and the unit's name; ``stated`` (of the project file) wins over the file.

    Raises
    ------
    UnknownUnitError
        Neither states a unit, or the one stated is not a length that a building is drawn in.
    """
    if stated is not None:
        if stated not in METRES_PER_UNIT:
            raise UnknownUnitError(file, f"the unit {stated!r} is not known: write one of {', '.join(METRES_PER_UNIT)}")
        return METRES_PER_UNIT[stated], stated
    code = insunits(doc)
    if code in METRES_PER_INSUNITS:
        name, factor = METRES_PER_INSUNITS[code]
        return factor, name
    says = "states no unit of length" if code == 0 else f"states the unit code {code}, which no building is drawn in"
    raise UnknownUnitError(file, f'{says}: add units = "mm" (or cm, m, in, ft) to its [[model]] or [[routes]] entry')


def unit_note(doc: DxfDocument, stated: str | None) -> str | None:
    """Return a sentence where the project's unit contradicts the file's, else None."""
    if stated is None or stated not in METRES_PER_UNIT:
        return None
    name, factor = METRES_PER_INSUNITS.get(insunits(doc), (stated, METRES_PER_UNIT[stated]))
    if factor == METRES_PER_UNIT[stated]:
        return None
    return f"the file states the unit {name}, the project states {stated}: read in {stated}"


def insunits(doc: DxfDocument) -> int:
    """Return the file's unit code ($INSUNITS of the DXF reference), 0 where it is absent or no number."""
    code = doc.header.get("$INSUNITS", 0)
    return code if isinstance(code, int) else 0
