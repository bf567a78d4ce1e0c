"""Stored solids with a known area and volume, from the writer for tests."""

import math

import numpy as np
from acis_writer import Writer
from scipy.integrate import dblquad, quad
from scipy.interpolate import make_interp_spline

F, B = False, True  # an edge runs forwards or backwards in its loop
X, Y, Z = (1, 0, 0), (0, 1, 0), (0, 0, 1)
DOWN = (0, 0, -1)


def ball(r=2.0):
    w = Writer()
    return w.solid(w.face(w.ball((1, 2, 3), r))), 4 * math.pi * r**2, 4 / 3 * math.pi * r**3


def ring(major=5.0, minor=2.0, sign=1):
    w = Writer()
    face = w.face(w.torus((1, 2, 3), (0, 1, 1), major, sign * minor), reverse=sign < 0)
    if major > minor:
        return w.solid(face), 4 * math.pi**2 * major * minor, 2 * math.pi**2 * major * minor**2
    end = math.acos(-major / minor)
    area = 2 * math.pi * minor * (2 * major * end + 2 * minor * math.sin(end))
    volume = quad(lambda p: 4 * math.pi * p * math.sqrt(max(minor**2 - (p - major) ** 2, 0)), 0, major + minor)[0]
    return w.solid(face), area, volume


def cylinder(r=1.0, h=3.0, start=0.0, against=False, seam=False):
    w = Writer()
    low = w.circle((0, 0, 0), Z, (r, 0, 0), start=start, against=against)
    high = w.circle((0, 0, h), Z, (r, 0, 0), start=start)
    bottom = w.face(w.plane((0, 0, 0), DOWN), [(low, B)])
    top = w.face(w.plane((0, 0, h), Z), [(high, F)])
    if seam:
        at = (r * math.cos(start), r * math.sin(start))
        up = w.line((*at, 0), (*at, h))
        wall = w.face(w.cone((0, 0, 1), Z, (0, r, 0)), [(low, F), (up, F), (high, B), (up, B)])
    else:
        wall = w.face(w.cone((0, 0, 1), Z, (0, r, 0)), [(low, F)], [(high, B)])
    return w.solid(bottom, top, wall), 2 * math.pi * r * (r + h), math.pi * r**2 * h


def slanted(r=1.0, h=3.0, tilt=0.7):
    """A cylinder whose upper end is cut at a slant: h is its mean height."""
    w = Writer()
    low = w.circle((0, 0, 0), Z, (r, 0, 0), start=0.4)
    normal = np.array([-math.sin(tilt), 0, math.cos(tilt)])
    high = w.arc((0, 0, h), normal, (r, 0, r * math.tan(tilt)), 0.3, 0.3 + math.tau, math.cos(tilt))
    faces = [
        w.face(w.plane((0, 0, 0), DOWN), [(low, B)]),
        w.face(w.plane((0, 0, h), normal), [(high, F)]),
        w.face(w.cone((0, 0, 0), Z, (r, 0, 0)), [(high, B)], [(low, F)]),
    ]
    return w.solid(*faces), 2 * math.pi * r * h + math.pi * r**2 * (1 + 1 / math.cos(tilt)), math.pi * r**2 * h


def sector(r=2.0, h=3.0, turn=4.0):
    """A piece of a cylinder of any angle, as of a cake."""
    w = Writer()
    p, q = (r, 0), (r * math.cos(turn), r * math.sin(turn))
    arcs = [w.arc((0, 0, z), Z, (r, 0, 0), 0, turn) for z in (0, h)]
    spokes = [[w.line((0, 0, z), (*at, z)) for z in (0, h)] for at in (p, q)]
    posts = [w.line((*at, 0), (*at, h)) for at in ((0, 0), p, q)]
    faces = [
        w.face(w.plane((0, 0, 0), DOWN), [(spokes[1][0], F), (arcs[0], B), (spokes[0][0], B)]),
        w.face(w.plane((0, 0, h), Z), [(spokes[0][1], F), (arcs[1], F), (spokes[1][1], B)]),
        w.face(w.plane((0, 0, 0), (0, -1, 0)), [(spokes[0][0], F), (posts[1], F), (spokes[0][1], B), (posts[0], B)]),
        w.face(w.plane((0, 0, 0), (-math.sin(turn), math.cos(turn), 0)),
               [(spokes[1][0], B), (posts[0], F), (spokes[1][1], F), (posts[2], B)]),
        w.face(w.cone((0, 0, 0), Z, (r, 0, 0)), [(arcs[0], F), (posts[2], F), (arcs[1], B), (posts[1], B)]),
    ]  # fmt: skip
    return w.solid(*faces), turn * r**2 + turn * r * h + 2 * r * h, turn / 2 * r**2 * h


