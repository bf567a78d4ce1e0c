/** The few materials of the scene. Written by hand: flat facets need no normals, tubes keep a least width in pixels. */

import { Color, DoubleSide, FrontSide, GreaterDepth, LessEqualDepth, type Plane, ShaderMaterial, type Side, type Texture } from "three";

/** Shared by all materials that keep a least width; refreshed before each frame. */
export const pixel = {
  /** Metres that one pixel covers at a distance of one metre (perspective), or anywhere (orthographic). */
  size: { value: 0.001 },
  perspective: { value: 1 },
};

const CLIP_VERTEX_HEAD = "#include <clipping_planes_pars_vertex>";
const CLIP_FRAGMENT_HEAD = "#include <clipping_planes_pars_fragment>";

/** Facets: light comes from the viewer and a little from above, so that floors, walls and slopes differ. */
export function facets(colour: string, opacity: number, planes: Plane[], shade = 0): ShaderMaterial {
  return new ShaderMaterial({
    uniforms: { tone: { value: new Color(colour).multiplyScalar(1 - shade) }, opacity: { value: opacity } },
    vertexShader: `
      ${CLIP_VERTEX_HEAD}
      varying vec3 seen;
      varying vec3 place;
      void main() {
        vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
        seen = mvPosition.xyz;
        place = position;
        gl_Position = projectionMatrix * mvPosition;
        #include <clipping_planes_vertex>
      }`,
    fragmentShader: `
      uniform vec3 tone;
      uniform float opacity;
      varying vec3 seen;
      varying vec3 place;
      ${CLIP_FRAGMENT_HEAD}
      void main() {
        #include <clipping_planes_fragment>
        vec3 facing = normalize(cross(dFdx(seen), dFdy(seen)));
        float up = abs(normalize(cross(dFdx(place), dFdy(place))).z);
        float light = 0.62 + 0.26 * abs(facing.z) + 0.14 * up;
        gl_FragColor = vec4(tone * light, opacity);
        #include <colorspace_fragment>
      }`,
    side: DoubleSide,
    clipping: true,
    clippingPlanes: planes,
    transparent: opacity < 1,
    depthWrite: opacity >= 1,
    polygonOffset: true,
    polygonOffsetFactor: 1,
    polygonOffsetUnits: 1,
  });
}

const LEAST_WIDTH = `
  uniform float pixelSize;
  uniform float perspective;
  uniform float leastPixels;
  float drawnRadius(float radius, float depth) {
    return max(radius, 0.5 * leastPixels * pixelSize * mix(1.0, depth, perspective));
  }`;

export interface TubeLook {
  /** One texel per run: colour, and in alpha pattern and state. */
  states?: Texture;
  /** Used where there is no texture. */
  colour?: string;
  opacity?: number;
  leastPixels: number;
  girth?: number;
  /** 0 plain, 1 rings, 2 dashes, 3 hatched. */
  pattern?: number;
  side?: Side;
  /** Added to the radius, in pixels: an outline. */
  morePixels?: number;
  /** Drawn only where something stands in front. */
  behind?: boolean;
}

/** Tubes of true radius that never get thinner than some pixels; patterns keep their size on the screen. */
export function tubeMaterial(look: TubeLook, planes: Plane[]): ShaderMaterial {
  const opacity = look.opacity ?? 1;
  return new ShaderMaterial({
    defines: look.states ? { STATES: 1 } : {},
    uniforms: {
      pixelSize: pixel.size,
      perspective: pixel.perspective,
      leastPixels: { value: look.leastPixels },
      girth: { value: look.girth ?? 1 },
      morePixels: { value: look.morePixels ?? 0 },
      states: { value: look.states ?? null },
      tone: { value: new Color(look.colour ?? "#000000") },
      ink: { value: new Color("#282c32") },
      opacity: { value: opacity },
      only: { value: look.pattern ?? 0 },
    },
    vertexShader: `
      ${CLIP_VERTEX_HEAD}
      ${LEAST_WIDTH}
      uniform float girth;
      uniform float morePixels;
      attribute vec3 outward;
      attribute float along;
      attribute float radius;
      attribute float owner;
      varying vec3 facing;
      varying float at;
      varying float period;
      varying float whose;
      void main() {
        vec4 centre = modelViewMatrix * vec4(position, 1.0);
        float drawn = drawnRadius(radius, -centre.z) * girth;
        float step = pixelSize * mix(1.0, -centre.z, perspective);
        drawn += morePixels * step;
        facing = normalMatrix * outward;
        // cut at the middle line: thickness drawn for visibility must not reach into a slice
        vec4 mvPosition = centre;
        at = along;
        // pattern sizes double instead of growing, so that they stand still while one comes nearer
        period = 22.0 * radius * exp2(ceil(log2(max(drawn / radius, 1.0)) - 0.01));
        whose = owner;
        gl_Position = projectionMatrix * (centre + vec4(facing * drawn, 0.0));
        #include <clipping_planes_vertex>
      }`,
    fragmentShader: `
      uniform vec3 tone;
      uniform vec3 ink;
      uniform float opacity;
      uniform float only;
      uniform sampler2D states;
      varying vec3 facing;
      varying float at;
      varying float period;
      varying float whose;
      ${CLIP_FRAGMENT_HEAD}
      void main() {
        #include <clipping_planes_fragment>
        vec3 colour = tone;
        float pattern = only;
        #ifdef STATES
          int k = int(whose + 0.5);
          vec4 state = texelFetch(states, ivec2(k % 256, k / 256), 0);
          float code = floor(state.a * 255.0 + 0.5);
          if (mod(code, 2.0) < 0.5) discard;
          pattern = floor(code / 8.0);
          colour = pow(state.rgb, vec3(2.2));
          if (mod(floor(code / 2.0), 2.0) > 0.5) colour = mix(colour, vec3(0.75), 0.5);
        #endif
        float share = fract(at / period);
        float light = 0.58 + 0.42 * abs(normalize(facing).z);
        if (pattern > 2.5) { if (fract(at / period * 2.0) > 0.5) colour = mix(colour, vec3(1.0), 0.55); }
        else if (pattern > 1.5) { if (share > 0.6) discard; }
        else if (pattern > 0.5) { if (abs(share - 0.5) < 0.075) colour = ink; }
        gl_FragColor = vec4(colour * light, opacity);
        #include <colorspace_fragment>
      }`,
    side: look.side ?? FrontSide,
    clipping: true,
    clippingPlanes: planes,
    transparent: opacity < 1,
    depthWrite: opacity >= 1,
    depthFunc: look.behind ? GreaterDepth : LessEqualDepth,
  });
}

