// Two tops at the same place: alternately, or one fading into the other; zoom moves both together.

import { Zoom } from "./zoom.js";

// WCAG 2.2, 2.3.1: at most three flashes a second. A flash is there and back, so this is under two and a half.
const SOONEST_MS = 200;

const stage = document.querySelector(".stage");
if (stage) begin(stage);

function begin(stage) {
  const over = stage.querySelector(".over"), beside = stage.querySelector(".beside"), tools = stage.querySelectorAll(".tools");
  const [one, other] = over.querySelectorAll("image");
  const blink = stage.querySelector("[data-does=blink]"), change = stage.querySelector("[data-does=switch]");
  const said = stage.querySelector(".which"), fade = stage.querySelector("input[type=range]"), fadeShare = stage.querySelector("output");
  const names = [over.dataset.one, over.dataset.other];
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  let second = false, timer = 0, last = 0;
  for (const one of tools) one.hidden = false;
  new Zoom([...stage.querySelectorAll("svg")], stage);

  const mode = () => stage.querySelector("[name=mode]:checked").value;
  const draw = () => {
    const now = mode();
    over.hidden = now === "beside";
    beside.hidden = now !== "beside";
    for (const part of stage.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== now;
    const share = now === "fade" ? Number(fade.value) / 100 : second ? 1 : 0;
    one.setAttribute("opacity", now === "fade" ? 1 : 1 - share);
    other.setAttribute("opacity", share);
    said.textContent = now === "fade" ? `${names[0]} under ${names[1]}` : names[second ? 1 : 0];
    fadeShare.textContent = `${fade.value} % ${names[1]}`;
  };
  const swap = () => { second = !second; last = performance.now(); draw(); };
  const stop = () => {
    clearInterval(timer);
    timer = 0;
    blink.setAttribute("aria-pressed", "false");
    blink.textContent = "Let it blink";
  };
  const start = () => {
    stop();
    timer = setInterval(swap, Math.max(Number(stage.querySelector("[name=speed]:checked").value), 2 * SOONEST_MS));
    blink.setAttribute("aria-pressed", "true");
    blink.textContent = "Hold still";
  };
  const byHand = () => {
    stop();
    if (performance.now() - last >= SOONEST_MS) swap();
    stage.querySelector(".told").textContent = `${names[second ? 1 : 0]} is shown`;
  };
  const motion = () => {
    if (still.matches) stop();
    blink.disabled = still.matches;
    stage.querySelector(".calm").hidden = !still.matches;
  };
  blink.addEventListener("click", () => (timer ? stop() : start()));
  change.addEventListener("click", byHand);
  fade.addEventListener("input", draw);
  stage.addEventListener("change", (event) => {
    if (event.target.name === "mode") { stop(); draw(); }
    if (event.target.name === "speed" && timer) start();
  });
  // Only while the focus is in here (WCAG 2.2, 2.1.4), and one change however long the key is held.
  stage.addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "b" || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return;
    if (mode() !== "blink") { stage.querySelector("[name=mode][value=blink]").checked = true; draw(); }
    byHand();
  });
  still.addEventListener("change", motion);
  motion();
  draw();
}
