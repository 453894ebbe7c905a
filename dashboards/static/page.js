"use strict";
// Renews what changes, follows open orders, and previews a schedule while it is typed. Without this script every page
// is read, and every order given, as it was sent.
(() => {
  const main = document.getElementById("main");
  if (!main) return;
  const content = document.getElementById("content");
  const site = main.dataset.site;
  const everyMs = 5000;
  const openEveryMs = 1000;
  const waitingEvery = 5;
  let failedSince = null;

  const offline = document.createElement("p");
  offline.className = "notice";
  offline.setAttribute("role", "status");
  offline.hidden = true;
  main.before(offline);

  const get = async (address, options = {}) => {
    const answer = await fetch(address, { cache: "no-store", ...options });
    if (answer.status === 401) location.reload(); // Signed out meanwhile: the whole page knows the way to sign in.
    if (!answer.ok) throw new Error(String(answer.status));
    return answer.text();
  };
  const parsed = (html) => new DOMParser().parseFromString(html, "text/html");

  // What somebody has opened or is filling in stays as it is.
  const inUse = (part) => part.contains(document.activeElement) && document.activeElement.matches("input, select");
  const typed = (part) => [...part.querySelectorAll("input:not([type=hidden])")].some((field) => field.value !== field.defaultValue);

  const replace = (part, fresh) => {
    if (part.innerHTML === fresh.innerHTML) return;
    const open = new Set([...part.querySelectorAll("details[open]")].map((d) => d.id));
    const focused = part.contains(document.activeElement) ? [...part.querySelectorAll("a, button, summary")].indexOf(document.activeElement) : -1;
    part.replaceChildren(...fresh.childNodes);
    for (const details of part.querySelectorAll("details")) details.open = open.has(details.id);
    if (focused >= 0) part.querySelectorAll("a, button, summary")[focused]?.focus({ preventScroll: true });
  };

  const renew = async () => {
    const fresh = parsed(await get(content.dataset.part));
    const head = fresh.getElementById("head");
    if (head) replace(document.getElementById("head"), head);
    const inner = fresh.getElementById("content");
    if (inner && !inUse(content) && !typed(content)) replace(content, inner);
    const headline = document.getElementById("doing-h");
    const name = document.querySelector("h1");
    if (headline && name) document.title = headline.textContent + " – " + name.textContent;
  };

  const refresh = async () => {
    if (document.hidden) return;
    try {
      if (!site) {
        const answer = await fetch("/api/site", { cache: "no-store" });
        if (answer.ok) location.reload();
        return;
      }
      if (content?.dataset.part) await renew();
      failedSince = null;
      offline.hidden = true;
    } catch {
      failedSince ??= new Date();
      offline.textContent = "Careful: this page cannot reach its server since " +
        failedSince.toLocaleTimeString() + "; what you see is from then.";
      offline.hidden = false;
    }
  };

  // An order on its way is looked after every second until it is settled, one that waits for its site less often; what
  // it changed is then shown at once.
  let beat = 0;
  const follow = async () => {
    const strips = document.getElementById("orders-now");
    if (!strips || !strips.hasAttribute("data-open") || document.hidden) return;
    if (strips.dataset.open === "waiting" && beat++ % waitingEvery !== 0) return;
    const asked = new URLSearchParams(location.search).get("order") || "";
    try {
      const fresh = parsed(await get("/part/orders?" + new URLSearchParams({ site, order: asked }))).getElementById("orders-now");
      if (!fresh || fresh.textContent === strips.textContent) return;
      strips.replaceWith(fresh);
      if (!fresh.hasAttribute("data-open")) refresh();
    } catch { /* The other refresh says that the server cannot be reached. */ }
  };

  const form = document.getElementById("schedule-form");
  if (form) {
    let asking = null;
    let waiting = 0;
    const preview = document.getElementById("preview");
    const ask = async () => {
      asking?.abort();
      asking = new AbortController();
      try {
        const body = new URLSearchParams(new FormData(form));
        preview.innerHTML = await get(form.dataset.preview, { method: "POST", body, signal: asking.signal });
      } catch (error) {
        if (error.name !== "AbortError") preview.textContent = "The preview cannot be had at the moment.";
      }
    };
    // One more row of times as soon as the last one is filled; without a script the next form has it.
    const mostRows = 24;
    const grow = (row) => {
      if (!row || [...row.querySelectorAll("input")].some((field) => !field.value)) return;
      const next = row.cloneNode(true);
      for (const problem of next.querySelectorAll(".problem")) problem.remove();
      for (const field of next.querySelectorAll("input")) {
        const number = Number(field.name.match(/[0-9]+$/)[0]) + 1;
        if (number > mostRows) return;
        field.name = field.name.replace(/[0-9]+$/, number);
        field.setAttribute("aria-label", field.getAttribute("aria-label").replace(/[0-9]+$/, number));
        field.removeAttribute("aria-invalid");
        field.removeAttribute("aria-describedby");
        field.value = "";
      }
      row.after(next);
    };
    form.addEventListener("input", () => {
      grow([...form.querySelectorAll(".for-need .times")].at(-1));
      grow([...form.querySelectorAll(".for-fixed .one")].at(-1));
      clearTimeout(waiting);
      waiting = setTimeout(ask, 900);
    });
  }

  setInterval(refresh, everyMs);
  setInterval(follow, openEveryMs);
  document.addEventListener("visibilitychange", refresh);
})();