def frustum(r0=2.0, r1=1.0, h=3.0, ratio=1.0):
    w = Writer()
    low = w.circle((0, 0, 0), Z, (r0, 0, 0), ratio)
    high = w.circle((0, 0, h), Z, (r1, 0, 0), ratio, start=1.0)
    slant = math.hypot(h, r1 - r0)
    wall = w.face(w.cone((0, 0, 0), Z, (r0, 0, 0), ratio, (r1 - r0) / slant, h / slant), [(low, F)], [(high, B)])
    faces = [w.face(w.plane((0, 0, 0), DOWN), [(low, B)]), w.face(w.plane((0, 0, h), Z), [(high, F)]), wall]
    area = math.pi * (r0**2 + r1**2) + math.pi * (r0 + r1) * slant if ratio == 1.0 else None
    return w.solid(*faces), area, math.pi * h / 3 * (r0**2 + r0 * r1 + r1**2) * ratio


def cone(r=2.0, h=3.0, tip="edge", up=True):
    w = Writer()
    sign = 1 if up else -1
    low = w.circle((0, 0, 0), (0, 0, sign), (r, 0, 0))
    slant = math.hypot(r, h)
    loops = [[(low, F)]]
    if tip == "edge":
        loops.append([(w.tip((0, 0, sign * h)), F)])
    if tip == "seam":
        side = w.line((r, 0, 0), (0, 0, sign * h))
        loops = [[(low, F), (side, F), (side, B)]]
    wall = w.face(w.cone((0, 0, 0), Z, (r, 0, 0), 1.0, -sign * r / slant, h / slant), *loops)
    bottom = w.face(w.plane((0, 0, 0), (0, 0, -sign)), [(low, B)])
    return w.solid(wall, bottom), math.pi * r * (r + slant), math.pi / 3 * r**2 * h


def tube(r=2.0, inner=1.5, h=4.0):
    w = Writer()
    rims = {(radius, z): w.circle((0, 0, z), Z, (radius, 0, 0)) for radius in (r, inner) for z in (0, h)}
    faces = [
        w.face(w.plane((0, 0, 0), DOWN), [(rims[inner, 0], F)], [(rims[r, 0], B)]),
        w.face(w.plane((0, 0, h), Z), [(rims[r, h], F)], [(rims[inner, h], B)]),
        w.face(w.cone((0, 0, 0), Z, (r, 0, 0)), [(rims[r, 0], F)], [(rims[r, h], B)]),
        w.face(w.cone((0, 0, 0), Z, (inner, 0, 0)), [(rims[inner, 0], B)], [(rims[inner, h], F)], reverse=True),
    ]
    area = 2 * math.pi * (r**2 - inner**2) + 2 * math.pi * (r + inner) * h
    return w.solid(*faces), area, math.pi * (r**2 - inner**2) * h


def elbow(bend=5.0, r=2.0, inner=1.5, turn=math.pi / 2, sign=1):
    """A pipe bend: part of a torus with ring-shaped ends; inner 0 is a full bar."""
    w = Writer()
    c, s = math.cos(turn), math.sin(turn)
    # sections at the start (y = 0, looking along +y) and at the end
    places = [((bend, 0, 0), (1, 0, 0), (0, 1, 0)), ((bend * c, bend * s, 0), (c, s, 0), (-s, c, 0))]
    radii = [r] + ([inner] if inner else [])
    rims = {
        (radius, k): w.circle(at, way, tuple(radius * np.array(out))) for radius in radii for k, (at, out, way) in
        enumerate(places)
    }  # fmt: skip
    ends = []
    for k, (at, _, way) in enumerate(places):
        normal = tuple(np.array(way, float) * (1 if k else -1))
        loops = [[(rims[r, k], F if k else B)]]
        if inner:
            loops.append([(rims[inner, k], B if k else F)])
        ends.append(w.face(w.plane(at, normal), *loops))
    # seen along the way a rim about it goes clockwise from outside: the wall is on its left where the pipe goes on
    # the rim turns about the way (right-handed): at the start the wall lies ahead
    walls = [w.face(w.torus((0, 0, 0), Z, bend, sign * r), [(rims[r, 0], F)], [(rims[r, 1], B)], reverse=sign < 0)]
    if inner:
        walls.append(
            w.face(w.torus((0, 0, 0), Z, bend, inner), [(rims[inner, 0], B)], [(rims[inner, 1], F)], reverse=True)
        )
    area = turn * bend * 2 * math.pi * (r + inner) + 2 * math.pi * (r**2 - inner**2)
    return w.solid(*ends, *walls), area, turn * bend * math.pi * (r**2 - inner**2)


