"""Everything in the building that a cable meets: one mesh and its role."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.arrays import frozen

MATERIALS = ("wood", "metal")  # what framing may be made of

ROLES = (
    "structure",
    "framing",
    "deck",
    "wall",
    "fire-wall",
    "ceiling",
    "duct",
    "pipe",
    "hot-pipe",
    "sprinkler",
    "tray",
    "equipment",
    "luminaire",
    "box",
    "cabinet",
    "access-panel",
    "strap",
    "hanger",
    "plate",
    "obstacle",
    "ignore",
)

# What holds cables, where it is drawn on its own.
HOLDER_ROLES = ("strap", "hanger")

# What a run ends at: its terminated end may lie inside one.
END_ROLES = frozenset({"box", "cabinet", "luminaire", "equipment"})

# Drawn as sheets, frames or symbols: without an inside of their own, unless they are closed.
SHEET_ROLES = frozenset({"wall", "fire-wall", "ceiling", "deck", "tray", "strap", "hanger", "access-panel", "plate"})

# Small things that are often drawn as a symbol: their place matters even where they have no surface.
MARK_ROLES = frozenset({"strap", "hanger", "box", "cabinet", "luminaire", "equipment", "access-panel", "plate"})


@dataclass(frozen=True, slots=True, eq=False)
class Element:
    """One thing of the building. A symbol without surface has triangles shrunk to its lines and points."""

    element_id: str  # file:handle, unique in the job
    role: str
    layer: str  # DXF layer, IFC class or mesh name
    kind: str  # entity kind in the file
    triangles_m: NDArray[np.float64]  # (n, 3, 3)
    closed: bool  # every edge shared by two triangles of one orientation: it has an inside
    file: str = ""
    handle: str = ""
    material: str | None = None  # of framing, one of MATERIALS; None: not said
    thickness_m: float = 0.0  # the surface is grown by this on every side: scanned points are balls of this radius
    name: str = ""  # what its file calls it, and below where it belongs: "" where that says nothing
    storey: str = ""
    system: str = ""
    fire_rating: str = ""
    guid: str = ""
    for_run: str = ""  # of a strap or hanger: the only run that it is for; "": every run within reach
    _box_m: NDArray[np.float64] | None = field(init=False, repr=False, default=None)

    def __post_init__(self) -> None:
        object.__setattr__(self, "triangles_m", frozen(self.triangles_m, (-1, 3, 3)))
        if not 0.0 <= self.thickness_m < np.inf:
            raise ValueError(f"a thickness of {self.thickness_m} is none")

    @property
    def box_m(self) -> NDArray[np.float64]:
        """Low and high corner, (2, 3), thickness included; without triangles the low one is above the high one."""
        if self._box_m is None:
            points = self.triangles_m.reshape(-1, 3)
            low, high = points.min(axis=0, initial=np.inf), points.max(axis=0, initial=-np.inf)
            box = np.array([low - self.thickness_m, high + self.thickness_m])
            box.setflags(write=False)
            object.__setattr__(self, "_box_m", box)
        assert self._box_m is not None
        return self._box_m

    def keep_box(self, box_m: NDArray[np.float64]) -> None:
        """Keep ``box_m`` (2, 3), read-only, which must be what the property of that name would find."""
        object.__setattr__(self, "_box_m", box_m)

    @property
    def centre_m(self) -> NDArray[np.float64]:
        """Centre of its box, (3,): where a strap or a hanger is."""
        return np.asarray(self.box_m.mean(axis=0))
