// Takes a picture of the plants, measures the share of it that is leaf, and makes the small picture that is sent: drawn
// anew on a canvas, so that nothing of the phone's own file goes along, neither place nor device.
"use strict";
(() => {
  const box = document.getElementById("diary");
  if (!box || !window.createImageBitmap) return;
  const $ = (id) => document.getElementById("diary-" + id);
  const KEY = "rushlight-plants-" + box.dataset.tank, KEEP = box.dataset.keep === "yes";
  const WIDE = 640, WORK = 960, SMALL_BYTES = 3e6, MOST = 90000;
  const view = $("view"), stage = $("stage"), said = $("said"), share = document.getElementById("cover_percent"), field = document.getElementById("jpeg");
  let work = null, pixels = null, leaf = null, chosen = -1, turn = 0, making = null;
  box.hidden = false;

  // Four corners about the plants and the mark, as shares of the picture: from the last picture kept, else from this device.
  const START = [[0.1, 0.1], [0.9, 0.1], [0.9, 0.7], [0.1, 0.7], [0.5, 0.9]];
  const local = () => { try { return JSON.parse(localStorage.getItem(KEY)); } catch { return null; } };
  const numbers = box.dataset.marked.split(",").filter(Boolean).map(Number);
  const given = numbers.length >= 8 ? { places: Array.from({ length: numbers.length / 2 }, (_, i) => [numbers[2 * i], numbers[2 * i + 1]]), mark: numbers.length > 8 } : null;
  const kept = given || local();
  const places = START.map((p, i) => (kept && Array.isArray(kept.places) && kept.places[i]) || p);
  $("mark").checked = !!(kept && kept.mark);
  const remember = () => { try { localStorage.setItem(KEY, JSON.stringify({ places, mark: $("mark").checked })); } catch { /* no room: the picture carries it */ } };

  // -- reading
  function read() {
    if (!work) return;
    const corners = places.slice(0, 4).map(([x, y]) => [x * work.width, y * work.height]);
    let gains = [1, 1, 1]; const faults = [];
    if ($("mark").checked) {
      const [x, y] = places[4], found = leafCover.balance(pixels, work.width, work.height, x * work.width, y * work.height, work.width / 80);
      if (found) gains = found; else faults.push("the mark is too bright or too dark: its colour was not used");
    } else faults.push("without a white or grey mark, a change of the lamp's colour looks like a change of leaf");
    const found = leafCover.measure(pixels, work.width, work.height, corners, gains);
    leaf = found && found.leaf;
    if (!found || found.pixels < 400) { share.value = ""; said.textContent = "The frame about the plants is too small."; drawn(); make(); return; }
    const percent = Math.round(1000 * found.share) / 10;
    share.value = String(percent);
    if (percent < 3) faults.unshift("almost no leaf was found: so small a share says nothing of growth");
    if (percent > 93) faults.unshift("almost all is leaf: leaves hide leaves, and growth can't be seen in it; count new leaves as well");
    said.textContent = `${percent} % of the part in the frame is leaf. ` + (faults.length ? `But: ${faults.join("; ")}.` : "") + " Look at what is counted; put the share right by hand where it is not.";
    drawn(); make();
  }

  // -- the small picture: no wider than 640, at the quality that fits, with the frame in its comment
  const make = () => { const mine = making = send().catch(() => {}).then(() => { if (making === mine) making = null; }); };
  async function send() {
    const mine = ++turn;
    field.value = "";
    if (!KEEP || !work) return;
    const data = await small();
    if (mine !== turn) return;
    if (!data) { said.textContent += " The picture can't be made small enough; the share alone will be sent."; return; }
    let text = "";
    for (let i = 0; i < data.length; i += 8192) text += String.fromCharCode(...data.subarray(i, i + 8192));
    field.value = btoa(text).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");
  }
  // Saved while the small picture is still being made: wait for it, else it would stay behind.
  field.form.addEventListener("submit", (event) => {
    if (!making) return;
    event.preventDefault(); event.stopPropagation();
    const form = field.form;
    making.then(() => setTimeout(() => form.requestSubmit()));
  });
  async function small() {
    for (const wide of [WIDE, 480, 320]) {
      const scale = Math.min(1, wide / work.width), canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(work.width * scale)); canvas.height = Math.max(1, Math.round(work.height * scale));
      canvas.getContext("2d").drawImage(work, 0, 0, canvas.width, canvas.height);
      for (const quality of [0.8, 0.7, 0.6, 0.5, 0.4]) {
        const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", quality));
        if (blob && blob.type === "image/jpeg" && blob.size < MOST - 200) return commented(new Uint8Array(await blob.arrayBuffer()));
      }
    }
    return null;
  }
  function commented(data) {
    const four = (list) => list.map(([x, y]) => `${x.toFixed(4)} ${y.toFixed(4)}`).join(" ");
    const words = `rushlight plants ${four(places.slice(0, 4))}` + ($("mark").checked ? ` mark ${four([places[4]])}` : "");
    const comment = new TextEncoder().encode(words), out = new Uint8Array(data.length + comment.length + 4);
    out.set(data.subarray(0, 2)); // start of image
    out.set([0xff, 0xfe, (comment.length + 2) >> 8, (comment.length + 2) & 255], 2);
    out.set(comment, 6); out.set(data.subarray(2), 6 + comment.length);
    return out;
  }

  // -- the stage
  const NAMES = ["top left corner of the plants", "top right corner of the plants", "bottom right corner of the plants", "bottom left corner of the plants", "the mark"];
  const knobs = NAMES.map((name, i) => {
    const knob = document.createElement("button");
    knob.type = "button"; knob.className = "knob"; knob.textContent = i < 4 ? "P" : "M";
    knob.setAttribute("aria-label", `${name}; arrow keys move it`);
    knob.setAttribute("aria-pressed", "false");
    stage.append(knob);
    let moved = false, from = null;
    const at = (event) => { const r = view.getBoundingClientRect(); return [(event.clientX - r.left) / r.width, (event.clientY - r.top) / r.height]; };
    knob.addEventListener("pointerdown", (event) => { knob.setPointerCapture(event.pointerId); const [x, y] = at(event); from = [places[i][0] - x, places[i][1] - y]; moved = false; });
    knob.addEventListener("pointermove", (event) => { if (!from || !knob.hasPointerCapture(event.pointerId)) return;
      const [x, y] = at(event); if (!moved && Math.hypot(x + from[0] - places[i][0], y + from[1] - places[i][1]) < 0.01) return;
      moved = true; put(i, [x + from[0], y + from[1]]); });
    knob.addEventListener("pointerup", () => { from = null; if (moved) settled(); });
    knob.addEventListener("click", () => { if (!moved) pick(chosen === i ? -1 : i); });
    knob.addEventListener("keydown", (event) => { const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!way) return; event.preventDefault(); const step = event.shiftKey ? 0.02 : 0.003;
      put(i, [places[i][0] + way[0] * step, places[i][1] + way[1] * step]); settled(); });
    return knob;
  });
  const pick = (i) => { chosen = i; knobs.forEach((k, n) => k.setAttribute("aria-pressed", String(n === i))); };
  const put = (i, [x, y]) => { places[i] = [Math.min(1, Math.max(0, x)), Math.min(1, Math.max(0, y))]; drawn(); };
  const settled = () => { remember(); read(); };
  view.addEventListener("click", (event) => { if (chosen < 0) return; const r = view.getBoundingClientRect();
    put(chosen, [(event.clientX - r.left) / r.width, (event.clientY - r.top) / r.height]); pick(-1); settled(); });
  function drawn() {
    if (!work) return;
    const pen = view.getContext("2d"), w = view.width = work.width, h = view.height = work.height;
    pen.drawImage(work, 0, 0);
    if (leaf && $("show").checked) { // a chequer of magenta, so that the leaf can still be seen and no hue alone tells
      const seen = pen.getImageData(0, 0, w, h), d = seen.data;
      for (let p = 0; p < leaf.length; p++) if (leaf[p] && ((p % w >> 2) + (p / w >> 2)) % 2) { d[4 * p] = 255; d[4 * p + 1] = 0; d[4 * p + 2] = 255; }
      pen.putImageData(seen, 0, 0);
    }
    const marked = $("mark").checked;
    for (const [colour, width] of [["#000", 6], ["#fff", 3]]) {
      pen.strokeStyle = colour; pen.lineWidth = width;
      pen.beginPath(); places.slice(0, 4).forEach(([x, y], n) => (n ? pen.lineTo(x * w, y * h) : pen.moveTo(x * w, y * h))); pen.closePath(); pen.stroke();
      if (marked) { pen.beginPath(); pen.arc(places[4][0] * w, places[4][1] * h, w / 80, 0, 7); pen.stroke(); }
    }
    const middle = places.slice(0, 4).reduce((a, c) => [a[0] + c[0] / 4, a[1] + c[1] / 4], [0, 0]);
    knobs.forEach((knob, i) => {
      const [x, y] = places[i], out = 20;
      knob.hidden = i === 4 && !marked;
      knob.style.left = `calc(${100 * x}% + ${i === 4 ? 0 : x < middle[0] ? -out : out}px)`;
      knob.style.top = `calc(${100 * y}% + ${i === 4 ? 30 : y < middle[1] ? -out : out}px)`;
    });
  }

  // -- choosing
  async function open(file) {
    if (!file) return;
    said.textContent = "Opening the picture.";
    try {
      use(await createImageBitmap(file, file.size > SMALL_BYTES ? { resizeWidth: 1512, resizeQuality: "high" } : {}));
    } catch { said.textContent = "This browser can't open that kind of picture. Set the phone's camera to the most compatible format (JPEG) and take it again."; }
  }
  function use(bitmap) {
    const scale = Math.min(1, WORK / Math.max(bitmap.width, bitmap.height));
    work = document.createElement("canvas");
    work.width = Math.max(1, Math.round(bitmap.width * scale)); work.height = Math.max(1, Math.round(bitmap.height * scale));
    const pen = work.getContext("2d", { willReadFrequently: true });
    pen.imageSmoothingQuality = "high";
    pen.drawImage(bitmap, 0, 0, work.width, work.height); // whole: a part would be turned wrong
    bitmap.close();
    pixels = pen.getImageData(0, 0, work.width, work.height).data;
    if (!pixels[4 * ((work.height >> 1) * work.width + (work.width >> 1)) + 3]) { work = null; said.textContent = "The picture is too large for this browser; take a smaller one."; return; }
    stage.hidden = $("tools").hidden = false;
    read();
  }
  for (const id of ["take", "choose"]) $(id).addEventListener("change", () => { const file = $(id).files[0]; $(id).value = ""; open(file); });
  $("mark").addEventListener("change", settled);
  $("show").addEventListener("change", drawn);
  share.addEventListener("input", () => { said.textContent = ""; });
  $("forget").addEventListener("click", () => { work = pixels = leaf = null; turn++; field.value = share.value = ""; stage.hidden = $("tools").hidden = true; said.textContent = "The picture is forgotten; nothing of it is kept."; });

  // -- the last picture, pale over this one or over the camera
  const over = $("over"), pale = $("pale");
  if (over && pale) over.addEventListener("input", () => { pale.style.opacity = String(over.value / 100); });
  const live = $("live"), video = $("video");
  if (liveCamera.allowed()) {
    $("start").hidden = false;
    $("start").addEventListener("click", async () => {
      try { live.hidden = false; if (await liveCamera.start(video)) said.textContent = "Bring the view over the pale picture, then take it."; }
      catch { live.hidden = true; said.textContent = "The camera is not to be had here; take or choose a picture instead."; }
    });
    $("shoot").addEventListener("click", async () => { const bitmap = await liveCamera.shoot(video); liveCamera.stop(video); live.hidden = true; use(bitmap); });
    $("stop").addEventListener("click", () => { liveCamera.stop(video); live.hidden = true; });
  }
})();
// Then and now: the slider uncovers one from under the other.
(() => {
  const slide = document.getElementById("slide"), top = document.getElementById("slide-now");
  if (!slide || !top) return;
  const pair = document.getElementById("pair"), part = document.getElementById("slide-part");
  const move = () => { top.style.clipPath = `inset(0 0 0 ${slide.value}%)`; };
  part.hidden = false; pair.classList.add("laid");
  slide.addEventListener("input", move);
  move();
})();
