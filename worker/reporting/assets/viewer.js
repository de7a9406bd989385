// Ties the page to the viewer: unit, maps, section, places to show, picking.

const byId = (id) => document.getElementById(id);

/** The page works without the viewer; only the unit needs this. */
function startUnits(onChange) {
  const choose = (unit) => {
    document.documentElement.dataset.unit = unit;
    for (const button of document.querySelectorAll("[data-choose-unit]")) {
      button.setAttribute("aria-pressed", String(button.dataset.chooseUnit === unit));
    }
    onChange();
  };
  for (const button of document.querySelectorAll("[data-choose-unit]")) {
    button.addEventListener("click", () => choose(button.dataset.chooseUnit));
  }
}

function openDetailsForPrint() {
  window.addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details:not(.long)")) part.open = true;
  });
}

function startViewer(context) {
  const raw = JSON.parse(byId("view-data").textContent);
  const view = unpackView(raw);
  const canvas = byId("canvas");
  document.body.classList.add("has-gl"); // gives the canvas its size
  const stage = buildStage(canvas, context, view, raw);
  const state = { reading: null, mark: null, section: { axis: "off", isFlipped: false } };
  let isQueued = false;
  let settling = 0;
  const draw = () => {
    if (isQueued) return;
    isQueued = true;
    requestAnimationFrame(() => {
      isQueued = false;
      stage.renderer.render(stage.scene, orbit.camera);
      placePins(stage, orbit, view, state);
      clearTimeout(settling);
      settling = setTimeout(() => dimHiddenPins(stage, orbit, view), 200);
      canvas.dataset.view = [orbit.pose.azimuth, orbit.pose.elevation, orbit.pose.zoom].map((v) => v.toFixed(3)).join(" ");
    });
  };
  const orbit = buildOrbit(stage, draw);
  const viewer = { raw, view, stage, state, orbit, draw };

  new ResizeObserver(() => {
    stage.renderer.setSize(canvas.clientWidth, canvas.clientHeight, false);
    orbit.apply();
  }).observe(canvas);
  listenToPointers(canvas, orbit, (x, y) => pick(viewer, x, y));
  listenToKeys(canvas, orbit, () => {
    const box = canvas.getBoundingClientRect();
    pick(viewer, box.left + box.width / 2, box.top + box.height / 2);
  });
  canvas.addEventListener("webglcontextlost", (event) => {
    event.preventDefault();
    document.body.classList.remove("has-gl");
  });
  canvas.addEventListener("webglcontextrestored", () => {
    document.body.classList.add("has-gl");
    draw();
  });
  startControls(viewer);
  startShowing(viewer);
  stage.renderer.setSize(canvas.clientWidth, canvas.clientHeight, false);
  startAtFirstFinding(viewer);
  return viewer;
}

function startControls(viewer) {
  const { orbit } = viewer;
  for (const radio of document.querySelectorAll("input[name=map]")) {
    radio.addEventListener("change", () => setMap(viewer, radio.value));
  }
  byId("home").addEventListener("click", () => {
    highlight(viewer, "");
    setSection(viewer, "off", undefined, false);
    orbit.home();
  });
  byId("section-axis").addEventListener("change", () => setSection(viewer, byId("section-axis").value));
  byId("section-place").addEventListener("input", () => applySection(viewer));
  byId("section-flip").addEventListener("click", () => {
    viewer.state.section.isFlipped = !viewer.state.section.isFlipped;
    byId("section-flip").setAttribute("aria-pressed", String(viewer.state.section.isFlipped));
    applySection(viewer);
  });
  const choice = byId("highlight");
  if (choice) choice.addEventListener("change", () => highlight(viewer, choice.value));
  const first = document.querySelector("input[name=map]:checked");
  if (first) setMap(viewer, first.value);
}

function setMap(viewer, name) {
  viewer.stage.uniforms.showsWall.value = name === "wall";
  for (const radio of document.querySelectorAll("input[name=map]")) radio.checked = radio.value === name;
  for (const legend of document.querySelectorAll("[data-legend]")) legend.hidden = legend.dataset.legend !== name;
  writeReading(viewer);
  viewer.draw();
}

function highlight(viewer, key) {
  const chosen = viewer.raw.highlights[Number(key)];
  const attribute = viewer.stage.mesh.geometry.getAttribute("isChosen");
  viewer.stage.uniforms.hasChoice.value = Boolean(chosen);
  if (chosen) attribute.array.set(unpackBits(chosen.bits, viewer.view.count));
  attribute.needsUpdate = true;
  drawMarks(viewer.stage, viewer.view, chosen ? chosen.marks : []);
  const list = byId("highlight");
  if (list) list.value = chosen ? String(key) : "";
  viewer.draw();
}

const AXES = { x: 0, y: 1, z: 2 };

function axisSpan(viewer, axis) {
  const box = viewer.raw.bounds_mm;
  return [box[0][AXES[axis]], box[1][AXES[axis]]];
}

