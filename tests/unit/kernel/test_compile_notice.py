"""Compiling is told while it happens, and only then."""

import numba

from route3d.kernel.compiled import compile_notice
from route3d.kernel.triangles import clamp01


def test_compiling_is_told_once_though_loops_call_each_other():
    inner = numba.njit(lambda x: x + 1)
    outer = numba.njit(lambda x: inner(x) + inner(x))
    told = []
    with compile_notice(told.append):
        outer(1)
        outer(2)
    assert told == [True, False]
    outer(1.0)
    assert told == [True, False]


def test_constants_among_the_arguments_make_no_version_of_their_own():
    outer = numba.njit(lambda x: clamp01(x + 0.5) + clamp01(1) + clamp01(x))
    assert outer(0) == 1.5
    assert not [s for s in clamp01.nopython_signatures if "Literal" in str(s)]
