// What the page carries for the viewer, unpacked into typed arrays.

const ARRAY_KINDS = { i8: Int8Array, u8: Uint8Array, i16: Int16Array, u16: Uint16Array, u32: Uint32Array };

/** Typed array from {kind, data}: little-endian, base64. */
function unpack(packed) {
  const text = atob(packed.data);
  const bytes = new Uint8Array(text.length);
  for (let at = 0; at < text.length; at += 1) bytes[at] = text.charCodeAt(at);
  return new ARRAY_KINDS[packed.kind](bytes.buffer);
}

/** One bit per vertex, most significant first, as 0 or 1. */
function unpackBits(packed, count) {
  const bytes = unpack(packed);
  const flags = new Uint8Array(count);
  for (let at = 0; at < count; at += 1) flags[at] = (bytes[at >> 3] >> (7 - (at & 7))) & 1;
  return flags;
}

/** Integers times a step, in mm. */
function scaled(packed) {
  return Float32Array.from(unpack(packed), (value) => value * packed.step);
}

/** The whole view: arrays per vertex, lengths in mm, positions about the part's centre. */
function unpackView(raw) {
  const points = scaled(raw.points);
  const count = points.length / 3;
  return {
    count,
    points,
    centre: raw.centre_mm,
    normals: Float32Array.from(unpack(raw.normals), (value) => value / 127),
    face: unpack(raw.face),
    triangles: unpack(raw.triangles),
    edges: unpack(raw.edges),
    deviation: scaled(raw.deviation),
    deviationU: scaled(raw.U),
    isMeasured: unpackBits(raw.is_measured, count),
    wall: scaled(raw.wall),
    hasWall: unpackBits(raw.has_wall, count),
    isWallActual: unpackBits(raw.is_wall_actual, count),
  };
}

const MM_PER_INCH = 25.4;

/** Fixed decimals with a sign where asked, and never a minus before zero. */
function fixed(value, decimals, signed) {
  const text = (Number(value.toFixed(decimals)) + 0).toFixed(decimals);
  return signed && Number(text) > 0 ? `+${text}` : text;
}

function isInch() {
  return document.documentElement.dataset.unit === "in";
}

/** A departure: mm, or thousandths of an inch. */
function departureText(mm, signed) {
  return isInch() ? `${fixed((mm / MM_PER_INCH) * 1000, 1, signed)} thou` : `${fixed(mm, 3, signed)} mm`;
}

/** A size: mm, or inches. */
function sizeText(mm) {
  return isInch() ? `${fixed(mm / MM_PER_INCH, 4, false)} in` : `${fixed(mm, 3, false)} mm`;
}

/** A place on the part. */
function positionText(point) {
  const [scale, decimals, unit] = isInch() ? [1 / MM_PER_INCH, 2, "in"] : [1, 1, "mm"];
  return ["x", "y", "z"].map((axis, k) => `${axis} ${fixed(point[k] * scale, decimals, false)}`).join(", ") + ` ${unit}`;
}
