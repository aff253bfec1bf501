// A piece's photo: zoom, and what a finding and its place have to do with each other.

import { Zoom } from "./zoom.js";

const drawing = document.querySelector("svg.photo");
if (drawing) {
  const tools = document.querySelector(".viewer .tools");
  tools.hidden = false;
  const letters = drawing.querySelector(".marks");
  const zoom = new Zoom([drawing], tools, ([, , wide]) => letters.setAttribute("font-size", (wide / 38).toFixed(2)));

  const places = [...drawing.querySelectorAll("[data-place]")];
  const rowsOf = (place) => place.dataset.place.split(" ").map((id) => document.getElementById(id)).filter(Boolean);
  const light = (place, on) => { for (const one of [place, ...rowsOf(place)]) one.classList.toggle("lit", on); };
  const only = (place, row) => {
    for (const other of places) light(other, false);
    place.classList.add("lit");
    row.classList.add("lit");
  };
  for (const place of places) {
    for (const one of [place, ...rowsOf(place)]) {
      for (const begin of ["pointerenter", "focusin"]) one.addEventListener(begin, () => (one === place ? light(place, true) : only(place, one)));
      for (const end of ["pointerleave", "focusout"]) one.addEventListener(end, () => light(place, false));
    }
    for (const row of rowsOf(place)) {
      row.querySelector(".show")?.addEventListener("click", (event) => {
        event.preventDefault();
        const box = place.querySelector("polygon").getBBox();
        zoom.look([box.x, box.y, box.width, box.height]);
        drawing.focus({ preventScroll: true });
        drawing.scrollIntoView({ block: "nearest" });
        only(place, row);
      });
    }
    place.addEventListener("click", (event) => {
      event.preventDefault();
      const row = rowsOf(place)[0];
      (row?.querySelector(".show") ?? row)?.focus();
    });
  }
}
