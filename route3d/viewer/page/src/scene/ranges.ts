/** Which stretches of the building's triangles are drawn how: few ranges, each one draw call. */

export const HIDDEN = 0;
export const GHOST = 1;
export const SHOWN = 2;
export const FADED = 3;
export const MARKED = 4;
export type Mode = 0 | 1 | 2 | 3 | 4;

export interface Range {
  role: number;
  mode: Mode;
  from: number;
  to: number;
}

/** Join neighbours of one role and mode; hidden and empty ones are left out. `starts` has one entry more than parts. */
export function ranges(roles: Uint8Array, modes: Uint8Array, starts: Uint32Array): Range[] {
  const made: Range[] = [];
  for (let k = 0; k < roles.length; k += 1) {
    if (modes[k] === HIDDEN || starts[k + 1] === starts[k]) continue;
    const last = made[made.length - 1];
    if (last !== undefined && last.role === roles[k] && last.mode === modes[k] && last.to === starts[k]) last.to = starts[k + 1];
    else made.push({ role: roles[k], mode: modes[k] as Mode, from: starts[k], to: starts[k + 1] });
  }
  return made;
}

/** A number from 0 to 1 that is alike for boxes near each other: places along a curve that fills the whole (Morton's). */
export function along(boxes: Float32Array): Float64Array {
  const count = boxes.length / 6;
  const low = [Infinity, Infinity, Infinity];
  const high = [-Infinity, -Infinity, -Infinity];
  const middle = (k: number, axis: number): number => (boxes[k * 6 + axis] + boxes[k * 6 + 3 + axis]) / 2;
  for (let k = 0; k < count; k += 1) {
    for (let axis = 0; axis < 3; axis += 1) {
      const value = middle(k, axis);
      if (value < low[axis]) low[axis] = value;
      if (value > high[axis]) high[axis] = value;
    }
  }
  const widest = Math.max(...high.map((value, axis) => value - low[axis]), 1e-9);
  return Float64Array.from({ length: count }, (_, k) => {
    let place = 0;
    for (let bit = 9; bit >= 0; bit -= 1) {
      for (let axis = 0; axis < 3; axis += 1) {
        const cell = Math.min(Math.floor(((middle(k, axis) - low[axis]) / widest) * 1024), 1023);
        place = place * 2 + ((cell >> bit) & 1);
      }
    }
    return place / 2 ** 30;
  });
}

/**
 * Modes with parts that are out of sight hidden; short stretches of them between visible ones of the same kind stay,
 * since a few triangles more cost less than a draw call.
 */
export function inSight(roles: Uint8Array, modes: Uint8Array, out: Uint8Array, starts: Uint32Array, short: number): Uint8Array {
  const made = modes.slice();
  for (let k = 0; k < out.length;) {
    if (out[k] === 0) {
      k += 1;
      continue;
    }
    let end = k;
    while (end < out.length && out[end] === 1 && roles[end] === roles[k] && modes[end] === modes[k]) end += 1;
    const alike = (place: number): boolean => out[place] === 0 && roles[place] === roles[k] && modes[place] === modes[k];
    const between = k > 0 && end < out.length && alike(k - 1) && alike(end);
    if (!between || starts[end] - starts[k] >= short) made.fill(HIDDEN, k, end);
    k = end;
  }
  return made;
}

/** The part to which a triangle belongs: the last one whose start is not beyond it. */
export function partOf(starts: Uint32Array, triangle: number): number {
  let low = 0;
  let high = starts.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (starts[middle] <= triangle) low = middle;
    else high = middle - 1;
  }
  return low;
}

export interface Arranged {
  /** order[k] is the element that stands at place k. */
  order: Uint32Array;
  indices: Uint32Array;
  starts: Uint32Array;
}

/** Bring the elements into a new order, given by a key each (stable); triangles move along. */
export function arranged(indices: Uint32Array, starts: Uint32Array, keys: Float64Array): Arranged {
  const order = Uint32Array.from(keys, (_, k) => k);
  let sorted = true;
  for (let k = 1; k < keys.length; k += 1) if (keys[k] < keys[k - 1]) sorted = false;
  if (sorted) return { order, indices, starts };
  order.sort((a, b) => keys[a] - keys[b] || a - b);
  const made = new Uint32Array(indices.length);
  const places = new Uint32Array(starts.length);
  let at = 0;
  order.forEach((element, k) => {
    const part = indices.subarray(starts[element] * 3, starts[element + 1] * 3);
    made.set(part, at * 3);
    at += part.length / 3;
    places[k + 1] = at;
  });
  return { order, indices: made, starts: places };
}

/** Boxes (low x y z, high x y z) of the parts; an empty part has an inside-out one. */
export function boxes(positions: Float32Array, indices: Uint32Array, starts: Uint32Array): Float32Array {
  const made = new Float32Array((starts.length - 1) * 6);
  for (let k = 0; k + 1 < starts.length; k += 1) {
    let [x0, y0, z0, x1, y1, z1] = [Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity];
    for (let i = starts[k] * 3; i < starts[k + 1] * 3; i += 1) {
      const v = indices[i] * 3;
      const [x, y, z] = [positions[v], positions[v + 1], positions[v + 2]];
      if (x < x0) x0 = x; if (x > x1) x1 = x;
      if (y < y0) y0 = y; if (y > y1) y1 = y;
      if (z < z0) z0 = z; if (z > z1) z1 = z;
    }
    made.set([x0, y0, z0, x1, y1, z1], k * 6);
  }
  return made;
}
