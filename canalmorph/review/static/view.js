// Pictures in millimetres: a film or a section as SVG over greys that follow window and level.
import { make } from "./talk.js";

export const HANDLE_STEP_MM = 0.5;

// A picture's edges in view: x runs to the viewer's right, y down.
export class View {
  constructor(svg) {
    this.svg = svg;
    this.zoom = 1;
    this.centre = null;
    this.box = null;
    this.image = make("image", { preserveAspectRatio: "none" });
    this.lines = make("g");
    this.over = make("g");
    svg.replaceChildren(this.image, this.lines, this.over);
    svg.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.setZoom(Math.min(6, Math.max(1, this.zoom * (event.deltaY < 0 ? 1.15 : 1 / 1.15))), this.toMm(event));
    }, { passive: false });
  }

  // across and down: outer edges in mm; sign -1 where the first axis runs to the left.
  place(across, down, sign) {
    this.sign = sign;
    const [x0, x1] = [sign * across[0], sign * across[1]].sort((a, b) => a - b);
    this.box = { x: x0, y: down[0], width: x1 - x0, height: down[1] - down[0] };
    for (const [name, value] of Object.entries(this.box)) { this.image.setAttribute(name, value); }
    this.image.removeAttribute("transform");
    if (sign < 0) { this.image.setAttribute("transform", `translate(${x0 + x1} 0) scale(-1 1)`); }
    this.frame();
  }

  setZoom(zoom, about = null) {
    this.zoom = zoom;
    if (zoom === 1) { this.centre = null; } else if (about || !this.centre) { this.centre = about || this.middle(); }
    this.frame();
    this.svg.dispatchEvent(new CustomEvent("zoomed", { detail: zoom }));
  }

  middle() {
    return { x: this.box.x + this.box.width / 2, y: this.box.y + this.box.height / 2 };
  }

  frame() {
    if (!this.box) { return; }
    const { x, y } = this.centre || this.middle();
    const width = this.box.width / this.zoom;
    const height = this.box.height / this.zoom;
    this.svg.setAttribute("viewBox", `${x - width / 2} ${y - height / 2} ${width} ${height}`);
    // Letters are as large at any zoom.
    this.svg.style.setProperty("--pixel", `${this.pixelMm()}px`);
  }

  toMm(event) {
    const point = this.svg.createSVGPoint();
    point.x = event.clientX;
    point.y = event.clientY;
    return point.matrixTransform(this.svg.getScreenCTM().inverse());
  }

  // Width of a screen pixel, so that grips are as large at any zoom.
  pixelMm() {
    const matrix = this.svg.getScreenCTM();
    return matrix ? 1 / Math.hypot(matrix.a, matrix.b) : 0.5;
  }
}

// Greys of raw values under a window; drawn anew when it changes.
export class Greys {
  constructor(view) {
    this.view = view;
    this.canvas = document.createElement("canvas");
    this.values = null;
  }

  setValues(values, width, height) {
    this.values = values;
    this.canvas.width = width;
    this.canvas.height = height;
  }

  draw(low, high) {
    if (!this.values) { return; }
    const context = this.canvas.getContext("2d");
    const picture = context.createImageData(this.canvas.width, this.canvas.height);
    const scale = 255 / Math.max(1, high - low);
    for (let place = 0; place < this.values.length; place += 1) {
      const grey = (this.values[place] - low) * scale;
      picture.data[4 * place] = picture.data[4 * place + 1] = picture.data[4 * place + 2] = grey;
      picture.data[4 * place + 3] = 255;
    }
    context.putImageData(picture, 0, 0);
    this.view.image.setAttribute("href", this.canvas.toDataURL());
  }
}

export async function loadFilm(path) {
  const image = new Image();
  image.src = path;
  await image.decode();
  const canvas = document.createElement("canvas");
  canvas.width = image.naturalWidth;
  canvas.height = image.naturalHeight;
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(image, 0, 0);
  const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
  const values = new Float32Array(canvas.width * canvas.height);
  for (let place = 0; place < values.length; place += 1) { values[place] = data[4 * place]; }
  return { values, width: canvas.width, height: canvas.height };
}

export function unpackValues(text) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const numbers = new DataView(bytes.buffer);
  const values = new Float32Array(bytes.length / 2);
  for (let place = 0; place < values.length; place += 1) { values[place] = numbers.getInt16(2 * place, true); }
  return values;
}

// Path through points, broken where one is not known.
export function tracePath(points, closed) {
  let path = "";
  let drawing = false;
  const all = closed && points.length ? [...points, points[0]] : points;
  for (const point of all) {
    if (!point || point[0] === null || point[1] === null) { drawing = false; continue; }
    path += `${drawing ? "L" : "M"}${point[0]} ${point[1]}`;
    drawing = true;
  }
  return path;
}

// A grip that a pointer drags and arrow keys move; told where it is let go.
export function makeHandle(view, { name, x, y, limits, still, onMove, onDrop, parts }) {
  const grip = view.pixelMm();
  const group = make("g", {
    class: "handle" + (still ? " still" : ""), tabindex: still ? -1 : 0, role: "slider",
    "aria-label": name, "aria-valuenow": (limits === "x" ? x : -y).toFixed(1),
    "aria-valuetext": `${(limits === "x" ? x : -y).toFixed(1)} mm`, "data-handle": name
  }, make("title", {}, name));
  const at = { x, y };
  const shapes = parts(at, grip);
  group.append(...shapes);
  const shift = (dx, dy) => {
    at.x = limits === "y" ? x : x + dx;
    at.y = limits === "x" ? y : y + dy;
    group.setAttribute("transform", `translate(${at.x - x} ${at.y - y})`);
    group.setAttribute("aria-valuenow", (limits === "x" ? at.x : -at.y).toFixed(1));
    group.setAttribute("aria-valuetext", `${(limits === "x" ? at.x : -at.y).toFixed(1)} mm`);
    if (onMove) { onMove(at); }
  };
  let start = null;
  group.addEventListener("pointerdown", (event) => {
    if (still) { return; }
    event.preventDefault();
    event.stopPropagation();
    group.focus();
    group.setPointerCapture(event.pointerId);
    start = view.toMm(event);
  });
  group.addEventListener("pointermove", (event) => {
    if (!start) { return; }
    const here = view.toMm(event);
    shift(here.x - start.x, here.y - start.y);
  });
  group.addEventListener("pointerup", () => {
    const moved = start && (at.x !== x || at.y !== y);
    start = null;
    if (moved) { onDrop(at); }
  });
  let waiting = 0;
  group.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 10 * HANDLE_STEP_MM : HANDLE_STEP_MM;
    const moves = { ArrowUp: [0, -step], ArrowDown: [0, step], ArrowLeft: [-step, 0], ArrowRight: [step, 0] };
    if (!moves[event.key] || still) { return; }
    event.preventDefault();
    event.stopPropagation();
    shift(at.x - x + moves[event.key][0], at.y - y + moves[event.key][1]);
    // One mark for a row of keys.
    clearTimeout(waiting);
    waiting = setTimeout(() => onDrop(at), 350);
  });
  return group;
}
