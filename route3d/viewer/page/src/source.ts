/** Where the page's two payloads come from: the server, or the report in which they are embedded. */

import type { Book, Element, Point, Review } from "./payload";

/** The building as it is drawn: element k owns triangles starts[k] to starts[k + 1]. */
export interface Building {
  origin_m: Point;
  low_m: Point;
  high_m: Point;
  positions: Float32Array;
  indices: Uint32Array;
  starts: Uint32Array;
  elements: Element[];
  /** Index of the element of that id, -1 where there is none. */
  indexOf(id: string | null): number;
}

export interface Source {
  /** False: embedded in a report; nothing can be sent back. */
  live: boolean;
  review(): Promise<Review>;
  building(): Promise<Building>;
  /** Only what is kept from check to check. */
  book(): Promise<Book>;
}

/** Return the embedded payloads where the page holds them, else those of the server. */
export function findSource(page: Document = document): Source {
  return page.getElementById("review") === null ? network() : embedded(page);
}

function network(): Source {
  return {
    live: true,
    review: async () => readReview(new TextDecoder().decode(await fetched("review.json"))),
    building: async () => readBuilding(await fetched("building.bin")),
    book: async () => JSON.parse(new TextDecoder().decode(await fetched("decisions.json"))) as Book,
  };
}

async function fetched(name: string): Promise<ArrayBuffer> {
  let answer: Response;
  try {
    answer = await fetch(`/${name}`, { credentials: "same-origin", cache: "no-cache" });
  } catch {
    throw new Error(`The server does not answer when asked for ${name}: see whether route3d is still running, then reload the page.`);
  }
  if (!answer.ok) {
    const mend = answer.status === 401 || answer.status === 403
      ? "open the address that route3d printed, with its token"
      : "look at the terminal in which route3d runs";
    throw new Error(`The server refused ${name} (${answer.status}): ${mend}.`);
  }
  return answer.arrayBuffer();
}

function embedded(page: Document): Source {
  return {
    live: false,
    review: async () => readReview(new TextDecoder().decode(await unpacked(page, "review"))),
    building: async () => readBuilding(await unpacked(page, "building")),
    book: async () => readReview(new TextDecoder().decode(await unpacked(page, "review"))),
  };
}

async function unpacked(page: Document, id: string): Promise<ArrayBuffer> {
  const text = page.getElementById(id)?.textContent?.trim();
  if (!text) throw new Error(`This report holds no ${id}: make it again with route3d.`);
  try {
    const bytes = fromBase64(text);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return await new Response(stream).arrayBuffer();
  } catch {
    throw new Error(`The ${id} in this report is damaged: get the file anew, or make it again with route3d.`);
  }
}

function fromBase64(text: string): Uint8Array<ArrayBuffer> {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

function readReview(text: string): Review {
  let review: Review;
  try {
    review = JSON.parse(text) as Review;
  } catch {
    throw new Error("The review is no JSON: it was cut off on its way; reload the page.");
  }
  if (review.format !== 1) throw new Error(`The review has format ${review.format}, this page reads 1: reload the page, or use one version of route3d for both.`);
  return review;
}

interface ArrayPlace {
  offset: number;
  type: "f4" | "u2" | "u4";
  shape: number[];
}

interface Header {
  format: number;
  origin_m: Point;
  low_m: Point;
  high_m: Point;
  /** Where positions are of type u2: the metres of one step, counted from low_m. */
  scale_m?: Point;
  arrays: Record<"positions" | "indices" | "element_starts", ArrayPlace>;
  elements: Element[];
}

/** Read building.bin; see the note on its layout in DEVELOPERS.md. Positions of type u2 become metres. */
export function readBuilding(buffer: ArrayBuffer): Building {
  const broken = (why: string): Error => new Error(`The building cannot be read: ${why}; reload the page.`);
  if (buffer.byteLength < 4) throw broken("it is empty");
  const length = new DataView(buffer).getUint32(0, true);
  if (4 + length > buffer.byteLength) throw broken("it was cut off in its header");
  let header: Header;
  try {
    header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length))) as Header;
  } catch {
    throw broken("its header is no JSON");
  }
  if (header.format !== 1) throw broken(`it has format ${header.format}, this page reads 1`);
  const view = (place: ArrayPlace): Float32Array | Uint16Array | Uint32Array => {
    const count = place.shape.reduce((a, b) => a * b, 1);
    const type = { f4: Float32Array, u2: Uint16Array, u4: Uint32Array }[place.type];
    const from = 4 + length + place.offset;
    if (type === undefined) throw broken(`it holds numbers of an unknown type ${String(place.type)}`);
    if (from + count * type.BYTES_PER_ELEMENT > buffer.byteLength) throw broken("it was cut off");
    return new type(buffer, from, count);
  };
  const { arrays, elements } = header;
  const indices = view(arrays.indices) as Uint32Array;
  const starts = view(arrays.element_starts) as Uint32Array;
  const positions = metres(view(arrays.positions) as Float32Array | Uint16Array, header);
  if (starts.length !== elements.length + 1) throw broken("elements and their triangles do not go together");
  if (starts[elements.length] * 3 !== indices.length) throw broken("some triangles belong to no element");
  const vertices = positions.length / 3;
  for (let i = 0; i < indices.length; i += 1) if (indices[i] >= vertices) throw broken("a triangle has no corner");
  const places = new Map(elements.map((element, k) => [element.id, k]));
  return {
    origin_m: header.origin_m, low_m: header.low_m, high_m: header.high_m,
    positions, indices, starts, elements,
    indexOf: (id) => (id === null ? -1 : places.get(id) ?? -1),
  };
}

function metres(raw: Float32Array | Uint16Array, header: Header): Float32Array {
  if (raw instanceof Float32Array) return raw;
  const scale = header.scale_m;
  const low = header.low_m;
  if (scale === undefined) throw new Error("The building cannot be read: it does not say how long its steps are; reload the page.");
  const made = new Float32Array(raw.length);
  for (let i = 0; i < raw.length; i += 3) {
    for (let k = 0; k < 3; k += 1) made[i + k] = low[k] + raw[i + k] * scale[k];
  }
  return made;
}
