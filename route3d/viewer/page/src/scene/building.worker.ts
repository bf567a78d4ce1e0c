/** Works beside the picture: the picking tree first, then what is drawn while moving, then lines along edges. */

import { BufferAttribute, BufferGeometry } from "three";
import { MeshBVH } from "three-mesh-bvh";
import { coarse, creases } from "./creases";

export interface BuildingTask {
  positions: Float32Array;
  indices: Uint32Array;
  starts: Uint32Array;
  wanted: Uint8Array;
  budget: number;
}

export type BuildingAnswer =
  | { made: "tree"; roots: ArrayBuffer[]; order: Uint32Array | Uint16Array | null }
  | { made: "coarse"; indices: Uint32Array; starts: Uint32Array }
  | { made: "edges"; points: Float32Array; starts: Uint32Array };

const here = self as unknown as {
  onmessage: (event: MessageEvent<BuildingTask>) => void;
  postMessage(answer: BuildingAnswer, transfer: Transferable[]): void;
  close(): void;
};

here.onmessage = ({ data }) => {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(data.positions, 3));
  geometry.setIndex(new BufferAttribute(data.indices, 1));
  // indirect: triangles stay in their order, so that a triangle tells its element
  const tree = MeshBVH.serialize(new MeshBVH(geometry, { indirect: true, verbose: false }), { cloneBuffers: false });
  const order = (tree as unknown as { indirectBuffer: Uint32Array | Uint16Array | null }).indirectBuffer;
  here.postMessage({ made: "tree", roots: tree.roots, order }, [...tree.roots, ...(order ? [order.buffer as ArrayBuffer] : [])]);
  if (data.indices.length / 3 > data.budget) {
    const rough = coarse(data.positions, data.indices, data.starts, data.budget);
    here.postMessage({ made: "coarse", ...rough }, [rough.indices.buffer as ArrayBuffer, rough.starts.buffer as ArrayBuffer]);
  }
  const lines = creases(data.positions, data.indices, data.starts, data.wanted);
  here.postMessage({ made: "edges", ...lines }, [lines.points.buffer as ArrayBuffer, lines.starts.buffer as ArrayBuffer]);
  here.close();
};
