// Follows a reading as it comes (server-sent events) and draws it. The browser itself asks again from the last message
// it has; a page that was loaded anew gets everything from the start.
import { show, showAll } from "./plot.js";

showAll();
const room = document.querySelector("[data-live]");
if (room && room.dataset.going === "yes") follow(room);

function follow(room) {
  const soak = room.dataset.test === "soak", figure = room.querySelector("figure[data-plot]");
  const line = room.querySelector("[data-sentence]"), table = document.querySelector("[data-table]");
  const latest = room.querySelector("[data-latest]"), when = room.querySelector("[data-when]"), said = room.querySelector("[data-said]");
  let points = [], fitted = null, drawn = 0, asked = Date.now();
  const source = new EventSource(room.dataset.live);
  table.replaceChildren();
  source.onmessage = (event) => {
    const told = JSON.parse(event.data);
    if (told.kind === "series") { points = []; table.replaceChildren(); }
    else if (told.kind === "read") take(told);
    else { said.textContent = told.text; }
  };
  source.addEventListener("done", () => { source.close(); location.reload(); });
  source.onerror = () => { said.textContent = "The page lost the server and asks again; the reading goes on there."; };

  function take(told) {
    points.push(soak ? [told.t / 60, told.v] : [told.t, told.v * 1000]);
    latest.textContent = told.shown;
    const time = `${told.t.toFixed(1)} s`, count = points.length;
    when.textContent = `at ${time}, ${count} reading${count === 1 ? "" : "s"}${told.clock ? ` at ${told.clock}` : ""}`;
    const row = table.insertRow(0);
    for (const text of [time, told.shown]) { const cell = row.insertCell(); cell.className = "number"; cell.textContent = text; }
    while (table.rows.length > 20) table.deleteRow(-1);
    if (!drawn) drawn = setTimeout(() => { drawn = 0; render(); }, 250);
    if (soak && Date.now() - asked > 5000) { asked = Date.now(); ask(); }
  }
  function render() {
    const series = [{ name: soak ? "temperature" : "current", look: "dots", points }];
    const kept = fitted ? fitted.series.filter((one) => one.look === "dashed" || one.name === "ambient") : [];
    show(figure, {
      told: `${points.length} readings`, x: soak ? "time / min" : "time / s", y: soak ? "temperature / C" : "current / mA",
      series: [...series, ...kept], marks: fitted ? fitted.marks : [], y_words: [],
    });
  }
  async function ask() {
    try {
      const answer = await fetch(`${room.dataset.live}/so-far`, { headers: { accept: "application/json" } });
      if (!answer.ok) return;
      const told = await answer.json();
      fitted = told.drawings[0];
      const sentence = told.sentence || told.problem;
      if (sentence && line.textContent !== sentence) line.textContent = sentence;
      line.classList.toggle("enough", told.may_stop);
    } catch { /* the next reading asks again */ }
  }
}
