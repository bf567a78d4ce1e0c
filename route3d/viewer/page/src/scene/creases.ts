/** Lines along the edges of facets, and the few large triangles that stand for a building while it turns. */

export interface Creases {
  /** Two points (six numbers) for each line. */
  points: Float32Array;
  /** Lines of part k are starts[k] to starts[k + 1]. */
  starts: Uint32Array;
}

const COS_SHARP = Math.cos((30 * Math.PI) / 180);
const GRID_M = 1e-5; // corners nearer than this are one

/** Find, part by part, edges between facets that turn by more than 30 degrees, and edges of one facet only. */
export function creases(positions: Float32Array, indices: Uint32Array, starts: Uint32Array, wanted: Uint8Array): Creases {
  const made: number[] = [];
  const lines = new Uint32Array(starts.length);
  let largest = 0;
  for (let k = 0; k + 1 < starts.length; k += 1) if (wanted[k]) largest = Math.max(largest, starts[k + 1] - starts[k]);
  const corners = new Places(largest * 3);
  const edges = new Places(largest * 3);
  const nx = new Float32Array(largest * 3);
  const ny = new Float32Array(largest * 3);
  const nz = new Float32Array(largest * 3);
  const from = new Uint32Array(largest * 3);
  const to = new Uint32Array(largest * 3);
  const state = new Uint8Array(largest * 3); // 1 seen once, 2 seen twice and smooth, 3 sharp
  for (let k = 0; k + 1 < starts.length; k += 1) {
    if (wanted[k]) {
      corners.clear(starts[k + 1] - starts[k]);
      edges.clear(starts[k + 1] - starts[k]);
      for (let t = starts[k]; t < starts[k + 1]; t += 1) {
        const [a, b, c] = [indices[3 * t] * 3, indices[3 * t + 1] * 3, indices[3 * t + 2] * 3];
        const [ux, uy, uz] = [positions[b] - positions[a], positions[b + 1] - positions[a + 1], positions[b + 2] - positions[a + 2]];
        const [vx, vy, vz] = [positions[c] - positions[a], positions[c + 1] - positions[a + 1], positions[c + 2] - positions[a + 2]];
        let [x, y, z] = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
        const length = Math.sqrt(x * x + y * y + z * z);
        if (length < 1e-14) continue;
        x /= length; y /= length; z /= length;
        for (let e = 0; e < 3; e += 1) {
          const p = e === 0 ? a : e === 1 ? b : c;
          const q = e === 0 ? b : e === 1 ? c : a;
          const i = corners.of(Math.round(positions[p] / GRID_M), Math.round(positions[p + 1] / GRID_M), Math.round(positions[p + 2] / GRID_M));
          const j = corners.of(Math.round(positions[q] / GRID_M), Math.round(positions[q + 1] / GRID_M), Math.round(positions[q + 2] / GRID_M));
          if (i === j) continue;
          const edge = edges.of(Math.min(i, j), Math.max(i, j), 0);
          if (edges.fresh) {
            nx[edge] = x; ny[edge] = y; nz[edge] = z;
            from[edge] = p; to[edge] = q;
            state[edge] = 1;
          } else if (state[edge] !== 3) {
            // meshes do not agree on which side is out: a folded sheet counts as smooth only where it goes straight on
            const together = Math.abs(nx[edge] * x + ny[edge] * y + nz[edge] * z);
            state[edge] = together < COS_SHARP ? 3 : 2;
          }
        }
      }
      for (let e = 0; e < edges.count; e += 1) {
        if (state[e] === 2) continue;
        const [p, q] = [from[e], to[e]];
        made.push(positions[p], positions[p + 1], positions[p + 2], positions[q], positions[q + 1], positions[q + 2]);
      }
    }
    lines[k + 1] = made.length / 6;
  }
  return { points: Float32Array.from(made), starts: lines };
}

/** Numbers for triples of integers, in the order in which they are first seen: a hash table with open addresses. */
class Places {
  count = 0;
  fresh = false;
  private readonly table: Int32Array;
  private readonly keys: Float64Array;
  private mask = 0;

  constructor(most: number) {
    let room = 16;
    while (room < most * 2) room *= 2;
    this.table = new Int32Array(room);
    this.keys = new Float64Array(most * 3 + 3);
  }

  /** Forget everything; there will be no more than three new keys for each of `triangles`. */
  clear(triangles: number): void {
    let room = 16;
    while (room < triangles * 6) room *= 2;
    this.mask = Math.min(room, this.table.length) - 1;
    this.table.fill(0, 0, this.mask + 1);
    this.count = 0;
  }

  of(x: number, y: number, z: number): number {
    let at = (Math.imul(x, 73856093) ^ Math.imul(y, 19349663) ^ Math.imul(z, 83492791)) >>> 0;
    at = (at ^ (at >>> 15)) & this.mask;
    for (;;) {
      const found = this.table[at];
      if (found === 0) break;
      const k = (found - 1) * 3;
      if (this.keys[k] === x && this.keys[k + 1] === y && this.keys[k + 2] === z) {
        this.fresh = false;
        return found - 1;
      }
      at = (at + 1) & this.mask;
    }
    const k = this.count;
    this.keys[k * 3] = x; this.keys[k * 3 + 1] = y; this.keys[k * 3 + 2] = z;
    this.count += 1;
    this.table[at] = this.count;
    this.fresh = true;
    return k;
  }
}

export interface Coarse {
  indices: Uint32Array;
  starts: Uint32Array;
}

/** Keep about `budget` triangles, the largest ones, in their order; part k keeps starts[k] to starts[k + 1]. */
export function coarse(positions: Float32Array, indices: Uint32Array, starts: Uint32Array, budget: number): Coarse {
  const count = indices.length / 3;
  if (count <= budget) return { indices, starts };
  const areas = new Float32Array(count);
  for (let t = 0; t < count; t += 1) {
    const [a, b, c] = [indices[3 * t] * 3, indices[3 * t + 1] * 3, indices[3 * t + 2] * 3];
    const [ux, uy, uz] = [positions[b] - positions[a], positions[b + 1] - positions[a + 1], positions[b + 2] - positions[a + 2]];
    const [vx, vy, vz] = [positions[c] - positions[a], positions[c + 1] - positions[a + 1], positions[c + 2] - positions[a + 2]];
    areas[t] = Math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx);
  }
  const limit = Float32Array.from(areas).sort()[count - budget];
  const kept = new Uint32Array(budget * 3);
  const keptStarts = new Uint32Array(starts.length);
  let n = 0;
  for (let k = 0; k + 1 < starts.length; k += 1) {
    for (let t = starts[k]; t < starts[k + 1] && n < budget; t += 1) {
      if (areas[t] >= limit) {
        kept[3 * n] = indices[3 * t]; kept[3 * n + 1] = indices[3 * t + 1]; kept[3 * n + 2] = indices[3 * t + 2];
        n += 1;
      }
    }
    keptStarts[k + 1] = n;
  }
  return { indices: kept.slice(0, n * 3), starts: keptStarts };
}
