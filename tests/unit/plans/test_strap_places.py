"""Where straps may be put: exact stretches, and what is taken out of them."""

import numpy as np
import pytest

from route3d.kernel.path import points_at
from route3d.model.zone import Zone
from route3d.plans.strap_intervals import Places
from route3d.plans.strap_places import run_places
from route3d.plans.strap_tasks import within_ball
from route3d.rules.supports import HOLDING_ROLES
from tests.builders import bent_run, block
from tests.strap_scenes import examined_of, job_of, run_of, thing

# cable() is 12 mm thick and settings.strap_reach is 150 mm: structure is in reach within 156 mm of the centre line
REACH_M = 0.150 + 0.006


def places_of(job):
    examined = examined_of(job)
    return run_places(examined.scene, examined.index, range(len(job.runs)))


def stretches(places: Places):
    return [(round(a, 9), round(b, 9)) for a, b in places.stretches]


def test_reach_of_a_joist_is_the_closed_form_of_a_circle_about_its_edge() -> None:
    # the joist's lower edges are 50 mm above the centre line, 20 mm to either side of x = 2
    job = job_of([run_of("a", (0, 0, 3), (4, 0, 3))], [thing("framing", (1.98, -1, 3.05), (0.04, 2, 0.2))])
    half = 0.02 + np.sqrt(REACH_M**2 - 0.05**2)
    (found,) = places_of(job)
    assert found.in_reach.stretches[0] == pytest.approx((2.0 - half, 2.0 + half), abs=1e-8)
    assert len(found.in_reach.stretches) == 1


@pytest.mark.parametrize("role", ["ceiling", "duct", "pipe", "hot-pipe", "sprinkler", "equipment", "luminaire"])
def test_what_may_not_hold_a_cable_gives_no_place(role: str) -> None:
    job = job_of(
        [run_of("a", (0, 0, 3), (4, 0, 3))],
        [thing(role, (0, -1, 3.05), (4, 2, 0.2)), thing("structure", (0, 0, 5), (1, 1, 1))],
    )
    (found,) = places_of(job)
    assert not found.in_reach and not found.allowed


@pytest.mark.parametrize("role", sorted(HOLDING_ROLES))
def test_every_holding_role_gives_places(role: str) -> None:
    job = job_of([run_of("a", (0, 0, 3), (4, 0, 3))], [thing(role, (-1, -1, 3.05), (6, 2, 0.2))])
    (found,) = places_of(job)
    assert stretches(found.in_reach) == [(0.0, 4.0)]
    assert stretches(found.preferred) == [(0.012, 3.988)]  # a diameter from either fitting


def test_bends_take_their_places_and_a_diameter_beside_them() -> None:
    job = job_of([run_of("a", (0, 0, 3), (2, 0, 3), (2, 2, 3))], [thing("structure", (-1, -1, 3.05), (6, 6, 0.2))])
    examined = examined_of(job)
    (bend,) = examined.scene.fitted[0].bends
    (found,) = places_of(job)
    assert stretches(found.allowed)[0][1] == pytest.approx(bend.from_m)
    assert stretches(found.allowed)[1][0] == pytest.approx(bend.to_m)
    assert stretches(found.preferred)[0][1] == pytest.approx(bend.from_m - 0.012)
    assert stretches(found.preferred)[1][0] == pytest.approx(bend.to_m + 0.012)
    assert [b.why for b in found.blocked if "bend" in b.why] == ["the cable bends"]


def test_walls_bored_framing_and_the_own_box_take_their_places() -> None:
    job = job_of(
        [run_of("a", (0, 0, 3), (4, 0, 3), end="open")],
        [
            thing("structure", (-1, -1, 3.05), (6, 2, 0.2)),
            thing("wall", (1.0, -1, 2), (0.1, 2, 1.5)),
            thing("framing", (2.0, -1, 2.9), (0.04, 2, 0.1999)),
            thing("box", (-0.05, -0.05, 2.95), (0.1, 0.1, 0.1)),
        ],
    )
    (found,) = places_of(job)
    # the body, 6 mm less the tolerance of 0.1 mm, is in a face that much before the centre line is
    body = 0.0059
    taken = stretches(Places([(0.0, 4.0)]).without(found.allowed.stretches))
    wanted = [(0.0, 0.05 + body), (1.0 - body, 1.1 + body), (2.0 - body, 2.04 + body), (3.9998, 4.0)]
    assert np.array(taken) == pytest.approx(np.array(wanted))