def half_ring(major=5.0, minor=2.0, upper=True):
    """A torus cut along its middle plane."""
    w = Writer()
    outer = w.circle((0, 0, 0), Z, (major + minor, 0, 0))
    inner = w.circle((0, 0, 0), Z, (major - minor, 0, 0))
    sign = 1 if upper else -1
    flat = w.face(w.plane((0, 0, 0), (0, 0, -sign)), [(outer, upper)], [(inner, not upper)])
    wall = w.face(w.torus((0, 0, 0), Z, major, minor), [(outer, not upper)], [(inner, upper)])
    area = 2 * math.pi**2 * major * minor + math.pi * ((major + minor) ** 2 - (major - minor) ** 2)
    return w.solid(flat, wall), area, math.pi**2 * major * minor**2


def cap(r=2.0, z=0.5, upper=True, pole=(0, 0, 1), sign=1):
    """The part of a ball above or below a height; the pole of the surface may be anywhere."""
    w = Writer()
    rim = w.circle((0, 0, z), Z, (math.sqrt(r**2 - z**2), 0, 0))
    across = (0, 1, 0) if pole == X else (1, 0, 0)
    flat = w.face(w.plane((0, 0, z), DOWN if upper else Z), [(rim, upper)])
    wall = w.face(w.ball((0, 0, 0), sign * r, across, pole), [(rim, not upper)], reverse=sign < 0)
    h = r - z if upper else r + z
    return w.solid(flat, wall), 2 * math.pi * r * h + math.pi * (r**2 - z**2), math.pi * h**2 * (3 * r - h) / 3


def octant(r=2.0, pole=(0, 0, 1)):
    """An eighth of a ball: its edges go through three poles."""
    w = Writer()
    xy = w.arc((0, 0, 0), Z, (r, 0, 0), 0, math.pi / 2)
    yz = w.arc((0, 0, 0), X, (0, r, 0), 0, math.pi / 2)
    zx = w.arc((0, 0, 0), Y, (0, 0, r), 0, math.pi / 2)
    x, y, z = (w.line((0, 0, 0), p) for p in ((r, 0, 0), (0, r, 0), (0, 0, r)))
    faces = [
        w.face(w.ball((0, 0, 0), r, (0, 1, 0) if pole == X else X, pole), [(xy, F), (yz, F), (zx, F)]),
        w.face(w.plane((0, 0, 0), DOWN), [(y, F), (xy, B), (x, B)]),
        w.face(w.plane((0, 0, 0), (-1, 0, 0)), [(z, F), (yz, B), (y, B)]),
        w.face(w.plane((0, 0, 0), (0, -1, 0)), [(x, F), (zx, B), (z, B)]),
    ]
    return w.solid(*faces), math.pi * r**2 / 2 + 3 * math.pi * r**2 / 4, math.pi * r**3 / 6


def napkin(r=2.0, half=1.0):
    """A ball with a hole through it: its volume depends only on the height of what is left."""
    w = Writer()
    bore = math.sqrt(r**2 - half**2)
    low, high = (w.circle((0, 0, z), Z, (bore, 0, 0)) for z in (-half, half))
    wall = w.face(w.ball((0, 0, 0), r), [(low, F)], [(high, B)])
    hole = w.face(w.cone((0, 0, 0), Z, (bore, 0, 0)), [(low, B)], [(high, F)], reverse=True)
    return w.solid(wall, hole), 4 * math.pi * half * (r + bore), math.pi * (2 * half) ** 3 / 6


