/** Elements made by hand. Text goes in as text: names come from drawings, and may hold anything. */

type Child = Node | string | number | null | undefined | false;
type Value = string | number | boolean | null | undefined | ((event: never) => void);

const SVG = "http://www.w3.org/2000/svg";

/** Make an HTML element. Keys starting with `on` listen, `class`, `data-*`, `aria-*` and the rest are attributes. */
export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K,
  attributes: Record<string, Value> = {},
  ...children: (Child | Child[])[]
): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  dress(element, attributes);
  append(element, children);
  return element;
}

/** Make an SVG element. */
export function s<K extends keyof SVGElementTagNameMap>(
  tag: K,
  attributes: Record<string, Value> = {},
  ...children: (Child | Child[])[]
): SVGElementTagNameMap[K] {
  const element = document.createElementNS(SVG, tag);
  dress(element, attributes);
  append(element, children);
  return element;
}

/** Replace everything in an element. */
export function fill(element: Element, ...children: (Child | Child[])[]): void {
  element.replaceChildren();
  append(element, children);
}

/** Find an element of the page by its id; a missing one is a fault of the page itself. */
export function byId(id: string): HTMLElement {
  const element = document.getElementById(id);
  if (element === null) throw new Error(`the page has no #${id}`);
  return element;
}

function dress(element: Element, attributes: Record<string, Value>): void {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name.slice(2), value as EventListener);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
}

function append(element: Element, children: (Child | Child[])[]): void {
  for (const child of children.flat()) {
    if (child === null || child === undefined || child === false) continue;
    element.append(child instanceof Node ? child : String(child));
  }
}
