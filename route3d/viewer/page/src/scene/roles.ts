/** The list of what can be shown, seen through, or hidden. */

import type { Review } from "../payload";
import type { BuildingLayer, RoleState } from "./building";
import type { RoleRow } from "./events";
import type { Markers } from "./marks";
import { ROLE_COLOURS } from "./palette";
import type { RunsLayer } from "./runs";
import type { Surroundings } from "./surroundings";

function row(role: string, elements: number, state: RoleState | boolean): RoleRow {
  return { role, colour: "", elements, triangles: 0, state: state === true ? "shown" : state === false ? "hidden" : state };
}

/** Roles of the building with their sizes, then what stands beside it; "overhead" is what lies above all runs. */
export function roleRows(
  layer: BuildingLayer | null, review: Review, runs: RunsLayer, markers: Markers, surroundings: Surroundings,
): RoleRow[] {
  const rows: RoleRow[] = [];
  if (layer !== null) {
    rows.push(...layer.roleNames.map((role) => ({
      ...row(role, 0, layer.role(role)), colour: review.roles[role]?.colour ?? ROLE_COLOURS[role] ?? ROLE_COLOURS.obstacle,
    })));
    layer.roleOf.forEach((number, place) => {
      rows[number].elements += 1;
      rows[number].triangles += layer.starts[place + 1] - layer.starts[place];
    });
    if (layer.hasOverhead) rows.push(row("overhead", 0, layer.role("overhead")));
    rows.push(row("edges", 0, layer.edgesShown));
  }
  rows.push(
    row("runs", runs.runs.size, runs.group.visible),
    row("zones", review.zones.length, surroundings.state),
    row("markers", markers.findings.size, markers.shown),
    row("unread", review.unread.length, surroundings.unread.visible),
  );
  return rows;
}
