"""What is said of a drawing of routes besides its runs: what nobody sees, and what stands on paper."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from ezdxf.document import Drawing as DxfDocument
from ezdxf.entities.dxfgfx import DXFGraphic

from importers.dxf_blocks import is_invisible, written_layer

ANNOTATION = frozenset(
    {
        "TEXT", "MTEXT", "ATTRIB", "ATTDEF", "DIMENSION", "ARC_DIMENSION", "LEADER", "MULTILEADER", "MLEADER",
        "TOLERANCE", "HATCH", "MPOLYGON", "IMAGE", "WIPEOUT", "VIEWPORT", "ACAD_TABLE", "OLE2FRAME", "OLEFRAME",
        "PDFUNDERLAY", "DWFUNDERLAY", "DGNUNDERLAY", "LIGHT", "SUN", "GEODATA", "RTEXT", "ARCALIGNEDTEXT",
    }
)  # fmt: skip


def say_hidden(doc: DxfDocument, placed: Sequence[tuple[str, DXFGraphic]], note: Callable[[str], None]) -> None:
    """Say what was read though nobody sees it; ``placed`` are entities with the layer that counts."""
    count: Counter[str] = Counter()
    for name, entity in placed:
        layer = doc.layers.get(name) if doc.layers.has_entry(name) else None
        if layer is not None and (layer.is_off() or layer.is_frozen()):
            count[f"layer {name} is switched off or frozen"] += 1
        elif is_invisible(entity):
            count[f"on layer {name}, some entities are marked invisible"] += 1
    for what, number in sorted(count.items()):
        note(f"{what}: {number} entities of it were read all the same")


def say_paper(doc: DxfDocument, wanted: Callable[[str], bool], note: Callable[[str], None]) -> None:
    """Say how much stands on layers of runs, but on paper."""
    count = sum(
        1
        for layout in doc.layouts
        if not layout.is_modelspace
        for entity in layout
        if entity.dxftype() not in ANNOTATION and wanted(written_layer(entity))
    )
    if count:
        note(f"{count} entities on route layers stand on paper layouts, and were not read: draw runs in model space")
