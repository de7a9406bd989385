// The mesh, its two maps, the section plane and the camera.

const VERTEX_SHADER = `
attribute float deviation;
attribute float isMeasured;
attribute float wall;
attribute float hasWall;
attribute float isChosen;
varying vec3 vPlace;
varying vec3 vNormal;
varying float vDeviation;
varying float vMeasured;
varying float vWall;
varying float vHasWall;
varying float vChosen;
void main() {
  vPlace = position;
  vNormal = normalMatrix * normal;
  vDeviation = deviation;
  vMeasured = isMeasured;
  vWall = wall;
  vHasWall = hasWall;
  vChosen = isChosen;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;

const FRAGMENT_SHADER = `
uniform bool showsWall;
uniform bool hasChoice;
uniform vec4 cut;
uniform vec4 stepsMm;
uniform vec3 excess[4];
uniform vec3 missing[4];
uniform vec3 inside;
uniform vec3 gap[2];
uniform vec3 cutColor;
uniform vec3 walls[8];
uniform float wallTopMm;
uniform float thinMm;
varying vec3 vPlace;
varying vec3 vNormal;
varying float vDeviation;
varying float vMeasured;
varying float vWall;
varying float vHasWall;
varying float vChosen;

float nearLine(float value, float line) {
  return 1.0 - smoothstep(0.4, 1.2, abs(value - line) / max(fwidth(value), 1e-7));
}
vec3 stripes() {
  return mod(floor((gl_FragCoord.x + gl_FragCoord.y) / 5.0), 2.0) < 0.5 ? gap[0] : gap[1];
}
vec3 deviationColor() {
  if (vMeasured < 0.5) return stripes();
  float size = abs(vDeviation);
  int band = size <= stepsMm.x ? -1 : size <= stepsMm.y ? 0 : size <= stepsMm.z ? 1 : size <= stepsMm.w ? 2 : 3;
  vec3 color = band < 0 ? inside : vDeviation > 0.0 ? excess[band] : missing[band];
  float line = max(max(nearLine(size, stepsMm.y), nearLine(size, stepsMm.z)), nearLine(size, stepsMm.w));
  return color * (1.0 - 0.14 * line);
}
vec3 wallColor() {
  if (vHasWall < 0.5) return stripes();
  float level = clamp(vWall / wallTopMm * 8.0, 0.0, 7.999);
  vec3 color = walls[int(level)];
  if (vWall < thinMm) {
    float dash = mod(floor((gl_FragCoord.x - gl_FragCoord.y) / 4.0), 3.0);
    color = dash < 0.5 ? vec3(1.0) : color;
  }
  return mix(color, vec3(1.0), 0.9 * nearLine(vWall, thinMm));
}
void main() {
  if (dot(cut.xyz, vPlace) > cut.w) discard;
  if (!gl_FrontFacing) { // the ray leaves material here, so it entered it at the cut
    gl_FragColor = vec4(cutColor, 1.0);
    return;
  }
  vec3 color = showsWall ? wallColor() : deviationColor();
  if (hasChoice && vChosen < 0.5) color = mix(color, vec3(0.975), 0.78);
  float light = max(dot(normalize(vNormal), normalize(vec3(-0.35, 0.5, 0.8))), 0.0);
  gl_FragColor = vec4(color * (0.74 + 0.26 * light), 1.0);
}`;

// An edge is drawn once for each of its two faces, and only for a face turned to the eye: what is seen
// through a cut from inside material is no edge.
const LINE_VERTEX_SHADER = `
uniform vec3 towardEye;
varying vec3 vPlace;
varying float vFacing;
void main() {
  vPlace = position;
  vFacing = dot(normal, towardEye);
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;
const LINE_FRAGMENT_SHADER = `
uniform vec4 cut;
varying vec3 vPlace;
varying float vFacing;
void main() {
  if (vFacing < 0.0 || dot(cut.xyz, vPlace) > cut.w) discard;
  gl_FragColor = vec4(0.36, 0.38, 0.40, 1.0);
}`;

const NO_CUT = [0, 0, 0, 1];

// Marks are drawn over everything, in the ink of the page, which is no colour of a map.
const MARK_VERTEX_SHADER = "void main() { gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0); }";
const MARK_FRAGMENT_SHADER = "void main() { gl_FragColor = vec4(0.08, 0.13, 0.17, 1.0); }";

function color01(rgb) {
  return new THREE.Vector3(rgb[0] / 255, rgb[1] / 255, rgb[2] / 255);
}

function sharedUniforms(raw) {
  const colors = raw.colors;
  return {
    cut: { value: new THREE.Vector4(...NO_CUT) },
    towardEye: { value: new THREE.Vector3(0, 0, 1) },
    showsWall: { value: false },
    hasChoice: { value: false },
    stepsMm: { value: new THREE.Vector4(...raw.steps_mm) },
    excess: { value: colors.excess.map(color01) },
    missing: { value: colors.missing.map(color01) },
    inside: { value: color01(colors.inside) },
    gap: { value: colors.not_measured.map(color01) },
    cutColor: { value: color01(colors.cut) },
    walls: { value: colors.wall.map(color01) },
    wallTopMm: { value: raw.wall_top_mm },
    thinMm: { value: raw.thin_mm },
  };
}

function buildGeometry(view) {
  const geometry = new THREE.BufferGeometry();
  const add = (name, values, size) => geometry.setAttribute(name, new THREE.BufferAttribute(values, size));
  add("position", view.points, 3);
  add("normal", view.normals, 3);
  add("deviation", view.deviation, 1);
  add("isMeasured", Float32Array.from(view.isMeasured), 1);
  add("wall", view.wall, 1);
  add("hasWall", Float32Array.from(view.hasWall), 1);
  add("isChosen", new Float32Array(view.count), 1);
  geometry.setIndex(new THREE.BufferAttribute(view.triangles, 1));
  geometry.computeBoundingSphere();
  return geometry;
}

/** Scene, renderer and everything that can be asked of them; draws only when something changed. */
function buildStage(canvas, context, view, raw) {
  const renderer = new THREE.WebGLRenderer({ canvas, context, alpha: true });
  renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
  const uniforms = sharedUniforms(raw);
  const geometry = buildGeometry(view);
  const mesh = new THREE.Mesh(
    geometry,
    new THREE.ShaderMaterial({
      uniforms,
      vertexShader: VERTEX_SHADER,
      fragmentShader: FRAGMENT_SHADER,
      side: THREE.DoubleSide,
      polygonOffset: true,
      polygonOffsetFactor: 1,
      polygonOffsetUnits: 1,
    }),
  );
  const lineGeometry = new THREE.BufferGeometry();
  lineGeometry.setAttribute("position", geometry.getAttribute("position"));
  lineGeometry.setAttribute("normal", geometry.getAttribute("normal"));
  lineGeometry.setIndex(new THREE.BufferAttribute(view.edges, 1));
  const lines = new THREE.LineSegments(
    lineGeometry,
    new THREE.ShaderMaterial({
      uniforms: { cut: uniforms.cut, towardEye: uniforms.towardEye },
      vertexShader: LINE_VERTEX_SHADER,
      fragmentShader: LINE_FRAGMENT_SHADER,
    }),
  );
  const marks = new THREE.LineSegments(
    new THREE.BufferGeometry(),
    new THREE.ShaderMaterial({ vertexShader: MARK_VERTEX_SHADER, fragmentShader: MARK_FRAGMENT_SHADER, depthTest: false }),
  );
  marks.renderOrder = 1;
  marks.visible = false;
  marks.frustumCulled = false;
  const scene = new THREE.Scene();
  scene.add(mesh, lines, marks);
  return { canvas, renderer, scene, mesh, lines, marks, uniforms, radius: geometry.boundingSphere.radius, middle: geometry.boundingSphere.center };
}

/** Draw the marks of what is picked out, before everything: a line through its points, and a cross at each end. */
function drawMarks(stage, view, marks) {
  const segments = [];
  const arm = 0.012 * stage.radius;
  for (const flat of marks) {
    const places = flat.map((value, at) => value - view.centre[at % 3]);
    const point = (at) => places.slice(3 * at, 3 * at + 3);
    const last = places.length / 3 - 1;
    for (let at = 0; at < last; at += 1) segments.push(...point(at), ...point(at + 1));
    for (const end of new Set([0, last])) {
      for (const axis of [0, 1, 2]) {
        for (const sign of [-1, 1]) segments.push(...point(end).map((value, k) => (k === axis ? value + sign * arm : value)));
      }
    }
  }
  stage.marks.geometry.dispose();
  stage.marks.geometry = new THREE.BufferGeometry();
  stage.marks.geometry.setAttribute("position", new THREE.BufferAttribute(Float32Array.from(segments), 3));
  stage.marks.visible = segments.length > 0;
}

/** Nearest hit of a ray that the section plane leaves standing, or null. */
function firstHit(stage, raycaster) {
  const cut = stage.uniforms.cut.value;
  const stands = (hit) => cut.x * hit.point.x + cut.y * hit.point.y + cut.z * hit.point.z <= cut.w + 1e-6;
  return raycaster.intersectObject(stage.mesh, false).find(stands) || null;
}

/** Half the free way from a place of the surface to the next surface before it, or a little where it is outside. */
function halfGap(stage, at, normal) {
  const start = at.clone().addScaledVector(normal, stage.radius * 0.004);
  const hit = new THREE.Raycaster(start, normal.clone()).intersectObject(stage.mesh, false)[0];
  return hit ? hit.distance / 2 : stage.radius * 0.012;
}

/** True where the eye, far away along `toward`, sees `point` with nothing in between. */
function isSeen(stage, point, toward) {
  const reach = stage.radius * 4;
  const start = point.clone().addScaledVector(toward, reach);
  const raycaster = new THREE.Raycaster(start, toward.clone().negate(), 0, reach - stage.radius * 0.004);
  return firstHit(stage, raycaster) === null;
}