/** Cut across an axis at `place_mm` (middle if not given); "off" mends the part. */
function setSection(viewer, axis, place_mm, isFlipped) {
  const slider = byId("section-place");
  const { section } = viewer.state;
  section.axis = axis;
  if (isFlipped !== undefined) section.isFlipped = isFlipped;
  byId("section-axis").value = axis;
  byId("section-flip").setAttribute("aria-pressed", String(section.isFlipped));
  byId("section-tools").hidden = axis === "off";
  if (axis !== "off") {
    const [low, high] = axisSpan(viewer, axis);
    slider.value = String(place_mm === undefined ? 500 : (1000 * (place_mm - low)) / (high - low));
  }
  applySection(viewer);
}

function applySection(viewer) {
  const { section } = viewer.state;
  const cut = viewer.stage.uniforms.cut.value;
  const output = byId("section-value");
  if (section.axis === "off") {
    cut.set(...NO_CUT);
    output.textContent = "";
  } else {
    const [low, high] = axisSpan(viewer, section.axis);
    const place = low + ((high - low) * Number(byId("section-place").value)) / 1000;
    const sign = section.isFlipped ? -1 : 1;
    const normal = [0, 0, 0];
    normal[AXES[section.axis]] = sign;
    cut.set(...normal, sign * (place - viewer.view.centre[AXES[section.axis]]));
    output.textContent = `${section.axis} = ${isInch() ? fixed(place / MM_PER_INCH, 2) + " in" : fixed(place, 1) + " mm"}`;
    byId("section-place").setAttribute("aria-valuetext", output.textContent);
  }
  viewer.draw();
}

function startShowing(viewer) {
  for (const button of document.querySelectorAll("[data-show]")) {
    button.addEventListener("click", () => {
      const point = button.dataset.show ? button.dataset.show.split(",").map(Number) : null;
      showPlace(viewer, { point, map: button.dataset.map, highlight: button.dataset.highlight });
      const box = byId("stage").getBoundingClientRect();
      if (box.top < 0 || box.top > window.innerHeight * 0.6) byId("viewer").scrollIntoView({ block: "start" });
    });
  }
}

/** Fly to a place of the part: from outside where it can be seen, through a cut where it cannot. */
function showPlace(viewer, wanted) {
  const { stage, view, orbit, state } = viewer;
  highlight(viewer, wanted.highlight === undefined ? "" : wanted.highlight);
  if (wanted.map) setMap(viewer, wanted.map);
  if (!wanted.point) return orbit.home();
  const { vertex, at, toward } = approach(viewer, wanted.point);
  state.mark = at;
  read(viewer, vertex, at);
  return orbit.flyTo({ ...anglesOf(toward), target: at.clone().lerp(stage.middle, 0.25), zoom: 1.9 });
}

/** The first thing seen: the whole part, so turned, and if need be cut open, that the first finding shows. */
function startAtFirstFinding(viewer) {
  const first = document.querySelector(".finding .show");
  if (!first) return viewer.orbit.apply();
  if (first.dataset.map) setMap(viewer, first.dataset.map);
  const { toward } = approach(viewer, first.dataset.show.split(",").map(Number));
  return viewer.orbit.jumpTo(anglesOf(toward));
}

/** Where to look at a place from; cuts the part open if that is what it takes. */
function approach(viewer, point) {
  const { stage, view } = viewer;
  setSection(viewer, "off", undefined, false);
  const vertex = nearestVertex(view, new THREE.Vector3(...point.map((value, k) => value - view.centre[k])));
  const at = vertexPlace(view, vertex);
  const normal = new THREE.Vector3().fromArray(view.normals, 3 * vertex);
  return { vertex, at, toward: seenFrom(stage, at, normal) || cutTo(viewer, at, normal) };
}

/** The unhidden direction nearest to the surface's own, a little from above; null if it is hidden from all. */
function seenFrom(stage, at, normal) {
  const wished = normal.clone().add(new THREE.Vector3(0.25, -0.35, 0.4)).normalize();
  const tries = [wished, normal.clone()];
  for (const x of [-1, 0, 1]) for (const y of [-1, 0, 1]) for (const z of [-1, 0, 1]) {
    // a little off the axes, so that a box never shows one face alone
    if (x || y || z) tries.push(new THREE.Vector3(x * 0.9 - y * 0.4, x * 0.4 + y * 0.9, z + 0.1).normalize());
  }
  const usable = tries.filter((direction) => direction.dot(normal) > 0.25).sort((a, b) => b.dot(wished) - a.dot(wished));
  return usable.find((direction) => isSeen(stage, at, direction)) || null;
}

/** Cut the part open just before the place; returns the direction to look from. */
function cutTo(viewer, at, normal) {
  const sizes = [normal.x, normal.y, normal.z].map(Math.abs);
  const k = sizes.indexOf(Math.max(...sizes));
  const sign = Math.sign([normal.x, normal.y, normal.z][k]) || 1;
  const ahead = halfGap(viewer.stage, at, normal) * sizes[k];
  const place = at.getComponent(k) + viewer.view.centre[k] + sign * ahead;
  setSection(viewer, ["x", "y", "z"][k], place, sign < 0);
  const toward = normal.clone().multiplyScalar(0.3).add(new THREE.Vector3(0.25, -0.3, 0.35));
  toward.setComponent(k, sign);
  return toward;
}

