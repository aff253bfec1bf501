// The contact sheet: how many pieces are chosen, and choosing all that are shown.

const form = document.querySelector("form.choose");
if (form) {
  const count = form.querySelector(".count"), all = form.querySelector("[data-does=all]");
  const ticks = [...form.querySelectorAll("input[name=piece]")];
  const draw = () => {
    const chosen = ticks.filter((tick) => tick.checked).length;
    count.textContent = chosen === 0 ? "None chosen" : `${chosen} chosen`;
    all.textContent = chosen === ticks.length ? "None" : "All shown";
  };
  all.hidden = false;
  all.addEventListener("click", () => {
    const on = ticks.some((tick) => !tick.checked);
    for (const tick of ticks) tick.checked = on;
    draw();
  });
  form.addEventListener("change", draw);
  addEventListener("pageshow", draw);
  draw();
}
