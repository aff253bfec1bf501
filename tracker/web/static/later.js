// What takes longer is fetched when the page is there: <section data-later="/address#id"> becomes that page's #id.

for (const place of document.querySelectorAll("[data-later]")) fetchInto(place);

async function fetchInto(place) {
  const [address, id] = place.dataset.later.split("#");
  place.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(address, { headers: { accept: "text/html" }, credentials: "same-origin" });
    if (!answer.ok) return;
    const found = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById(id);
    if (found) place.replaceChildren(...found.childNodes);
  } catch {
    // The link that stands there leads to the same.
  } finally {
    place.removeAttribute("aria-busy");
  }
}
