// Photos go up as soon as they are chosen, each by itself; what comes of them appears while the next is taken.

import { latest, made } from "./work.js";

const form = document.querySelector("form[data-photograph]");
const list = document.querySelector("ol.sent");
const said = document.querySelector("[data-said]");
const drop = document.querySelector("[data-drop]");
const token = document.querySelector('meta[name="lotproof-token"]').content;
const AT_ONCE = 2; // uploads side by side: one is read while the other is sent
const waiting = [];
let busy = 0;

function tell(text) {
  said.textContent = text;
}

function element(name, text = "", kind = "") {
  const one = document.createElement(name);
  if (text) one.textContent = text;
  if (kind) one.className = kind;
  return one;
}

/** Show a photo in the list and let it wait for its turn. */
function add(file) {
  const item = element("li");
  const head = element("div", "", "sending");
  const picture = element("img");
  picture.alt = "";
  picture.width = 96;
  picture.src = URL.createObjectURL(file);
  picture.addEventListener("error", () => picture.remove()); // HEIC, which few browsers draw
  const words = element("p", `${file.name || "Photo"}: waits to be sent.`);
  const bar = element("progress");
  bar.max = file.size || 1;
  bar.value = 0;
  bar.setAttribute("aria-label", `Sending ${file.name || "photo"}`);
  head.append(picture, words, bar);
  item.append(head);
  list.prepend(item);
  item.scrollIntoView({ block: "nearest" });
  const values = new FormData(form);
  waiting.push({ file, item, head, words, bar, role: values.get("role") ?? "top", pieces: values.get("pieces") ?? "" });
  next();
}

function next() {
  while (busy < AT_ONCE && waiting.length) send(waiting.shift());
}

function send(one) {
  const { file, words, bar } = one;
  const body = new FormData();
  body.append("role", one.role);
  body.append("pieces", one.pieces);
  body.append("photos", file, file.name || "photo");
  const request = new XMLHttpRequest(); // fetch tells nothing of what was sent so far
  request.open("POST", form.action);
  request.setRequestHeader("accept", "application/json");
  request.setRequestHeader("x-lotproof-token", token);
  request.responseType = "json";
  request.upload.addEventListener("progress", (event) => {
    bar.max = event.total || 1;
    bar.value = event.loaded;
  });
  request.addEventListener("loadend", () => {
    busy -= 1;
    ended(one, request.status, request.response);
    next();
  });
  busy += 1;
  bar.hidden = false;
  words.textContent = `${file.name || "Photo"}: being sent.`;
  request.send(body);
}

function ended(one, status, answer) {
  const name = one.file.name || "Photo";
  one.bar.hidden = true;
  one.item.querySelectorAll(".fault, article, .again").forEach((old) => old.remove());
  if (status === 200 && answer) {
    one.words.textContent = `${name}: safe here.`;
    // What this page said of photos that are still wanted was true when it was made.
    document.querySelector("[data-missing]").hidden = true;
    document.querySelector("[data-then]").hidden = false;
    one.item.append(made(latest.get(answer.task) ?? answer.html));
    const warned = answer.taken.flatMap((taken) => taken.warnings);
    tell(warned.length ? `${name}: ${warned.join(" ")}` : `${name} is safe and will be looked at.`);
    return;
  }
  const what = answer?.what ?? (status ? `It could not be sent (${status}).` : "The connection was lost.");
  const advice = answer?.advice ?? "Nothing of it was kept.";
  const fault = element("div", "", "fault");
  fault.append(element("p", what, "what"), element("p", advice));
  one.words.textContent = `${name}: not taken.`;
  one.item.append(fault);
  if (status !== 422 && status !== 413) {
    const again = element("button", "Send it again", "again");
    again.type = "button";
    again.addEventListener("click", () => {
      again.remove();
      waiting.push(one);
      next();
    });
    one.item.append(again);
  }
  tell(`${name} was not taken. ${what} ${advice}`);
}

function addAll(files) {
  for (const file of files) add(file);
}

for (const input of form.querySelectorAll('input[type="file"]')) {
  input.addEventListener("change", () => {
    addAll(input.files);
    input.value = "";
  });
}
// What is chosen goes by itself, so the button would send nothing; Enter in a field must not either.
form.querySelector("[data-send]").closest("p").remove();
form.addEventListener("submit", (event) => event.preventDefault());

drop.hidden = false;
addEventListener("dragover", (event) => {
  event.preventDefault();
  drop.classList.add("over");
});
addEventListener("dragleave", () => drop.classList.remove("over"));
addEventListener("drop", (event) => {
  event.preventDefault();
  drop.classList.remove("over");
  addAll(event.dataTransfer.files);
});
addEventListener("paste", (event) => addAll(event.clipboardData.files));

addEventListener("beforeunload", (event) => {
  if (busy || waiting.length) event.preventDefault();
});
