// Follows the work list: each change comes as a piece of the page and takes the place of the one before.

/** What the list last said of each task: it may speak before the page has a place for it. */
export const latest = new Map();

/** Make elements of HTML that our own server rendered and escaped. */
export function made(html) {
  const holder = document.createElement("template");
  holder.innerHTML = html.trim();
  return holder.content.firstElementChild;
}

/** Put what is new where the old stands, without taking the focus from a button that is still there. */
function replace(old, fresh) {
  const held = old.contains(document.activeElement) ? document.activeElement.closest("form")?.getAttribute("action") : null;
  old.replaceWith(fresh);
  if (held) {
    const again = [...fresh.querySelectorAll("form")].find((form) => form.getAttribute("action") === held);
    (again ?? fresh).querySelector("button, a")?.focus();
  }
}

/**
 * Follow the list for one place in the page.
 * @param {Element} place has data-follow ("row" or "whole"), data-since, and data-new where unknown work is to be added
 */
export function follow(place) {
  const said = document.querySelector("[data-said]");
  let mark = Number(place.dataset.since);
  let source = null;

  function told(event) {
    mark = Number(event.lastEventId) || mark;
    const { task, html, said: words } = JSON.parse(event.data);
    latest.set(task, html);
    const old = document.querySelector(`[data-task="${CSS.escape(task)}"]`);
    const fresh = made(html);
    if (old) replace(old, fresh);
    else if ("new" in place.dataset) {
      place.prepend(fresh);
      place.closest("table")?.removeAttribute("hidden");
      document.querySelector("[data-none]")?.remove();
    }
    else return;
    if (said && said.textContent !== words) said.textContent = words;
  }

  function open() {
    if (source || document.hidden) return;
    source = new EventSource(`/work/events?form=${place.dataset.follow}&since=${mark}`);
    source.addEventListener("task", told);
    source.addEventListener("error", () => {
      if (source?.readyState !== EventSource.CLOSED) return; // it tries again by itself
      source = null;
      setTimeout(open, 5000);
    });
  }

  function shut() {
    source?.close();
    source = null;
  }

  // A page nobody sees holds no connection: a phone's battery, and a browser opens only six to one server.
  document.addEventListener("visibilitychange", () => (document.hidden ? shut() : open()));
  addEventListener("pagehide", shut);
  addEventListener("pageshow", open);
  open();
}

for (const place of document.querySelectorAll("[data-follow]")) follow(place);