/** Marks on runs (clips, rings, ends): one shape, placed many times, sized in radii of the cable as drawn. */
export function markMaterial(colour: string, states: Texture, leastPixels: number, planes: Plane[]): ShaderMaterial {
  return new ShaderMaterial({
    uniforms: {
      pixelSize: pixel.size,
      perspective: pixel.perspective,
      leastPixels: { value: leastPixels },
      tone: { value: new Color(colour) },
      states: { value: states },
    },
    vertexShader: `
      ${CLIP_VERTEX_HEAD}
      ${LEAST_WIDTH}
      uniform sampler2D states;
      attribute vec3 centre;
      attribute vec3 across;
      attribute vec3 along;
      attribute float radius;
      attribute float owner;
      varying vec3 seen;
      void main() {
        int k = int(owner + 0.5);
        float code = floor(texelFetch(states, ivec2(k % 256, k / 256), 0).a * 255.0 + 0.5);
        vec4 middle = modelViewMatrix * vec4(centre, 1.0);
        float drawn = drawnRadius(radius, -middle.z) * mod(code, 2.0);
        vec3 turned = across * position.x + cross(along, across) * position.y + along * position.z;
        vec4 corner = modelViewMatrix * vec4(centre + turned * drawn, 1.0);
        seen = corner.xyz;
        gl_Position = projectionMatrix * corner;
        vec4 mvPosition = middle;
        #include <clipping_planes_vertex>
      }`,
    fragmentShader: `
      uniform vec3 tone;
      varying vec3 seen;
      ${CLIP_FRAGMENT_HEAD}
      void main() {
        #include <clipping_planes_fragment>
        vec3 facing = normalize(cross(dFdx(seen), dFdy(seen)));
        gl_FragColor = vec4(tone * (0.55 + 0.45 * abs(facing.z)), 1.0);
        #include <colorspace_fragment>
      }`,
    side: DoubleSide,
    clipping: true,
    clippingPlanes: planes,
  });
}

const FINE_M = 0.01; // metres per pixel up to which edge lines are drawn in full
const COARSE_M = 0.06; // from here on they would only darken the picture

/** Thin lines in one colour; `thinning` ones fade where so many of them share a pixel that they would hide the rest. */
export function lineMaterial(colour: string, opacity: number, planes: Plane[], thinning = false): ShaderMaterial {
  return new ShaderMaterial({
    uniforms: {
      tone: { value: new Color(colour) },
      opacity: { value: opacity },
      pixelSize: pixel.size,
      perspective: pixel.perspective,
      thinning: { value: thinning ? 1 : 0 },
    },
    vertexShader: `
      ${CLIP_VERTEX_HEAD}
      uniform float pixelSize;
      uniform float perspective;
      uniform float thinning;
      varying float strength;
      void main() {
        vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
        float step = pixelSize * mix(1.0, max(-mvPosition.z, 0.0), perspective);
        strength = 1.0 - thinning * 0.88 * smoothstep(log(${FINE_M}), log(${COARSE_M}), log(step));
        gl_Position = projectionMatrix * mvPosition;
        #include <clipping_planes_vertex>
      }`,
    fragmentShader: `
      uniform vec3 tone;
      uniform float opacity;
      varying float strength;
      ${CLIP_FRAGMENT_HEAD}
      void main() {
        #include <clipping_planes_fragment>
        gl_FragColor = vec4(tone, opacity * strength);
        #include <colorspace_fragment>
      }`,
    clipping: true,
    clippingPlanes: planes,
    transparent: opacity < 1 || thinning,
    depthWrite: opacity >= 1 && !thinning,
  });
}
