"""Box trees with eight children to a node, all of which one look tells near or far.

A wide tree is made from a two-way tree whose leaves hold one entry each. A node is eight boxes side by side, as
(6, 8) float32: the eight lowest x, the eight lowest y, and so on, so that one instruction of the processor works on
all eight (narrower processors need two or four; the answer is the same). Beside it stand eight int32 links: the child
node, or ``-1 - entry``. Unused places have a box that nothing meets. Children come after their parents.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from route3d.kernel.bvh import STACK
from route3d.kernel.compiled import compiled, compiled_bare

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]

WIDTH = 8
WIDE_STACK = STACK * WIDTH  # no deeper than the two-way tree, and each level leaves at most 7 behind


@compiled
def widen(boxes: Singles, links: Links, order: Ints) -> tuple[Singles, Links]:
    """Return boxes (nodes, 6, 8) and links (nodes, 8) of the wide tree over a two-way tree with one entry to a leaf."""
    wide_boxes = np.empty((max(len(links), 1), 6, WIDTH), np.float32)
    wide_links = np.zeros((max(len(links), 1), WIDTH), np.int32)
    stack = np.empty((WIDE_STACK, 2), np.int64)
    held = np.empty(WIDTH, np.int64)
    stack[0, 0], stack[0, 1] = 0, 0
    depth = 1
    nodes = 1
    while depth > 0:
        depth -= 1
        wide = stack[depth, 1]
        held[0] = stack[depth, 0]
        count = 1
        while count < WIDTH:
            largest, widest = -1, -1.0
            for k in range(count):
                node = held[k]
                if links[node, 1] == 0:
                    x = float(boxes[node, 3]) - float(boxes[node, 0])
                    y = float(boxes[node, 4]) - float(boxes[node, 1])
                    z = float(boxes[node, 5]) - float(boxes[node, 2])
                    area = x * y + y * z + z * x
                    if area > widest:
                        largest, widest = k, area
            if largest < 0:
                break
            child = links[held[largest], 0]
            held[largest] = child
            held[count] = child + 1
            count += 1
        for k in range(WIDTH):
            if k >= count:
                for axis in range(3):
                    wide_boxes[wide, axis, k] = np.inf
                    wide_boxes[wide, axis + 3, k] = -np.inf
                continue
            node = held[k]
            for axis in range(6):
                wide_boxes[wide, axis, k] = boxes[node, axis]
            if links[node, 1] == 0:
                wide_links[wide, k] = nodes
                stack[depth, 0], stack[depth, 1] = node, nodes
                depth += 1
                nodes += 1
            else:
                wide_links[wide, k] = -1 - order[links[node, 0]]
    return wide_boxes[:nodes].copy(), wide_links[:nodes].copy()


def _near_mask_type(
    typing: Any, boxes: Any, reach: Any, node: Any, lx: Any, ly: Any, lz: Any, hx: Any, hy: Any, hz: Any, more: Any
) -> Any:
    single = types.float32
    signature = types.int64(boxes, reach, types.int64, single, single, single, single, single, single, single)

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        one = ir.FloatType()
        eight = ir.VectorType(one, WIDTH)
        index = ir.IntType(64)

        def row(array: Any, kind: Any, number: Any) -> Any:
            data = context.make_array(kind)(context, builder, array).data
            place = builder.gep(data, [number])
            loaded = builder.load(builder.bitcast(place, eight.as_pointer()))
            loaded.align = 4
            return loaded

        def spread(value: Any) -> Any:
            first = builder.insert_element(ir.Constant(eight, ir.Undefined), value, ir.Constant(ir.IntType(32), 0))
            return builder.shuffle_vector(first, first, ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH))

        def larger(a: Any, b: Any) -> Any:
            return builder.select(builder.fcmp_ordered(">", a, b), a, b)

        nothing = ir.Constant(eight, [0.0] * WIDTH)
        base = builder.mul(args[2], ir.Constant(index, 6 * WIDTH))
        gap2 = None
        for axis in range(3):
            low = row(args[0], signature.args[0], builder.add(base, ir.Constant(index, axis * WIDTH)))
            high = row(args[0], signature.args[0], builder.add(base, ir.Constant(index, (axis + 3) * WIDTH)))
            below = builder.fsub(low, spread(args[6 + axis]))
            above = builder.fsub(spread(args[3 + axis]), high)
            gap = larger(larger(below, above), nothing)
            square = builder.fmul(gap, gap)
            gap2 = square if gap2 is None else builder.fadd(gap2, square)
        far = builder.fadd(
            row(args[1], signature.args[1], builder.mul(args[2], ir.Constant(index, WIDTH))), spread(args[9])
        )
        near = builder.fcmp_ordered("<=", gap2, builder.fmul(far, far))
        near = builder.and_(near, builder.fcmp_ordered(">", far, nothing))
        finite = builder.fcmp_ordered("<", gap2, ir.Constant(eight, [float("inf")] * WIDTH))
        mask = builder.bitcast(builder.and_(near, finite), ir.IntType(WIDTH))
        return builder.zext(mask, index)

    return signature, generate


def _lowest_bit_type(typing: Any, mask: Any) -> Any:

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.cttz(args[0], ir.Constant(ir.IntType(1), 1))

    return types.int64(types.int64), generate


_near_mask: Any = intrinsic(_near_mask_type)
lowest_bit: Any = intrinsic(_lowest_bit_type)  # the number of the lowest bit that is set in an int64 above 0


@compiled_bare
def near_places(
    boxes: Singles,
    reach: Singles,
    node: int,
    lx: np.float32,
    ly: np.float32,
    lz: np.float32,
    hx: np.float32,
    hy: np.float32,
    hz: np.float32,
    more: np.float32,
) -> int:
    """Return which of a node's eight places may be as near as ``reach[node, place] + more`` to the box l..h, as bits.

    The box must be rounded outward, and ``more`` upward; rounding inside is allowed for by the caller, who adds to it.
    A reach that is not above 0 is nowhere near.
    """
    return int(_near_mask(boxes, reach, node, lx, ly, lz, hx, hy, hz, more))
