"""Groups are those of a general graph library, with its numbers."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from route3d.kernel.groups import components


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 40), st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 10**6)), max_size=60))
def test_groups_are_those_of_a_graph_library(count, pairs):
    edges = np.array(pairs, dtype=np.int64).reshape(-1, 2) % count
    graph = coo_array((np.ones(len(edges), np.int8), (edges[:, 0], edges[:, 1])), shape=(count, count))
    expected = connected_components(graph, directed=False)[1]
    assert np.array_equal(components(edges[:, 0], edges[:, 1], count), expected)
