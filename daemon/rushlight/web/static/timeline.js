// Moves through a tank's timeline by finger, wheel and key, and reads it out.  The page works without this: every
// stretch, step and sign is an address of its own.
"use strict";
(() => {
  const box = document.getElementById("timeline");
  if (!box) return;
  const WIDE = 2000, HIGH = 200, SHORTEST = 21600, NS = "http://www.w3.org/2000/svg";
  const path = location.pathname.replace(/\/$/, "");
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  let sheet, drawn, from, to, rows = null, titles = [], at = -1, waiting = 0, asked = 0;

  // The signs for a desk cost a phone nothing: they are the text of a <noscript> until the screen is wide.
  const wide = matchMedia("(min-width:64rem)");
  function widen() {
    if (!wide.matches) return;
    for (const asleep of sheet.querySelectorAll(".signrow noscript")) asleep.outerHTML = asleep.textContent;
    if (lazy) for (const row of sheet.querySelectorAll(".shots")) lazy.observe(row);
  }
  wide.addEventListener("change", widen);

  function adopt() {
    sheet = document.getElementById("sheet");
    drawn = { from: +sheet.dataset.from, to: +sheet.dataset.to };
    ({ from, to } = drawn);
    rows = null; at = -1;
    sheet.tabIndex = 0;
    sheet.setAttribute("role", "group");
    sheet.setAttribute("aria-label", "Timeline. Left and right read it, with Shift they move it, plus and minus change its length.");
    awake(tell);
    if (lazy) for (const row of sheet.querySelectorAll(".shots")) lazy.observe(row);
    widen();
  }

  // On a phone the words about touching come with the lanes: see wake.js.
  function awake(act) {
    if (document.documentElement.classList.contains("asleep")) addEventListener("awake", act, { once: true });
    else act();
  }
  function tell() {
    if (sheet.querySelector(".lane")) {
      const line = document.createElement("p");
      line.id = "reading";
      line.setAttribute("role", "status");
      line.textContent = matchMedia("(pointer: coarse)").matches
        ? "Touch to read a day; drag or pinch to move." : "Click to read a day; drag, or Ctrl and wheel, to move.";
      sheet.insertBefore(line, document.getElementById("look"));
    }
  }

  // The diary's pictures: not before somebody does something, and then those of a row that is seen.
  let lazy = null;
  function wake() {
    if (lazy) return;
    lazy = new IntersectionObserver((rows) => {
      for (const row of rows) if (row.isIntersecting) for (const image of row.target.querySelectorAll("image[data-src]")) {
        image.setAttribute("href", image.getAttribute("data-src")); image.removeAttribute("data-src");
      }
    });
    for (const row of sheet.querySelectorAll(".shots")) lazy.observe(row);
  }
  for (const what of ["scroll", "pointermove", "pointerdown", "keydown", "focusin"]) addEventListener(what, wake, { once: true, passive: true });

  function shift() { // the curves at once, the finer picture afterwards
    const part = WIDE / (drawn.to - drawn.from), x = (from - drawn.from) * part, w = (to - from) * part;
    for (const plot of sheet.querySelectorAll(".plot")) plot.setAttribute("viewBox", `${x} 0 ${w} ${HIGH}`);
    for (const svg of sheet.querySelectorAll(".signs > a > svg, .axis text")) {
      svg.dataset.x = svg.dataset.x || svg.getAttribute("x");
      const moment = drawn.from + parseFloat(svg.dataset.x) / 100 * (drawn.to - drawn.from);
      svg.setAttribute("x", `${100 * (moment - from) / (to - from)}%`);
    }
  }

  function go(newFrom, newTo, wait) {
    const length = Math.max(SHORTEST, Math.min(newTo - newFrom, 40 * 366 * 86400));
    const latest = Date.now() / 1000 + 56 * 86400, middle = Math.min((newFrom + newTo) / 2, latest - length / 2);
    from = Math.round(middle - length / 2); to = Math.round(middle + length / 2);
    shift();
    clearTimeout(waiting);
    waiting = setTimeout(() => load(`from=${from}&to=${to}`), wait);
  }

  async function load(query) {
    const mine = ++asked, keep = sheet.dataset.keep, focused = document.activeElement === sheet;
    try {
      const answer = await fetch(`${path}/timeline?${query}${keep}`, { credentials: "same-origin", signal: AbortSignal.timeout(20000) });
      if (!answer.ok || answer.redirected) throw new Error("no timeline");
      const html = await answer.text();
      if (mine !== asked || pointers.size) return;
      const open = [...box.querySelectorAll("details")].map((d) => d.open);
      box.innerHTML = `<h2 class="hidden">Timeline</h2>${html}`;
      box.querySelectorAll("details").forEach((d, n) => { d.open = open[n]; });
      adopt();
      if (focused) sheet.focus({ preventScroll: true });
      history.replaceState(null, "", `${path}?${query}${keep}`);
    } catch {
      const line = document.getElementById("reading");
      if (line) line.textContent = "The finer picture does not come; this one is only stretched.";
    }
  }

  async function read(moment) {
    if (!rows) {
      const answer = await fetch(`${path}/values?from=${drawn.from}&to=${drawn.to}${sheet.dataset.keep}`, { credentials: "same-origin" });
      if (!answer.ok) return;
      ({ titles, rows } = await answer.json());
    }
    if (!rows.length) return;
    let best = 0;
    rows.forEach((r, n) => { if (Math.abs(r[0] - moment) < Math.abs(rows[best][0] - moment)) best = n; });
    show(best);
  }

  function show(n) {
    at = Math.max(0, Math.min(rows.length - 1, n));
    const [moment, when, ...said] = rows[at];
    const line = document.getElementById("reading");
    if (!line) return;
    line.innerHTML = when; // the daemon's own, a moment as elsewhere on the page
    line.append(`: ${said.map((v, k) => v && `${titles[k]} ${v}`).filter(Boolean).join("; ") || "nothing known"}`);
    const x = Math.round(WIDE * (moment - drawn.from) / (drawn.to - drawn.from));
    for (const plot of sheet.querySelectorAll(".lane .plot")) {
      let line = plot.querySelector(".cursor");
      if (!line) { line = document.createElementNS(NS, "path"); line.setAttribute("class", "cursor"); plot.append(line); }
      line.setAttribute("d", `M${x} 0V${HIGH}`);
    }
  }

  const moment = (clientX) => {
    const r = sheet.getBoundingClientRect();
    return from + (clientX - r.left) / r.width * (to - from);
  };
  const pointers = new Map();
  let start = null, moved = false;
  const begin = () => {
    const xs = [...pointers.values()];
    start = { from, to, xs, middle: xs.reduce((a, b) => a + b, 0) / xs.length };
  };

  box.addEventListener("pointerdown", (e) => {
    if (!e.target.closest("#sheet") || e.target.closest("#look")) return;
    pointers.set(e.pointerId, e.clientX);
    moved = pointers.size > 1;
    begin();
  });
  box.addEventListener("pointermove", (e) => {
    if (!pointers.has(e.pointerId)) {
      if (e.pointerType === "mouse" && e.target.closest(".lane") && rows) read(moment(e.clientX));
      return;
    }
    pointers.set(e.pointerId, e.clientX);
    const width = sheet.getBoundingClientRect().width, left = sheet.getBoundingClientRect().left;
    const xs = [...pointers.values()], middle = xs.reduce((a, b) => a + b, 0) / xs.length;
    if (!moved && Math.abs(middle - start.middle) < 8) return;
    if (!moved) sheet.setPointerCapture(e.pointerId);
    moved = true;
    const apart = (list) => Math.max(20, Math.abs(list[0] - list[1]));
    const factor = xs.length > 1 && start.xs.length > 1 ? apart(start.xs) / apart(xs) : 1;
    const held = start.from + (start.middle - left) / width * (start.to - start.from);
    const length = (start.to - start.from) * factor, newFrom = held - (middle - left) / width * length;
    go(newFrom, newFrom + length, 300);
  });
  const end = (e) => {
    if (!pointers.delete(e.pointerId)) return;
    if (pointers.size) { begin(); return; }
    if (!moved && e.type === "pointerup" && e.target.closest(".lane")) read(moment(e.clientX));
  };
  box.addEventListener("pointerup", end);
  box.addEventListener("pointercancel", end);

  box.addEventListener("wheel", (e) => {
    if (!e.target.closest("#sheet")) return;
    const across = Math.abs(e.deltaX) > Math.abs(e.deltaY) || e.shiftKey;
    if (!across && !e.ctrlKey && !e.metaKey) return; // the page scrolls as anywhere
    e.preventDefault();
    if (across) {
      const by = (e.deltaX || e.deltaY) / 800 * (to - from);
      go(from + by, to + by, 250);
    } else {
      const held = moment(e.clientX), factor = Math.exp(Math.max(-60, Math.min(60, e.deltaY)) / 150);
      go(held - (held - from) * factor, held + (to - held) * factor, 250);
    }
  }, { passive: false });

  box.addEventListener("keydown", (e) => {
    if (e.target !== sheet || e.ctrlKey || e.altKey || e.metaKey) return;
    const length = to - from, middle = (from + to) / 2, side = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (side && e.shiftKey) go(from + side * length / 4, to + side * length / 4, 200);
    else if (side) { if (rows && at >= 0) show(at + side); else read(Math.min(middle, Date.now() / 1000)); }
    else if (e.key === "+" || e.key === "=") go(middle - length / 4, middle + length / 4, 200);
    else if (e.key === "-") go(middle - length, middle + length, 200);
    else if (e.key === "Home" && rows) show(0);
    else if (e.key === "End" && rows) show(rows.length - 1);
    else return;
    e.preventDefault();
  });

  box.addEventListener("click", async (e) => {
    const link = e.target.closest("a");
    if (!link || e.ctrlKey || e.metaKey || e.shiftKey) return;
    if (moved) { e.preventDefault(); moved = false; return; }
    if (link.classList.contains("sign")) {
      e.preventDefault();
      const look = new URL(link.href.baseVal, location.href).searchParams.get("look");
      const answer = await fetch(`${path}/look?look=${look}`, { credentials: "same-origin" }).catch(() => null);
      if (!answer || !answer.ok) { location.assign(link.href.baseVal); return; }
      const panel = document.getElementById("look");
      panel.innerHTML = await answer.text();
      const tall = panel.getBoundingClientRect().height > innerHeight; // a long list is read from its beginning
      panel.scrollIntoView({ block: tall ? "start" : "nearest", behavior: calm.matches ? "auto" : "smooth" });
    } else if (link.closest(".stretches,.moves")) {
      e.preventDefault();
      clearTimeout(waiting);
      if (link.closest(".stretches")) { // what was touched shows it at once, before the picture comes
        for (const other of box.querySelectorAll(".stretches a")) other.removeAttribute("aria-current");
        link.setAttribute("aria-current", "true");
      }
      if (link.dataset.move) go(from + link.dataset.move * (to - from), to + link.dataset.move * (to - from), 0);
      else if (link.dataset.zoom) {
        const half = (to - from) / 2 * link.dataset.zoom, middle = (from + to) / 2;
        go(middle - half, middle + half, 0);
      } else load(link.getAttribute("href").slice(1).split("#")[0].replace(sheet.dataset.keep, ""));
    }
  });
  adopt();
})();