def box_faces(w, size, holes=(), inward=False):
    """The six flat faces of a box about the origin; ``holes`` are pairs of loops in its lower and upper face."""
    a, b, c = (s / 2 for s in size)
    p = {(i, j, k): (i * a, j * b, k * c) for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)}
    lines = {}

    def side(m, n):
        if (n, m) in lines:
            return lines[n, m], not inward
        lines[m, n] = w.line(p[m], p[n])
        return lines[m, n], inward

    faces = []
    for axis in range(3):
        for sign in (-1, 1):
            corners = []
            for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
                corner = [0, 0, 0]
                corner[axis], corner[(axis + 1) % 3], corner[(axis + 2) % 3] = sign, s, t
                corners.append(tuple(corner))
            if sign < 0:
                corners.reverse()
            loop = [side(corners[k], corners[(k + 1) % 4]) for k in range(4)]
            loops = [loop[::-1] if inward else loop]
            if axis == 2:
                loops += [pair[sign > 0] for pair in holes]
            normal = [0, 0, 0]
            normal[axis] = -sign if inward else sign
            faces.append(w.face(w.plane(p[corners[0]], normal), *loops))
    return faces


def drilled_box(size=(4, 3, 2), r=0.8):
    w = Writer()
    low, high = (w.circle((0.3, 0.2, z), Z, (r, 0, 0)) for z in (-size[2] / 2, size[2] / 2))
    faces = box_faces(w, size, [([(low, F)], [(high, B)])])
    faces.append(w.face(w.cone((0.3, 0.2, 0), Z, (r, 0, 0)), [(low, B)], [(high, F)], reverse=True))
    a, b, c = size
    area = 2 * (a * b + b * c + c * a) - 2 * math.pi * r**2 + 2 * math.pi * r * c
    return w.solid(*faces), area, a * b * c - math.pi * r**2 * c


def hollow_box(size=(4, 4, 4), r=1.0):
    """A box with a round void: two shells in one lump; area of both."""
    w = Writer()
    outer = w.shell(*box_faces(w, size))
    void = w.shell(w.face(w.ball((0.2, 0, 0), r), reverse=True))
    a, b, c = size
    return w.lump(outer, void), 2 * (a * b + b * c + c * a) + 4 * math.pi * r**2, a * b * c - 4 / 3 * math.pi * r**3


def crossed_cylinders(r=1.5):
    """What two cylinders of the same size have in common: four half ellipses, 16 r^3 / 3."""
    w = Writer()
    top, bottom = (0, 0, r), (0, 0, -r)
    arcs = {}
    for sx in (1, -1):
        for sy in (1, -1):
            way = np.array([sx, sy, 0.0])
            # from the top by way of (sx r, sy r, 0) to the bottom; the long axis of the ellipse lies flat
            normal = np.cross((0, 0, 1), way)
            arcs[sx, sy] = w.arc((0, 0, 0), normal, tuple(way * r), -math.pi / 2, math.pi / 2, 1 / math.sqrt(2))
    assert w.vertex(top) is not None and w.vertex(bottom) is not None
    faces = []
    # the cylinder along x is the skin where |y| is the larger: between the planes x = y and x = -y
    for s in (1, -1):
        faces.append(w.face(w.cone((0, 0, 0), X, (0, r, 0)), [(arcs[s, s], F), (arcs[-s, s], B)]))
        faces.append(w.face(w.cone((0, 0, 0), Y, (r, 0, 0)), [(arcs[s, -s], F), (arcs[s, s], B)]))
    return w.solid(*faces), 16 * r**2, 16 / 3 * r**3


def tank(r=1.0, h=2.0):
    """A cylinder with half a ball at each end, along a slanted direction."""
    w = Writer()
    way = np.array([1.0, 2.0, 2.0]) / 3
    out = np.cross(way, Z)
    out = r * out / np.linalg.norm(out)
    ends = [np.zeros(3), h * way]
    rims = [w.circle(end, way, tuple(out)) for end in ends]
    faces = [
        w.face(w.cone((0, 0, 0), tuple(way), tuple(out)), [(rims[0], F)], [(rims[1], B)]),
        w.face(w.ball(ends[0], r), [(rims[0], B)]),
        w.face(w.ball(ends[1], r), [(rims[1], F)]),
    ]
    return w.solid(*faces), 2 * math.pi * r * h + 4 * math.pi * r**2, math.pi * r**2 * h + 4 / 3 * math.pi * r**3


