/** Markers that would cover each other become one. */

export interface Spot {
  x: number;
  y: number;
  /** Smaller numbers win: they are drawn, the others counted. */
  rank: number;
  /** Never merged into another one. */
  alone: boolean;
  key: string;
}

export interface Crowd {
  x: number;
  y: number;
  keys: string[];
}

/** Merge spots nearer than `reach` pixels to a better ranked one. Each spot ends up in exactly one crowd. */
export function crowds(spots: Spot[], reach: number): Crowd[] {
  const sorted = [...spots].sort((a, b) => Number(b.alone) - Number(a.alone) || a.rank - b.rank);
  const cells = new Map<string, Crowd[]>();
  const made: Crowd[] = [];
  for (const spot of sorted) {
    const [i, j] = [Math.floor(spot.x / reach), Math.floor(spot.y / reach)];
    let home: Crowd | null = null;
    let least = reach;
    if (!spot.alone) {
      for (let di = -1; di <= 1; di += 1) {
        for (let dj = -1; dj <= 1; dj += 1) {
          for (const crowd of cells.get(`${i + di} ${j + dj}`) ?? []) {
            const away = Math.hypot(crowd.x - spot.x, crowd.y - spot.y);
            if (away < least) {
              least = away;
              home = crowd;
            }
          }
        }
      }
    }
    if (home !== null) {
      home.keys.push(spot.key);
      continue;
    }
    const crowd = { x: spot.x, y: spot.y, keys: [spot.key] };
    made.push(crowd);
    if (spot.alone) continue;
    const key = `${i} ${j}`;
    const cell = cells.get(key);
    if (cell) cell.push(crowd);
    else cells.set(key, [crowd]);
  }
  return made;
}
