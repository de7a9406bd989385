// The camera: orbit, pan and zoom by mouse, touch and keyboard, and flights to a place.

const HOME = { azimuth: -0.9, elevation: 0.55 };
const FLIGHT_MS = 550;
const STEP_RAD = Math.PI / 24;

function clampElevation(angle) {
  return Math.max(-1.5533, Math.min(1.5533, angle));
}

/** Orthographic camera on a turntable about +z. */
function buildOrbit(stage, onChange) {
  const camera = new THREE.OrthographicCamera(-1, 1, 1, -1, 0.1, 10);
  camera.up.set(0, 0, 1);
  // a block is less high than its bounding sphere, so a wide view can be nearer
  const homeZoom = () => (stage.canvas.clientWidth > stage.canvas.clientHeight ? 1.22 : 1);
  const pose = { ...HOME, target: stage.middle.clone(), zoom: homeZoom() };
  let flight = 0;

  function toward(azimuth = pose.azimuth, elevation = pose.elevation) {
    return new THREE.Vector3(
      Math.cos(elevation) * Math.cos(azimuth),
      Math.cos(elevation) * Math.sin(azimuth),
      Math.sin(elevation),
    );
  }
  function apply() {
    const { clientWidth: width, clientHeight: height } = stage.canvas;
    const half = (stage.radius * 1.04) / pose.zoom;
    const aspect = Math.max(width, 1) / Math.max(height, 1);
    const [wide, tall] = aspect > 1 ? [half * aspect, half] : [half, half / aspect];
    camera.left = -wide;
    camera.right = wide;
    camera.top = tall;
    camera.bottom = -tall;
    camera.near = 0;
    camera.far = stage.radius * 8;
    stage.uniforms.towardEye.value.copy(toward());
    camera.position.copy(pose.target).addScaledVector(toward(), stage.radius * 4);
    camera.lookAt(pose.target);
    camera.updateProjectionMatrix();
    camera.updateMatrixWorld();
    onChange();
  }
  function turn(azimuthStep, elevationStep) {
    stop();
    pose.azimuth += azimuthStep;
    pose.elevation = clampElevation(pose.elevation + elevationStep);
    apply();
  }
  function pan(xPixels, yPixels) {
    stop();
    const scale = (camera.right - camera.left) / Math.max(stage.canvas.clientWidth, 1);
    const right = new THREE.Vector3().setFromMatrixColumn(camera.matrixWorld, 0);
    const up = new THREE.Vector3().setFromMatrixColumn(camera.matrixWorld, 1);
    pose.target.addScaledVector(right, -xPixels * scale).addScaledVector(up, yPixels * scale);
    apply();
  }
  function zoomBy(factor) {
    stop();
    pose.zoom = Math.max(0.4, Math.min(60, pose.zoom * factor));
    apply();
  }
  function stop() {
    cancelAnimationFrame(flight);
  }
  function flyTo(goal) {
    stop();
    const from = { ...pose, target: pose.target.clone() };
    const turnBy = Math.atan2(Math.sin(goal.azimuth - from.azimuth), Math.cos(goal.azimuth - from.azimuth));
    const isCalm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    const start = performance.now();
    function frame(now) {
      const part = isCalm ? 1 : Math.min(1, Math.max(0, (now - start) / FLIGHT_MS));
      const eased = part * part * (3 - 2 * part);
      pose.azimuth = from.azimuth + turnBy * eased;
      pose.elevation = from.elevation + (goal.elevation - from.elevation) * eased;
      pose.zoom = from.zoom * (goal.zoom / from.zoom) ** eased;
      pose.target.copy(from.target).lerp(goal.target, eased);
      apply();
      if (part < 1) flight = requestAnimationFrame(frame);
    }
    flight = requestAnimationFrame(frame);
  }
  function jumpTo(goal) {
    stop();
    Object.assign(pose, goal);
    apply();
  }
  function home() {
    flyTo({ ...HOME, target: stage.middle.clone(), zoom: homeZoom() });
  }
  return { camera, pose, toward, apply, turn, pan, zoomBy, flyTo, jumpTo, home };
}

/** Azimuth and elevation of a direction. */
function anglesOf(direction) {
  const { x, y, z } = direction.clone().normalize();
  return { azimuth: Math.atan2(y, x), elevation: clampElevation(Math.asin(Math.max(-1, Math.min(1, z)))) };
}

/** Mouse and touch: drag turns, shift or right drag and two fingers pan, wheel and pinch zoom. */
function listenToPointers(canvas, orbit, onTap) {
  const fingers = new Map();
  let travelled = 0;
  const spread = () => {
    const [a, b] = [...fingers.values()];
    return { x: (a.x + b.x) / 2, y: (a.y + b.y) / 2, gap: Math.hypot(a.x - b.x, a.y - b.y) };
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    if (fingers.size === 0) travelled = 0;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  });
  canvas.addEventListener("pointermove", (event) => {
    const last = fingers.get(event.pointerId);
    if (!last) return;
    const [dx, dy] = [event.clientX - last.x, event.clientY - last.y];
    travelled += Math.abs(dx) + Math.abs(dy);
    const before = fingers.size === 2 ? spread() : null;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (before) {
      const after = spread();
      orbit.pan(after.x - before.x, after.y - before.y);
      if (before.gap > 0) orbit.zoomBy(after.gap / before.gap);
    } else if (event.shiftKey || event.buttons & 2) orbit.pan(dx, dy);
    else if (travelled > 4) orbit.turn(-dx * 0.008, dy * 0.008);
  });
  const release = (event) => {
    const wasAlone = fingers.size === 1 && fingers.delete(event.pointerId);
    fingers.delete(event.pointerId);
    if (wasAlone && travelled <= 4 && event.type === "pointerup") onTap(event.clientX, event.clientY);
  };
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener(
    "wheel",
    (event) => {
      if (document.activeElement !== canvas && !event.ctrlKey) return; // until clicked, the wheel scrolls the page
      event.preventDefault();
      orbit.zoomBy(Math.exp(-event.deltaY * 0.0015));
    },
    { passive: false },
  );
}

/** Arrows turn, shift and arrows pan, plus and minus zoom, 0 shows the whole part, Enter reads the middle. */
function listenToKeys(canvas, orbit, onRead) {
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  canvas.addEventListener("keydown", (event) => {
    const arrow = arrows[event.key];
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (arrow && event.shiftKey) orbit.pan(-arrow[0] * 30, arrow[1] * 30);
    else if (arrow) orbit.turn(arrow[0] * STEP_RAD, arrow[1] * STEP_RAD);
    else if (event.key === "+" || event.key === "=") orbit.zoomBy(1.25);
    else if (event.key === "-") orbit.zoomBy(0.8);
    else if (event.key === "0" || event.key === "Home") orbit.home();
    else if (event.key === "Enter") onRead();
    else return;
    event.preventDefault();
  });
}