function vertexPlace(view, vertex) {
  return new THREE.Vector3().fromArray(view.points, 3 * vertex);
}

function nearestVertex(view, place) {
  let [best, least] = [0, Infinity];
  for (let at = 0; at < view.count; at += 1) {
    const dx = view.points[3 * at] - place.x;
    const dy = view.points[3 * at + 1] - place.y;
    const dz = view.points[3 * at + 2] - place.z;
    const far = dx * dx + dy * dy + dz * dz;
    if (far < least) [best, least] = [at, far];
  }
  return best;
}

function pick(viewer, clientX, clientY) {
  const { stage, view, state } = viewer;
  const box = stage.canvas.getBoundingClientRect();
  const spot = new THREE.Vector2(((clientX - box.left) / box.width) * 2 - 1, 1 - ((clientY - box.top) / box.height) * 2);
  const raycaster = new THREE.Raycaster();
  raycaster.setFromCamera(spot, viewer.orbit.camera);
  const hit = firstHit(stage, raycaster);
  if (!hit) {
    state.reading = state.mark = null;
    writeReading(viewer);
    return viewer.draw();
  }
  const corners = [hit.face.a, hit.face.b, hit.face.c];
  const gap = (vertex) => vertexPlace(view, vertex).distanceToSquared(hit.point);
  const vertex = corners.sort((a, b) => gap(a) - gap(b))[0];
  state.mark = hit.point.clone();
  read(viewer, vertex, hit.point);
  return viewer.draw();
}

function read(viewer, vertex, place) {
  viewer.state.reading = { vertex, point: [place.x, place.y, place.z].map((value, k) => value + viewer.view.centre[k]) };
  writeReading(viewer);
}

/** The reading below the view: value, how sure, where, which face. */
function writeReading(viewer) {
  const { raw, view, state, stage } = viewer;
  const [value, where] = [byId("reading-value"), byId("reading-where")];
  if (!state.reading) {
    value.textContent = "Click or tap the part to read a value.";
    where.textContent = "";
    return;
  }
  const at = state.reading.vertex;
  value.textContent = stage.uniforms.showsWall.value ? wallReading(view, at) : deviationReading(view, at);
  const [face, diameter] = [raw.faces[view.face[at]] || "", raw.diameters_mm[view.face[at]]];
  where.textContent = [positionText(state.reading.point), face, diameter ? `nominal diameter ${sizeText(diameter)}` : ""].filter(Boolean).join(" · ");
}

function deviationReading(view, at) {
  if (!view.isMeasured[at]) return "Not measured here.";
  const side = view.deviation[at] >= 0 ? "excess" : "missing";
  return `Deviation ${departureText(view.deviation[at], true)} (${side}) ± ${departureText(view.deviationU[at], false)}`;
}

function wallReading(view, at) {
  if (!view.hasWall[at]) return "No wall found here.";
  const kind = view.isWallActual[at] ? "Wall of the piece" : "Wall of nominal (piece not measured here)";
  return `${kind} ${sizeText(view.wall[at])}`;
}

/** Numbered pins over the view, and the ring at the place being read. */
function placePins(stage, orbit, view, state) {
  const { clientWidth: width, clientHeight: height } = stage.canvas;
  const move = (element, place) => {
    const seen = place.clone().project(orbit.camera);
    const [x, y] = [((seen.x + 1) / 2) * width, ((1 - seen.y) / 2) * height];
    element.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`;
    element.hidden = x < 0 || y < 0 || x > width || y > height;
  };
  for (const pin of document.querySelectorAll(".pin")) {
    move(pin, new THREE.Vector3(...pin.dataset.show.split(",").map((value, k) => Number(value) - view.centre[k])));
  }
  const ring = byId("ring");
  ring.hidden = !state.mark;
  if (state.mark) move(ring, state.mark);
}

/** Pins of places that lie behind something are drawn hollow; only worth asking once the view stands still. */
function dimHiddenPins(stage, orbit, view) {
  const toward = orbit.toward();
  for (const pin of document.querySelectorAll(".pin")) {
    const place = new THREE.Vector3(...pin.dataset.show.split(",").map((value, k) => Number(value) - view.centre[k]));
    pin.classList.toggle("behind", !isSeen(stage, place, toward));
  }
}

let viewer = null;
startUnits(() => {
  if (viewer) {
    writeReading(viewer);
    applySection(viewer);
  }
});
openDetailsForPrint();
const context = byId("canvas").getContext("webgl2", { antialias: true, alpha: true });
if (context) viewer = startViewer(context);
else byId("no-gl").hidden = false; // the still picture stays, everything else is in the tables
