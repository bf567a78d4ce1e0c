"""The building as bytes: every triangle arrives, in its element, to a float's last digit."""

import json
import struct

import numpy as np
import pytest

from route3d.model.element import Element
from route3d.model.job import Job, Settings
from route3d.viewer.page_building import MARK_M, building_payload, unpacked

FAR = np.array([500_000.0, 5_400_000.0, 120.0])  # as a survey has it


def job_of(*elements: Element) -> Job:
    return Job("j", "other", (), {}, (), elements, (), {}, Settings())


def element(name: str, role: str, triangles, **more) -> Element:
    return Element(
        f"m.dxf:{name}", role, role.upper(), "MESH", np.asarray(triangles, float), False, "m.dxf", name, **more
    )


def cube(at=(0.0, 0.0, 0.0), size=1.0) -> np.ndarray:
    corner = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * size + np.array(at)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return np.array([corner[[a, b, c]] for a, b, c, d in quads] + [corner[[a, c, d]] for a, b, c, d in quads])


def triangles_of(payload: bytes, k: int) -> np.ndarray:
    header, arrays = unpacked(payload)
    first, last = arrays["element_starts"][k : k + 2]
    positions = arrays["positions"].astype(float)
    if "scale_m" in header:
        positions = positions * header["scale_m"] + header["low_m"]
    return positions[arrays["indices"][first:last]]


def canonical(triangles: np.ndarray) -> list:
    """Triangles in an order of their own, each from its smallest corner on: its direction stays."""
    turned = []
    for triangle in np.round(triangles, 4).tolist():
        first = triangle.index(min(triangle))
        turned.append(triangle[first:] + triangle[:first])
    return sorted(turned)


def test_the_block_is_laid_out_as_the_page_reads_it() -> None:
    payload = building_payload(job_of(element("a", "duct", cube())), np.zeros(3))
    (length,) = struct.unpack("<I", payload[:4])
    assert (4 + length) % 8 == 0
    header = json.loads(payload[4 : 4 + length])
    assert header["format"] == 1
    assert [header["arrays"][name]["type"] for name in ("positions", "indices", "element_starts")] == ["f4", "u4", "u4"]
    assert all(place["offset"] % 8 == 0 for place in header["arrays"].values())
    place = header["arrays"]["indices"]
    at = 4 + length + place["offset"]
    indices = struct.unpack(f"<{place['shape'][0] * 3}I", payload[at : at + 12 * place["shape"][0]])
    assert max(indices) == header["arrays"]["positions"]["shape"][0] - 1 == 7
    assert header["elements"] == [
        {"id": "m.dxf:a", "role": "duct", "layer": "DUCT", "file": "m.dxf", "handle": "a",
         "name": "", "storey": "", "guid": ""}
    ]  # fmt: skip


def test_elements_are_sorted_by_role_and_keep_their_triangles() -> None:
    things = [
        element(f"{k}", role, cube((k, 0, 0))) for k, role in enumerate(("pipe", "duct", "ignore", "pipe", "wall"))
    ]
    payload = building_payload(job_of(*things), np.zeros(3))
    header, arrays = unpacked(payload)
    assert [e["role"] for e in header["elements"]] == ["wall", "duct", "pipe", "pipe"]
    assert arrays["element_starts"].tolist() == [0, 12, 24, 36, 48]
    for k, about in enumerate(header["elements"]):
        assert canonical(triangles_of(payload, k)) == canonical(cube((int(about["handle"]), 0, 0)))


def test_corners_are_shared_in_an_element_and_not_between_two() -> None:
    _, arrays = unpacked(
        building_payload(job_of(element("a", "duct", cube()), element("b", "duct", cube())), np.zeros(3))
    )
    assert len(arrays["positions"]) == 16
    assert set(arrays["indices"][:12].ravel()).isdisjoint(arrays["indices"][12:].ravel())


def test_survey_coordinates_keep_a_hundredth_of_a_millimetre() -> None:
    shape = cube(np.add(FAR, [10.00123, -20.00456, 3.00789]), 0.01)
    payload = building_payload(job_of(element("a", "pipe", shape)), FAR)
    assert np.abs(np.sort((triangles_of(payload, 0) + FAR).ravel()) - np.sort(shape.ravel())).max() < 1e-5


