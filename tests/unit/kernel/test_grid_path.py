"""The cheapest path on a grid, against a general graph library on the same grid unrolled into states."""

from itertools import pairwise, product

import networkx as nx
import numpy as np
import pytest

from route3d.kernel.grid_path import cheapest_path

WAYS = [(d, sign) for d in range(3) for sign in (1, -1)]


def by_library(axes, costs, start, goal, turn: float, least_leg: float, least_end: float, came=-1, goes=-1) -> float:
    """Return the cost of the cheapest path: states are nodes with the way they were reached."""
    graph = nx.DiGraph()
    shape = [len(axis) for axis in axes]

    def walk(node, d: int, sign: int):
        """Yield nodes further along one way, with cost and length up to them, until something blocks."""
        at, cost, length = list(node), 0.0, 0.0
        while 0 <= at[d] + sign < shape[d]:
            edge = list(at)
            edge[d] = min(at[d], at[d] + sign)
            cost += costs[d][tuple(edge)]
            length += abs(axes[d][at[d] + sign] - axes[d][at[d]])
            at[d] += sign
            if not np.isfinite(cost):
                return
            yield tuple(at), cost, length
            if tuple(at) == goal:
                return

    def outside(number: int, way) -> tuple[bool, bool]:
        """Tell whether a line outside goes back along a way, and whether it turns into or out of it."""
        if number in (-1, 6):
            return False, number == 6
        return WAYS[number] == (way[0], -way[1]), WAYS[number] != way

    for way in WAYS:
        back, turned = outside(came, way)
        leaves_back, bent = outside(goes, way)
        for node, cost, length in () if back else walk(start, *way):
            if length >= (least_leg if turned else least_end) - 1e-9:
                graph.add_edge("start", (node, way), weight=cost + turn * turned)
            if node == goal and not leaves_back:
                if length >= (least_leg if turned and bent else least_end) - 1e-9 and not (turned and not bent):
                    graph.add_edge("start", ("there", way), weight=cost + turn * (turned + bent))
                elif turned and not bent and length >= least_end - 1e-9:
                    graph.add_edge("start", ("there", way), weight=cost + turn)
    for node in product(*map(range, shape)):
        for d, sign in WAYS:
            for e, other in WAYS:
                if e == d:
                    continue
                leaves_back, bent = outside(goes, (e, other))
                for there, cost, length in walk(node, e, other):
                    if length >= least_leg - 1e-9:
                        graph.add_edge((node, (d, sign)), (there, (e, other)), weight=cost + turn)
                    if there == goal and not leaves_back and length >= (least_leg if bent else least_end) - 1e-9:
                        graph.add_edge((node, (d, sign)), ("there", (e, other)), weight=cost + turn * (1 + bent))
    for way in WAYS:
        graph.add_edge(("there", way), "goal", weight=0.0)
    try:
        return nx.shortest_path_length(graph, "start", "goal", weight="weight")
    except (nx.NetworkXNoPath, nx.NodeNotFound):
        return np.inf


def cost_of(nodes, axes, costs, turn: float) -> float:
    total, way = 0.0, None
    for a, b in pairwise(nodes):
        (d,) = np.flatnonzero(a != b)
        sign = int(np.sign(b[d] - a[d]))
        at = a.copy()
        while at[d] != b[d]:
            edge = at.copy()
            edge[d] = min(at[d], at[d] + sign)
            total += costs[d][tuple(edge)]
            at[d] += sign
        total += turn if way not in (None, (d, sign)) else 0.0
        way = (d, sign)
    return total


@pytest.mark.parametrize("outside", [(-1, -1), (0, -1), (-1, 3), (2, 4), (6, 1), (5, 6)])
@pytest.mark.parametrize("seed", range(12))
def test_it_is_as_cheap_as_a_general_search_finds(seed: int, outside: tuple[int, int]) -> None:
    rng = np.random.default_rng(seed)
    axes = [np.cumsum(rng.uniform(0.05, 0.3, n)) for n in (5, 4, 3)]
    costs = []
    for d in range(3):
        shape = [len(axis) - (k == d) for k, axis in enumerate(axes)]
        lengths = np.diff(axes[d]).reshape([-1 if k == d else 1 for k in range(3)])
        cost = lengths * rng.uniform(1.0, 2.0, shape)
        cost[rng.random(shape) < 0.2] = np.inf
        costs.append(cost)
    start, goal = (0, 1, 0), (4, 2, 2)
    turn, least_leg, least_end = 0.2, 0.25, 0.1
    nodes = cheapest_path(*axes, *costs, np.array(start), np.array(goal), turn, least_leg, least_end, *outside)
    expected = by_library(axes, costs, start, goal, turn, least_leg, least_end, *outside)
    if not len(nodes):
        assert expected == np.inf
        return
    assert tuple(nodes[0]) == start
    assert tuple(nodes[-1]) == goal
    first, last = ([int(np.flatnonzero(b != a)[0]), int(np.sign((b - a).sum()))] for a, b in (nodes[:2], nodes[-2:]))
    turns = sum(
        number == 6 or (number >= 0 and WAYS[number] != tuple(way))
        for number, way in zip(outside, (first, last), strict=True)
    )
    assert cost_of(nodes, axes, costs, turn) + turn * turns == pytest.approx(expected)