def test_closed_finished_construction_takes_its_places_and_new_construction_does_not() -> None:
    structure = thing("structure", (-1, -1, 3.05), (6, 2, 0.2))
    zones = [
        Zone("old", "inaccessible", (block((1, -1, 2), (1, 2, 2)),)),
        Zone("new", "inaccessible", (block((3, -1, 2), (0.5, 2, 2)),), finished=False),
    ]
    (found,) = places_of(
        job_of([run_of("a", (0, 0, 3), (4, 0, 3), start="open", end="open")], [structure], zones=zones)
    )
    assert stretches(found.preferred) == [(0.0002, 1.0), (2.0, 3.9998)]


def test_without_any_structure_every_place_is_allowed() -> None:
    (found,) = places_of(job_of([run_of("a", (0, 0, 3), (4, 0, 3))], [thing("duct", (0, -1, 3.05), (4, 2, 0.2))]))
    assert stretches(found.in_reach) == [(0.0, 4.0)]


def test_places_agree_with_dense_samples_of_the_distance() -> None:
    rng = np.random.default_rng(4)
    things = [
        thing("structure", rng.uniform((-1, -1, 2.5), (3, 3, 3.4)), rng.uniform(0.05, 0.6, 3), f"S{k}")
        for k in range(25)
    ]
    runs = [
        run_of(
            f"r{k}", *np.cumsum(np.vstack([(1, 1, 3), rng.uniform(-1, 1, (3, 3))]), axis=0), start="open", end="open"
        )
        for k in range(20)
    ]
    examined = examined_of(job_of(runs, things))
    found = run_places(examined.scene, examined.index, range(len(runs)))
    for fitted, places in zip(examined.scene.fitted, found, strict=True):
        at = np.linspace(0.0, fitted.length_m, 400)
        points = points_at(fitted.pieces, at)
        distance = np.full(len(at), np.inf)
        for element in things:
            low, high = element.box_m
            outside = np.linalg.norm(np.maximum(np.maximum(low - points, points - high), 0.0), axis=1)
            inside = np.minimum(points - low, high - points).min(axis=1)  # depth below the surface, where positive
            distance = np.minimum(distance, np.where(inside > 0.0, inside, outside))
        for x, d in zip(at.tolist(), distance.tolist(), strict=True):
            if abs(d - REACH_M) > 1e-7:
                assert places.in_reach.has(x) == (d < REACH_M)


def test_what_is_within_a_ball_agrees_with_dense_samples_on_arcs_too() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        run = bent_run(0.3, rng.uniform(20, 160), bends=2)
        centre, radius = rng.uniform(-0.5, 1.5, 3) * (1, 1, 0.2), rng.uniform(0.05, 1.2)
        found = Places(within_ball(run.pieces, centre, radius))
        at = np.linspace(0.0, run.length_m, 500)
        distance = np.linalg.norm(points_at(run.pieces, at) - centre, axis=1)
        for x, d in zip(at.tolist(), distance.tolist(), strict=True):
            if abs(d - radius) > 1e-9:
                assert found.has(x) == (d < radius)


def test_sets_of_places_cut_and_mirror() -> None:
    places = Places([(0.0, 1.0), (2.0, 3.0)])
    assert places.within(Places([(0.5, 2.5)])).stretches == ((0.5, 1.0), (2.0, 2.5))
    assert places.without([(0.2, 0.4), (1.0, 5.0)]).stretches == ((0.0, 0.2), (0.4, 1.0))
    assert places.mirrored(4.0).stretches == ((1.0, 2.0), (3.0, 4.0))
    assert places.nearest(1.6, 0.0, 4.0) == 2.0
    assert places.nearest(1.6, 0.0, 1.9) == 1.0
    assert places.nearest(1.6, 1.2, 1.9) is None