@pytest.mark.parametrize("seed", range(3))
def test_random_triangles_all_arrive(seed) -> None:
    rng = np.random.default_rng(seed)
    grid = rng.integers(-3, 4, (300, 3, 3)) * 0.5  # many equal corners, some triangles without area
    things = [element(str(k), "obstacle", part) for k, part in enumerate(np.split(grid, [1, 60, 61, 200]))]
    payload = building_payload(job_of(*things), np.zeros(3))
    for k, thing in enumerate(things):
        given = thing.triangles_m
        a, b, c = given[:, 0], given[:, 1], given[:, 2]
        whole = (a != b).any(axis=1) & (b != c).any(axis=1) & (c != a).any(axis=1)
        assert canonical(triangles_of(payload, k)) == canonical(given[whole])


def test_corners_with_one_hash_are_not_mixed_up(monkeypatch) -> None:
    """With a hash that tells nothing, every corner gets its own place, and the picture is the same."""
    monkeypatch.setattr(np, "argsort", lambda key, argsort=np.argsort: argsort(np.zeros_like(key), kind="stable"))
    payload = building_payload(job_of(element("a", "duct", cube())), np.zeros(3))
    assert canonical(triangles_of(payload, 0)) == canonical(cube())


def test_quantised_positions_are_half_a_step_off_at_most() -> None:
    rng = np.random.default_rng(4)
    shape = rng.uniform(0.0, 60.0, (200, 3, 3))
    payload = building_payload(job_of(element("a", "duct", shape)), np.zeros(3), quantised=True)
    header, arrays = unpacked(payload)
    assert arrays["positions"].dtype == np.uint16
    off = np.sort(triangles_of(payload, 0).ravel()) - np.sort(shape.ravel())
    assert np.abs(off).max() <= max(header["scale_m"]) / 2 + 1e-9 < 0.0005


def test_a_symbol_becomes_a_cube_at_its_place_and_says_so() -> None:
    line = np.array([[[2.0, 3.0, 4.0], [2.2, 3.0, 4.0], [2.2, 3.0, 4.0]]])
    payload = building_payload(job_of(element("s", "strap", line)), np.zeros(3))
    header, _ = unpacked(payload)
    assert header["elements"][0]["symbol"] is True
    corners = triangles_of(payload, 0).reshape(-1, 3)
    assert np.allclose(corners.min(axis=0), [2.1 - MARK_M, 3.0 - MARK_M, 4.0 - MARK_M], atol=1e-6)
    assert np.allclose(corners.max(axis=0), [2.1 + MARK_M, 3.0 + MARK_M, 4.0 + MARK_M], atol=1e-6)


def test_scanned_points_can_be_seen_and_stay_within_their_ball() -> None:
    points = np.repeat(np.array([[[1.0, 2.0, 3.0]], [[4.0, 5.0, 6.0]]]), 3, axis=1)
    payload = building_payload(job_of(element("p", "obstacle", points, thickness_m=0.01)), np.zeros(3))
    shown = triangles_of(payload, 0)
    assert len(shown) == 8
    assert np.linalg.norm(shown[:4].reshape(-1, 3) - [1, 2, 3], axis=1) == pytest.approx(0.01, abs=1e-6)
    assert np.linalg.norm(shown[4:].reshape(-1, 3) - [4, 5, 6], axis=1) == pytest.approx(0.01, abs=1e-6)


def test_a_building_of_nothing_is_a_block_too() -> None:
    header, arrays = unpacked(building_payload(job_of(), np.zeros(3)))
    assert header["elements"] == [] and arrays["indices"].shape == (0, 3) and arrays["element_starts"].tolist() == [0]


def test_folders_of_the_machine_are_taken_out() -> None:
    thing = Element("/home/me/a.dxf:1", "duct", "D", "MESH", cube(), True, "/home/me/a.dxf", "1")
    payload = building_payload(job_of(thing), np.zeros(3), shown=lambda text: text.replace("/home/me/", ""))
    header, _ = unpacked(payload)
    assert (header["elements"][0]["id"], header["elements"][0]["file"]) == ("a.dxf:1", "a.dxf")
