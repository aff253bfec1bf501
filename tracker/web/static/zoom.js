// Zoom for drawings: several SVGs that show the same box of one plane, moved together by wheel, fingers, keys, buttons.

const CLOSEST = 40; // times nearer than at first
const SLIP = 5; // pixels: less is a press, not a pull

export class Zoom {
  /**
   * @param {SVGSVGElement[]} drawings that share their units
   * @param {Element} tools holds buttons with data-zoom="in|out|home|whole|left|right|up|down"
   * @param {(box: number[]) => void} moved is told the box after every change
   */
  constructor(drawings, tools, moved = () => {}) {
    this.drawings = drawings;
    this.moved = moved;
    this.home = numbers(drawings[0].dataset.home || drawings[0].getAttribute("viewBox"));
    this.whole = numbers(drawings[0].dataset.whole) || this.home;
    this.box = this.home;
    this.fingers = new Map();
    for (const one of drawings) this.listen(one);
    tools.addEventListener("click", (event) => {
      const button = event.target.closest("[data-zoom]");
      if (button) this.act(button.dataset.zoom);
    });
    this.set(this.box);
  }

  listen(one) {
    one.addEventListener("keydown", (event) => this.key(event));
    // Without the focus the wheel scrolls the page, as everywhere.
    one.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== one) return;
      event.preventDefault();
      this.at(event.deltaY < 0 ? 1.2 : 1 / 1.2, point(one, event));
    }, { passive: false });
    one.addEventListener("dblclick", (event) => { event.preventDefault(); this.at(2, point(one, event)); });
    one.addEventListener("pointerdown", (event) => this.fingers.set(event.pointerId, event));
    one.addEventListener("pointermove", (event) => this.drag(one, event));
    // Pulling at a place in the picture moves the picture, not the link.
    one.addEventListener("dragstart", (event) => event.preventDefault());
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) one.addEventListener(end, (event) => this.fingers.delete(event.pointerId));
  }

  key(event) {
    const does = { "+": "in", "=": "in", "-": "out", "_": "out", "0": "home", ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down" }[event.key];
    if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
    // At first size arrows scroll the page.
    if (event.key.startsWith("Arrow") && !this.near()) return;
    event.preventDefault();
    this.act(does);
  }

  act(does) {
    const [x, y, w, h] = this.box;
    const step = 0.2;
    if (does === "in") this.at(1.4, [x + w / 2, y + h / 2]);
    else if (does === "out") this.at(1 / 1.4, [x + w / 2, y + h / 2]);
    else if (does === "home") this.set(this.home);
    else if (does === "whole") this.set(this.whole);
    else if (does === "left") this.set([x - step * w, y, w, h]);
    else if (does === "right") this.set([x + step * w, y, w, h]);
    else if (does === "up") this.set([x, y - step * h, w, h]);
    else if (does === "down") this.set([x, y + step * h, w, h]);
  }

  drag(one, event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    if (!one.hasPointerCapture(event.pointerId)) {
      // Captured at once, a press on a place in the picture would no longer be its own.
      if (this.fingers.size === 1 && far(event, before) < SLIP) return;
      one.setPointerCapture(event.pointerId);
    }
    const others = [...this.fingers.values()].filter((finger) => finger.pointerId !== event.pointerId);
    const scale = this.box[2] / one.getBoundingClientRect().width;
    if (others.length) {
      const other = others[0];
      const [now, then] = [far(event, other), far(before, other)];
      if (then > 0) this.at(now / then, point(one, { clientX: (event.clientX + other.clientX) / 2, clientY: (event.clientY + other.clientY) / 2 }));
    } else if (event.pointerType === "mouse" || this.near()) {
      const [x, y, w, h] = this.box;
      this.set([x - (event.clientX - before.clientX) * scale, y - (event.clientY - before.clientY) * scale, w, h]);
    }
    this.fingers.set(event.pointerId, event);
  }

  /** Whether it shows less than at first. */
  near() { return this.box[2] < 0.98 * this.home[2]; }

  /** Come nearer by a factor, one place staying where it is. */
  at(factor, [cx, cy]) {
    const [x, y, w, h] = this.box;
    const wide = Math.min(Math.max(w / factor, this.home[2] / CLOSEST), Math.max(this.whole[2], this.home[2]));
    const by = wide / w;
    this.set([cx - (cx - x) * by, cy - (cy - y) * by, wide, h * by]);
  }

  /** Look at a box, with air around it. */
  look([x, y, w, h]) {
    const wide = Math.min(Math.max(2.5 * w, 2.5 * h * this.home[2] / this.home[3], this.home[2] / CLOSEST), this.home[2]);
    const high = wide * this.home[3] / this.home[2];
    this.set([x + w / 2 - wide / 2, y + h / 2 - high / 2, wide, high]);
  }

  set([x, y, w, h]) {
    const [left, top, wide, high] = this.whole;
    // The middle never leaves what there is.
    const middle = [clamp(x + w / 2, left, left + wide), clamp(y + h / 2, top, top + high)];
    this.box = [middle[0] - w / 2, middle[1] - h / 2, w, h];
    for (const one of this.drawings) {
      one.setAttribute("viewBox", this.box.map((value) => value.toFixed(2)).join(" "));
      one.classList.toggle("near", this.near());
    }
    this.moved(this.box);
  }
}

function numbers(text) { return text ? text.trim().split(/\s+/).map(Number) : null; }
function clamp(value, low, high) { return Math.min(Math.max(value, low), high); }
function far(a, b) { return Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY); }
function point(drawing, event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(drawing.getScreenCTM().inverse());
  return [at.x, at.y];
}
