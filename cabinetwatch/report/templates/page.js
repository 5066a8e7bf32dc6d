// Keeps the page fresh, and says loudly when it can't. Without it the browser reloads the page.
"use strict";
(() => {
  const body = document.body;
  const everyMs = Number(body.dataset.every) * 1000;
  const oldMs = Math.max(60000, 4 * everyMs);
  let aheadMs = 0; // how far the clock of where the page comes from is ahead of ours
  let unreachable = false;

  const inWords = (ms) => {
    const minutes = Math.floor(ms / 60000);
    if (minutes < 2) return Math.floor(ms / 1000) + " s";
    if (minutes < 120) return minutes + " min";
    return Math.floor(minutes / 60) < 48 ? Math.floor(minutes / 60) + " h" : Math.floor(minutes / 1440) + " days";
  };

  const judge = () => {
    const stale = document.getElementById("stale");
    const ageMs = Date.now() + aheadMs - Number(body.dataset.written);
    const isOld = Math.abs(ageMs) > oldMs;
    body.classList.toggle("is-stale", isOld);
    if (isOld && (stale.hidden || stale.dataset.age !== inWords(Math.abs(ageMs)))) {
      const title = document.createElement("strong");
      const why = document.createElement("span");
      title.textContent = ageMs > 0 ? "Old figures: " + inWords(ageMs) : "The clocks differ by " + inWords(-ageMs);
      why.textContent = ageMs < 0
        ? "This page was written later than your clock shows; whether it is fresh is not known."
        : unreachable
          ? "Where this page comes from no longer answers. Check that the watch is running."
          : "This page has not been updated since. Check that the watch is running.";
      stale.replaceChildren(title, why);
      stale.dataset.age = inWords(Math.abs(ageMs));
    }
    stale.hidden = !isOld;
    const mark = "\u26a0 ";
    if (isOld && !document.title.startsWith(mark)) document.title = mark + document.title;
  };

  const keep = (name, value) => {
    try { sessionStorage.setItem(name, value); } catch { /* then it is not kept */ }
  };
  const kept = (name) => {
    try { return sessionStorage.getItem(name); } catch { return null; }
  };

  const restoreSpan = () => {
    const radio = document.getElementById("span-" + kept("span"));
    if (radio) radio.checked = true;
  };

  const swap = (text) => {
    const next = new DOMParser().parseFromString(text, "text/html");
    if (!next.getElementById("main") || !next.body.dataset.written) return;
    const open = Array.from(document.querySelectorAll("details[open]"), (each) => each.dataset.key);
    const focused = document.activeElement && document.activeElement.id;
    for (const name of ["headline", "main"]) {
      document.getElementById(name).replaceWith(document.adoptNode(next.getElementById(name)));
    }
    document.querySelector(".clock").replaceWith(document.adoptNode(next.querySelector(".clock")));
    document.title = next.title;
    body.dataset.written = next.body.dataset.written;
    body.classList.toggle("is-old", next.body.classList.contains("is-old"));
    for (const each of document.querySelectorAll("details")) each.open = open.includes(each.dataset.key);
    restoreSpan();
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  };

  // One after the other: on a slow network they would keep each other from ever being answered.
  const refresh = async () => {
    const askedMs = Date.now();
    try {
      const answer = await fetch(location.pathname, { cache: "no-store", signal: AbortSignal.timeout?.(oldMs) });
      if (!answer.ok) throw new Error(answer.statusText);
      const text = await answer.text();
      const theirs = Date.parse(answer.headers.get("Date"));
      // It was given, seconds cut off, since it was asked for; a phone may have slept for hours since.
      aheadMs = Math.max(theirs - Date.now(), 0) || Math.min(theirs + 1000 - askedMs, 0) || 0;
      unreachable = false;
      swap(text);
    } catch {
      unreachable = true;
    }
    judge();
    setTimeout(refresh, everyMs);
  };

  document.addEventListener("change", (event) => {
    if (event.target.name === "span") keep("span", event.target.id.slice("span-".length));
  });
  // On paper nothing can be opened.
  addEventListener("beforeprint", () => {
    for (const closed of document.querySelectorAll("details:not([open])")) {
      closed.open = true;
      closed.dataset.printed = "";
    }
  });
  addEventListener("afterprint", () => {
    for (const opened of document.querySelectorAll("details[data-printed]")) {
      opened.open = false;
      delete opened.dataset.printed;
    }
  });
  restoreSpan();
  if (everyMs === 0) return; // a record of one moment: it gets no older
  judge();
  setInterval(judge, 1000);
  if (location.protocol.startsWith("http")) {
    setTimeout(refresh, body.classList.contains("is-stale") ? 0 : everyMs);
  } else {
    setTimeout(() => location.reload(), everyMs);
  }
})();
