// Keeps an entry on the phone from before it is sent until the page has answered for it, and sends it until then: a
// page that is left, a network that fails and a busy daemon lose nothing.  Every form has an id of its own, so what is
// sent twice is one entry.  Each has a key of its own too, so no tab overwrites another's.  The page works without this.
"use strict";
// A part that is nothing without scripts of its own is hidden until scripts run here, and fetches them when it is opened.
for (const part of document.querySelectorAll("details[data-parts]")) {
  part.hidden = !window.createImageBitmap;
  const come = (address) => new Promise((well, ill) => {
    const made = document.createElement(/\.css/.test(address) ? "link" : "script");
    if (made.tagName === "LINK") { made.rel = "stylesheet"; made.href = address; } else made.src = address;
    made.onload = well;
    made.onerror = () => { made.remove(); ill(); };
    document.head.append(made);
  });
  const left = part.dataset.parts.split(" ");
  let begun = false;
  part.addEventListener("toggle", async () => {
    if (!part.open || begun) return;
    begun = true;
    const said = document.createElement("p");
    said.setAttribute("role", "status");
    part.append(said);
    try {
      for (; left.length; left.shift()) await come(left[0]);
      said.remove();
    } catch {
      begun = false;
      part.addEventListener("toggle", () => said.remove(), { once: true });
      said.textContent = "This part does not come: no network. Close it, and open it again later.";
    }
  });
}
(() => {
  const KEY = "rushlight-kept:", OLD = "rushlight-kept";
  const box = document.getElementById("kept");
  const token = (document.querySelector("meta[name=form-token]") || {}).content || "";
  const open = (document.querySelector("form.keep input[name=id]") || {}).value;
  const busy = new Set();

  const keep = (entry) => localStorage.setItem(KEY + entry.fields.id, JSON.stringify(entry));
  const drop = (id) => localStorage.removeItem(KEY + id);
  const read = (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } };
  const all = () => Object.keys(localStorage).filter((k) => k.startsWith(KEY)).map(read).filter(Boolean).sort((a, b) => a.ms - b.ms);
  const post = (action, fields) => fetch(action, {
    method: "POST", body: new URLSearchParams(fields), credentials: "same-origin", signal: AbortSignal.timeout(20000),
  });
  // Only our own answer counts: a stranger's network may answer anything with a page of its own.
  const taken = (answer) => answer.ok && answer.redirected && /[?&](done|again)=/.test(new URL(answer.url).search);
  const later = (answer) => answer.ok || answer.status >= 500 || [401, 403, 429].includes(answer.status);

  function button(words, act) {
    const made = document.createElement("button");
    made.type = "button"; made.className = "plain"; made.textContent = words;
    made.addEventListener("click", act);
    return made;
  }
  function say(lines) {
    box.replaceChildren(...lines.map((parts) => { const p = document.createElement("p"); p.append(...parts); return p; }));
    box.hidden = !lines.length;
  }
  function reopen(entry) { // the page shows the form again, filled in, with what is wrong
    const form = document.createElement("form");
    form.method = "post"; form.action = entry.action; form.hidden = true;
    for (const [name, value] of Object.entries({ ...entry.fields, token })) {
      const field = document.createElement("input");
      field.type = "hidden"; field.name = name; field.value = value; form.append(field);
    }
    document.body.append(form);
    form.submit();
  }
  function state(sent) {
    const left = all().filter((e) => !busy.has(e.fields.id)), waiting = left.filter((e) => !e.refused), lines = [];
    const named = (list) => list.map((e) => e.title || "an entry").join("; ");
    if (sent.length) lines.push([`Kept on this device until now, and now entered: ${named(sent)}. Open the tanks again to see what it changed.`]);
    if (waiting.length) lines.push([`Waiting on this device for the network or a login: ${named(waiting)}.`]);
    for (const e of left.filter((e) => e.refused && e.fields.id !== open))
      lines.push([`Refused: ${named([e])}.`, document.createElement("br"), button("Open it", () => reopen(e)), " ", button("Forget it", () => { drop(e.fields.id); state([]); })]);
    say(lines);
  }
  let sending = false;
  async function resend() {
    if (sending || !box) return;
    sending = true;
    const sent = [];
    for (const entry of all().filter((e) => !e.refused && !busy.has(e.fields.id))) {
      try {
        const answer = await post(entry.action, { ...entry.fields, token, kept_ms: entry.ms, sent_ms: Date.now() });
        if (taken(answer)) { drop(entry.fields.id); sent.push(entry); }
        else if (!later(answer)) keep({ ...entry, refused: true });
      } catch { break; }
    }
    if (sent.length || all().length) state(sent);
    sending = false;
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.classList.contains("keep")) return;
    event.preventDefault();
    const fields = { ...Object.fromEntries(new FormData(form)), sent_ms: Date.now() };
    if (busy.has(fields.id)) return;
    busy.add(fields.id);
    const entry = { action: form.action, fields, ms: Date.now(), title: document.querySelector("h1").textContent };
    let kept = true, why = "No network.";
    try { keep(entry); } catch { kept = false; } // no room on this device: it is sent all the same
    try {
      const answer = await post(form.action, fields);
      if (taken(answer)) { drop(fields.id); location.assign(answer.url); return; }
      if (!later(answer)) { // the page says what is wrong, in the form
        if (kept) keep({ ...entry, refused: true });
        form.classList.remove("keep");
        form.requestSubmit();
        return;
      }
      why = [401, 403].includes(answer.status) ? "This device has to log in again first." : "The page can't take it just now.";
    } catch { /* as it began */ }
    busy.delete(fields.id);
    window.scrollTo(0, 0);
    if (!kept) { say([[`${why} There is no room on this device to keep the entry: leave this page open, and save again later.`]]); return; }
    form.hidden = true;
    form.after(button("Enter another", ({ target }) => {
      target.remove();
      form.reset();
      for (const name of ["picture", "camera", "jpeg"]) if (form.elements[name]) form.elements[name].value = "";
      form.elements.id.value = [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
      form.hidden = false;
      state([]);
    }));
    say([[`${why} The entry is kept on this device and will be sent by itself, with the time of now.`]]);
  });

  for (const id of ["done", "again"].map((name) => new URLSearchParams(location.search).get(name)).filter(Boolean)) drop(id);
  for (const entry of read(OLD) || []) keep(entry); // as an older page left it
  localStorage.removeItem(OLD);
  for (const moment of ["online", "pageshow", "focus"]) window.addEventListener(moment, resend);
  setInterval(resend, 15000);
})();
