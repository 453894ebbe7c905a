"use strict";
// Replaces the two halves of the page from time to time. Without this script the page is read as it was sent.
(() => {
  const main = document.getElementById("main");
  const present = document.getElementById("present");
  const past = document.getElementById("past");
  if (!main || !present) return;
  const query = new URLSearchParams(location.search);
  if (main.dataset.site) query.set("site", main.dataset.site);
  const everyMs = 5000;
  const pastEveryMs = 120000;
  let pastAt = Date.now();
  let failedSince = null;

  const offline = document.createElement("p");
  offline.className = "notice";
  offline.setAttribute("role", "status");
  offline.hidden = true;
  main.before(offline);

  // What somebody has opened or is filling in stays as it is.
  const inUse = (part) => part.contains(document.activeElement) && document.activeElement.matches("input, select");

  const replace = async (part, path) => {
    const answer = await fetch(path + "?" + query, { cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    const html = await answer.text();
    if (inUse(part)) return;
    const open = new Set([...part.querySelectorAll("details[open]")].map((d) => d.id));
    const fresh = new DOMParser().parseFromString(html, "text/html");
    part.replaceChildren(...fresh.body.childNodes);
    for (const details of part.querySelectorAll("details")) details.open = open.has(details.id);
    const headline = document.getElementById("doing-h");
    const site = part.querySelector("h1");
    if (headline && site) document.title = headline.textContent + " – " + site.textContent;
  };

  const refresh = async () => {
    if (document.hidden) return;
    try {
      if (!main.dataset.site) {
        const answer = await fetch("/api/site", { cache: "no-store" });
        if (answer.ok) location.reload();
        return;
      }
      await replace(present, "/part/present");
      if (past && Date.now() - pastAt > pastEveryMs) {
        pastAt = Date.now();
        await replace(past, "/part/past");
      }
      failedSince = null;
      offline.hidden = true;
    } catch {
      failedSince ??= new Date();
      offline.textContent = "Careful: this page cannot reach its server since " +
        failedSince.toLocaleTimeString() + "; what you see is from then.";
      offline.hidden = false;
    }
  };

  setInterval(refresh, everyMs);
  document.addEventListener("visibilitychange", refresh);
})();