def drilled_bar(r=2.0, hole=1.0, h=6.0):
    """A cylinder along z with a smaller hole along x through it: the rims are splines through exact points."""
    w = Writer()
    rims = {}
    for side in (1, -1):
        t = np.linspace(0, 2 * math.pi, 200)
        points = np.column_stack([side * np.sqrt(r**2 - (hole * np.cos(t)) ** 2), hole * np.cos(t), hole * np.sin(t)])
        points[-1] = points[0]
        curve = make_interp_spline(t, points, k=3, bc_type="periodic")
        knots = [(t[0], 3), *[(x, 1) for x in t[1:-1]], (t[-1], 3)]
        # the periodic spline with its ends repeated instead of its knots going on
        curve = make_interp_spline(t, points, k=3, bc_type=([(1, curve(0, 1))], [(1, curve(0, 1))]))
        assert np.allclose(curve.t[1:-1], np.repeat([k for k, _ in knots], [m for _, m in knots]))
        rims[side] = w.spline(curve.c, "surfintcur", knots=knots)
    low, high = (w.circle((0, 0, z), Z, (r, 0, 0)) for z in (-h / 2, h / 2))
    # the rim turns from y to z: counter-clockwise seen from +x, so the hole is on its left there
    faces = [
        w.face(w.plane((0, 0, -h / 2), DOWN), [(low, B)]),
        w.face(w.plane((0, 0, h / 2), Z), [(high, F)]),
        w.face(w.cone((0, 0, 0), Z, (r, 0, 0)), [(low, F)], [(rims[1], B)], [(high, B)], [(rims[-1], F)]),
        w.face(w.cone((0, 0, 0), X, (0, hole, 0)), [(rims[1], F)], [(rims[-1], B)], reverse=True),
    ]
    lost = 8 * quad(lambda y: math.sqrt(hole**2 - y**2) * math.sqrt(r**2 - y**2), 0, hole)[0]
    # of the hole: its wall, and the two pieces of the bar's skin
    wall = 4 * quad(lambda t: hole * math.sqrt(r**2 - (hole * math.cos(t)) ** 2), 0, math.pi)[0]
    skin = 8 * quad(lambda y: r / math.sqrt(r**2 - y**2) * math.sqrt(hole**2 - y**2), 0, hole)[0]
    area = 2 * math.pi * r * (r + h) - skin + wall
    return w.solid(*faces), area, math.pi * r**2 * h - lost


def saddle(height=2.0, rise=1.0):
    """A block of 2 by 2 under a bilinear sheet with the corners h, h + rise, h, h + rise."""
    w = Writer()
    corners = {(x, y): height + (rise if x != y else 0.0) for x in (-1, 1) for y in (-1, 1)}
    ground = {key: w.vertex((*key, 0.0)) for key in corners}
    assert ground
    posts = {(x, y): w.line((x, y, 0), (x, y, z)) for (x, y), z in corners.items()}
    around = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    faces, lows, highs = [], [], []
    for k, a in enumerate(around):
        b = around[(k + 1) % 4]
        lows.append(w.line((*a, 0), (*b, 0)))
        highs.append(w.line((*a, corners[a]), (*b, corners[b])))
        normal = np.cross((b[0] - a[0], b[1] - a[1], 0), Z)
        loop = [(lows[-1], F), (posts[b], F), (highs[-1], B), (posts[a], B)]
        faces.append(w.face(w.plane((*a, 0), tuple(normal / 2)), loop))
    faces.append(w.face(w.plane((0, 0, 0), DOWN), [(edge, B) for edge in lows[::-1]]))
    grid = [[(x, y, corners[x, y]) for y in (-1, 1)] for x in (-1, 1)]
    sheet = w.sheet(grid, (1, 1), ([(0, 1), (1, 1)], [(0, 1), (1, 1)]))
    faces.append(w.face(sheet, [(edge, F) for edge in highs]))
    return w.solid(*faces), None, 4 * (height + rise / 2)


