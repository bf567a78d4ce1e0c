"""The scene as GLB (glTF 2.0): runs as tubes coloured by verdict, the building by role, findings as marks."""

from __future__ import annotations

import numpy as np
import trimesh
from trimesh.visual.material import PBRMaterial

from route3d.drawables import (
    Drawable,
    building,
    cable_radius_m,
    markers,
    origin_of,
    run_tube,
)
from route3d.model.finding import Review
from route3d.model.job import Job

UNKNOWN_RADIUS_M = 0.005  # of a cable whose diameter nobody states
MARKER_M = 0.05
_TUBE_M = 0.0005  # how far chords may leave a bend
# glTF has y up
_UPRIGHT = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])


def scene_glb(job: Job, review: Review) -> bytes:
    """Return the scene in metres. Coordinates are small; ``extras`` of the scene say what to add to them.

    The extras hold ``origin_m`` (x, y, z of the building's axes, z up), project, rules and caution.
    """
    origin = origin_of(job, review)
    scene = trimesh.Scene(base_frame="route3d")
    for mesh in building(job, origin):
        _add(scene, mesh, f"building/{mesh.name}", mesh.name)
    for run in review.runs:
        if len(run.fitted.pieces):
            true_m = cable_radius_m(job, run.fitted)
            tube = run_tube(run, origin, UNKNOWN_RADIUS_M if true_m is None else true_m, tolerance_m=_TUBE_M)
            _add(scene, tube, f"runs/{run.fitted.run.run_id}", f"run, {run.verdict}")
    severity = {f.finding_id: f.severity for f in review.findings}
    for mark in markers(review.findings, origin, MARKER_M):
        _add(scene, mark, f"findings/{mark.name}", f"finding, {severity[mark.name]}")
    scene.metadata = {
        "origin_m": [float(v) for v in origin],
        "axes_of_origin": "x east, y north, z up as in the drawings; the scene itself has y up",
        "project": review.project,
        "rules": review.rules,
        "made": review.made,
        "caution": review.caution,
        "not_read": len(review.unread),
        "not_read_boxes_m": [[list(corner) for corner in u.box_m] for u in review.unread if u.box_m is not None],
    }
    return bytes(scene.export(file_type="glb"))


def _add(scene: trimesh.Scene, part: Drawable, name: str, material: str) -> None:
    if not len(part.triangles):
        return
    colour = [*part.colour, round(255 * part.opacity)]
    look = PBRMaterial(
        name=material,
        baseColorFactor=colour,
        metallicFactor=0.0,
        roughnessFactor=0.9,
        alphaMode="BLEND" if part.opacity < 1.0 else "OPAQUE",
        doubleSided=True,
    )
    mesh = trimesh.Trimesh(part.points_m, part.triangles, vertex_normals=part.normals, process=False, validate=False)
    mesh.visual = trimesh.visual.TextureVisuals(material=look)
    scene.add_geometry(mesh, node_name=name, geom_name=name, transform=_UPRIGHT)
