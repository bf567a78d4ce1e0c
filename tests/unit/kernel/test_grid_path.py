"""The cheapest path on a grid, against a general graph library on the same grid unrolled into states."""

from itertools import pairwise, product

import networkx as nx
import numpy as np
import pytest

from route3d.kernel.grid_path import cheapest_path


def by_library(axes, costs, start, goal, turn: float, least_leg: float, least_end: float) -> float:
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

    ways = [(d, sign) for d in range(3) for sign in (1, -1)]
    for d, sign in ways:
        for node, cost, length in walk(start, d, sign):
            if length >= least_end - 1e-9:
                graph.add_edge("start", (node, (d, sign)), weight=cost)
    for node in product(*map(range, shape)):
        for d, sign in ways:
            for e, other in ways:
                if e == d:
                    continue
                for there, cost, length in walk(node, e, other):
                    if length >= (least_end if there == goal else least_leg) - 1e-9:
                        graph.add_edge((node, (d, sign)), (there, (e, other)), weight=cost + turn)
    for way in ways:
        graph.add_edge((goal, way), "goal", weight=0.0)
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


@pytest.mark.parametrize("seed", range(25))
def test_it_is_as_cheap_as_a_general_search_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes = [np.cumsum(rng.uniform(0.05, 0.3, n)) for n in (5, 4, 3)]
    costs = []
    for d in range(3):
        shape = [len(axis) - (k == d) for k, axis in enumerate(axes)]
        lengths = np.diff(axes[d]).reshape([-1 if k == d else 1 for k in range(3)])
        cost = lengths * rng.uniform(1.0, 2.0, shape)
        cost[rng.random(shape) < 0.25] = np.inf
        costs.append(cost)
    start, goal = (0, 0, 0), (4, 3, 2)
    turn, least_leg, least_end = 0.2, 0.25, 0.1
    nodes = cheapest_path(*axes, *costs, np.array(start), np.array(goal), turn, least_leg, least_end)
    expected = by_library(axes, costs, start, goal, turn, least_leg, least_end)
    if not len(nodes):
        assert expected == np.inf
        return
    assert tuple(nodes[0]) == start
    assert tuple(nodes[-1]) == goal
    assert cost_of(nodes, axes, costs, turn) == pytest.approx(expected)
