// Bench forms, made nicer: plots, more rows without a request, what the readings say while they are typed. All of it
// works without, by the form's own buttons.
import { show, showAll } from "./plot.js";

showAll();
for (const form of document.querySelectorAll("form[data-once]")) {
  // The server takes a form once only; this spares the second request.
  form.addEventListener("submit", (event) => {
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
    setTimeout(() => delete form.dataset.sent, 5000);
  });
  addEventListener("pageshow", () => delete form.dataset.sent);
}

for (const button of document.querySelectorAll("button[data-more]")) {
  button.addEventListener("click", (event) => {
    const body = document.querySelector(`[data-rows="${button.dataset.more}"] tbody`);
    if (!body || body.rows.length >= 100) return;
    event.preventDefault();
    const fresh = addRow(body);
    fresh.querySelector("input, select").focus();
  });
}

function addRow(body) {
  const fresh = body.rows[body.rows.length - 1].cloneNode(true), number = body.rows.length + 1;
  fresh.querySelector("th").textContent = String(number);
  for (const wrong of fresh.querySelectorAll(".wrong")) wrong.remove();
  for (const one of fresh.querySelectorAll("input, select")) {
    one.value = "";
    one.removeAttribute("aria-invalid");
    one.removeAttribute("aria-describedby");
    one.setAttribute("aria-label", one.getAttribute("aria-label").replace(/\d+$/, String(number)));
  }
  body.append(fresh);
  return fresh;
}

const asking = document.querySelector("form[data-so-far]");
if (asking) {
  let due = 0, order = 0;
  const rows = asking.querySelector("[data-rows] tbody");
  asking.addEventListener("change", () => {
    const last = rows && rows.rows[rows.rows.length - 1];
    if (last && [...last.querySelectorAll("input")].some((one) => one.value) && rows.rows.length < 100) addRow(rows);
    clearTimeout(due);
    due = setTimeout(ask, 300);
  });
  stopwatch(asking, rows);
  async function ask() {
    const mine = order += 1, data = new FormData(asking);
    if (!asking.querySelector('[name="held"]') && !measured(asking)) return;
    data.delete("file");
    let said;
    try {
      const answer = await fetch(asking.dataset.soFar, { method: "POST", body: data, headers: { accept: "application/json" } });
      if (!answer.ok) return;
      said = await answer.json();
    } catch { return; }
    if (mine === order) tell(asking, said);
  }
}

/** Tell whether anything was measured yet: typed into a row, a table, or one of the fields that are readings. */
function measured(form) {
  const fields = form.querySelectorAll("[data-measured] :is(input, textarea)");
  return [...fields].some((one) => (one.type === "radio" ? one.checked && one.value : one.value.trim()));
}

/** Show what the readings say: the plots, the verdict so far, and in one sentence what to do. */
function tell(form, said) {
  const section = form.querySelector("#says"), into = form.querySelector("[data-says]"), line = form.querySelector("[data-sentence]");
  section.hidden = false;
  const sentence = said.problem || said.sentence || said.reasons[0] || "";
  if (line.textContent !== sentence) line.textContent = sentence;
  line.classList.toggle("enough", said.may_stop);
  if (said.problem) return;
  const plots = into.querySelector("[data-plots]") || into.appendChild(document.createElement("div"));
  plots.dataset.plots = "";
  plots.className = said.drawings.length > 2 ? "plots-said several" : "plots-said";
  const figures = [...plots.querySelectorAll("figure")].slice(0, said.drawings.length);
  while (figures.length < said.drawings.length) figures.push(empty());
  plots.replaceChildren(...figures);
  figures.forEach((figure, number) => show(figure, said.drawings[number]));
  for (const old of [...into.children]) if (old !== plots) old.remove();
  if (said.verdict) {
    const line = document.createElement("p"), word = document.createElement("span");
    line.className = "large";
    word.className = `verdict ${said.verdict}`;
    word.textContent = said.verdict;
    line.append("So far: ", word);
    into.prepend(line);
  }
  for (const reason of said.reasons.filter((one) => one !== sentence)) {
    const line = document.createElement("p");
    line.textContent = reason;
    into.append(line);
  }
  const list = document.createElement("dl");
  list.className = "facts";
  for (const [name, text] of said.rows) {
    const term = document.createElement("dt"), value = document.createElement("dd");
    term.textContent = name || "\u00a0";
    value.textContent = text;
    list.append(term, value);
  }
  into.append(list);
}

function empty() {
  const figure = document.createElement("figure");
  figure.className = "plot";
  figure.append(document.createElement("figcaption"));
  return figure;
}

/** A heat soak's own clock: once the heat is said to be on, a temperature without a time gets the time by itself. */
function stopwatch(form, rows) {
  const button = form.querySelector("button[data-clock]");
  if (!button || !rows) return;
  const key = `heat:${form.getAttribute("action")}`;
  let began = Number(sessionStorage.getItem(key)) || 0;
  const name = () => { button.textContent = began ? "Times are written by themselves now" : "The heat came on now"; button.setAttribute("aria-pressed", String(Boolean(began))); };
  button.hidden = false;
  name();
  button.addEventListener("click", () => {
    began = began ? 0 : Date.now();
    if (began) sessionStorage.setItem(key, String(began));
    else sessionStorage.removeItem(key);
    name();
  });
  form.addEventListener("change", (event) => {
    if (!began || event.target.name !== "at.temp" || !event.target.value) return;
    const time = event.target.closest("tr").querySelector('[name="at.time"]');
    if (!time.value) time.value = `${((Date.now() - began) / 60000).toFixed(2)} min`;
  }, true);
}
