// Keeps a wall's screen fresh, and says in large letters when what it shows is old.  Without this a
// browser reloads it where somebody asked for that.
"use strict";
(() => {
  const EVERY_MS = 30000, OLD_MS = 180000;
  let last = Date.now();
  async function again() {
    try {
      const answer = await fetch("/wall", { credentials: "same-origin", signal: AbortSignal.timeout(20000) });
      if (!answer.ok || answer.redirected) throw new Error("no wall");
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of ["main", "#as-of"]) document.querySelector(part).replaceWith(fresh.querySelector(part));
      last = Date.now();
    } catch { /* said below */ }
    const box = document.getElementById("as-of");
    if (Date.now() - last > OLD_MS && !box.classList.contains("late")) {
      box.classList.add("late");
      box.textContent = `No answer: this is old, ${box.textContent}`;
    }
  }
  setInterval(again, EVERY_MS);
})();