def spline_cylinder(r=1.5, h=2.0, reverse=False):
    """A full cylinder whose wall is a rational spline surface that closes on itself."""
    w = Writer()
    circle = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]
    weights = [1 if k % 2 == 0 else math.sqrt(0.5) for k in range(9)]
    grid = np.array([[(r * x, r * y, z) for z in (0, h)] for x, y in circle])
    if reverse:
        grid = grid[::-1]
    sheet = w.sheet(grid, (2, 1), ([(0, 2), (1, 2), (2, 2), (3, 2), (4, 2)], [(0, 1), (1, 1)]),
                    [[x, x] for x in weights], reverse=reverse)  # fmt: skip
    low, high = (w.circle((0, 0, z), Z, (r, 0, 0), start=0.5) for z in (0, h))
    faces = [
        w.face(w.plane((0, 0, 0), DOWN), [(low, B)]),
        w.face(w.plane((0, 0, h), Z), [(high, F)]),
        w.face(sheet, [(low, F)], [(high, B)]),
    ]
    return w.solid(*faces), 2 * math.pi * r * (r + h), math.pi * r**2 * h


def spline_octant(r=2.0):
    """An eighth of a ball on a rational spline surface, one border of which is a point."""
    w = Writer()
    s = math.sqrt(0.5)
    arc = [((1, 0), 1), ((1, 1), s), ((0, 1), 1)]
    grid = [[(r * x * p, r * y * p, r * q) for (p, q), _ in arc] for (x, y), _ in arc]
    weights = [[a * b for _, b in arc] for _, a in arc]
    sheet = w.sheet(grid, (2, 2), ([(0, 2), (1, 2)], [(0, 2), (1, 2)]), weights)
    xy = w.arc((0, 0, 0), Z, (r, 0, 0), 0, math.pi / 2)
    yz = w.arc((0, 0, 0), X, (0, r, 0), 0, math.pi / 2)
    zx = w.arc((0, 0, 0), Y, (0, 0, r), 0, math.pi / 2)
    x, y, z = (w.line((0, 0, 0), p) for p in ((r, 0, 0), (0, r, 0), (0, 0, r)))
    faces = [
        w.face(sheet, [(xy, F), (yz, F), (zx, F)]),
        w.face(w.plane((0, 0, 0), DOWN), [(y, F), (xy, B), (x, B)]),
        w.face(w.plane((0, 0, 0), (-1, 0, 0)), [(z, F), (yz, B), (y, B)]),
        w.face(w.plane((0, 0, 0), (0, -1, 0)), [(x, F), (zx, B), (z, B)]),
    ]
    return w.solid(*faces), math.pi * r**2 / 2 + 3 * math.pi * r**2 / 4, math.pi * r**3 / 6


def drilled_ring(major=5.0, minor=2.0, hole=0.7, outside=False):
    """A torus less the piece in a small upright hole off its crown, or only that piece: a loop with two sides."""
    w = Writer()
    t = np.linspace(0, 2 * math.pi, 240)
    rims = []
    for sign in (1, -1):
        x, y = major + 0.3 + hole * np.cos(t), hole * np.sin(t)
        z = sign * np.sqrt(minor**2 - (np.hypot(x, y) - major) ** 2)
        points = np.column_stack([x, y, z])
        points[-1] = points[0]
        slope = make_interp_spline(t, points, k=3, bc_type="periodic")(0, 1)
        curve = make_interp_spline(t, points, k=3, bc_type=([(1, slope)], [(1, slope)]))
        rims.append(w.spline(curve.c, knots=[(t[0], 3), *[(x, 1) for x in t[1:-1]], (t[-1], 3)]))
    axis = (major + 0.3, 0, 0)
    if outside:  # the plug
        faces = [
            w.face(w.torus((0, 0, 0), Z, major, minor), [(rims[0], F)]),
            w.face(w.torus((0, 0, 0), Z, major, minor), [(rims[1], B)]),
            w.face(w.cone(axis, Z, (hole, 0, 0)), [(rims[1], F)], [(rims[0], B)]),
        ]
    else:
        faces = [
            w.face(w.torus((0, 0, 0), Z, major, minor), [(rims[0], B)], [(rims[1], F)]),
            w.face(w.cone(axis, Z, (hole, 0, 0)), [(rims[0], F)], [(rims[1], B)], reverse=True),
        ]

    def height(q, p):
        return 2 * p * math.sqrt(minor**2 - (math.hypot(axis[0] + p * math.cos(q), p * math.sin(q)) - major) ** 2)

    plug = dblquad(height, 0, hole, 0, 2 * math.pi)[0]
    return w.solid(*faces), None, plug if outside else 2 * math.pi**2 * major * minor**2 - plug
