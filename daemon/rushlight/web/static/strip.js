// Reads the colours of a strip and its chart from a picture.  The picture stays on this device: what goes into the form
// is a few mean colours, as numbers.  Averages are made in linear light (IEC 61966-2-1).  page.js fetches this when the
// part of the page that needs it is opened.
"use strict";
(() => {
  const box = document.getElementById("strip");
  if (!box) return;
  const asleep = box.querySelector("template");
  asleep.replaceWith(asleep.content);
  const $ = (id) => document.getElementById("strip-" + id);
  const pads = JSON.parse(box.dataset.pads), kit = box.dataset.kit, field = document.getElementById("picture");
  const view = $("view"), stage = $("stage"), said = $("said"), KEY = "rushlight-frame-" + kit;
  const WIDEST = 2048, SMALL_BYTES = 3e6, CLIPPED = 252, DARK = 3;
  let work = null, pixels = null, wide = false, frames = null, chosen = "", held = null;

  const linear = (v) => { const a = Math.abs(v) / 255; return Math.sign(v) * (a <= 0.04045 ? a / 12.92 : ((a + 0.055) / 1.055) ** 2.4); };
  const coded = (v) => { const a = Math.abs(v); return Math.sign(v) * 255 * (a <= 0.0031308 ? 12.92 * a : 1.055 * a ** (1 / 2.4) - 0.055); };
  const TABLE = Float64Array.from({ length: 256 }, (_, i) => linear(i));
  // Display P3 to sRGB, both with the D65 white, in linear light.
  const srgb = ([r, g, b]) => wide
    ? [1.2249401 * r - 0.2249404 * g, -0.0420569 * r + 1.0420571 * g, -0.0196376 * r - 0.0786361 * g + 1.0982735 * b] : [r, g, b];
  const rounded = (light) => light.map((v) => Math.round(100 * coded(v)) / 100);
  const remembered = () => { try { return JSON.parse(localStorage.getItem(KEY)) || {}; } catch { return {}; } };
  const remember = () => { if (work) localStorage.setItem(KEY, JSON.stringify({
    frames: frames.map((f) => f.map(([x, y]) => [x / work.width, y / work.height])), what: $("what").value, share: $("share").value, wait: $("wait").value })); };

  const placed = () => remembered().frames || [[[0.08, 0.1], [0.2, 0.1], [0.2, 0.9], [0.08, 0.9]], [[0.3, 0.1], [0.92, 0.1], [0.92, 0.9], [0.3, 0.9]]];

  // -- geometry: the unit square to four corners (Heckbert 1989, "Fundamentals of Texture Mapping and Image Warping")
  const mapped = ([[x0, y0], [x1, y1], [x2, y2], [x3, y3]]) => {
    const a1 = x1 - x2, a2 = x3 - x2, sx = x0 - x1 + x2 - x3, b1 = y1 - y2, b2 = y3 - y2, sy = y0 - y1 + y2 - y3;
    const den = a1 * b2 - a2 * b1, g = (sx * b2 - a2 * sy) / den, h = (a1 * sy - sx * b1) / den;
    return (u, v) => { const w = g * u + h * v + 1;
      return [((x1 - x0 + g * x1) * u + (x3 - x0 + h * x3) * v + x0) / w, ((y1 - y0 + g * y1) * u + (y3 - y0 + h * y3) * v + y0) / w]; };
  };
  const convex = (f) => { const turn = f.map(([x, y], i) => { const [p, q] = [f[(i + 1) % 4], f[(i + 2) % 4]];
    return Math.sign((p[0] - x) * (q[1] - p[1]) - (p[1] - y) * (q[0] - p[0])); }); return turn.every((t) => t === turn[0] && t); };

  const names = () => ($("what").value === "all" ? Object.keys(pads) : [$("what").value]);
  // Every spot: which frame, the middle and half the size in the frame's own units.
  function spots() {
    const rows = names(), n = rows.length, share = Number($("share").value) / 100, most = Math.max(...rows.map((k) => pads[k].length));
    const out = [];
    rows.forEach((name, i) => {
      const pad = (i + share / 2) / n, bare = (i + (1 + share) / 2) / n, dp = share / n / 4, db = (1 - share) / n / 4;
      out.push({ name, kind: "pad", frame: 0, u: 0.5, v: pad, du: 0.25, dv: dp }, { name, kind: "paper", frame: 0, u: 0.5, v: bare, du: 0.25, dv: db });
      pads[name].forEach((value, j) => {
        const u = (j + 0.5) / most;
        out.push({ name, kind: "field", value, frame: 1, u, v: pad, du: 0.25 / most, dv: dp }, { name, kind: "card", value, frame: 1, u, v: bare, du: 0.25 / most, dv: db });
      });
    });
    return out;
  }
  function measured(s, to, steps = 14, grow = 1) {
    let n = 0, clipped = 0, sum = [0, 0, 0], square = 0, dark = 255, level = [];
    for (let i = 0; i < steps; i++) for (let j = 0; j < steps; j++) {
      const [x, y] = to(s.u + grow * s.du * (2 * (i + 0.5) / steps - 1), s.v + grow * s.dv * (2 * (j + 0.5) / steps - 1));
      const px = Math.round(x), py = Math.round(y);
      if (px < 0 || py < 0 || px >= work.width || py >= work.height) continue;
      const k = 4 * (py * work.width + px), [r, g, b] = [pixels[k], pixels[k + 1], pixels[k + 2]];
      n++; if (Math.max(r, g, b) > CLIPPED) clipped++;
      dark = Math.min(dark, r, g, b); square += r * r + g * g + b * b; level.push(r + g + b);
      sum[0] += TABLE[r]; sum[1] += TABLE[g]; sum[2] += TABLE[b];
    }
    if (!n) return null;
    const light = srgb(sum.map((v) => v / n));
    level.sort((a, b) => a - b);
    const middle = level[level.length >> 1];
    return { light, clipped: clipped / n, dark, glare: level.filter((v) => v > 1.6 * middle).length / n, spread: square, level };
  }
  function variance(list) {
    const maps = list.map(mapped); let total = 0;
    for (const s of spots()) {
      const m = measured(s, maps[s.frame], 6, 1.7);
      if (!m) return Infinity;
      const mean = m.level.reduce((a, b) => a + b, 0) / m.level.length;
      total += m.level.reduce((a, b) => a + (b - mean) ** 2, 0) / m.level.length;
    }
    return total;
  }
  // Moves corners and whole frames by small steps while the spots get more even.
  function snap() {
    if (!work) return;
    const ways = [[1, 0], [-1, 0], [0, 1], [0, -1]];
    let best = variance(frames);
    for (const share of [0.012, 0.006, 0.003]) {
      const step = share * Math.max(work.width, work.height);
      for (let f = 0; f < 2; f++) for (const which of [[0, 1, 2, 3], [0, 3], [1, 2], [0, 1], [2, 3], [0], [1], [2], [3]]) for (const [dx, dy] of ways) for (let n = 0; n < 4; n++) {
        const tried = frames.map((c, k) => c.map(([x, y], i) => (k === f && which.includes(i) ? [x + dx * step, y + dy * step] : [x, y])));
        const got = convex(tried[f]) ? variance(tried) : Infinity;
        if (got >= 0.985 * best) break;
        best = got; frames = tried;
      }
    }
    drawn(); read();
  }

  // -- reading
  function read() {
    if (!work) return;
    if (!frames.every(convex)) { field.value = ""; said.textContent = "The corners of a frame are crossed: put them in order."; return; }
    const maps = frames.map(mapped), faults = new Set(), found = {};
    for (const s of spots()) {
      const m = measured(s, maps[s.frame]), where = { pad: "the pad of ", paper: "the paper beside ", field: "the chart of ", card: "the chart's paper beside " }[s.kind] + label(s.name);
      if (!m) { field.value = ""; said.textContent = "A frame reaches out of the picture."; return; }
      if (m.clipped > 0.02) faults.add(`too bright at ${where}`);
      else if (m.glare > 0.03) faults.add(`glare on ${where}`);
      if (!wide && m.dark < DARK) faults.add(`off the scale's colours at ${where}`);
      const own = (found[s.name] ||= { fields: [], cards: [] });
      if (s.kind === "pad") own.pad = m.light; else if (s.kind === "paper") own.paper = m.light;
      else if (s.kind === "field") own.fields.push([s.value, m.light]); else own.cards.push(m.light);
    }
    const mean = (list) => [0, 1, 2].map((c) => list.reduce((a, v) => a + v[c], 0) / list.length);
    const cards = Object.values(found).flatMap((o) => o.cards), card = mean(cards), papers = Object.values(found).map((o) => o.paper);
    const green = [...cards, ...papers].map((v) => v[1]);
    if (Math.max(...green) > 1.6 * Math.min(...green)) faults.add("uneven light: one side is in shade");
    if (blurred(maps[0])) faults.add("blurred: hold still and a little farther away");
    const record = { paper: { chart: rounded(card), strip: rounded(mean(papers)) } };
    for (const [name, o] of Object.entries(found)) record[name] = {
      strip: rounded(o.pad), paper: rounded(o.paper),
      chart: o.fields.map(([value, light], i) => [value, rounded(light.map((v, c) => v * card[c] / Math.max(o.cards[i][c], 1e-4)))]),
    };
    field.value = JSON.stringify(record);
    said.textContent = `Colours of ${Object.keys(found).map(label).join(", ")} taken; save below.` + (faults.size ? ` But: ${[...faults].join("; ")}.` : "");
  }
  const label = (name) => box.querySelector(`option[value=${name}]`).textContent;
  // How wide the edge of the first pad is, 10 to 90 % of its rise, as a share of the pad: over a quarter is blurred.
  function blurred(to) {
    const s = spots(), [pad, paper] = s, steps = 60, rise = [];
    for (let i = 0; i < steps; i++) {
      const v = pad.v + (paper.v - pad.v) * i / (steps - 1);
      let sum = 0;
      for (let j = 0; j < 20; j++) { const [x, y] = to(0.35 + 0.3 * j / 19, v).map(Math.round); sum += pixels[4 * (y * work.width + x) + 1] || 0; }
      rise.push(sum / 20);
    }
    const [a, b] = [rise[0], rise[steps - 1]];
    if (Math.abs(b - a) < 20) return false;
    const part = rise.map((v) => (v - a) / (b - a)), from = part.findIndex((v) => v > 0.1), till = part.findIndex((v) => v > 0.9);
    return (till - from) / steps * (paper.v - pad.v) > 0.25 * 4 * pad.dv;
  }

  // -- the stage
  const handles = [0, 1].flatMap((f) => [0, 1, 2, 3].map((i) => {
    const knob = document.createElement("button");
    knob.type = "button"; knob.className = "knob"; knob.textContent = f ? "C" : "S";
    knob.setAttribute("aria-label", `${["top left", "top right", "bottom right", "bottom left"][i]} corner of the ${f ? "chart" : "strip"}; arrow keys move it`);
    knob.setAttribute("aria-pressed", "false");
    stage.append(knob);
    let moved = false;
    const place = (event) => { const r = view.getBoundingClientRect(); return [(event.clientX - r.left) * work.width / r.width, (event.clientY - r.top) * work.height / r.height]; };
    knob.addEventListener("pointerdown", (event) => { knob.setPointerCapture(event.pointerId); const [x, y] = place(event), c = frames[f][i]; held = [c[0] - x, c[1] - y]; moved = false; });
    knob.addEventListener("pointermove", (event) => { if (!held || !knob.hasPointerCapture(event.pointerId)) return;
      const [x, y] = place(event); if (!moved && Math.hypot(x + held[0] - frames[f][i][0], y + held[1] - frames[f][i][1]) < 4) return;
      moved = true; put(f, i, [x + held[0], y + held[1]]); });
    knob.addEventListener("pointerup", () => { held = null; if (moved) { read(); remember(); } });
    knob.addEventListener("click", () => { if (!moved) pick(chosen === `${f}${i}` ? "" : `${f}${i}`); });
    knob.addEventListener("keydown", (event) => { const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!way) return; event.preventDefault(); const step = (event.shiftKey ? 0.02 : 0.002) * work.width, c = frames[f][i];
      put(f, i, [c[0] + way[0] * step, c[1] + way[1] * step]); read(); remember(); });
    return { knob, f, i };
  }));
  const pick = (which) => { chosen = which; for (const h of handles) h.knob.setAttribute("aria-pressed", String(`${h.f}${h.i}` === which)); };
  const put = (f, i, [x, y]) => { frames[f][i] = [Math.min(work.width - 1, Math.max(0, x)), Math.min(work.height - 1, Math.max(0, y))]; drawn(); };
  view.addEventListener("click", (event) => { if (!chosen) return; const r = view.getBoundingClientRect();
    put(Number(chosen[0]), Number(chosen[1]), [(event.clientX - r.left) * work.width / r.width, (event.clientY - r.top) * work.height / r.height]); pick(""); read(); remember(); });
  function drawn() {
    const scale = Math.min(1, 1200 / work.width), pen = view.getContext("2d");
    view.width = Math.round(work.width * scale); view.height = Math.round(work.height * scale);
    pen.drawImage(work, 0, 0, view.width, view.height);
    const maps = frames.map(mapped);
    for (const [colour, width] of [["#000", 4], ["#fff", 2]]) {
      pen.strokeStyle = colour; pen.lineWidth = width;
      const line = (points) => { pen.beginPath(); points.forEach(([x, y], n) => (n ? pen.lineTo(x * scale, y * scale) : pen.moveTo(x * scale, y * scale))); pen.closePath(); pen.stroke(); };
      frames.forEach(line);
      for (const s of spots()) line([[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([a, b]) => maps[s.frame](s.u + a * s.du, s.v + b * s.dv)));
    }
    for (const { knob, f, i } of handles) {
      // Outside the corners, and the strip's farther up and down, so that no two lie on each other.
      const [x, y] = frames[f][i], out = 22, far = f ? 22 : 68, middle = frames[f].reduce((a, c) => [a[0] + c[0] / 4, a[1] + c[1] / 4], [0, 0]);
      knob.style.left = `calc(${100 * x / work.width}% + ${x < middle[0] ? -out : out}px)`;
      knob.style.top = `calc(${100 * y / work.height}% + ${y < middle[1] ? -far : far}px)`;
    }
  }

  // -- choosing
  async function open(input) {
    const file = input.files[0];
    input.value = ""; // the same file chosen again must be news
    if (!file) return;
    close();
    said.textContent = "Opening the picture.";
    try {
      use(await createImageBitmap(file, file.size > SMALL_BYTES ? { resizeWidth: 1512, resizeQuality: "high" } : {}), "");
    } catch { said.textContent = "This browser can't open that kind of picture. Set the phone's camera to the most compatible format (JPEG) and take it again."; }
  }
  // `camera`: "page" where it is what the camera showed in this page, whose tone is not that of a photograph.
  function use(bitmap, camera) {
    const scale = Math.min(1, WIDEST / Math.max(bitmap.width, bitmap.height));
    work = document.createElement("canvas");
    work.width = Math.round(bitmap.width * scale); work.height = Math.round(bitmap.height * scale);
    const pen = work.getContext("2d", { colorSpace: "display-p3", willReadFrequently: true });
    pen.drawImage(bitmap, 0, 0, work.width, work.height); // whole: a part would be turned wrong
    bitmap.close();
    wide = !!pen.getContextAttributes && pen.getContextAttributes().colorSpace === "display-p3";
    pixels = pen.getImageData(0, 0, work.width, work.height).data;
    if (!pixels[4 * ((work.height >> 1) * work.width + (work.width >> 1)) + 3]) { work = null; said.textContent = "The picture is too large for this browser; take a smaller one."; return; }
    document.getElementById("camera").value = camera;
    frames = placed().map((f) => f.map(([x, y]) => [x * work.width, y * work.height]));
    stage.hidden = $("tools").hidden = false;
    snap(); remember();
  }
  for (const id of ["take", "choose"]) $(id).addEventListener("change", () => open($(id)));
  for (const id of ["what", "share"]) $(id).addEventListener("input", () => { if (work) { drawn(); read(); } remember(); });
  $("snap").addEventListener("click", () => { snap(); remember(); });
  $("larger").addEventListener("click", () => { const on = stage.classList.toggle("twice"); $("larger").setAttribute("aria-pressed", String(on)); });
  $("forget").addEventListener("click", () => { work = pixels = null; field.value = ""; stage.hidden = $("tools").hidden = true; said.textContent = "The picture is forgotten; nothing of it is kept."; });

  // -- the camera's own view, where the browser allows it: the frames of last time lie over it
  const live = $("live"), video = $("video");
  function close() { liveCamera.stop(video); live.hidden = true; }
  if (liveCamera.allowed()) {
    $("start").hidden = false;
    $("start").addEventListener("click", async () => {
      const lines = $("guide").querySelectorAll("polygon");
      placed().forEach((f, i) => lines[i].setAttribute("points", f.map((c) => c.join(",")).join(" ")));
      live.hidden = false;
      try { if (await liveCamera.start(video)) said.textContent = "Bring the strip into the left frame and the chart into the right one, then take it."; }
      catch { close(); said.textContent = "The camera is not to be had here; take or choose a picture instead."; }
    });
    $("shoot").addEventListener("click", async () => { const bitmap = await liveCamera.shoot(video); close(); use(bitmap, "page"); });
    $("stop").addEventListener("click", close);
    box.addEventListener("toggle", () => { if (!box.open) close(); });
  }

  // -- the clock
  let due = 0, ticking = 0;
  const tick = () => {
    const left = Math.ceil((due - Date.now()) / 1000);
    $("clock").textContent = left > 0 ? `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}` : "0:00";
    if (left > 0) return;
    clearInterval(ticking); ticking = 0;
    said.textContent = "Time: take the picture now.";
    if (navigator.vibrate) navigator.vibrate(300);
  };
  $("dip").addEventListener("click", () => { const wait = Number($("wait").value.replace(",", ".")); if (!(wait > 0 && wait < 3600)) { said.textContent = "Say how many seconds the kit's leaflet asks for."; return; }
    clearInterval(ticking); due = Date.now() + 1000 * wait; ticking = setInterval(tick, 250); tick(); said.textContent = `Dipped; wait ${wait} s.`; });
  const old = remembered();
  if (old.what && box.querySelector(`option[value=${CSS.escape(old.what)}]`)) $("what").value = old.what;
  if (old.share) $("share").value = old.share;
  if (old.wait) $("wait").value = old.wait;
})();
